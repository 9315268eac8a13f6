"""What was typed at the bench: read, refused where it cannot be, asked about where it is odd. Touches no database.

A question is a problem of its field like any other; whoever says of the field that it is right as typed is not asked again.
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from model import bench
from service.bench.quantities import AMPLITUDES, DECREMENT, LIMITS, OTHER_UNITS, UsualRange
from service.core import formats
from service.core.errors import InvalidInputError
from service.core.language import _
from service.questionnaire.parsing import shown
from service.tables import QUANTITIES
from service.trials import desk_words

MOST_REPEATS, LONGEST_NUMBER = 20, 20
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
FASTEST, SLOWEST = 13_000.0, 1_500.0
"""Metres a second: faster than the stiffest carbon fibre alone, slower than any wood along its grain."""
USUAL_SPEED = (3_500.0, 9_500.0)
OF_ANY_TONE = ("decay_hz", "decay_60db_s", DECREMENT)
"""What is read of whichever tone rang: of the next one it is another."""
LEAST_LOSS, USUAL_LOSS = 2e-4, (0.001, 0.025)
"""No wood and no laminate loses less; what is usual for a stick."""


@dataclass(frozen=True, slots=True)
class KnownReadings:
    """What is known of a bow before: the latest readings of each quantity, and how well readings of it repeat."""

    latest: Mapping[str, float]
    repeats: Mapping[str, bench.readings.Repeatability]


def read(texts: Mapping[str, str], sure: Iterable[str], before: KnownReadings) -> dict[str, list[float]]:
    """Return the readings of each quantity that was typed, several of one in their order.

    ``texts``: by field, as typed; several readings of one thing with blanks between. ``sure``: fields that are right as typed.

    Raises `InvalidInputError`: by field: no number, nothing that can be, or (unless sure) something odd.
    """
    found: dict[str, list[float]] = {}
    problems: dict[str, str] = {}
    for name, text in texts.items():
        if text.strip():
            try:
                found[name] = _numbers(name, text)
            except ValueError as error:
                problems[name] = str(error)
    for name, sentence in _impossible(found, before):
        problems.setdefault(name, sentence)
    asked = _odd(found, before)
    certain = frozenset(sure)
    for name, sentence in asked:
        if name not in certain:
            problems.setdefault(name, sentence)
    if problems:
        raise InvalidInputError(list(problems.items()))
    if AMPLITUDES in found:
        found[DECREMENT] = [bench.decrement(found.pop(AMPLITUDES))]
    return found


def contradictions(found: Mapping[str, list[float]]) -> Iterator[tuple[str, str]]:
    """Yield the quantities whose readings of one bow cannot be of it together, or are an order apart, and why."""
    nothing = KnownReadings({}, {})
    yield from _contradictions(found, nothing)
    for name, values in found.items():
        if bench.readings.order_apart(values):
            yield from _repeated(name, values, nothing)


def questions(texts: Mapping[str, str], problems: Mapping[str, str], before: KnownReadings) -> frozenset[str]:
    """Return the fields of which a problem is a question, which whoever typed it may answer with 'it is right'."""
    found: dict[str, list[float]] = {}
    for name in texts:
        try:
            found[name] = _numbers(name, texts[name]) if texts[name].strip() else []
        except ValueError:
            continue
    found = {name: values for name, values in found.items() if values}
    refused = {name for name, _sentence in _impossible(found, before)} | (problems.keys() - found.keys())
    return frozenset(name for name, _sentence in _odd(found, before) if name in problems and name not in refused)


def _numbers(name: str, text: str) -> list[float]:
    """Read one field: numbers above zero, a point or a comma before the decimals, blanks between readings."""
    words = text.split()
    if len(words) > MOST_REPEATS:
        raise ValueError(
            _("Got {count} readings; expected at most {most}.").format(count=len(words), most=MOST_REPEATS)
        )
    wrong = next((word for word in words if not _NUMBER.fullmatch(word)), None)
    if wrong is not None:
        sentence = _("Got {text}; expected a number above 0, such as 60.2, or several with blanks between.")
        raise ValueError(sentence.format(text=shown(wrong)))
    longest = max(map(len, words))
    if longest > LONGEST_NUMBER:  # some hundred digits are infinite to a computer
        sentence = _("Got a number of {count} characters; expected at most {most}, such as 60.2.")
        raise ValueError(sentence.format(count=longest, most=LONGEST_NUMBER))
    values = [float(word.replace(",", ".")) for word in words]
    if min(values) <= 0.0:
        raise ValueError(_("Got 0; expected a number above 0, or nothing where it was not measured."))
    if name == AMPLITUDES:
        _check_amplitudes(values)
    return values


def _check_amplitudes(values: list[float]) -> None:
    try:
        bench.decrement(values)
    except ValueError:
        sentence = _("Expected two or more amplitudes one after the other that fall, such as 8.0 7.8 7.6.")
        raise ValueError(sentence) from None


def _with_unit(name: str, value: float) -> str:
    unit = desk_words.UNITS[name]
    said = _plain(value)
    return said if unit == "1" else f"{said}{formats.NBSP}{unit}"


def _plain(value: float) -> str:
    """Return a number with three digits that count, or all before the point."""
    places = max(0, 2 - math.floor(math.log10(value))) if value > 0 else 0
    return formats.number(value, min(places, 6))


def _impossible(found: Mapping[str, list[float]], before: KnownReadings) -> Iterator[tuple[str, str]]:
    """Yield the fields that cannot be, and why."""
    for name, values in found.items():
        limits = LIMITS.get(name)
        wrong = next((value for value in values if limits and not _can_be(name, value, limits)), None)
        if limits and wrong is not None:
            sentence = _("Got {value}; no bow has that. Expected from {least} to {most}.")
            ends = {"least": _with_unit(name, limits.least), "most": _with_unit(name, limits.most)}
            yield name, sentence.format(value=_with_unit(name, wrong), **ends)
    possible = LIMITS[DECREMENT]
    sentence = _("These amplitudes give a decrement of {value}; no stick has that. Expected from {least} to {most}.")
    yield from _decrement_beyond(found, possible.least, possible.most, sentence)
    yield from _contradictions(found, before)


def _decrement_beyond(
    found: Mapping[str, list[float]], least: float, most: float, sentence: str
) -> Iterator[tuple[str, str]]:
    """Yield the amplitudes' field where the decrement that follows from them lies beyond ``least`` and ``most``."""
    if AMPLITUDES in found and not least <= (value := bench.decrement(found[AMPLITUDES])) <= most:
        yield AMPLITUDES, sentence.format(value=_plain(value), least=_plain(least), most=_plain(most))


def _can_be(name: str, value: float, limits: UsualRange) -> bool:
    """Say whether a bow can have that, be it read in another unit."""
    return limits.least <= value <= limits.most or _in_another_unit(name, value) is not None


def _value(name: str, found: Mapping[str, list[float]], before: KnownReadings) -> float | None:
    return found[name][-1] if name in found else before.latest.get(name)


def _contradictions(found: Mapping[str, list[float]], before: KnownReadings) -> Iterator[tuple[str, str]]:
    inner, outer = _value("inner_mm", found, before), _value("outer_mm", found, before)
    if inner is not None and outer is not None and inner >= outer and found.keys() & {"inner_mm", "outer_mm"}:
        field = "inner_mm" if "inner_mm" in found else "outer_mm"
        sentence = _("The inner diameter, {inner}, is not smaller than the outer, {outer}.")
        yield field, sentence.format(inner=_with_unit("inner_mm", inner), outer=_with_unit("outer_mm", outer))
    speed = _speed(found, before)
    if speed is not None and not SLOWEST <= speed <= FASTEST:
        yield _of_speed(found), _speed_said(speed) + " " + _("No stick carries sound like that.")
    loss = _loss(found, before)
    if loss is not None and loss < LEAST_LOSS:
        sentence = _("That is a loss factor of {loss}: no stick goes on sounding for so long.")
        yield "decay_60db_s", sentence.format(loss=formats.number(loss, 6))


def _speed(found: Mapping[str, list[float]], before: KnownReadings) -> float | None:
    """Return the speed of sound that length and frequency imply, where either was typed."""
    bare = _value("stick_length_mm", found, before)
    length = bare if bare is not None else _value("length_mm", found, before)
    frequency = _value("longitudinal_hz", found, before)
    typed = found.keys() & {"stick_length_mm", "longitudinal_hz"} or ("length_mm" in found and bare is None)
    if length is None or frequency is None or not typed:
        return None
    return bench.speed_of_sound(length * 1e-3, frequency)


def _of_speed(found: Mapping[str, list[float]]) -> str:
    return next(name for name in ("longitudinal_hz", "stick_length_mm", "length_mm") if name in found)


def _speed_said(speed: float) -> str:
    sentence = _("Length and frequency give a speed of sound of {speed} m/s.")
    return sentence.format(speed=formats.number(speed, 0))


def _loss(found: Mapping[str, list[float]], before: KnownReadings) -> float | None:
    """Return the loss factor that frequency and decay imply, where the decay was typed."""
    own = _value("decay_hz", found, before)
    frequency = own if own is not None else _value("bending_hz", found, before)
    if "decay_60db_s" not in found or frequency is None:
        return None
    return bench.loss_factor(frequency, found["decay_60db_s"][-1])


def _odd(found: Mapping[str, list[float]], before: KnownReadings) -> Iterator[tuple[str, str]]:
    """Yield the fields to ask about, and the question."""
    for name, values in found.items():
        limits = LIMITS.get(name)
        odd = next((value for value in values if limits and not limits.low <= value <= limits.high), None)
        if odd is not None:
            yield name, _unusual(name, odd)
        if name in QUANTITIES:
            yield from _repeated(name, values, before)
    usual = LIMITS[DECREMENT]
    sentence = _("These amplitudes give a decrement of {value}; usual is from {least} to {most}. Are they right?")
    yield from _decrement_beyond(found, usual.low, usual.high, sentence)
    speed = _speed(found, before)
    if speed is not None and not USUAL_SPEED[0] <= speed <= USUAL_SPEED[1]:
        yield _of_speed(found), _speed_said(speed) + " " + _("That is unusual. Is it right?")
    loss = _loss(found, before)
    if loss is not None and not USUAL_LOSS[0] <= loss <= USUAL_LOSS[1]:
        sentence = _("That is a loss factor of {loss}, which is unusual. Is it right?")
        yield "decay_60db_s", sentence.format(loss=formats.number(loss, 5))


def _in_another_unit(name: str, value: float) -> tuple[float, str] | None:
    """Return the reading in the quantity's own unit and the unit it may have been taken in; None where none makes it usual."""
    limits = LIMITS[name]
    for factor, unit in OTHER_UNITS.get(QUANTITIES.get(name, ""), ()):
        if limits.low <= value * factor <= limits.high:
            return value * factor, unit
    return None


def _unusual(name: str, value: float) -> str:
    limits = LIMITS[name]
    parts = [
        _("Got {value}; usual is from {low} to {high}.").format(
            value=_with_unit(name, value), low=_with_unit(name, limits.low), high=_with_unit(name, limits.high)
        )
    ]
    other = _in_another_unit(name, value)
    if other is None:
        return " ".join((*parts, _("Is it right?")))
    sentence = _("Was it read in {unit}? Then type {value}.")
    return " ".join((*parts, sentence.format(unit=_(other[1]), value=_with_unit(name, other[0]))))


def _repeated(name: str, values: list[float], before: KnownReadings) -> Iterator[tuple[str, str]]:
    """Ask about a reading that its repeats, or the latest one, do not bear out."""
    last = None if name in OF_ANY_TONE else before.latest.get(name)
    all_of_them = ([last] if last is not None else []) + values
    if bench.readings.order_apart(all_of_them):
        sentence = _("{low} and {high} are not of one thing. Which is right?")
        yield name, sentence.format(low=_with_unit(name, min(all_of_them)), high=_with_unit(name, max(all_of_them)))
        return
    usual = LIMITS[name].deviation(min(values))
    place = bench.readings.questioned(values, before.repeats.get(name), usual)
    if place is not None:
        sentence = _("{value} lies further from the other readings than they repeat. Is it right?")
        yield name, sentence.format(value=_with_unit(name, values[place]))
