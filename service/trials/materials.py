"""What bows are made of, as far as a border asks: a parcel with listed or unknown material waits until somebody has confirmed it.

A material is taken as unlisted only where every part that is named is on a short list of common ones that CITES does not list
(appendices I to III; national law may ask for more). Anything else, and a bow of which nothing is noted, waits: to ask once too
often costs a telephone call. This is no legal advice.
"""

import re
from collections.abc import Iterable

from service import tables

UNLISTED = frozenset(
    each.strip()
    for kinds in (
        "carbon, carbon fibre, carbon fiber, glass fibre, glass fiber, aramid, resin, epoxy, plastic",
        "silver, gold, nickel, nickel silver, brass, steel, stainless steel, titanium, aluminium",
        "horsehair, hair, silk, cotton, linen, leather thumb, bone, cow bone, cow horn, maple, spruce",
    )
    for each in kinds.split(",")
)
"""Materials by name; judged from the common list of what bows are made of, no source, and deliberately short."""
_PARTS = re.compile(r"\b(?:stick|frog|slide|mounts?|button|tip|lapping|grip|winding|eye|ring|underslide)\b")
_BETWEEN = re.compile(r"[,;/+]|\band\b|\bwith\b")


def unlisted(materials: str | None) -> bool:
    """Say whether nothing in a bow is listed, as far as its materials are noted."""
    if not materials or not materials.strip():
        return False
    named = (_PARTS.sub(" ", part) for part in _BETWEEN.split(materials.casefold()))
    found = {" ".join(part.split()) for part in named} - {""}
    return bool(found) and found <= UNLISTED


def crosses_border(composition: tables.Composition, dealer: tables.Dealer) -> bool:
    """Say whether the parcel leaves the dealer's country; a country that is not known may be another one."""
    return composition.country is None or dealer.country is None or composition.country != dealer.country.upper()


def to_confirm(
    composition: tables.Composition, dealer: tables.Dealer, made_of: Iterable[tuple[str, str | None]]
) -> tuple[str, ...]:
    """Return the bows with listed or unknown material in a parcel that crosses a border; ``made_of``: serial and materials."""
    if not crosses_border(composition, dealer):
        return ()
    return tuple(serial for serial, named in made_of if not unlisted(named))
