"""The listed tiers beside each other: what each costs, weighs and is made of, what its maker says, and what more money buys."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from service.advice import words
from service.core import formats
from service.core.language import _

Entry = Mapping[str, Any]


def beside(doc: dict[str, Any]) -> dict[str, Any] | None:
    """Return the tiers beside each other; None where there are none, or where the advice was kept before more was known of them.

    ``names``: of the tiers. ``rows``: for each thing to compare its label, a cell for each tier, and whether these are sentences.
    ``more``: what so much more than the first would buy.
    """
    entries = doc["shortlist"]
    if not is_known(doc):
        return None
    rows: tuple[tuple[str, Callable[[Entry], str], bool], ...] = (
        (_("Price"), lambda entry: formats.money(entry["price"], entry["currency"]), False),
        (_("Bows at hand today"), _at_hand, False),
        (_("Bows at the workshop"), partial(_at_the_workshop, doc), False),
        (_("Typical weight"), lambda entry: formats.grams(entry["mass_g"]) if entry.get("mass_g") else "", False),
        (_("Made of"), lambda entry: str(entry.get("materials") or ""), False),
        (_("Expected mark, 1 to 7"), lambda entry: formats.number(entry["fit"]["expected"]), False),
        (_("What speaks for it"), partial(_differences, "reasons"), True),
        (_("What speaks against it"), partial(_differences, "weaknesses"), True),
        (_("In its maker’s words"), lambda entry: str(entry.get("note") or ""), True),
    )
    compared = ((label, [say(entry) for entry in entries], is_long) for label, say, is_long in rows)
    return {
        "names": [entry["name"] for entry in entries],
        "rows": [(label, [cell or "–" for cell in cells], is_long) for label, cells, is_long in compared if any(cells)],
        "more": words.what_more_buys(doc),
    }


def is_known(doc: Mapping[str, Any]) -> bool:
    """Say whether enough is known of the tiers to set them beside each other."""
    entries = doc["shortlist"]
    return bool(entries and "at_hand" in entries[0])


def _at_hand(entry: Entry) -> str:
    count = entry.get("at_hand")
    return "" if count is None else _("none") if count == 0 else formats.number(count, 0)


def _at_the_workshop(doc: Mapping[str, Any], entry: Entry) -> str:
    count = words.at_the_workshop(entry, doc)
    return formats.number(count, 0) if count else ""


def _differences(kind: str, entry: Entry) -> str:
    """Return what is told of a tier's criteria, each once: ``kind`` its reasons or its weaknesses."""
    told = [words.difference(one["criterion"], one["effect"]) for one in entry.get(kind, ()) if "criterion" in one]
    return formats.listed(list(dict.fromkeys(told)))
