"""What the page of the model is made from, gathered in one reading of the database."""

import datetime as dt
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.records import Tier
from model.domain.vocabulary import Instrument
from model.evaluation import HistorySummary, RatingCounts, summarise_history
from model.preference import (
    FEWEST_COPIES,
    TIER_HALF_WIDTH,
    CataloguePosterior,
    CopyEffects,
    FittedModel,
    TierLevel,
    report,
)
from service import tables
from service.core.errors import ConflictError
from service.core.language import _
from service.core.scopes import Scope
from service.modelling import catalogue, fit_words, model_records, versions
from service.modelling.model_page import checkups
from service.modelling.model_page.checkups import Version

GONE = frozenset({"sold", "withdrawn"})
"""What nobody can be lent any more; such copies are shown, and no advice is drawn from them."""


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the page is made from; no key of a player or a trial is in it.

    ``versions``: the newest ones, oldest first; ``version`` is the one shown, which stands in where ``adopted`` cannot be read.
    ``tiers``, ``names``: the tiers and their names by slug; ``copies`` has each serial's tier, ``statuses`` where it is.
    ``effects``, ``levels``: by slug; ``effects`` of the copies that are shown. ``first``, ``last``: days of the earliest and
    the latest trial on record, None without one.
    """

    version: Version
    versions: Sequence[Version]
    adopted: int
    view: CataloguePosterior  # the fitted model over the range
    tiers: Mapping[str, Tier]
    copies: Mapping[str, str]
    names: Mapping[str, str]
    statuses: Mapping[str, str | None]
    effects: Mapping[str, CopyEffects]
    levels: Mapping[str, TierLevel]
    at: str | None  # name of the dealer beyond which no copy is shown; None: every copy is
    tally: HistorySummary  # of the trials and outcomes on record now
    first: dt.date | None
    last: dt.date | None
    unchanged: bool  # whether the data are still those that the version was fitted to
    same_code: bool  # whether the version was fitted by the program as it is now

    @property
    def posterior(self) -> FittedModel:
        """The fitted model."""
        return self.view.posterior

    def of_instrument(self, instrument: Instrument) -> list[str]:
        """Return the slugs of an instrument's tiers, by grade."""
        found = [tier for tier in self.tiers.values() if tier.instrument is instrument]
        return [tier.slug for tier in sorted(found, key=lambda tier: (tier.grade, tier.slug))]

    @property
    def by_grade(self) -> list[str]:
        """The slugs of all tiers, by instrument and grade."""
        return [slug for instrument in Instrument for slug in self.of_instrument(instrument)]

    def is_gone(self, serial: str) -> bool:
        """Say whether nobody can be lent the copy any more."""
        return self.statuses.get(serial) in GONE

    def count(self, slug: str) -> RatingCounts:
        """Return how often copies of a tier were rated."""
        return self.tally.tiers.get(slug, RatingCounts())

    def is_judged(self, slug: str) -> bool:
        """Say whether enough is known of a tier to judge it."""
        return self.levels[slug].within <= TIER_HALF_WIDTH and self.count(slug).copies >= FEWEST_COPIES


def gather(session: Session, scope: Scope) -> Facts:
    """Read all about the version in use, of single bows those of the scope; raises `ConflictError` where none is, or it cannot be read."""
    current = versions.current(session, wait=True)
    if current.posterior is None and current.instead_of is not None:
        raise ConflictError(fit_words.damaged(current.instead_of, None))
    if current.posterior is None or current.version is None:
        msg = _("No version of our estimate is in use yet, so there is nothing to show; run `fit` first.")
        raise ConflictError(msg)
    now_on_sale = catalogue.current(session)
    view, range_ = now_on_sale.view(current), now_on_sale.range
    trials, known = model_records.read_trials(session), checkups.versions(session, current.version)
    version = next(each for each in known if each.number == current.version)
    days = [trial.on for trial in trials]
    places = session.execute(select(tables.Copy.serial, tables.Copy.status, tables.Copy.dealer)).all()
    covered = {row.serial for row in places if scope.covers(row.dealer)}
    dealer = scope.slug
    return Facts(
        version=version,
        versions=known,
        adopted=next(each.number for each in known if each.standing == "in_use"),
        view=view,
        tiers=range_.tiers,
        copies={copy.serial: copy.tier for copy in range_.copies.values()},
        names=now_on_sale.names,
        statuses={row.serial: row.status for row in places},
        effects=_seen(report.copy_effects(view), None if dealer is None else covered),
        levels=report.tier_levels(view),
        at=None if dealer is None else session.scalar(select(tables.Dealer.name).where(tables.Dealer.slug == dealer)),
        tally=summarise_history(range_, trials, model_records.read_outcomes(session)),
        first=min(days, default=None),
        last=max(days, default=None),
        unchanged=model_records.digest(session) == version.data_digest,
        same_code=versions.code_version() == version.code_version,
    )


def _seen(effects: Mapping[str, CopyEffects], serials: AbstractSet[str] | None) -> Mapping[str, CopyEffects]:
    """Return the effects of some copies only, without the tiers of which there is none; None: of all."""
    if serials is None:
        return effects
    found = {slug: each.of(serials) for slug, each in effects.items()}
    return {slug: each for slug, each in found.items() if each.serials}
