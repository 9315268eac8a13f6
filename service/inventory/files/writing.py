"""The changes of a folder, written into the tables in bulk."""

from collections.abc import Callable, Iterable

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from model.domain.vocabulary import OWN, OutcomeKind
from service.bench import records
from service.inventory.files import kinds
from service.inventory.files.cells import CANNOT_TELL
from service.inventory.files.changes import Changes, Plan
from service.inventory.files.folders import merged
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
    """Write a plan without problems; what comes of it is the caller's transaction's."""
    _add(session, Dealer, ({"slug": slug, "name": slug, "currency": money} for slug, money in plan.dealers.items()))
    files = plan.files
    _put(session, Tier, files[kinds.TIERS.name], _tier)
    _put(session, TierCharacter, files[kinds.CHARACTER.name], dict)
    _put(session, Price, files[kinds.PRICES.name], dict)
    _put(session, Copy, files[kinds.COPIES.name], _copy)
    _write_bench(session, plan)
    records.fill_columns(
        session, {str(values["copy"]) for kind in (kinds.COPIES, kinds.BENCH) for values in plan.files[kind.name].all()}
    )
    _write_history(session, plan)
    # Bows that the files say are sold: on which day they were kept, where a trial tells it.
    kept = select(func.max(Outcome.on)).where(Outcome.copy == Copy.serial, Outcome.outcome == OutcomeKind.KEPT)
    unknown = (Copy.status == "sold") & Copy.sold_on.is_(None)
    session.execute(
        update(Copy).where(unknown).values(sold_on=kept.scalar_subquery()).execution_options(synchronize_session=False)
    )


def _tier(values: Values) -> Values:
    return _renamed(values, tier="slug") | {"holds": values["holds"] or ""}


def _copy(values: Values) -> Values:
    return _renamed(values, copy="serial")


def _write_bench(session: Session, plan: Plan) -> None:
    readings, events = plan.files[kinds.BENCH.name], plan.files[kinds.EVENTS_FILE.name]
    _add(session, BenchReading, map(_reading, readings.added()))
    for values in map(_reading, readings.changed):
        _correct(session, BenchReading, values, ("copy", "on", "quantity", "method"))
    _add(session, Event, (_renamed(values, date="on") for values in events.added()))
    for values in events.changed:
        _correct(session, Event, _renamed(values, date="on"), ("copy", "on", "event"))
    latest: dict[str, Values] = {}
    for (serial, column), value in plan.latest.items():
        latest.setdefault(serial, {})[column] = value
    _change(session, Copy, ({"serial": serial, **values} for serial, values in latest.items()))


def _reading(values: Values) -> Values:
    return {name: value for name, value in _renamed(values, date="on").items() if name not in ("unit", "kept")}


def _write_history(session: Session, plan: Plan) -> None:
    runs, outcomes = plan.files[kinds.RUNS.name], plan.files[kinds.OUTCOMES.name]
    first_rows = {row.shared["trial"]: row for row in reversed(runs.new)}
    players = _player_ids(session, {str(row.shared["player"]) for row in first_rows.values()})
    known = _trial_ids(session, [*map(str, first_rows), *(values["trial"] for values in runs.changed + plan.trials)])
    new_trials = (merged(runs.sheet, row, None) for key, row in first_rows.items() if key not in known)
    _add(session, Trial, (_trial(values, players) for values in new_trials))
    _change(session, Trial, ({"id": known[values["trial"]], **_answers(values)} for values in plan.trials))
    ids = _trial_ids(session, [*known, *map(str, first_rows), *(values["trial"] for values in outcomes.all())])
    _add(session, Run, (_run(values, ids[values["trial"]]) for values in runs.all()))
    _add(session, Outcome, (_outcome(values, ids[values["trial"]]) for values in outcomes.all()))
    bow_marks.of_trials(session, ids.values())
    for some in batched(sorted({ids[values["trial"]] for values in outcomes.all()})):
        write_what_came(session.connection(), some)


def _trial(values: Values, players: dict[str, int]) -> Values:
    return {"key": values["trial"], "player": players[values["player"]], **_answers(values)}


def _answers(values: Values) -> Values:
    lists = {name: values[name] or "" for name in ("settings", "priorities")}
    return {name: values[name] for name in ANSWERS} | lists | {"on": values["date"]}


def _run(values: Values, trial: int) -> Values:
    ratings = {name: None if values[name] == CANNOT_TELL else values[name] for name in RATED}
    same = {name: values[name] for name in ("position", "rater", "clean_strokes", "strokes", "note")}
    copy, revision = None if values["copy"] == OWN else values["copy"], values.get("revision", 0) + 1
    cannot_tell = " ".join(name for name in RATED if values[name] == CANNOT_TELL)
    return ratings | same | {"trial": trial, "revision": revision, "copy": copy, "cannot_tell": cannot_tell}


def _outcome(values: Values, trial: int) -> Values:
    told = {name: values[name] for name in ("outcome", "copy", "reason", "price", "currency")}
    return told | {"trial": trial, "on": values["date"], "revision": values.get("revision", 0) + 1}


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
