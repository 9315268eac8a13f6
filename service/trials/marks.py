"""What one player's own sheets at one dealer say, gathered in this one place for every proposal that is made to that player.

Every sheet of the player's that counts, of all trials at this dealer on this instrument: the bows by name, and the own bow. They
serve that player alone, are shown to that dealer's staff alone, and only where the player agreed that ratings may serve beyond
their own trial; else they are withheld, which is said. The sheets of a trial that is still blind are left out until it is closed
or its key revealed: by serial, sentences and numbers alike would tell what the letters hide.

The own bow's blind marks stand in the place of what the answers say of it, criterion by criterion, so that nothing is counted
twice: they were given between other bows, on the scale of the trial. Answers that rate the own bow and are newer than the trial
stand instead, and so they do where a bow was kept since: the own bow may be another one by now.
"""

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from sqlalchemy import Row, or_, select
from sqlalchemy.orm import Session

from model.records import Run
from model.vocabulary import CRITERIA, Criterion, Hold, OutcomeKind
from service import tables
from service.advice import Known
from service.forms import Questionnaire
from service.players import same
from service.trials import enquiring, players
from service.trials._common import composed

MOST_SHEETS = 60
"""So many of the newest sheets are counted; older ones would change little and cost much."""


@dataclass(frozen=True, slots=True)
class Played:
    """One bow as the player rated it: how often, on which day last, and the mean of the marks as a whole (None: none given)."""

    on: dt.date
    plays: int
    mark: float | None


@dataclass(frozen=True, slots=True)
class Marks:
    """What is stored of one player's ratings, as far as it may serve.

    Attributes
    ----------
    sheets : of bows of the range, oldest first. ``played``: the same by serial.
    own : what takes the place of the answers' ratings of the own bow, each the mean of its sheets; ``own_played`` when that was.
    kept : the bow that was kept since the own one was rated, and the day; then ``own`` is empty.
    withheld : there are ratings, but they may serve their own trial only.
    blind : there are ratings of a trial that is still blind; they are left out.
    """

    sheets: tuple[Run, ...] = ()
    played: Mapping[str, Played] = field(default_factory=lambda: MappingProxyType({}))
    own: Mapping[Criterion, float] = field(default_factory=lambda: MappingProxyType({}))
    own_played: Played | None = None
    kept: tuple[str, dt.date] | None = None
    withheld: bool = False
    blind: bool = False

    @property
    def known(self) -> Known:
        """What the model is told."""
        return Known(self.sheets, self.own)


NO_MARKS = Marks()


def gathered(
    session: Session,
    dealer: str,
    answers: Questionnaire,
    *,
    player: str | None = None,
    enquiry: str | None = None,
    previous: str | None = None,
) -> Marks:
    """Return what is stored of the player of a key, of an enquiry, or of the trial before: whichever is known.

    Raises
    ------
    NotHere
        A player, enquiry or trial that is not this dealer's.
    """
    if previous:
        trial, composition = composed(session, dealer, previous)
        return of_trial(session, trial, composition, answers)
    asked = enquiring.own(session, dealer, enquiry) if enquiry else None
    whose = players.known(session, dealer, player).id if player else asked.player if asked else None
    return _of_player(session, dealer, whose, answers, asked.created_at if asked else None)


def of_trial(session: Session, trial: tables.Trial, composition: tables.Composition, answers: Questionnaire) -> Marks:
    """Return what is stored of a trial's player; the answers are as old as the enquiry, or the walk-in, that they came from."""
    return _of_player(session, composition.dealer, trial.player, answers, _told_at(session, composition))


def _told_at(session: Session, composition: tables.Composition) -> dt.datetime:
    """Return when a trial's answers were given: each trial after another takes over the answers of the one before."""
    first, seen = composition, {composition.trial}
    while first.enquiry is None and first.previous is not None and first.previous not in seen:
        before = session.get(tables.Composition, first.previous)
        if before is None:
            break
        seen.add(before.trial)
        first = before
    enquiry = session.get(tables.Enquiry, first.enquiry) if first.enquiry else None
    return enquiry.created_at if enquiry else first.created_at


def _of_player(
    session: Session, dealer: str, player: int | None, answers: Questionnaire, told_at: dt.datetime | None
) -> Marks:
    """Return a player's marks; ``told_at``: when the answers were given, None: just now."""
    if player is None:
        return NO_MARKS
    whole = same.everybody(session, dealer, [player])
    rows = _sheets(session, dealer, whole, answers)
    if not rows:
        return NO_MARKS
    if not session.get_one(tables.Player, player).in_model:
        return Marks(withheld=True)
    blind = any(_is_blind(row) for row in rows)
    rows = [row for row in rows if not _is_blind(row)]
    away = [row for row in rows if row.Run.copy is not None]
    own, own_played, kept = _own(
        session, dealer, whole, [row for row in rows if row.Run.copy is None], answers, told_at
    )
    return Marks(
        sheets=tuple(Run(row.Run.position, row.Run.copy, _ratings(row.Run)) for row in away if _ratings(row.Run)),
        played={
            copy: _played([row for row in away if row.Run.copy == copy]) for copy in {row.Run.copy for row in away}
        },
        own=own,
        own_played=own_played,
        kept=kept,
        blind=blind,
    )


def _sheets(session: Session, dealer: str, whole: Sequence[int], answers: Questionnaire) -> Sequence[Row[Any]]:
    """Return the newest sheets that count, oldest first, each with its trial's day, the moment it began and how it stands."""
    run, trial, composition = tables.Run, tables.Trial, tables.Composition
    statement = (
        select(run, trial.on, composition.opened_at, composition.state, composition.revealed_at)
        .join(trial, trial.id == run.trial)
        .outerjoin(composition, composition.trial == trial.id)
        .where(trial.player.in_(whole), trial.dealer == dealer, trial.instrument == answers.instrument)
        .where(run.rater == "player", tables.newest_run())
        .order_by(trial.on.desc(), trial.id.desc(), run.position.desc())
        .limit(MOST_SHEETS)
    )
    if answers.hold not in (None, Hold.EITHER):
        statement = statement.where(or_(trial.hold == answers.hold, trial.hold == Hold.EITHER))
    return [*session.execute(statement)][::-1]


def _is_blind(row: Row[Any]) -> bool:
    """Say whether a sheet's trial goes on and its key is hidden; one read from a file is over."""
    return row.state in ("planned", "open") and row.revealed_at is None


def _ratings(run: tables.Run) -> dict[Criterion, float]:
    given = {criterion: getattr(run, criterion) for criterion in CRITERIA}
    return {criterion: float(value) for criterion, value in given.items() if value is not None}


def _played(rows: Sequence[Row[Any]]) -> Played:
    marks = [row.Run.overall for row in rows if row.Run.overall is not None]
    return Played(max(row.on for row in rows), len(rows), sum(marks) / len(marks) if marks else None)


def _own(
    session: Session,
    dealer: str,
    whole: Sequence[int],
    rows: Sequence[Row[Any]],
    answers: Questionnaire,
    told_at: dt.datetime | None,
) -> tuple[Mapping[Criterion, float], Played | None, tuple[str, dt.date] | None]:
    """Return the own bow's means, when they were given, and the bow kept since; see the module."""
    said = bool(answers.own_bow and answers.own_bow.ratings)
    newer = [row for row in rows if not said or (told_at is not None and _began(row) >= told_at)]
    if not newer or answers.plays_no_bow:
        return {}, None, None
    kept = _kept_since(session, dealer, whole, max(row.on for row in newer))
    if kept is not None:
        return {}, None, kept
    given: dict[Criterion, list[float]] = defaultdict(list)
    for row in newer:
        for criterion, value in _ratings(row.Run).items():
            given[criterion].append(value)
    return {criterion: sum(values) / len(values) for criterion, values in given.items()}, _played(newer), None


def _began(row: Row[Any]) -> dt.datetime:
    """Return when a sheet's trial began; one read from a file at the end of its day, since the hour is not known."""
    return row.opened_at or dt.datetime.combine(row.on, dt.time.max, dt.UTC)


def _kept_since(session: Session, dealer: str, whole: Sequence[int], day: dt.date) -> tuple[str, dt.date] | None:
    """Return the last bow that the player kept on a day or later, and did not bring back."""
    outcome, trial = tables.Outcome, tables.Trial
    told = session.execute(
        select(outcome.copy, outcome.on, outcome.outcome)
        .join(trial, trial.id == outcome.trial)
        .where(trial.player.in_(whole), trial.dealer == dealer, tables.newest_outcome())
        .order_by(outcome.on, outcome.outcome == OutcomeKind.RETURNED, outcome.id)
    )
    kept: dict[str, dt.date] = {}
    for copy, on, kind in told:
        if copy is not None and kind is OutcomeKind.KEPT:
            kept[copy] = on
        elif copy is not None and kind is OutcomeKind.RETURNED:
            kept.pop(copy, None)
    since = {copy: on for copy, on in kept.items() if on >= day}
    return max(since.items(), key=lambda each: each[1]) if since else None
