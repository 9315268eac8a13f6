"""``python -m service COMMAND``."""

import gc
import os

# One advice is many small matrices: more threads than one only wait for each other, and cost twice the CPU. Set before
# numpy is loaded, and inherited by every worker; whoever sets it otherwise has a reason.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Modules and what they hold stay: looking through them for garbage, while they are loaded and ever after, finds none.
gc.disable()

from service.cli import main  # noqa: E402 - as above

gc.freeze()
gc.enable()

if __name__ == "__main__":
    raise SystemExit(main())
