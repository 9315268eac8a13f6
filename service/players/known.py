"""What one dealer knows of one player, gathered in this one place for whoever asks: form, API, desk, walk-in, the player's own page.

Every sheet of the player's that counts, of all trials at this dealer on this instrument, from tablet, phone or file; and what the
player told of bows and of the own one with earlier answers, in the form, through the API or at the desk. It is all that one
person gave under any of their keys (`service.players.same_person`), and reached by the player's own link, by that dealer's staff and by
that dealer's server only: what anybody typed as a name or an address finds nobody. It serves that player alone, and only where
the player agreed that ratings may serve beyond their own trial; else it is withheld, which is said. The sheets of a trial that is
still blind are left out until it is closed or its key revealed: by serial, sentences and numbers alike would tell what the
letters hide. Whoever is not of the staff is told of them once the key is revealed.

A bow's sheets stand before what was told of it, and what the answers say stands before both where it is newer and says otherwise.
The own bow's blind marks stand in the place of what the answers say of it, criterion by criterion, so that nothing is counted
twice: they were given between other bows, on the scale of the trial. Answers that rate the own bow and are newer than the trial
stand instead, and so they do where a bow was kept since: the own bow may be another one by now.
"""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from types import MappingProxyType
from typing import Any

from sqlalchemy import Row, or_, select
from sqlalchemy.orm import Session

from model.domain.records import Run
from model.domain.vocabulary import CRITERIA, Criterion, Hold, Instrument, OutcomeKind
from model.features import MIDDLE_POSITION
from service import tables
from service.core.errors import FieldCode, FieldProblem, InvalidInputError, NotFoundError
from service.core.language import _
from service.players import enquiry_access, player_keys, same_person
from service.players.trial_access import composed
from service.questionnaire.forms import Questionnaire
from service.tables import Composition, Enquiry, Outcome, Player, Trial, newest_outcome, newest_run

MOST_SHEETS = 60
"""So many bows' marks are counted in all: those of the answers themselves, then the newest sheets, then what was told before,
newest first. Older ones would change little and cost much: the time for an answer grows with the square of their number."""
MOST_TOLD = 20
"""So many of the newest answers are read for what was told of bows, each of which may name twenty."""
Told = Mapping[Criterion, float]


@dataclass(frozen=True, slots=True)
class RatedBow:
    """One bow as the player rated it."""

    on: dt.date | None  # the day it was played last in a trial; None: the player told of it
    plays: int  # how often in trials
    mark: float | None  # the mean of the marks as a whole; None: none was given


@dataclass(frozen=True, slots=True)
class Marks:
    """What is stored of one player's ratings, as far as it may serve; the model is told ``sheets`` and ``own`` beside the answers.

    ``played``: the same bows by serial, with those that the answers themselves name. ``own``: what takes the place of the
    answers' ratings of the own bow, each the mean of its sheets; ``own_played`` when that was. ``kept``: the bow that was kept
    since the own one was rated, and the day; then ``own`` is empty.
    """

    sheets: tuple[Run, ...] = ()  # of bows of the range, oldest first, those that were only told of last
    played: Mapping[str, RatedBow] = field(default_factory=lambda: MappingProxyType({}))
    own: Told = field(default_factory=lambda: MappingProxyType({}))
    own_played: RatedBow | None = None
    kept: tuple[str, dt.date] | None = None
    withheld: bool = False  # there are ratings, but they may serve their own trial only
    blind: bool = False  # there are ratings of a trial that is still blind; they are left out
    player: int | None = field(default=None, compare=False)  # who it is; None: nobody who is known


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
    """Return for staff what is stored of the player of a key, an enquiry, or the trial before; `NotFoundError` where it is not this dealer's."""
    if previous:
        trial, composition = composed(session, dealer, previous)
        return of_trial(session, trial, composition, answers)
    asked = enquiry_access.own(session, dealer, enquiry) if enquiry else None
    whose = player_keys.known(session, dealer, player).id if player else asked.player if asked else None
    asking = _Asking(dealer, answers, asked.created_at if asked else None, but=asked.id if asked else None)
    return _of_player(session, whose, asking)


def of_trial(session: Session, trial: Trial, composition: Composition, answers: Questionnaire) -> Marks:
    """Return what is stored of a trial's player; the answers are as old as the enquiry, or the walk-in, that they came from."""
    first = _first(session, composition)
    enquiry = session.get(Enquiry, first.enquiry) if first.enquiry else None
    told_at = enquiry.created_at if enquiry else first.created_at
    asking = _Asking(composition.dealer, answers, told_at, but=enquiry.id if enquiry else None)
    return _of_player(session, trial.player, asking)


def of_own(session: Session, dealer: str, answers: Questionnaire, player: str, *, only_named: bool = False) -> Marks:
    """Return what is stored of a player who asks by a link of their own, or by the dealer's server: told of revealed trials only.

    ``player``: a key. ``only_named``: of bows those alone that the answers name, as a form that was filled in with them has it.
    Raises `NotFoundError`: a player who is not this dealer's.
    """
    whose = player_keys.known(session, dealer, player).id
    return _of_player(session, whose, _Asking(dealer, answers, None, revealed=True, only_named=only_named))


def of_server(session: Session, answers: Questionnaire) -> Marks:
    """Return what is stored of the player whom a server or the operator names; `InvalidInputError`: not at that dealer, or no dealer is named."""
    if answers.player is None:
        return NO_MARKS
    if answers.dealer is None:
        sentence = _("Name the dealer too: a player is known to one dealer.")
        raise InvalidInputError([FieldProblem("dealer", sentence, FieldCode.MISSING)])
    try:
        return of_own(session, answers.dealer, answers, answers.player)
    except NotFoundError:
        sentence = _("There is no player of this key here; leave it out for one who is new.")
        raise InvalidInputError([FieldProblem("player", sentence, FieldCode.NOT_HERE)]) from None


def key_of(session: Session, marks: Marks) -> str | None:
    """Return the key of the player whose marks they are."""
    return session.get_one(Player, marks.player).key if marks.player is not None else None


def _first(session: Session, composition: Composition) -> Composition:
    """Return the trial whose answers a trial has: each after another takes over those of the one before."""
    first, seen = composition, {composition.trial}
    while first.enquiry is None and first.previous is not None and first.previous not in seen:
        previous = session.get(Composition, first.previous)
        if previous is None:
            break
        seen.add(previous.trial)
        first = previous
    return first


@dataclass(frozen=True, slots=True)
class _Asking:
    """For what a player's marks are asked."""

    dealer: str
    answers: Questionnaire
    told_at: dt.datetime | None  # when the answers were given, None: just now
    but: str | None = None  # the enquiry whose answers they are
    revealed: bool = False  # of trials whose key is revealed only
    only_named: bool = False  # of bows that the answers name only


def _of_player(session: Session, player: int | None, asking: _Asking) -> Marks:
    """Return a player's marks for an asking."""
    named = {each.copy_: RatedBow(None, 0, each.ratings.get(Criterion.OVERALL)) for each in asking.answers.tried}
    if player is None:
        return Marks(played=named) if named else NO_MARKS
    stands = same_person.head_of(session, asking.dealer, player)
    whole = same_person.everybody(session, asking.dealer, [player])
    rows = sheets(session, asking.dealer, whole, asking.answers.instrument, asking.answers.hold)
    told = _told(session, asking, whole)
    if not rows and not told:
        return Marks(played=named, player=stands)
    if not same_person.may_help(session, whole):
        return Marks(played=named, withheld=True, player=stands)
    seen = [row for row in rows if not is_hidden(row, asking.revealed)]
    away = [row for row in seen if row.Run.copy is not None and not _says_otherwise(asking, row, seen)]
    room = MOST_SHEETS - len(named)
    away = away[-room:]
    rated = _before(told, named, {row.Run.copy for row in away}, room - len(away))
    own = _own(session, whole, [row for row in seen if row.Run.copy is None], told, asking)
    marks = Marks(
        sheets=(
            *(Run(row.Run.position, row.Run.copy, ratings_of(row.Run)) for row in away if ratings_of(row.Run)),
            *(Run(int(MIDDLE_POSITION), copy, ratings) for copy, ratings in rated.items()),
        ),
        played={
            **named,
            **{copy: RatedBow(None, 0, ratings.get(Criterion.OVERALL)) for copy, ratings in rated.items()},
            **{copy: played([row for row in away if row.Run.copy == copy]) for copy in {r.Run.copy for r in away}},
        },
        own=own.marks,
        own_played=own.played,
        kept=own.kept,
        blind=len(seen) < len(rows),
        player=stands,
    )
    return _of_named(marks, named) if asking.only_named else marks


def _of_named(marks: Marks, named: Mapping[str, RatedBow]) -> Marks:
    """Return the marks of the bows alone that the answers name."""
    sheets = tuple(run for run in marks.sheets if run.copy in named)
    return replace(marks, sheets=sheets, played={copy: each for copy, each in marks.played.items() if copy in named})


def sheets(
    session: Session, dealer: str, whole: Sequence[int], instrument: Instrument | None = None, hold: Hold | None = None
) -> Sequence[Row[Any]]:
    """Return the newest sheets that count, oldest first, each with its trial's day, the moment it began and how it stands."""
    run = tables.Run
    statement = (
        select(run, Trial.on, Trial.instrument, Composition.opened_at, Composition.state, Composition.revealed_at)
        .join(Trial, Trial.id == run.trial)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(Trial.player.in_(whole), Trial.dealer == dealer)
        .where(run.rater == "player", newest_run())
        .order_by(Trial.on.desc(), Trial.id.desc(), run.position.desc())
        .limit(MOST_SHEETS)
    )
    if instrument is not None:
        statement = statement.where(Trial.instrument == instrument)
    if hold not in (None, Hold.EITHER):
        statement = statement.where(or_(Trial.hold == hold, Trial.hold == Hold.EITHER))
    return [*session.execute(statement)][::-1]


def is_hidden(row: Row[Any], revealed: bool) -> bool:
    """Say whether letters hide a sheet's bow, until the trial is closed or, as for players, its key is ``revealed``; one of a file is over."""
    if row.state is None or row.revealed_at is not None:
        return False
    return revealed or row.state in ("planned", "open")


def ratings_of(run: tables.Run) -> dict[Criterion, float]:
    """Return what was rated on a sheet."""
    given = {criterion: getattr(run, criterion) for criterion in CRITERIA}
    return {criterion: float(value) for criterion, value in given.items() if value is not None}


def played(rows: Sequence[Row[Any]]) -> RatedBow:
    """Return some sheets of one bow as one."""
    marks = [row.Run.overall for row in rows if row.Run.overall is not None]
    return RatedBow(max(row.on for row in rows), len(rows), sum(marks) / len(marks) if marks else None)


def means(rows: Sequence[Row[Any]]) -> dict[Criterion, float]:
    """Return the mean of some sheets, criterion by criterion."""
    given: dict[Criterion, list[float]] = defaultdict(list)
    for row in rows:
        for criterion, value in ratings_of(row.Run).items():
            given[criterion].append(value)
    return {criterion: sum(values) / len(values) for criterion, values in given.items()}


def _says_otherwise(asking: _Asking, row: Row[Any], seen: Iterable[Row[Any]]) -> bool:
    """Say whether the answers are newer than a sheet and mark its bow otherwise than it and the others did."""
    now = next((each for each in asking.answers.tried if each.copy_ == row.Run.copy), None)
    if now is None or (asking.told_at is not None and began(row) >= asking.told_at):
        return False
    earlier_mark = played([each for each in seen if each.Run.copy == row.Run.copy]).mark
    mark = now.ratings.get(Criterion.OVERALL)
    return mark is not None and earlier_mark is not None and mark != round(earlier_mark)


def _before(told: Sequence["_ToldOf"], named: Iterable[str], rated: Iterable[str], most: int) -> dict[str, Told]:
    """Return what was told of ``most`` bows with earlier answers, the newest word on each, where nothing else is known of it."""
    found: dict[str, Told] = {}
    excluded = {*named, *rated}
    for each in told:
        for tried in each.answers.tried:
            if tried.copy_ not in excluded:
                found.setdefault(tried.copy_, {c: float(mark) for c, mark in tried.ratings.items()})
    return dict(islice(found.items(), most))


# What was told with answers


@dataclass(frozen=True, slots=True)
class _ToldOf:
    """Earlier answers of a player that tell of bows, and the day they were given."""

    on: dt.date
    answers: Questionnaire


def _told(session: Session, asking: _Asking, whole: Sequence[int]) -> list[_ToldOf]:
    """Return the player's other answers at this dealer on this instrument that tell of bows, newest first."""
    found = [
        (created_at, answers)
        for created_at, answers in told_answers(session, asking.dealer, whole, asking.but)
        if answers["instrument"] == asking.answers.instrument
        and (answers.get("tried") or bool((answers.get("own_bow") or {}).get("ratings")))
    ]
    usable = ((created_at, read(answers)) for created_at, answers in found)
    return [_ToldOf(created_at.date(), answers) for created_at, answers in usable if answers is not None]


def told_answers(
    session: Session, dealer: str, whole: Sequence[int], but: str | None = None
) -> list[tuple[dt.datetime, Mapping[str, Any]]]:
    """Return the answers that a player gave at a dealer, newest first: with enquiries, or at the desk without one."""
    asked = select(Enquiry.created_at, Enquiry.answers).where(
        Enquiry.player.in_(whole), enquiry_access.of_dealer(dealer), Enquiry.id != (but or "")
    )
    walked = (
        select(Composition.created_at, Composition.answers)
        .join(Trial, Trial.id == Composition.trial)
        .where(Trial.player.in_(whole), Composition.dealer == dealer)
        .where(Composition.enquiry.is_(None), Composition.previous.is_(None))
    )
    newest_first = asked.order_by(Enquiry.created_at.desc()), walked.order_by(Composition.created_at.desc())
    rows = [row for statement in newest_first for row in session.execute(statement.limit(MOST_TOLD))]
    return sorted(((created_at, answers) for created_at, answers in rows), key=lambda each: each[0], reverse=True)[
        :MOST_TOLD
    ]


def read(answers: Mapping[str, Any]) -> Questionnaire | None:
    """Return stored answers, None where today's rules do not take them."""
    try:
        return Questionnaire.model_validate(dict(answers))
    except ValueError:
        return None


# The own bow


@dataclass(frozen=True, slots=True)
class _OwnBow:
    """What is known of the own bow; see `Marks`."""

    marks: Told = field(default_factory=lambda: MappingProxyType({}))
    played: RatedBow | None = None
    kept: tuple[str, dt.date] | None = None


def _own(
    session: Session, whole: Sequence[int], rows: Sequence[Row[Any]], told: Sequence[_ToldOf], asking: _Asking
) -> _OwnBow:
    """Return the own bow's means, when they were given, and the bow kept since; see the module."""
    bow = asking.answers.own_bow
    said = bool(bow and bow.ratings and not _repeats(bow.ratings, rows))
    newer = [row for row in rows if not said or (asking.told_at is not None and began(row) >= asking.told_at)]
    if asking.answers.plays_no_bow:
        return _OwnBow()
    if not newer:
        return _OwnBow() if said else _own_told(session, whole, told, asking)
    kept = _kept_since(session, asking.dealer, whole, max(row.on for row in newer))
    if kept is not None:
        return _OwnBow(kept=kept)
    return _OwnBow(means(newer), played(newer))


def _repeats(told: Mapping[Criterion, float], rows: Sequence[Row[Any]]) -> bool:
    """Say whether what is told of the own bow is what its sheets say, as a form that was filled in from them has it."""
    marks = means(rows)
    return bool(rows) and all(
        criterion in marks and round(marks[criterion]) == mark for criterion, mark in told.items()
    )


def _own_told(session: Session, whole: Sequence[int], told: Sequence[_ToldOf], asking: _Asking) -> _OwnBow:
    """Return what the newest of earlier answers say of the own bow, unless a bow was kept since."""
    for each in told:
        if each.answers.own_bow is not None and each.answers.own_bow.ratings:
            kept = _kept_since(session, asking.dealer, whole, each.on)
            ratings = each.answers.own_bow.ratings
            mark = ratings.get(Criterion.OVERALL)
            if kept is not None:
                return _OwnBow(kept=kept)
            return _OwnBow({c: float(value) for c, value in ratings.items()}, RatedBow(each.on, 0, mark))
    return _OwnBow()


def began(row: Row[Any]) -> dt.datetime:
    """Return when a sheet's trial began; one read from a file at the end of its day, since the hour is not known."""
    return row.opened_at or dt.datetime.combine(row.on, dt.time.max, dt.UTC)


def _kept_since(session: Session, dealer: str, whole: Sequence[int], day: dt.date) -> tuple[str, dt.date] | None:
    """Return the last bow that the player kept on a day or later, and did not bring back."""
    told = session.execute(
        select(Outcome.copy, Outcome.on, Outcome.outcome)
        .join(Trial, Trial.id == Outcome.trial)
        .where(Trial.player.in_(whole), Trial.dealer == dealer, newest_outcome())
        .order_by(Outcome.on, Outcome.outcome == OutcomeKind.RETURNED, Outcome.id)
    )
    kept: dict[str, dt.date] = {}
    for copy, kept_day, kind in told:
        if copy is not None and kind is OutcomeKind.KEPT:
            kept[copy] = kept_day
        elif copy is not None and kind is OutcomeKind.RETURNED:
            kept.pop(copy, None)
    kept_on = {copy: kept_day for copy, kept_day in kept.items() if kept_day >= day}
    return max(kept_on.items(), key=lambda each: each[1]) if kept_on else None
