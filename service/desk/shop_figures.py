"""One dealer's figures of a span: enquiries, trials and what came of them, bows that never fitted, what was asked and not had.

Everything is counted by the database, in a handful of statements however many rows there are; no person is in it.
"""

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Select, and_, case, exists, func, literal, or_, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Instrument, OutcomeKind
from service.core.spreadsheet_cells import with_guard
from service.dealers import site
from service.players import enquiry_access
from service.tables import BowMarks, Composition, Copy, Enquiry, Outcome, Tier, Trial, outcome_order

LEAST_TRIALS = 5
"""Fewer trials of a bow than that say nothing of it."""
LEAST_POINTS, DEVIATIONS, NOISE = 0.5, 2.0, 1.0
"""Marks lie below others by so many points at least, and by so many standard errors; two marks differ by so much by chance."""
BANDS = (1000, 2500, 5000, 10000)
"""Where budgets are parted, in the currency they were told in."""
SPANS = ("month", "quarter", "year", "all")
_SEEN = ("in_stock", "reserved", "on_trial", "in_transit", "in_repair")
_WHOLE_LIST = 3
"""So many tiers an answer proposes at most."""


@dataclass(frozen=True, slots=True)
class Span:
    """From a day to another, both counted, by the clock of the shop: ``zone``, UTC where it is not known. ``first`` None: from the beginning."""

    name: str
    first: dt.date | None
    last: dt.date
    zone: str

    def holds_moment(self, column: Any) -> ColumnElement[bool]:
        """Return the condition that a moment lies within, by the shop's clock."""
        ends = self._midnight(self.last + dt.timedelta(days=1))
        begins = [column >= self._midnight(self.first)] if self.first else []
        return and_(*begins, column < ends)

    def holds_day(self, column: Any) -> ColumnElement[bool]:
        """Return the condition that a day lies within."""
        return and_(*([column >= self.first] if self.first else []), column <= self.last)

    def _midnight(self, day: dt.date) -> dt.datetime:
        return dt.datetime.combine(day, dt.time(), ZoneInfo(self.zone)).astimezone(dt.UTC)


@dataclass(frozen=True, slots=True)
class NeverKept:
    """A bow that was tried so often, never kept, and marked ``below`` points lower than the other bows of its tier here."""

    serial: str
    tier_name: str
    trials: int
    below: float


@dataclass(frozen=True, slots=True)
class NotHad:
    """What was asked and not had: an instrument and a budget up to ``most`` (None: beyond the last of `BANDS`; 0: none told)."""

    instrument: Instrument
    most: int | None
    currency: str | None
    enquiries: int


@dataclass(frozen=True, slots=True)
class ShopFigures:
    """The figures of one dealer. ``enquiries`` came in the span; of those were ``composed``, ``played`` and ``kept`` by now so many."""

    span: Span
    enquiries: int
    composed: int
    played: int
    kept: int
    trials: int  # held in the span, with walk-ins and those from files
    came: Mapping[OutcomeKind | None, int]  # what came of them last, None for nothing yet
    reasons: Mapping[str | None, int]  # for which nothing was kept; None where none was told
    never_kept: tuple[NeverKept, ...]  # of the bows here, by all trials here so far
    too_few: int  # how many bows were tried, but too seldom to tell
    not_had: tuple[NotHad, ...]  # enquiries for which nothing suitable was at hand
    none_here: Mapping[str, int]  # tiers that were advised while no bow of them could be tried


def span(session: Session, dealer: str, name: str, now: dt.datetime) -> Span:
    """Return a span by its name, the month for a name that is none, by the shop's own clock and calendar."""
    zone = site.zone(session, dealer) or "UTC"
    today = now.astimezone(ZoneInfo(zone)).date()
    begins = {
        "quarter": today.replace(month=today.month - (today.month - 1) % 3, day=1),
        "year": today.replace(month=1, day=1),
        "all": None,
    }
    return Span(name if name in begins else "month", begins.get(name, today.replace(day=1)), today, zone)


def of_dealer(session: Session, dealer: str, within: Span) -> ShopFigures:
    """Return a dealer's figures of a span."""
    theirs = exists().where(Composition.enquiry == Enquiry.id, Composition.dealer == dealer)
    bought = theirs.where(Trial.id == Composition.trial, Trial.came == OutcomeKind.KEPT)
    steps = (
        theirs.where(Composition.state != "cancelled"),
        theirs.where(Composition.state.in_(("open", "closed"))),
        bought,
    )
    counts = (func.coalesce(func.sum(case((step, 1), else_=0)), 0) for step in steps)
    enquiries, composed, played, kept = session.execute(
        select(func.count(), *counts).select_from(Enquiry).where(_asked_in(dealer, within))
    ).one()
    came, reasons = _came(session, dealer, within)
    never, too_few = _never_kept(session, dealer)
    not_had, none_here = _not_had(session, dealer, within)
    asked, trials = (enquiries, composed, played, kept), sum(came.values())
    return ShopFigures(within, *asked, trials, came, reasons, never, too_few, not_had, none_here)


def lines(found: ShopFigures) -> Iterator[tuple[str, str, float]]:
    """Give the figures for a spreadsheet: what is told, of what, and the number; no text is taken for a formula."""
    return ((figure, with_guard(of), number) for figure, of, number in _lines(found))


def _lines(found: ShopFigures) -> Iterator[tuple[str, str, float]]:
    within = found.span
    yield "days", f"{within.first or ''} {within.last} {within.zone}".strip(), 1
    for name in ("enquiries", "composed", "played", "kept", "trials"):
        yield name, "", getattr(found, name)
    for outcome, count in found.came.items():
        yield "came of it", outcome or "nothing yet", count
    for reason, count in found.reasons.items():
        yield "reason for none", reason or "not told", count
    for bow in found.never_kept:
        yield "trials of a bow never kept", bow.serial, bow.trials
        yield "points below its model", bow.serial, -round(bow.below, 2)
    yield "bows tried too seldom to tell", "", found.too_few
    for asked in found.not_had:
        budget = "" if asked.most == 0 else f"up to {asked.most}" if asked.most else f"over {BANDS[-1]}"
        yield "asked and not had", " ".join(filter(None, (asked.instrument, budget, asked.currency))), asked.enquiries
    for tier, count in found.none_here.items():
        yield "advised, none to try", tier, count


def _asked_in(dealer: str, within: Span) -> ColumnElement[bool]:
    return and_(enquiry_access.of_dealer(dealer), within.holds_moment(Enquiry.created_at))


def _came(session: Session, dealer: str, within: Span) -> tuple[dict[OutcomeKind | None, int], dict[str | None, int]]:
    """Return what came of the trials of a span, and the reasons where nothing was kept."""
    newest_first = (column.desc() for column in outcome_order())
    told = select(Outcome.id).where(Outcome.trial == Trial.id).order_by(*newest_first).limit(1)
    last = told.scalar_subquery().label("last")
    held = (
        select(Trial.id, last)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(Trial.dealer == dealer, within.holds_day(Trial.on))
        .where(or_(Composition.trial.is_(None), Composition.state.in_(("open", "closed"))))
        .subquery()
    )
    rows = session.execute(
        select(Outcome.outcome, Outcome.reason, func.count())
        .select_from(held)
        .outerjoin(Outcome, Outcome.id == held.c.last)
        .group_by(Outcome.outcome, Outcome.reason)
    )
    came: Counter[OutcomeKind | None] = Counter()
    reasons: Counter[str | None] = Counter()
    for outcome, reason, count in rows:
        came[outcome] += count
        if outcome is OutcomeKind.NONE:
            reasons[reason] += count
    return dict(came), dict(reasons.most_common())


def _never_kept(session: Session, dealer: str) -> tuple[tuple[NeverKept, ...], int]:
    """Return the bows here that were tried often, never kept, and marked below the others of their tier; and how many were tried too seldom."""
    rows = session.execute(_marks(dealer)).all()
    marks: Counter[str] = Counter()
    total: Counter[str] = Counter()
    for row in rows:
        marks[row.tier] += row.marks
        total[row.tier] += int(row.total)
    here = [row for row in rows if row.here]
    found = []
    for row in here:
        others = marks[row.tier] - row.marks
        mean = (total[row.tier] - int(row.total)) / others if others else None
        below = _below(row.marks, int(row.total), int(row.squares), mean)
        if row.trials >= LEAST_TRIALS and below is not None:
            found.append(NeverKept(row.copy, row.name, row.trials, below))
    return tuple(sorted(found, key=lambda each: (-each.trials, each.serial))), sum(
        row.trials < LEAST_TRIALS for row in here
    )


def _marks(dealer: str) -> Select[Any]:
    """Ask of each bow for the marks that players who may help gave it here: number, sum, sum of squares; ``here``: at the dealer, never kept."""
    # A value and no EXISTS, for which PostgreSQL goes through all outcomes.
    kept = select(Outcome.id).where(Outcome.copy == Copy.serial, Outcome.outcome == OutcomeKind.KEPT).limit(1)
    here = and_(Copy.dealer == dealer, Copy.status.in_(_SEEN), kept.correlate(Copy).scalar_subquery().is_(None))
    of_years = (func.sum(getattr(BowMarks, name)).label(name) for name in ("trials", "marks", "total", "squares"))
    given = select(BowMarks.copy, *of_years).where(BowMarks.dealer == dealer, BowMarks.marks > 0)
    added = given.group_by(BowMarks.copy).subquery()
    marks = select(added, Copy.tier, Tier.name, here.label("here")).join(Copy, Copy.serial == added.c.copy)
    return marks.join(Tier, Tier.slug == Copy.tier)


def _below(marks: int, total: int, squares: int, others: float | None) -> float | None:
    """Return how many points a bow's mean mark lies below that of others, None where it does not, or chance may have made it."""
    if others is None:
        return None
    mean = total / marks
    deviation = sqrt(max(squares / marks - mean**2, 0.0))
    below = others - mean
    return below if below >= max(LEAST_POINTS, DEVIATIONS * max(deviation, NOISE) / sqrt(marks)) else None


def _not_had(session: Session, dealer: str, within: Span) -> tuple[tuple[NotHad, ...], dict[str, int]]:
    """Return what was asked while nothing suitable was at hand, most often first; and the tiers that were advised with none to try."""
    answers, told = Enquiry.answers, Enquiry.told
    amount = answers[("budget", "amount")].as_float()
    band = case(*((amount <= most, literal(most)) for most in BANDS), (amount.is_(None), literal(0)), else_=None)
    in_vain = told[("verdict", "code")].as_string() == "ask"
    places = range(_WHOLE_LIST)
    tiers = [
        case((told[("shortlist", at, "at_hand")].as_integer() == 0, told[("shortlist", at, "tier")].as_string()))
        for at in places
    ]
    columns = (
        in_vain.label("in_vain"),
        answers["instrument"].as_string().label("instrument"),
        answers[("budget", "currency")].as_string().label("currency"),
        band.label("band"),
        *(tier.label(f"tier{at}") for at, tier in zip(places, tiers, strict=True)),
    )
    each = select(*columns).where(_asked_in(dealer, within)).subquery()
    lacking = or_(each.c.in_vain, *(each.c[f"tier{at}"].is_not(None) for at in places))
    counted = session.execute(select(*each.c, func.count().label("enquiries")).where(lacking).group_by(*each.c)).all()
    cases: Counter[tuple[Instrument, int | None, str | None]] = Counter()
    none_here: Counter[str] = Counter()
    for row in counted:
        if row.in_vain:
            cases[Instrument(row.instrument), row.band, row.currency] += row.enquiries
        none_here.update({tier: row.enquiries for at in places if (tier := getattr(row, f"tier{at}"))})
    names = dict(session.execute(select(Tier.slug, Tier.name).where(Tier.slug.in_(none_here))).all())
    not_had = tuple(NotHad(*kind, count) for kind, count in cases.most_common())
    return not_had, {names.get(tier, tier): count for tier, count in none_here.most_common()}
