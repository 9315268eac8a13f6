"""``python -m service COMMAND``."""

import os

# One advice is many small matrices: more threads than one only wait for each other, and cost twice the CPU. Set before
# numpy is loaded, and inherited by every worker; whoever sets it otherwise has a reason.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from service.commands import main

if __name__ == "__main__":
    raise SystemExit(main())
