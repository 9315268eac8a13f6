"""A bow's bench record: what was read, what follows from it, and readings kept or taken back.

What follows and has a column among the copy's own (`BENCH_COLUMNS`) is written there, so that files and model have it; a reading of
the quantity itself goes before, unless what follows is of a later day.
"""

import datetime as dt
import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from model import bench
from model.features import bench_traits
from service import tables
from service.bench import entry
from service.bench.quantities import IN_SI, LIMITS
from service.core import audit, audit_events
from service.core.errors import InvalidInputError, NotFoundError
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_copies
from service.core.scopes import Scope
from service.tables import BENCH_COLUMNS, BenchReading

FROG_MIDDLE_M = -0.02
"""Where the middle of the frog is, from the hair's end towards the button (a judgement, no source)."""
PARTS_FROM = ("mass_g", "balance_mm", "length_mm", "frog_mass_g", "hair_mass_g", "hair_length_mm")
"""What a bow's four parts follow from."""
LEAST_REPEATS = 4
"""Degrees of freedom from which repeated readings tell how well they repeat; below, what is usual stands."""
TONES_APART = 0.1
"""Of frequencies whose logarithms lie further apart each is a tone of its own; a free bar's lie a whole one apart."""
LONGEST_TOOL, LONGEST_BY = 80, 100
_AGAIN = re.compile(r" ?#\d+$")
_TAKEN_AGAIN = BenchReading.method.like("%#%")
"""A reading that was taken again on its day."""
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True, slots=True)
class BenchRecord:
    """All that is known of one bow at the bench.

    ``readings``: every one, the latest day first.
    ``latest``: quantity -> the readings of its latest day by one method, as mean with its standard uncertainty.
    ``repeats``: quantity -> how well readings repeat, all bows together; those told by enough repeats alone.
    ``derived``: what follows, in SI units.
    ``bow``: its four parts, None where too little was weighed or they contradict each other, which ``weighed`` tells apart.
    """

    serial: str
    tier: str
    readings: tuple[BenchReading, ...]
    latest: Mapping[str, bench.readings.Measured]
    repeats: Mapping[str, bench.readings.Repeatability]
    derived: bench.stick.Derived
    bow: bench.mass_model.Bow | None

    @property
    def weighed(self) -> bool:
        """Whether all was weighed that its four parts follow from."""
        return all(name in self.latest for name in PARTS_FROM)

    @property
    def newest(self) -> dict[str, BenchReading]:
        """The latest reading of each quantity; of one day's, the one kept last."""
        return {each.quantity: each for each in sorted(self.readings, key=_when)}


def of_copy(session: Session, scope: Scope, serial: str) -> BenchRecord:
    """Return a bow's bench record; raises `NotFoundError` where it lies beyond the scope."""
    bow = _own(session, scope, serial)
    tier = session.get_one(tables.Tier, bow.tier)
    return _record(session, serial, tier.name, repeatabilities(session))


def _record(
    session: Session, serial: str, tier: str, repeats: Mapping[str, bench.readings.Repeatability]
) -> BenchRecord:
    readings = tuple(session.scalars(_of(serial)))
    latest = {name: _latest(name, of, repeats) for name, of in _of_one_tone(_by_quantity(readings)).items()}
    derived = bench.stick.derive(_in_si(latest))
    return BenchRecord(serial, tier, readings, latest, repeats, derived, _parts(latest))


def _of(serial: str) -> Select[BenchReading]:
    order = (BenchReading.on.desc(), BenchReading.quantity, BenchReading.method)
    return select(BenchReading).where(BenchReading.copy == serial).order_by(*order)


def _own(session: Session, scope: Scope, serial: str) -> tables.Copy:
    found = session.get(tables.Copy, serial)
    if found is None or not scope.covers(found.dealer):
        raise NotFoundError
    return found


def _when(reading: BenchReading) -> tuple[dt.date, int]:
    """Return what puts readings into the order they were taken in: the day, and on one day the order they were kept in."""
    return reading.on, reading.id


def tool(reading: BenchReading) -> str:
    """Return what a reading was taken with: its method without the count of that day's repeats."""
    return _AGAIN.sub("", reading.method)


def _by_quantity(readings: Iterable[BenchReading]) -> dict[str, list[BenchReading]]:
    found: dict[str, list[BenchReading]] = defaultdict(list)
    for each in readings:
        found[each.quantity].append(each)
    return found


def _of_one_tone(by: dict[str, list[BenchReading]]) -> dict[str, list[BenchReading]]:
    """Return readings by quantity, what rang that of the last tone alone: a stick's other tones are no repeats of it.

    A tone's frequency and its decay were kept together, under the same day and method.
    """
    tones = by.get("decay_hz", [])
    if tones:
        last = max(tones, key=_when).value
        others = {(each.on, each.method) for each in tones if abs(math.log(each.value / last)) > TONES_APART}
        for name in ("decay_hz", "decay_60db_s"):
            kept = [each for each in by.get(name, ()) if (each.on, each.method) not in others]
            by |= {name: kept} if kept else {}
    return by


def _latest(
    name: str, readings: Sequence[BenchReading], repeats: Mapping[str, bench.readings.Repeatability]
) -> bench.readings.Measured:
    """Return the mean of the readings of the latest day by the tool that was used last."""
    last = max(readings, key=_when)
    values = [each.value for each in readings if each.on == last.on and tool(each) == tool(last)]
    sd = repeats[name].sd if name in repeats else LIMITS[name].deviation(last.value)
    return bench.readings.mean(values, sd)


def repeatabilities(session: Session) -> dict[str, bench.readings.Repeatability]:
    """Return how well readings of each quantity repeat, of all that were taken again by the same tool on the same day."""
    taken = select(BenchReading.copy, BenchReading.on, BenchReading.quantity).where(_TAKEN_AGAIN).distinct().subquery()
    same = (
        (taken.c.copy == BenchReading.copy)
        & (taken.c.on == BenchReading.on)
        & (taken.c.quantity == BenchReading.quantity)
    )
    groups: dict[str, dict[tuple[Any, ...], list[float]]] = defaultdict(lambda: defaultdict(list))
    again = session.scalars(select(BenchReading).join(taken, same)).all()
    tones = {
        (each.copy, each.on, each.method): round(math.log(each.value) / TONES_APART)
        for each in again
        if each.quantity == "decay_hz"
    }
    for each in again:
        rang = tones.get((each.copy, each.on, each.method)) if each.quantity in entry.OF_ANY_TONE else None
        groups[each.quantity][each.copy, each.on, tool(each), rang].append(each.value)
    found = {name: bench.readings.repeatability(of.values()) for name, of in groups.items()}
    return {name: each for name, each in found.items() if each and each.degrees >= LEAST_REPEATS and each.sd > 0.0}


def _in_si(latest: Mapping[str, bench.readings.Measured]) -> dict[str, bench.readings.Measured]:
    return {
        IN_SI[name][0]: bench.readings.Measured(each.value * IN_SI[name][1], each.sd * IN_SI[name][1])
        for name, each in latest.items()
        if name in IN_SI
    }


def _parts(latest: Mapping[str, bench.readings.Measured]) -> bench.mass_model.Bow | None:
    if not all(name in latest for name in PARTS_FROM):
        return None
    mass, balance, length, frog, hair, free = (latest[name].value * 1e-3 for name in PARTS_FROM)
    try:
        return bench.mass_model.from_bench(
            mass, balance, length, frog, hair, frog_m=FROG_MIDDLE_M, hair_m=free, taper=bench.mass_model.STICK_TAPER
        )
    except ValueError:
        return None


def before(record: BenchRecord) -> entry.KnownReadings:
    """Return what new readings are held against."""
    return entry.KnownReadings({name: each.value for name, each in record.newest.items()}, record.repeats)


# Changing


def keep(
    session: Session,
    user: int | None,
    scope: Scope,
    serial: str,
    found: Mapping[str, Sequence[float]],
    *,
    on: dt.date,
    by: str,
    tools: Mapping[str, str],
) -> int:
    """Keep readings of one bow, each a row of its own, and write what follows into the copy's columns; return how many.

    ``tools``: what each quantity was measured with. Readings of one day by one tool are numbered.

    Raises `NotFoundError`: it lies beyond the scope; `InvalidInputError`: nothing was read, a day to come, or a name that is too long.
    """
    _own(session, scope, serial)
    _check(found, on, by, tools)
    bow = lock_copies(session, [serial])[serial]
    taken = {(each.quantity, each.method) for each in session.scalars(_of(serial).where(BenchReading.on == on))}
    for quantity, values in found.items():
        for value in values:
            method = _free(taken, quantity, tools.get(quantity, "").strip())
            taken.add((quantity, method))
            session.add(BenchReading(copy=serial, on=on, quantity=quantity, value=value, method=method, by=by or None))
    session.flush()
    _into_columns(session, bow, repeatabilities(session))
    count = sum(map(len, found.values()))
    audit.record(
        session, user, audit_events.BOW_MEASURED, f"copy {serial}", dealer=bow.dealer, on=str(on), readings=count
    )
    return count


def _check(found: Mapping[str, Sequence[float]], on: dt.date, by: str, tools: Mapping[str, str]) -> None:
    problems: list[tuple[str, str]] = []
    if not found:
        problems.append(("mass_g", _("Nothing was typed yet; one reading is enough.")))
    if on > now().date() + dt.timedelta(days=1):  # a day more, for those east of here
        problems.append(("on", _("This day is still to come; record it when it is done.")))
    longest = _("Expected at most {most} letters on one line.")
    if len(by) > LONGEST_BY or _CONTROL.search(by):
        problems.append(("by", longest.format(most=LONGEST_BY)))
    for name, text in tools.items():
        if len(text.strip()) > LONGEST_TOOL or _CONTROL.search(text):
            problems.append((f"with-{name}", longest.format(most=LONGEST_TOOL)))
    if problems:
        raise InvalidInputError(problems)


def _free(taken: set[tuple[str, str]], quantity: str, name: str) -> str:
    """Return the tool's name, with the first number that this day has not used yet."""
    base, count, method = _AGAIN.sub("", name), 1, _AGAIN.sub("", name)
    while (quantity, method) in taken:
        count += 1
        method = f"{base} #{count}".strip()
    return method


def remove(session: Session, user: int | None, scope: Scope, serial: str, reading: int) -> str:
    """Take back one reading and return its quantity; the copy's columns are written anew.

    Raises `NotFoundError`: the bow lies beyond the scope, or has no such reading.
    """
    _own(session, scope, serial)
    bow = lock_copies(session, [serial])[serial]
    found = session.get(BenchReading, reading)
    if found is None or found.copy != serial:
        raise NotFoundError
    quantity, value = found.quantity, found.value
    followed = _record(session, serial, bow.tier, repeatabilities(session)).derived.values
    session.delete(found)
    session.flush()
    if quantity in BENCH_COLUMNS and getattr(bow, quantity) == value:
        setattr(bow, quantity, None)
    # What followed from it goes with it; whatever still follows, or was read itself, is written again below.
    for name in followed.keys() & set(BENCH_COLUMNS):
        if getattr(bow, name) == _rounded(followed[name]):
            setattr(bow, name, None)
    _into_columns(session, bow, repeatabilities(session))
    audit.record(
        session, user, audit_events.READING_REMOVED, f"copy {serial}", dealer=bow.dealer, quantity=quantity, value=value
    )
    return quantity


def _into_columns(
    session: Session,
    bow: tables.Copy,
    repeats: Mapping[str, bench.readings.Repeatability],
    *,
    empty_only: bool = False,
    sureness_only: bool = False,
) -> None:
    """Write a bow's columns, and beside them what the model takes for those that stand as the bench has them: mean and deviation.

    ``empty_only``: of columns that something follows for. ``sureness_only``: the columns stay as they are.
    """
    record = _record(session, bow.serial, bow.tier, repeats)
    newest = record.newest
    measured = {
        name: [found.value, *found]
        for name, found in record.latest.items()
        if name in bench_traits.READINGS and name not in BENCH_COLUMNS
    }
    for name in BENCH_COLUMNS:
        read, follows = newest.get(name), record.derived.values.get(name)
        if read is not None and (follows is None or read.on >= _day_of(name, record)):
            value, found = read.value, record.latest[name]
        elif follows is not None:
            value, found = _rounded(follows), follows
        else:
            continue
        if not sureness_only and (read is not None or not (empty_only and getattr(bow, name) is not None)):
            setattr(bow, name, value)
        if name in bench_traits.READINGS and getattr(bow, name) == value:
            measured[name] = [value, *found]
    bow.measured = measured or None
    session.flush()


def _day_of(name: str, record: BenchRecord) -> dt.date:
    """Return the latest day of the readings that a value follows from."""
    back = {si: own for own, (si, _scale) in IN_SI.items()}
    newest = record.newest
    days = [newest[back[si]].on for si in record.derived.readings[name] if back[si] in newest]
    return max(days, default=dt.date.min)


def _rounded(value: bench.readings.Measured) -> float:
    """Return a value to the digits that its uncertainty leaves, and one more."""
    digits = 6 if value.sd <= 0.0 else 1 - math.floor(math.log10(value.sd))
    return round(value.value, digits)


def fill_columns(session: Session, serials: Iterable[str]) -> None:
    """Write what was read of copies into their columns, and what only follows from readings into those that are empty."""
    raw = BenchReading.quantity.in_(IN_SI.keys() - set(BENCH_COLUMNS))
    wanted, repeats = sorted(set(serials)), repeatabilities(session)
    for start in range(0, len(wanted), 500):
        part = wanted[start : start + 500]
        for which, how in ((raw, "empty_only"), (_TAKEN_AGAIN, "sureness_only")):
            with_more = select(BenchReading.copy).where(BenchReading.copy.in_(part) & which).distinct()
            for bow in session.scalars(
                select(tables.Copy).where(tables.Copy.serial.in_(list(session.scalars(with_more))))
            ):
                _into_columns(session, bow, repeats, **{how: True})


def fill_sureness(session: Session, serials: Iterable[str]) -> None:
    """Write how sure the values of some copies are, as readings tell; their columns stay as they are."""
    repeats = repeatabilities(session)
    for serial in serials:
        _into_columns(session, session.get_one(tables.Copy, serial), repeats, sureness_only=True)
