"""The listed tiers beside each other: what each costs, weighs and is made of, what its maker says, and what more money buys."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from service.advice import words
from service.core import formats
from service.core.language import _

Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Compared:
    """One thing to compare, a cell for each tier. ``long``: its cells are sentences."""

    label: str
    cells: tuple[str, ...]
    long: bool = False


@dataclass(frozen=True, slots=True)
class SideBySide:
    """The names of the listed tiers, a row for each thing to compare, and what so much more than the first would buy."""

    names: tuple[str, ...]
    rows: tuple[Compared, ...]
    more: str


def beside(doc: dict[str, Any]) -> SideBySide | None:
    """Return the tiers beside each other; None where there are none, or where the advice was kept before more was known of them."""
    entries = doc["shortlist"]
    if not is_known(doc):
        return None
    rows = (
        Compared(_("Price"), _each(entries, _price)),
        Compared(_("Bows at hand today"), _each(entries, _at_hand)),
        Compared(_("Bows at the workshop"), _each(entries, partial(_at_the_workshop, doc))),
        Compared(_("Typical weight"), _each(entries, _mass)),
        Compared(_("Made of"), _each(entries, _materials)),
        Compared(_("Expected mark, 1 to 7"), _each(entries, _liking)),
        Compared(_("What speaks for it"), _each(entries, partial(_differences, "reasons")), long=True),
        Compared(_("What speaks against it"), _each(entries, partial(_differences, "weaknesses")), long=True),
        Compared(_("In its maker’s words"), _each(entries, _character), long=True),
    )
    known = tuple(row for row in rows if any(row.cells))
    return SideBySide(
        names=tuple(entry["name"] for entry in entries),
        rows=tuple(Compared(row.label, tuple(cell or "–" for cell in row.cells), row.long) for row in known),
        more=words.what_more_buys(doc),
    )


def is_known(doc: Mapping[str, Any]) -> bool:
    """Say whether enough is known of the tiers to set them beside each other."""
    entries = doc["shortlist"]
    return bool(entries and "at_hand" in entries[0])


def _each(entries: Sequence[Entry], say: Callable[[Entry], str]) -> tuple[str, ...]:
    return tuple(say(entry) for entry in entries)


def _price(entry: Entry) -> str:
    return formats.money(entry["price"], entry["currency"])


def _at_hand(entry: Entry) -> str:
    count = entry.get("at_hand")
    return "" if count is None else _("none") if count == 0 else formats.number(count, 0)


def _at_the_workshop(doc: Mapping[str, Any], entry: Entry) -> str:
    places = (doc.get("verdict") or {}).get("elsewhere", ())
    count = sum(int(place["count"]) for place in places if place["tier"] == entry["tier"])
    return formats.number(count, 0) if count else ""


def _mass(entry: Entry) -> str:
    return formats.grams(entry["mass_g"]) if entry.get("mass_g") else ""


def _materials(entry: Entry) -> str:
    return str(entry.get("materials") or "")


def _character(entry: Entry) -> str:
    return str(entry.get("note") or "")


def _differences(kind: str, entry: Entry) -> str:
    """Return what is told of a tier's criteria, each once: ``kind`` its reasons or its weaknesses."""
    told = [words.difference(one["criterion"], one["effect"]) for one in entry.get(kind, ()) if "criterion" in one]
    return formats.listed(list(dict.fromkeys(told)))


def _liking(entry: Entry) -> str:
    return formats.number(entry["fit"]["expected"])
