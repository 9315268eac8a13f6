"""The life of one bow: its marks beside its tier's over the years, and where its bench values lie among its tier."""

import datetime as dt
import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import EventKind
from service.core import dealer_wall
from service.core.scopes import Scope
from service.inventory import stock
from service.tables import BENCH_COLUMNS, BowMarks, Composition, Copy, Run, Trial, newest_run


@dataclass(frozen=True, slots=True)
class MarkGiven:
    """One mark that a player gave the bow, 1 to 7; ``trial``: its key, None where it is not the looking dealer's, and its number, None from a file."""

    on: dt.date
    mark: int
    player: int  # a number of this page, the same for the same player; who it is stands with the trial
    trial: tuple[str, int | None] | None
    of_tier: float | None  # the mean mark of the tier's other bows in that year, None where there is none


@dataclass(frozen=True, slots=True)
class AmongTier:
    """A bench value among those of the tier's bows, itself included: ``place`` 1 is the lowest, ``of`` how many were measured."""

    quantity: str
    value: float
    low: float
    middle: float
    high: float
    place: int
    of: int


@dataclass(frozen=True, slots=True)
class BowLife:
    """What happened to a bow."""

    marks: tuple[MarkGiven, ...]  # by day
    years: tuple[tuple[int, float, int], ...]  # (year, mean mark of the tier's other bows, how many marks)
    worked_on: tuple[tuple[dt.date, EventKind], ...]  # (day, what) of all that changes a bow, by day
    haired: dt.date | None  # the last day of its hair
    among: tuple[AmongTier, ...]
    elsewhere: int  # trials it was rated in that are neither shown here nor still blind to the eye that looks


def read(session: Session, scope: Scope, serial: str) -> BowLife:
    """Return a bow's life, or raise `NotFoundError`; its marks, once letters are revealed, are of the scope's trials and of files of no dealer."""
    bow = stock.own(session, scope, serial)
    with dealer_wall.lifted(session):  # files are nobody's too, and how often it was rated elsewhere is told
        return _of(session, scope, bow)


def _of(session: Session, scope: Scope, bow: Copy) -> BowLife:
    serial = bow.serial
    others = session.execute(_of_others(scope, bow.tier, serial))
    years = tuple((year, total / count, count) for year, total, count in others)
    means = {year: mean for year, mean, _count in years}
    numbers: dict[int, int] = {}
    given = []
    for on, key, number, dealer, player, mark in session.execute(
        _marks(scope).where(Run.copy == serial).order_by(Trial.on, Trial.id, Run.position)
    ):
        theirs = (key, number) if dealer is not None and dealer == scope.slug else None
        given.append(MarkGiven(on, mark, numbers.setdefault(player, len(numbers) + 1), theirs, means.get(on.year)))
    events = [(each.on, each.event) for each in reversed(stock.events(session, serial))]
    rated = select(func.count(Trial.id.distinct())).join(Run, Run.trial == Trial.id)
    return BowLife(
        marks=tuple(given),
        years=years,
        worked_on=tuple(each for each in events if each[1] is not EventKind.MOVED),
        haired=max((on for on, event in events if event is EventKind.REHAIRED), default=None),
        among=tuple(_among(session, bow)),
        elsewhere=session.scalar(rated.where(Run.copy == serial, Run.rater == "player", ~_theirs(scope))) or 0,
    )


def _marks(scope: Scope) -> Select[*tuple[Any, ...]]:
    """Return what asks for the marks that may be looked at within a scope."""
    return (
        select(Trial.on, Trial.key, Composition.number, Trial.dealer, Trial.player, Run.overall)
        .select_from(Run)
        .join(Trial, Trial.id == Run.trial)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(Run.rater == "player", Run.overall.is_not(None), newest_run(), _theirs(scope))
        .where(Composition.trial.is_(None) | Composition.revealed_at.is_not(None))
    )


def _of_others(scope: Scope, tier: str, serial: str) -> Select[*tuple[Any, ...]]:
    """Ask by year for the sum and the number of the marks of the tier's other bows that may be looked at within a scope."""
    theirs = (scope.holds(BowMarks.dealer) | (BowMarks.dealer == "")) & (BowMarks.shown > 0)
    return (
        select(BowMarks.year, func.sum(BowMarks.shown_total), func.sum(BowMarks.shown))
        .join(Copy, Copy.serial == BowMarks.copy)
        .where(Copy.tier == tier, Copy.serial != serial, theirs)
        .group_by(BowMarks.year)
        .order_by(BowMarks.year)
    )


def _theirs(scope: Scope) -> ColumnElement[bool]:
    return scope.holds(Trial.dealer) | Trial.dealer.is_(None)


def _among(session: Session, bow: Copy) -> Iterable[AmongTier]:
    columns = [getattr(Copy, name) for name in BENCH_COLUMNS]
    rows = session.execute(select(*columns).where(Copy.tier == bow.tier)).all()
    for name, measured in zip(BENCH_COLUMNS, zip(*rows, strict=True), strict=True):
        value, values = getattr(bow, name), sorted(each for each in measured if each is not None)
        if value is not None and len(values) > 1:
            place = values.index(value) + 1
            yield AmongTier(name, value, values[0], statistics.median(values), values[-1], place, len(values))
