"""Styles, scripts and faces: each under an address that changes with what is in it, so that it is asked for once.

A template writes ``static("form.js")``. The address without a mark stays good, and is asked for anew by its ETag.
"""

import hashlib
from functools import cache, lru_cache
from pathlib import Path

from jinja2 import Environment

STATIC_FILES = Path(__file__).resolve().parents[1] / "static"
STATIC = "/static/"
FACES = "/static/faces/"
"""Of these the name changes with what is in them."""
A_YEAR = "public, max-age=31536000, immutable"
"""RFC 9111, 5.2.2; RFC 8246."""


@cache
def static(name: str) -> str:
    """Return the address of a file, with the mark of what is in it."""
    return f"{STATIC}{name}?v={_mark(name)}"


def kept_for(path: str, query: str) -> str:
    """Return how long a file that is there may be kept without asking: a year where its address names what is in it."""
    if path.startswith(FACES):
        return A_YEAR
    name = path.removeprefix(STATIC)
    return A_YEAR if query and path.startswith(STATIC) and query == f"v={_mark(name)}" else "no-cache"


@lru_cache(256)
def _mark(name: str) -> str:
    """Return eight digits of a file's SHA-256."""
    return hashlib.sha256((STATIC_FILES / name).read_bytes()).hexdigest()[:8]


def install(environment: Environment) -> None:
    """Give templates ``static(name)``."""
    environment.globals.update(static=static)
