"""``python -m service COMMAND``."""

from service.commands import main

if __name__ == "__main__":
    raise SystemExit(main())
