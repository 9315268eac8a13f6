"""How one player's marks differ from what other players gave the very same bows: said only where chance alone would seldom do it."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, stdev

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from service.players.overview import Bow, Overview
from service.tables import Player, Run, Trial, newest_run

LEAST_BOWS, LEAST_OTHERS = 4, 2
"""So many bows that so many other players marked too: fewer say nothing of a player."""
LEAST_POINTS, DEVIATIONS = 0.5, 2.5
"""A difference is said from so many points on, and so many standard errors: among eight criteria one in ten players would show
one by chance."""
NOISE = 1.0
"""Points: the least by which two marks for one bow are taken to differ by chance alone."""
FEW_TRIALS = 3
"""Fewer trials than that are few."""
_Marks = dict[Criterion, float]


@dataclass(frozen=True, slots=True)
class Tastes:
    """What a player's marks tell.

    ``above_own``, ``beside_own``: how many were marked above the own bow, and of how many that can be said. ``kinder``: how
    many points higher than others' their marks are on the whole; None: not told apart from chance. ``higher``, ``lower``:
    criteria that are marked so, beyond what they mark on the whole.
    """

    bows: int = 0  # how many were marked, the own ones apart
    compared: int = 0  # those that others marked too
    above_own: int = 0
    beside_own: int = 0
    kinder: float | None = None
    higher: tuple[Criterion, ...] = ()
    lower: tuple[Criterion, ...] = ()


def of_player(session: Session, whole: Sequence[int], found: Overview) -> Tastes:
    """Return what the marks tell of somebody with these keys; ``found``: what they made of bows."""
    played = [bow for bow in found.bows if bow.copy is not None]
    own = {bow.instrument: bow.played.mark for bow in found.bows if bow.copy is None}
    beside = list(_beside(played, own))
    apart = _apart(played, _others(session, whole, [bow.copy for bow in played if bow.copy]))
    levels = [each.pop(Criterion.OVERALL) for each in apart]
    beyond: dict[Criterion, list[float]] = defaultdict(list)
    for each, level in zip(apart, levels, strict=True):
        for criterion, points in each.items():
            beyond[criterion].append(points - level)
    told = {criterion: mean for criterion in CRITERIA if (mean := _told(beyond[criterion])) is not None}
    return Tastes(
        bows=len(played),
        compared=len(apart),
        above_own=sum(beside),
        beside_own=len(beside),
        kinder=_told(levels),
        higher=tuple(criterion for criterion, points in told.items() if points > 0),
        lower=tuple(criterion for criterion, points in told.items() if points < 0),
    )


def _beside(played: Sequence[Bow], own: Mapping[Instrument, float | None]) -> Iterator[bool]:
    """Say of each bow that can be held against the own one whether its mark is higher."""
    for bow in played:
        level, mark = own.get(bow.instrument), bow.played.mark
        if level is not None and mark is not None:
            yield mark > level


def _others(session: Session, whole: Sequence[int], serials: Sequence[str]) -> dict[str, _Marks]:
    """Return by bow what the marks are that other players gave it, whose ratings may help: the mean where there are enough."""
    # Who played a bow several times is one player, whose mean counts once.
    each = (
        select(Run.copy, Trial.player, *(func.avg(getattr(Run, criterion)).label(criterion) for criterion in CRITERIA))
        .join(Trial, Trial.id == Run.trial)
        .join(Player, Player.id == Trial.player)
        .where(Run.copy.in_(serials), Run.rater == "player", newest_run())
        .where(Trial.player.not_in(whole), Player.in_model)
        .group_by(Run.copy, Trial.player)
        .subquery()
    )
    columns = [each.c[criterion] for criterion in CRITERIA]
    rows = session.execute(
        select(each.c.copy, *(func.avg(column) for column in columns), *(func.count(column) for column in columns))
        .group_by(each.c.copy)
        .having(func.count() >= LEAST_OTHERS)
    )
    found = {}
    for serial, *values in rows:
        given = zip(CRITERIA, values[: len(CRITERIA)], values[len(CRITERIA) :], strict=True)
        found[serial] = {criterion: float(mean) for criterion, mean, count in given if count >= LEAST_OTHERS}
    return found


def _apart(played: Sequence[Bow], others: Mapping[str, _Marks]) -> list[_Marks]:
    """Return for each bow that others marked as a whole too how many points higher this player's marks are."""
    marked = ((bow.ratings, others.get(bow.copy or "", {})) for bow in played)
    apart = [{each: mark - theirs[each] for each, mark in mine.items() if each in theirs} for mine, theirs in marked]
    return [each for each in apart if Criterion.OVERALL in each]


def _told(points: Sequence[float]) -> float | None:
    """Return the mean of some differences, None where chance alone may have made it."""
    if len(points) < LEAST_BOWS:
        return None
    mean, error = fmean(points), max(stdev(points), NOISE) / sqrt(len(points))
    return mean if abs(mean) >= max(LEAST_POINTS, DEVIATIONS * error) else None
