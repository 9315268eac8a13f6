"""Where the browser for the journeys is. ``python -m tests.browser`` prints it, or says what is missing (status 1)."""

import shutil
import sys
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")


def path() -> str:
    """Return the path of Chromium: the system's, else the one that Playwright brought.

    Raises
    ------
    FileNotFoundError
        Neither is there; the text says how to get one.
    """
    for name in NAMES:
        found = shutil.which(name)
        # Ubuntu's package of this name is only a pointer to another kind of package, which headless tests cannot start.
        if found and not Path(found).resolve().as_posix().endswith("/snap"):
            return found
    brought = _brought()
    if brought is not None:
        return brought
    msg = "Chromium is missing. Install it (Debian: apt-get install chromium; elsewhere: python -m playwright install --with-deps chromium)."
    raise FileNotFoundError(msg)


def _brought() -> str | None:
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only where the system has no browser

    with sync_playwright() as driver:
        found = driver.chromium.executable_path
    return found if Path(found).exists() else None


if __name__ == "__main__":
    try:
        print(path())
    except FileNotFoundError as error:
        sys.exit(str(error))
