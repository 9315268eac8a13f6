"""What a player needs to come to a shop: where it is, when it is open, how to reach it and how to book. Shown wherever an answer is."""

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit_events
from service.core.errors import FieldProblem, InvalidInputError
from service.core.language import _
from service.dealers import site

_LONGEST = {"address": 300, "opening": 300, "phone": 40, "map": 500}
_DIGITS = 5
"""The fewest that a telephone number has (ITU-T E.164 names no least; shorter ones are services' of a country)."""


@dataclass(frozen=True, slots=True)
class ShopCard:
    """A shop's card.

    Attributes
    ----------
    address, opening : their lines.
    phone, map, booking : as they were given; ``booking`` a link or a sentence. Empty: not given.
    """

    name: str
    address: tuple[str, ...] = ()
    opening: tuple[str, ...] = ()
    phone: str = ""
    map: str = ""
    booking: str = ""

    @property
    def dial(self) -> str:
        """The telephone's address (RFC 3966), empty where there is none."""
        digits = "".join(letter for letter in self.phone if letter.isdigit() and letter.isascii())
        return f"tel:{'+' if self.phone.strip().startswith('+') else ''}{digits}" if digits else ""

    @property
    def books_by_link(self) -> bool:
        """Whether a trial is booked at an address of the web."""
        return is_link(self.booking)


def is_link(text: str) -> bool:
    """Say whether a text is one address of the web, reached by https."""
    try:
        parts = urlsplit(text) if len(text.split()) == 1 else None
    except ValueError:  # what looks like an address and is none: brackets without one of IPv6 between them
        return False
    return parts is not None and parts.scheme == "https" and bool(parts.hostname)


def read(session: Session, dealer: str | None) -> ShopCard | None:
    """Return a shop's card; None where nothing of it was given."""
    door = tables.Door
    asked = select(tables.Dealer.name, door.address, door.opening, door.phone, door.map, door.booking)
    row = session.execute(asked.join(door, door.dealer == tables.Dealer.slug).where(door.dealer == dealer)).first()
    if row is None or not any(row[1:]):
        return None
    address, opening = (tuple((text or "").splitlines()) for text in row[1:3])
    return ShopCard(row.name, address, opening, *(text or "" for text in row[3:]))


def keep(session: Session, user: int | None, dealer: str, **given: str) -> None:
    """Keep ``address``, ``opening``, ``phone`` and ``map``, each empty for none.

    Raises
    ------
    InvalidInputError : a field that cannot be used, each named.
    """
    kept = {name: _tidied(given[name]) for name in _LONGEST}
    problems = [FieldProblem(name, fault) for name, text in kept.items() if (fault := _fault(name, text))]
    if problems:
        raise InvalidInputError(problems)
    site.change(
        session, user, dealer, audit_events.SHOP_CARD_SET, **{name: text or None for name, text in kept.items()}
    )


def _tidied(text: str) -> str:
    lines = (" ".join("".join(filter(str.isprintable, line)).split()) for line in text.splitlines())
    return "\n".join(line for line in lines if line)


def _fault(name: str, text: str) -> str | None:
    if len(text) > _LONGEST[name]:
        return _("Expected at most {most} characters.").format(most=_LONGEST[name])
    if name == "map" and text and not is_link(text):
        return _("Got {text}; expected one address that begins with https://.").format(text=text[:40])
    if name == "phone" and text and sum(letter.isdigit() and letter.isascii() for letter in text) < _DIGITS:
        return _("Got {text}; expected a telephone number, as +43 1 234567.").format(text=text[:40])
    return None


def fields(session: Session, dealer: str) -> dict[str, Any]:
    """Return what stands in the fields of the form."""
    card = read(session, dealer) or ShopCard("")
    return {
        "address": "\n".join(card.address),
        "opening": "\n".join(card.opening),
        "phone": card.phone,
        "map": card.map,
    }
