"""The changes of a folder, written into the tables in bulk."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from model.domain.vocabulary import OWN, OutcomeKind
from service.bench import records
from service.core import files_coming, upsert
from service.inventory.files import kinds
from service.inventory.files.cells import CANNOT_TELL
from service.inventory.files.changes import Changes, Plan
from service.inventory.files.stored import Values, batched
from service.questionnaire.questions import HISTORY
from service.tables import (
    RATED,
    Base,
    BenchReading,
    Copy,
    Dealer,
    Event,
    Outcome,
    Player,
    Price,
    Run,
    Tier,
    TierCharacter,
    Trial,
    write_what_came,
)
from service.trials import bow_marks

ANSWERS = ("dealer", *(kept.column for _question, kept in HISTORY), "place", "blinding", "instrument_used")
"""Columns of runs.csv that a trial keeps under the same name."""


def write(session: Session, plan: Plan) -> None:
    """Write a plan without problems; what comes of it is the caller's transaction's. `ConflictError`: trials come of a load under way."""
    runs, outcomes = plan.files[kinds.RUNS.name], plan.files[kinds.OUTCOMES.name]
    if runs.new or runs.changed or outcomes.new or outcomes.changed or plan.trials:
        files_coming.wait_for(session)
    write_range(session, plan)
    _add(session, BenchReading, readings_of(plan))
    _add(session, Event, events_of(plan))
    records.fill_columns(session, measured(plan))
    _write_history(session, plan)
    date_sales(session)


def write_range(session: Session, plan: Plan) -> None:
    """Write dealers, tiers, prices and copies of a plan, and what it corrects of readings and events."""
    _add(session, Dealer, ({"slug": slug, "name": slug, "currency": money} for slug, money in plan.dealers.items()))
    files = plan.files
    _put(session, Tier, files[kinds.TIERS.name], _tier)
    _put(session, TierCharacter, files[kinds.CHARACTER.name], dict)
    _put(session, Price, files[kinds.PRICES.name], dict)
    _put(session, Copy, files[kinds.COPIES.name], _copy)
    for values in map(_reading, files[kinds.BENCH.name].changed):
        _correct(session, BenchReading, values, ("copy", "on", "quantity", "method"))
    for values in files[kinds.EVENTS_FILE.name].changed:
        _correct(session, Event, _renamed(values, date="on"), ("copy", "on", "event"))
    latest: dict[str, Values] = {}
    for (serial, column), value in plan.latest.items():
        latest.setdefault(serial, {})[column] = value
    _change(session, Copy, ({"serial": serial, **values} for serial, values in latest.items()))


def date_sales(session: Session) -> None:
    """Write of bows that the files say are sold on which day they were kept, where a trial tells it."""
    kept = select(func.max(Outcome.on)).where(Outcome.copy == Copy.serial, Outcome.outcome == OutcomeKind.KEPT)
    unknown = (Copy.status == "sold") & Copy.sold_on.is_(None)
    session.execute(
        update(Copy).where(unknown).values(sold_on=kept.scalar_subquery()).execution_options(synchronize_session=False)
    )


def measured(plan: Plan) -> set[str]:
    """Return the copies whose columns may follow from readings that a plan brings."""
    return {str(values["copy"]) for kind in (kinds.COPIES, kinds.BENCH) for values in plan.files[kind.name].all()}


def _tier(values: Values) -> Values:
    return _renamed(values, tier="slug") | {"holds": values["holds"] or ""}


def _copy(values: Values) -> Values:
    return _renamed(values, copy="serial")


def readings_of(plan: Plan) -> Iterator[Values]:
    """Yield the new readings of a plan, as the table has them."""
    return map(_reading, plan.files[kinds.BENCH.name].added())


def events_of(plan: Plan) -> Iterator[Values]:
    """Yield the new events of a plan, as the table has them."""
    return (_renamed(values, date="on") for values in plan.files[kinds.EVENTS_FILE.name].added())


def _reading(values: Values) -> Values:
    return {name: value for name, value in _renamed(values, date="on").items() if name not in ("unit", "kept")}


def add_new(session: Session, table: type[BenchReading | Event], rows: Iterable[Values]) -> None:
    """Add readings or events; of one that somebody else entered meanwhile that stands."""
    for part in batched(rows):
        session.execute(upsert.into(session, table).on_conflict_do_nothing(), part)


def trials_of(plan: Plan) -> Iterator[Values]:
    """Yield all that a plan brings of each trial: its key, its player's key, its answers, and the rows of its runs and outcomes.

    ``answers`` None: they stay as they are stored; a new trial always has them.
    """
    runs, outcomes = plan.files[kinds.RUNS.name], plan.files[kinds.OUTCOMES.name]
    found: dict[str, Values] = {}

    def of(values: Values, *, told: bool = False) -> Values:
        trial = found.setdefault(
            values["trial"], {"key": values["trial"], "answers": None, "changed": False, "runs": [], "outcomes": []}
        )
        if told and trial["answers"] is None:
            trial |= {"player": values["player"], "answers": _answers(values)}
        return trial

    for values in plan.trials:
        of(values, told=True)["changed"] = True
    for values in runs.added():
        of(values, told=True)["runs"].append(_run(values))
    for values in runs.changed:
        of(values)["runs"].append(_run(values))
    for values in outcomes.all():
        of(values)["outcomes"].append(_outcome(values))
    yield from found.values()


def _write_history(session: Session, plan: Plan) -> None:
    played: set[str] = set()
    for part in batched(trials_of(plan)):
        played |= write_trials(session, part)
    bow_marks.of_bows(session, played)


def write_trials(session: Session, trials: Sequence[Values]) -> set[str]:
    """Write what `trials_of` yields of some trials, each row as the next revision of what is stored; return the bows played in any of them."""
    keys = [trial["key"] for trial in trials]
    known = _trial_ids(session, keys)
    new = [trial for trial in trials if trial["key"] not in known]
    players = _player_ids(session, {trial["player"] for trial in new})
    _add(session, Trial, ({"key": each["key"], "player": players[each["player"]], **each["answers"]} for each in new))
    changed = (trial for trial in trials if trial["changed"] and trial["key"] in known)
    _change(session, Trial, ({"id": known[trial["key"]], **trial["answers"]} for trial in changed))
    ids = known | _trial_ids(session, [trial["key"] for trial in new])
    for table, name, key in ((Run, "runs", ("position", "rater")), (Outcome, "outcomes", ("on", "outcome", "copy"))):
        before = _revisions(session, table, key, list(known.values()))
        rows = [{"trial": ids[trial["key"]], **row} for trial in trials for row in trial[name]]
        for row in rows:
            row["revision"] = before.get((row["trial"], *(row[column] for column in key)), 0) + 1
        _add(session, table, rows)
    write_what_came(session.connection(), [ids[trial["key"]] for trial in trials if trial["outcomes"]])
    serials = {row["copy"] for trial in trials for row in trial["runs"] if row["copy"] is not None}
    stored = select(Run.copy).where(Run.trial.in_(list(known.values())), Run.copy.is_not(None)).distinct()
    return serials | set(filter(None, session.scalars(stored)))


def _revisions(
    session: Session, table: type[Run | Outcome], key: Sequence[str], trials: Sequence[int]
) -> dict[tuple[Any, ...], int]:
    """Return the highest revision of each row of trials, by the trial and the row's key."""
    columns = (table.trial, *(getattr(table, name) for name in key))
    found = select(*columns, func.max(table.revision)).where(table.trial.in_(trials)).group_by(*columns)
    return {tuple(values): revision for *values, revision in session.execute(found)} if trials else {}


def _answers(values: Values) -> Values:
    lists = {name: values[name] or "" for name in ("settings", "priorities")}
    return {name: values[name] for name in ANSWERS} | lists | {"on": values["date"]}


def _run(values: Values) -> Values:
    ratings = {name: None if values[name] == CANNOT_TELL else values[name] for name in RATED}
    same = {name: values[name] for name in ("position", "rater", "clean_strokes", "strokes", "note")}
    cannot_tell = " ".join(name for name in RATED if values[name] == CANNOT_TELL)
    return ratings | same | {"copy": None if values["copy"] == OWN else values["copy"], "cannot_tell": cannot_tell}


def _outcome(values: Values) -> Values:
    told = {name: values[name] for name in ("outcome", "copy", "reason", "price", "currency")}
    return told | {"on": values["date"]}


def _player_ids(session: Session, keys: set[str]) -> dict[str, int]:
    """Return the ids of players, those not yet known made."""
    known = _ids(session, Player, keys)
    _add(session, Player, ({"key": key} for key in sorted(keys - known.keys())))
    return known | _ids(session, Player, keys - known.keys())


def _trial_ids(session: Session, keys: Iterable[str]) -> dict[str, int]:
    return _ids(session, Trial, set(keys))


def _ids(session: Session, table: type[Player | Trial], keys: set[str]) -> dict[str, int]:
    """Return the ids of the keys that are there."""
    found: dict[str, int] = {}
    for part in batched(sorted(keys)):
        found.update(session.execute(select(table.key, table.id).where(table.key.in_(part))).all())
    return found


def _renamed(values: Values, **names: str) -> Values:
    return {names.get(name, name): value for name, value in values.items()}


def _put(session: Session, table: type[Base], changes: Changes, row: Callable[[Values], Values]) -> None:
    _add(session, table, map(row, changes.added()))
    _change(session, table, map(row, changes.changed))


def _add(session: Session, table: type[Base], rows: Iterable[Values]) -> None:
    for part in batched(rows):
        session.execute(insert(table), part)


def _change(session: Session, table: type[Base], rows: Iterable[Values]) -> None:
    """Update rows by their primary key; those of one call have the same columns or are sent one by one."""
    for part in batched(rows):
        session.execute(update(table), part)


def _correct(session: Session, table: type[BenchReading | Event], values: Values, key: tuple[str, ...]) -> None:
    same = (getattr(table, name) == values[name] for name in key)
    session.execute(update(table).where(*same).values({getattr(table, name): value for name, value in values.items()}))
