"""The range as it stands now: tiers, copies, prices, dealers and stock, read once and kept until something changes."""

import decimal
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.levels import Stretches
from model.preference import PreferenceModel
from model.records import Range
from model.view import View
from service import history
from service.tables import Dealer, Tier
from service.versions import Fitted

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

    Attributes
    ----------
    prices : for each dealer's slug, and None for the maker's own, price and currency by tier.
    stock : for each dealer's slug the serials at hand.
    """

    mark: str
    range: Range
    names: Mapping[str, str]
    dealers: Mapping[str, DealerFacts]
    prices: Mapping[str | None, Mapping[str, tuple[decimal.Decimal, str]]]
    stock: Mapping[str, frozenset[str]]
    stretches: Stretches

    @cached_property
    def _views(self) -> OrderedDict[str, View]:
        return OrderedDict()

    def view(self, fitted: Fitted) -> View:
        """Return the fitted model laid over this range; kept, since it takes longer than a player's advice."""
        if fitted.key not in self._views:
            posterior = fitted.posterior or PreferenceModel(self.range).fit([]).posterior_
            self._views[fitted.key] = View(posterior, self.range, self.stretches)
            while len(self._views) > VIEWS_KEPT:
                self._views.popitem(last=False)
        return self._views[fitted.key]


_memory: OrderedDict[str, Catalogue] = OrderedDict()


def current(session: Session) -> Catalogue:
    """Return the range as it stands; read anew only when its mark has changed."""
    mark = history.range_mark(session)
    if mark not in _memory:
        _memory[mark] = _read(session, mark)
        while len(_memory) > KEPT_IN_MEMORY:
            _memory.popitem(last=False)
    return _memory[mark]


def _read(session: Session, mark: str) -> Catalogue:
    rows = session.scalars(select(Dealer)).all()
    dealers = {row.slug: DealerFacts(row.name, row.currency, row.language, row.carry_cost) for row in rows}
    return Catalogue(
        mark=mark,
        range=history.read_range(session),
        names={row.slug: row.name for row in session.execute(select(Tier.slug, Tier.name))},
        dealers=dealers,
        prices={slug: history.prices(session, slug) for slug in (None, *dealers)},
        stock={slug: frozenset(history.stock(session, slug)) for slug in dealers},
        stretches=Stretches.from_events(history.read_events(session)),
    )
