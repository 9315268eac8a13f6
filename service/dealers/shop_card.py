"""What a player needs to come to a shop: where it is, when it is open, how to book, on which terms bows go out. Shown wherever an answer is."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.core import audit_events
from service.core.errors import FieldProblem, refuse
from service.core.language import N_, _
from service.core.prepared import prepared
from service.dealers import site
from service.tables import Dealer, Door

_LONGEST = {"address": 300, "opening": 300, "phone": 40, "map": 500}
TERMS = {
    "loan_terms": N_("Taking a bow home to try"),
    "return_terms": N_("Giving a bow back"),
    "hair_terms": N_("Hair and rehairing"),
}
"""What a shop may say of its terms, in its own words: no longer than `_LONGEST_TERMS` each."""
_LONGEST_TERMS = 500
FIELDS = (*_LONGEST, *TERMS)
"""What an owner may tell of the shop."""
_DIGITS = 5
"""The fewest that a telephone number has (ITU-T E.164 names no least; shorter ones are services' of a country)."""


@dataclass(frozen=True, slots=True)
class ShopCard:
    """A shop's card.

    ``address``, ``opening``: their lines. ``phone``, ``map``, ``booking``: as they were given; ``booking`` a link or a
    sentence. Empty: not given. ``terms``: the lines of each of `TERMS` that the shop gave.
    """

    name: str
    address: tuple[str, ...] = ()
    opening: tuple[str, ...] = ()
    phone: str = ""
    map: str = ""
    booking: str = ""
    terms: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def named_terms(self) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Give what each of the terms is called, and its lines."""
        return ((_(words), self.terms[name]) for name, words in TERMS.items() if name in self.terms)

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
    row = session.execute(*_card_of(dealer)).first() if dealer else None
    if row is None or not any(row[1:]):
        return None
    phone, way, booking = (text or "" for text in row[1:4])
    address, opening, *told = (tuple((text or "").splitlines()) for text in row[4:])
    terms = {name: lines for name, lines in zip(TERMS, told, strict=True) if lines}
    return ShopCard(row.name, address, opening, phone, way, booking, terms)


@prepared
def _card_of(dealer: str) -> Select[*tuple[Any, ...]]:
    lines = (getattr(Door, name) for name in TERMS)
    asked = select(Dealer.name, Door.phone, Door.map, Door.booking, Door.address, Door.opening, *lines)
    return asked.join(Door, Door.dealer == Dealer.slug).where(Door.dealer == dealer)


def keep(session: Session, user: int | None, dealer: str, **given: str) -> None:
    """Keep what is ``given`` of each of `FIELDS`, empty for none; raises `InvalidInputError`: a field that cannot be used, each named."""
    kept = {name: tidied(given.get(name, "")) for name in FIELDS}
    problems = [FieldProblem(name, fault) for name, text in kept.items() if (fault := _fault(name, text))]
    refuse(problems)
    site.change(
        session, user, dealer, audit_events.SHOP_CARD_SET, **{name: text or None for name, text in kept.items()}
    )


def tidied(text: str) -> str:
    """Return the lines of a text without blanks around them, empty ones and what is not printed."""
    lines = (" ".join("".join(filter(str.isprintable, line)).split()) for line in text.splitlines())
    return "\n".join(line for line in lines if line)


def _fault(name: str, text: str) -> str | None:
    most = _LONGEST.get(name, _LONGEST_TERMS)
    if len(text) > most:
        return _("Expected at most {most} characters.").format(most=most)
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
        **{name: "\n".join(card.terms.get(name, ())) for name in TERMS},
    }
