"""Where a page stands: by itself, or framed in a dealer's page. Held in a context variable, so that every template may ask.

A template writes ``{{ base() }}/form`` before each link that stays within the form; what leads out of it stands without.
"""

from contextvars import ContextVar, Token
from dataclasses import dataclass

from jinja2 import Environment


@dataclass(frozen=True, slots=True)
class Framed:
    """A page framed in another."""

    prefix: str  # what stands before every link that stays in the frame
    parent: str  # the origin around it, which is told the page's height; empty: our own
    light: bool  # the page around knows no dark scheme, so this one shows none either


_framed: ContextVar[Framed | None] = ContextVar("framed", default=None)


def framed() -> Framed | None:
    """Return how the page is framed, None where it stands by itself."""
    return _framed.get()


def base() -> str:
    """Return what stands before a link that stays within the form."""
    frame = _framed.get()
    return frame.prefix if frame else ""


def enter(here: Framed) -> Token[Framed | None]:
    """Frame what is answered from here on; returns what `leave` takes."""
    return _framed.set(here)


def leave(token: Token[Framed | None]) -> None:
    """Go back to what was before `enter`."""
    _framed.reset(token)


def install(environment: Environment) -> None:
    """Give templates ``framed()`` and ``base()``."""
    environment.globals.update(framed=framed, base=base)
