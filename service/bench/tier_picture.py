"""A tier's copies by what the bench measured: how they spread within the tier and between tiers, and which are out of character."""

import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model import bench
from service.bench import liking_map, records
from service.bench.liking_map import LikingMap, Whose
from service.bench.quantities import LIMITS
from service.core.errors import NotFoundError
from service.core.scopes import Scope
from service.tables import BENCH_COLUMNS, Copy, Tier

USUAL = ("mass_g", "balance_mm")
"""What is shown unless something else is chosen."""
MARGIN = 0.08
"""Of the span of a quantity, beyond its least and greatest, that the picture shows."""


@dataclass(frozen=True, slots=True)
class MeasuredCopy:
    """One bow with its bench values by quantity; ``status``: as stock has it."""

    serial: str
    status: str | None
    values: Mapping[str, float]

    @property
    def is_sold(self) -> bool:
        """Whether it is out of reach for good."""
        return self.status in ("sold", "withdrawn")


@dataclass(frozen=True, slots=True)
class TraitSpread:
    """How one quantity spreads.

    ``measured``: how many of the tier's copies. ``spread``: the tier's own. ``reading_sd``: of one reading.
    ``parts``: within and between the tiers of the instrument, None where too few were measured.
    ``low``, ``high``: the least and the greatest of the tier. ``apart``: serials of those out of character that may be seen.
    """

    quantity: str
    measured: int
    spread: bench.readings.TierSpread
    reading_sd: float
    parts: bench.readings.SpreadParts | None
    low: float
    high: float
    apart: tuple[str, ...]

    @property
    def span(self) -> tuple[float, float]:
        """From where to where the picture shows it; above 0, as all that is measured."""
        room = max((self.high - self.low) * MARGIN, self.reading_sd)
        return max(self.low - room, self.low / 2.0), self.high + room


@dataclass(frozen=True, slots=True)
class TierPicture:
    """A tier with its copies.

    ``copies``: those that whoever looks may see. ``spreads``: by quantity, those of which two copies or more were measured, all of
    the tier's. ``shown``: the two quantities of the picture; empty where fewer than two spread.
    ``liking``: what a player can be expected to like over the two; None where nobody was asked about, or it is no tier for them.
    """

    tier: Tier
    copies: tuple[MeasuredCopy, ...]
    spreads: Mapping[str, TraitSpread]
    shown: tuple[str, ...]
    liking: LikingMap | None = None

    @property
    def drawn(self) -> tuple[MeasuredCopy, ...]:
        """The copies of which both quantities were measured."""
        return tuple(copy for copy in self.copies if self.shown and all(name in copy.values for name in self.shown))

    def apart(self, serial: str) -> tuple[str, ...]:
        """Return the quantities in which a copy is out of character."""
        return tuple(name for name, each in self.spreads.items() if serial in each.apart)


def read(
    session: Session,
    scope: Scope,
    slug: str,
    wanted: Sequence[str] = (),
    *,
    dealer: str | None = None,
    whose: Whose | None = None,
) -> TierPicture:
    """Return a tier's picture.

    ``wanted``: two quantities; others than can be shown are passed over. ``whose``: of this ``dealer``, over whose liking it is laid.

    Raises `NotFoundError`: there is no such tier, or no such enquiry or player at this dealer.
    """
    tier = session.get(Tier, slug)
    if tier is None or (whose and dealer is None):
        raise NotFoundError
    everywhere = _measured(session, tier.instrument)
    own = [(copy, dealer_of) for copy, dealer_of in everywhere[slug]]
    seen = tuple(copy for copy, dealer_of in own if scope.covers(dealer_of))
    spreads = _spreads(session, {name: [copy for copy, _ in of] for name, of in everywhere.items()}, slug, seen)
    shown = _shown(spreads, wanted)
    liking = None
    if whose and dealer and shown:
        spans = [spreads[name].span for name in shown]
        liking = liking_map.of_whom(session, dealer, whose, slug, shown, spans)
    return TierPicture(tier, seen, spreads, shown, liking)


def _measured(session: Session, instrument: str) -> defaultdict[str, list[tuple[MeasuredCopy, str | None]]]:
    """Return by tier of an instrument every copy, and whose it is."""
    columns = [getattr(Copy, name) for name in BENCH_COLUMNS]
    rows = session.execute(
        select(Copy.tier, Copy.serial, Copy.dealer, Copy.status, *columns)
        .join(Tier, Tier.slug == Copy.tier)
        .where(Tier.instrument == instrument)
        .order_by(Copy.serial)
    )
    found: defaultdict[str, list[tuple[MeasuredCopy, str | None]]] = defaultdict(list)
    for tier, serial, dealer, status, *values in rows:
        known = {name: value for name, value in zip(BENCH_COLUMNS, values, strict=True) if value is not None}
        found[tier].append((MeasuredCopy(serial, status, known), dealer))
    return found


def _spreads(
    session: Session, by_tier: Mapping[str, Sequence[MeasuredCopy]], slug: str, seen: Sequence[MeasuredCopy]
) -> dict[str, TraitSpread]:
    repeats, visible = records.repeatabilities(session), {copy.serial for copy in seen}
    found = {}
    for name in BENCH_COLUMNS:
        own = [(copy.serial, copy.values[name]) for copy in by_tier.get(slug, ()) if name in copy.values]
        if len(own) < 2:
            continue
        values = [value for _serial, value in own]
        sd = repeats[name].sd if name in repeats else LIMITS[name].deviation(statistics.median(values))
        spread = bench.readings.tier_spread(values, sd)
        tiers = [[copy.values[name] for copy in copies if name in copy.values] for copies in by_tier.values()]
        apart = tuple(own[place][0] for place in spread.apart if own[place][0] in visible)
        parts = bench.readings.spread_parts(tiers, sd)
        found[name] = TraitSpread(name, len(own), spread, sd, parts, min(values), max(values), apart)
    return found


def _shown(spreads: Mapping[str, TraitSpread], wanted: Sequence[str]) -> tuple[str, ...]:
    """Return two quantities: those wanted, then the usual ones, then any, of those that spread."""
    chosen = [name for name in dict.fromkeys((*wanted, *USUAL, *spreads)) if name in spreads][:2]
    return tuple(chosen) if len(chosen) == 2 else ()
