"""The model's figures as places on pictures; templates/modelling/model_figures.html draws them.

Places along the width are percentages of it, so that one drawing fits every page; heights are in CSS pixels.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from model.preference import VARIANCE_PARTS
from service.core import formats
from service.core.language import _
from service.modelling import fitted_words
from service.web.page_data import AxisLabel

_LEFT, _RIGHT = 33.0, 94.5
"""Per cent of the width between which the effects lie; the copies' names stand to the left."""
_ROW, _TOP, _FOOT = 30, 12, 26
"""Pixels from row to row, above the first, and below the last for the numbers."""
_LONGEST_NAME = 11
"""Characters of a serial that fit beside its bar on a phone; a longer one shows its end."""
_LABELLED_FROM = 0.12
"""Share of a bar from which its figure is written into it: two neighbours' still stand apart on the narrowest screen."""
_HEIGHT, _HEADROOM, _AXIS = 150, 14, 46
"""Pixels of the plot over time, above it, and below it for the versions and their dates."""
_FIRST, _LAST = 14.0, 94.0
"""Per cent of the width at which the first and the last of several check-ups stand."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One part of a bar: its ``fill``, where it begins, how wide it is, and its figure where there is room for it."""

    fill: str
    x: str
    width: str
    middle: str
    label: str


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar; ``name`` is empty where the picture has only one."""

    name: str
    name_y: int
    y: int
    segments: tuple[Segment, ...]


@dataclass(frozen=True, slots=True)
class BarPicture:
    """Bars of equal length, each divided into the parts of one rating's variance; ``thick`` is their height."""

    key: str
    title: str
    description: str
    bars: tuple[Bar, ...]
    thick: int
    height: int


@dataclass(frozen=True, slots=True)
class EffectRow:
    """One copy: its dot, its interval, and the heights of both and of its name."""

    name: str
    low: str
    at: str
    high: str
    y: int
    name_y: int


@dataclass(frozen=True, slots=True)
class EffectPicture:
    """The copies of one tier on the line of points, 0 the tier itself; ``zero`` is its place, ``foot`` where the rows end."""

    key: str
    title: str
    description: str
    rows: tuple[EffectRow, ...]
    ticks: tuple[AxisLabel, ...]
    zero: str
    foot: int
    numbers_y: int
    height: int


@dataclass(frozen=True, slots=True)
class Point:
    """One check-up: ``y`` of the model's dot, ``other_y`` of what it is held against (None: nothing), and its label."""

    x: str
    y: int
    other_y: int | None
    label: str


@dataclass(frozen=True, slots=True)
class PointPicture:
    """Check-ups in the order they were made. ``goal_y``: a line to be reached, None where there is none."""

    key: str
    title: str
    description: str
    points: tuple[Point, ...]
    ticks: tuple[AxisLabel, ...]
    goal_y: int | None
    foot: int
    numbers_y: int
    dates_y: int
    first: str
    last: str
    height: int


def _percent(value: float) -> str:
    return f"{value:.2f}%"


def composition(key: str, title: str, shares: Sequence[tuple[str, Sequence[float]]]) -> BarPicture:
    """Lay out bars: a name and the shares of `VARIANCE_PARTS` for each; the first is the only one with its figures, if alone."""
    alone = len(shares) == 1
    step, drop, thick = (62, 26, 34) if alone else (48, 24, 16)
    bars = tuple(
        Bar("" if alone else name, step * row + 17, step * row + drop, _segments(values, figures=alone))
        for row, (name, values) in enumerate(shares)
    )
    told = "; ".join(fitted_words.shares_told(name, values) for name, values in shares)
    return BarPicture(key, title, f"{told}.", bars, thick, step * len(shares))


def _segments(values: Sequence[float], *, figures: bool) -> tuple[Segment, ...]:
    starts = [100 * sum(values[:place]) for place in range(len(values))]
    return tuple(
        Segment(
            fill=part,
            x=_percent(start),
            width=_percent(100 * value),
            middle=_percent(start + 50 * value),
            label=formats.percent(value) if figures and value >= _LABELLED_FROM else "",
        )
        for part, start, value in zip(VARIANCE_PARTS, starts, values, strict=True)
    )


@dataclass(frozen=True, slots=True)
class CopyEffect:
    """One copy's effect in points, with its interval."""

    serial: str
    low: float
    mean: float
    high: float


def reach(ends: Sequence[float]) -> float:
    """Return how far the line of points must go to either side so that every end lies on it: a whole half point, 1 at least."""
    return max(math.ceil(2 * max((abs(end) for end in ends), default=0.0)) / 2, 1.0)


def effects(key: str, tier: str, copies: Sequence[CopyEffect], limit: float) -> EffectPicture:
    """Lay out the copies of a tier, in the order given, on a line from -``limit`` to ``limit`` points."""
    foot = _TOP + _ROW * len(copies)
    sentence = _("{copy} {mean}, from {low} to {high}")
    said = []
    for each in copies:
        mean, low, high = map(fitted_words.signed, (each.mean, each.low, each.high))
        said.append(sentence.format(copy=each.serial, mean=mean, low=low, high=high))
    return EffectPicture(
        key=key,
        title=_("How the bows of {tier} differ").format(tier=tier),
        description=_("In points, against what the model promises: {copies}.").format(copies="; ".join(said)),
        rows=tuple(_effect_row(place, each, limit) for place, each in enumerate(copies)),
        ticks=tuple(AxisLabel(_along(value, limit), fitted_words.signed(value)) for value in _whole_steps(limit)),
        zero=_along(0.0, limit),
        foot=foot,
        numbers_y=foot + 20,
        height=foot + _FOOT,
    )


def _effect_row(place: int, effect: CopyEffect, limit: float) -> EffectRow:
    y = _TOP + _ROW * place + _ROW // 2
    name = effect.serial
    return EffectRow(
        name=name if len(name) <= _LONGEST_NAME else f"…{name[-(_LONGEST_NAME - 1) :]}",
        low=_along(effect.low, limit),
        at=_along(effect.mean, limit),
        high=_along(effect.high, limit),
        y=y,
        name_y=y + 5,
    )


def _along(value: float, limit: float) -> str:
    held = min(max(value, -limit), limit)
    return _percent(_LEFT + (_RIGHT - _LEFT) * (held + limit) / (2 * limit))


def _whole_steps(limit: float) -> list[float]:
    """Return three or five numbers for the axis, 0 in the middle: more would not fit on a phone."""
    step = 0.5
    while limit // step > 2:
        step *= 2
    count = int(limit // step)
    return [step * place for place in range(-count, count + 1)]


@dataclass(frozen=True, slots=True)
class Mark:
    """One check-up on a picture over time: its label, its date in words, its value, and what it is held against."""

    label: str
    when: str
    value: float
    other: float | None = None


def over_time(
    key: str,
    title: str,
    description: str,
    marks: Sequence[Mark],
    step: float,
    goal: float | None = None,
    ends: tuple[float, ...] = (),
) -> PointPicture:
    """Lay out check-ups, oldest first, on heights rounded to ``step``; ``ends`` are on the axis whatever the values."""
    values = [value for mark in marks for value in (mark.value, mark.other, goal, *ends) if value is not None]
    low, high = step * math.floor(min(values) / step), step * math.ceil(max(values) / step)
    high = max(high, low + step)
    foot = _HEADROOM + _HEIGHT

    def height_of(value: float) -> int:
        return round(foot - _HEIGHT * (value - low) / (high - low))

    return PointPicture(
        key=key,
        title=title,
        description=description,
        points=tuple(
            Point(x, height_of(mark.value), None if mark.other is None else height_of(mark.other), mark.label)
            for x, mark in zip(_spread(len(marks)), marks, strict=True)
        ),
        ticks=tuple(AxisLabel(str(height_of(value)), _tick(value, step)) for value in _levels(low, high, step)),
        goal_y=None if goal is None else height_of(goal),
        foot=foot,
        numbers_y=foot + 20,
        dates_y=foot + 42,
        first=marks[0].when,
        last=marks[-1].when if len(marks) > 1 else "",
        height=foot + _AXIS,
    )


def _spread(count: int) -> list[str]:
    if count == 1:
        return [_percent((_FIRST + _LAST) / 2)]
    return [_percent(_FIRST + (_LAST - _FIRST) * place / (count - 1)) for place in range(count)]


def _levels(low: float, high: float, step: float) -> list[float]:
    """Return at most six levels from ``low`` to ``high``, whole steps apart."""
    steps = round((high - low) / step)
    every = max(math.ceil(steps / 5), 1)
    return [low + step * place for place in range(0, steps + 1, every)]


def _tick(value: float, step: float) -> str:
    return formats.number(value, 0 if step >= 1 else 1 if step >= 0.1 else 2)
