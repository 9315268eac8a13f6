"""The range as it stands now: tiers, copies, prices, dealers and stock, read once and kept until something changes.

Where a copy is changes all day; then the stock alone is read anew, and the model's views of the range stay.
"""

import decimal
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from model.domain.records import Range
from model.domain.vocabulary import Hold, Instrument
from model.features import ServiceIntervals
from model.preference import CataloguePosterior, PreferenceModel
from service.core import dealer_wall
from service.core.made_once import MadeOnce
from service.modelling import model_records, versions
from service.modelling.present import Present
from service.modelling.versions import Fitted
from service.tables import Copy, Dealer, Tier

KEPT_IN_MEMORY = 2
VIEWS_KEPT = 2


@dataclass(frozen=True, slots=True)
class DealerFacts:
    """What the advice needs to know of a dealer."""

    name: str
    currency: str | None
    language: str | None
    carry_cost: float | None


@dataclass(frozen=True)
class Catalogue:
    """One state of the range.

    ``facts``, ``mark``: words that are others after a change of anything but the stock, and after any change. ``prices``: for
    each dealer's slug, and None for the maker's own, price and currency by tier. ``notes``, ``materials``: by tier what the
    maker says of it, and what most of its bows are made of, where that is known.
    """

    facts: str
    mark: str
    range: Range
    names: Mapping[str, str]
    dealers: Mapping[str, DealerFacts]
    prices: Mapping[str | None, Mapping[str, tuple[decimal.Decimal, str]]]
    stock: Mapping[str | None, frozenset[str]]  # for each dealer's slug, and None for the workshop, the serials at hand
    stretches: ServiceIntervals
    notes: Mapping[str, str]
    materials: Mapping[str, str]
    _views: MadeOnce[str, CataloguePosterior] = field(default_factory=partial(MadeOnce, VIEWS_KEPT))

    def view(self, fitted: Fitted) -> CataloguePosterior:
        """Return the fitted model laid over this range; kept, since it takes longer than a player's advice."""

        def laid_over() -> CataloguePosterior:
            posterior = fitted.posterior or PreferenceModel(self.range).fit([]).posterior_
            return CataloguePosterior(posterior, self.range, self.stretches, fitted.slope)

        return self._views.of(fitted.key, laid_over)

    def workshop_by_tier(self, tiers: Collection[str], hold: Hold | None) -> Mapping[str, int]:
        """Return how many bows of each of some tiers are in stock at the workshop, of one hold where one is asked for."""
        workshop_copies = [self.range.copies[serial] for serial in self.stock[None]]
        asked = [copy for copy in workshop_copies if hold in (None, Hold.EITHER, copy.hold)]
        return Counter(copy.tier for copy in asked if copy.tier in tiers)


_memory: MadeOnce[str, Catalogue] = MadeOnce(KEPT_IN_MEMORY)
"""By the mark of the facts; its stock as it was when it was last looked at."""


def _lay_over(fitted: Fitted) -> None:
    """Lay a version over the range that is known here, with all that a first answer asks of it."""
    known = _memory.latest()
    if known is not None:
        view, bass = known.view(fitted), Instrument.DOUBLE_BASS
        for instrument in {tier.instrument for tier in known.range.tiers.values()}:
            for hold in (None, *Hold) if instrument is bass else (None,):
                view.suited(instrument, hold)
        _ = view.kernel, view.own_parts


versions.laid_over.append(_lay_over)


def current(session: Session, present: Present | None = None) -> Catalogue:
    """Return the range as it stands; what a change left as it was is not read anew. ``present``: its marks, where they were read."""
    facts, mark = (present.facts, present.mark) if present else model_records.range_mark(session)
    known = _memory.get(facts)
    if known is None or known.mark != mark:
        with dealer_wall.lifted(session):  # it is kept for everybody
            known = _memory.of(facts, lambda: _read(session, facts, mark))
            if known.mark != mark:
                known = _memory.put(facts, replace(known, mark=mark, stock=_stock(session, known.dealers)))
    return known


def _read(session: Session, facts: str, mark: str) -> Catalogue:
    rows = session.scalars(select(Dealer)).all()
    dealers = {row.slug: DealerFacts(row.name, row.currency, row.language, row.carry_cost) for row in rows}
    return Catalogue(
        facts=facts,
        mark=mark,
        range=model_records.read_range(session),
        names={row.slug: row.name for row in session.execute(select(Tier.slug, Tier.name))},
        dealers=dealers,
        prices={slug: model_records.prices(session, slug) for slug in (None, *dealers)},
        stock=_stock(session, dealers),
        stretches=ServiceIntervals.from_events(model_records.read_events(session)),
        notes={slug: note for slug, note in session.execute(select(Tier.slug, Tier.note)) if note},
        materials=_materials(session),
    )


def _stock(session: Session, dealers: Iterable[str | None]) -> Mapping[str | None, frozenset[str]]:
    found = model_records.stock_by_dealer(session)
    return {slug: found.get(slug, frozenset()) for slug in (*dealers, None)}


def _materials(session: Session) -> Mapping[str, str]:
    """Return by tier what most of its bows are made of; of equals the first by name."""
    counted = (
        select(Copy.tier, Copy.materials, func.count())
        .where(Copy.materials.is_not(None))
        .group_by(Copy.tier, Copy.materials)
        .order_by(Copy.tier, func.count(), Copy.materials.desc())
    )
    return {tier: materials for tier, materials, _count in session.execute(counted) if materials}
