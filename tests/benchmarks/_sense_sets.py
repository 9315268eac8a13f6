"""Answer sets as players would give them, drawn from a grid over the demo's dealers: bodies of ``POST /api/v1/advice``."""

from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np

from model.domain.vocabulary import CRITERIA, Criterion, Hold, Instrument, Setting
from service.modelling.catalogue import Catalogue

Body = dict[str, Any]
Choice = Sequence[Any]

INSTRUMENTS = (
    ("violin", None),
    ("viola", None),
    ("cello", None),
    ("double_bass", "german"),
    ("double_bass", "french"),
    ("double_bass", "either"),
)
BUDGETS: Choice = (None, 400, 900, 1500, 2300, 3600, 6000, 12000)
OWN: Choice = ("none", "unrated", 2, 3, 4, 5, 6, 7)
WISHES: Choice = (None, -1, 0, 1)
MINUTES: Choice = (None, None, 20, 30, 45, 60, 90)
ASKED = tuple(str(criterion) for criterion in CRITERIA if criterion is not Criterion.OVERALL)
SETTINGS = tuple(str(setting) for setting in Setting)
MOST_TRIED = 2


@dataclass(frozen=True, slots=True)
class Shop:
    """A dealer: the currency, and by instrument and hold the serials at hand that suit."""

    slug: str | None
    currency: str
    at_hand: Mapping[tuple[str, str | None], tuple[str, ...]]


def shops(now: Catalogue) -> list[Shop]:
    """Return the dealers, and the whole range without one."""
    suited = {
        (instrument, hold): [copy.serial for copy in now.range.suited(*_plays(instrument, hold))]
        for instrument, hold in INSTRUMENTS
    }
    found = [
        Shop(
            slug,
            now.dealers[slug].currency or "EUR",
            {kind: tuple(serial for serial in of if serial in now.stock[slug]) for kind, of in suited.items()},
        )
        for slug in sorted(now.dealers)
    ]
    return [*found, Shop(None, "EUR", dict.fromkeys(suited, ()))]


def _plays(instrument: str, hold: str | None) -> tuple[Instrument, Hold | None]:
    return Instrument(instrument), Hold(hold) if hold else None


def bodies(now: Catalogue, count: int, seed: int) -> Iterator[Body]:
    """Give so many answer sets, every value of the grid about as often as the others."""
    rng, places = np.random.default_rng(seed), shops(now)
    for number in range(count):
        instrument, hold = INSTRUMENTS[number % len(INSTRUMENTS)]
        shop = places[int(rng.choice(len(places), p=_shares(len(places))))]
        yield _body(rng, shop, instrument, hold)


def _shares(shops_: int) -> list[float]:
    """One set in ten is asked of no dealer."""
    return [0.9 / (shops_ - 1)] * (shops_ - 1) + [0.1]


def _body(rng: np.random.Generator, shop: Shop, instrument: str, hold: str | None) -> Body:
    body: Body = {
        "instrument": instrument,
        "language": "en",
        "trial": {"place": "post" if rng.random() < 0.15 else "shop"},
    }
    if hold:
        body["hold"] = hold
    if shop.slug:
        body["dealer"] = shop.slug
    if minutes := _one(rng, MINUTES):
        body["trial"]["minutes"] = minutes
    if budget := _one(rng, BUDGETS):
        body["budget"] = {"amount": budget, "currency": shop.currency}
    body["settings"] = sorted(_some(rng, SETTINGS, 3))
    body["priorities"] = _some(rng, ASKED, 3)
    body["wishes"] = {name: _one(rng, WISHES) for name in ("mass", "tone")}
    _add_own(rng, body)
    tried = _some(rng, shop.at_hand[instrument, hold], MOST_TRIED) if rng.random() < 0.3 else []
    if tried:
        body["tried"] = [{"copy": copy, "ratings": {"overall": int(rng.integers(2, 8))}} for copy in tried]
    return body


def _one(rng: np.random.Generator, of: Choice) -> Any:
    return of[int(rng.integers(len(of)))]


def _some(rng: np.random.Generator, of: Sequence[str], most: int) -> list[str]:
    count = min(int(rng.integers(most + 1)), len(of))
    return [of[int(place)] for place in rng.choice(len(of), count, replace=False)] if count else []


def _add_own(rng: np.random.Generator, body: Body) -> None:
    own = _one(rng, OWN)
    if own == "none":
        body["own_bow"] = None
    elif own == "unrated":
        body["own_bow"] = {"kind": "wood"}
    else:
        ratings = {"overall": own} | {
            criterion: int(np.clip(own + rng.integers(-1, 2), 1, 7)) for criterion in _some(rng, ASKED, 3)
        }
        body["own_bow"] = {"kind": "wood", "ratings": ratings}


# Pairs that differ in one thing


@dataclass(frozen=True, slots=True)
class Pair:
    """Two answer sets, and what differs."""

    what: str
    one: Body
    other: Body


SETTING, REPEATED, DEARER = "one more setting", "own bow's mark repeated on the criteria", "a budget 5 % higher"


def small_changes(sets: Sequence[Body], seed: int) -> Iterator[Pair]:
    """Give pairs of which nobody would expect another answer: one of every kind that a set allows."""
    rng = np.random.default_rng(seed)
    for body in sets:
        left = [setting for setting in SETTINGS if setting not in body["settings"]]
        if len(body["settings"]) < 3:
            more = deepcopy(body)
            more["settings"] = sorted([*body["settings"], _one(rng, left)])
            yield Pair(SETTING, body, more)
        own = body["own_bow"]
        if own and "ratings" in own:
            repeated, plain = deepcopy(body), deepcopy(body)
            mark = own["ratings"]["overall"]
            plain["own_bow"]["ratings"] = {"overall": mark}
            repeated["own_bow"]["ratings"] = dict.fromkeys(("overall", *ASKED[:5]), mark)
            yield Pair(REPEATED, plain, repeated)
        if "budget" in body:
            dearer = deepcopy(body)
            dearer["budget"]["amount"] = round(body["budget"]["amount"] * 1.05)
            yield Pair(DEARER, body, dearer)


def raised_marks(sets: Sequence[Body], seed: int) -> Iterator[Pair]:
    """Give pairs whose other one rates the own bow higher: as a whole, on one criterion, on all that were rated."""
    rng = np.random.default_rng(seed)
    for body in sets:
        own = body["own_bow"]
        if not own or "ratings" not in own:
            continue
        low = deepcopy(body)
        criteria = ["overall", *(ASKED[int(place)] for place in rng.choice(len(ASKED), 2, replace=False))]
        low["own_bow"]["ratings"] = dict.fromkeys(criteria, 3) | {"overall": min(own["ratings"]["overall"], 5)}
        raised = criteria if rng.random() < 0.3 else [_one(rng, criteria)]
        high = deepcopy(low)
        high["own_bow"]["ratings"] |= dict.fromkeys(raised, 7)
        what = "on all criteria" if len(raised) > 1 else "as a whole" if raised == ["overall"] else "on one criterion"
        yield Pair(what, low, high)
