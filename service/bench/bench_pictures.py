"""The bench's pictures: a fit over its recording, and bows by their four parts. Coordinates only; templates draw them."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from model import bench
from model.domain.arrays import Floats
from service.bench.bench_words import PARTS
from service.core import formats
from service.core.language import _

Picture = dict[str, Any]
WIDTH, HEIGHT = 600.0, 120.0
"""The drawing's own units; it is stretched to the page."""
POINTS, CYCLES = 300, 8
"""How many points a curve has at most, and how many vibrations are shown one by one."""


def decay(fit: bench.DecayFit) -> Picture:
    """Lay out a fit: the whole stretch, its first vibrations, and what is left, all with one scale of heights."""
    top = float(np.abs(fit.data).max()) or 1.0
    first = min(fit.data.size, max(16, round(CYCLES * fit.rate_hz / fit.frequency_hz)))
    seconds = np.arange(fit.data.size) / fit.rate_hz
    rate = math.log(1e3) / fit.decay_60db_s
    level = fit.amplitude * np.exp(-rate * seconds)
    return {
        "whole": _area(fit.data, top, int(fit.window_s * fit.frequency_hz)),
        "fall": (_line(level, top), _line(-level, top)),
        "first": _line(fit.data[:first], top),
        "first_fit": _line(fit.fitted[:first], top),
        "left": _area(fit.data - fit.fitted, top),
        "whole_ends": (_seconds(0.0), _seconds(fit.window_s)),
        "first_ends": (_seconds(0.0), _seconds(first / fit.rate_hz)),
        "description": _(
            "The recording falls from its loudest to nothing within {seconds}; the fitted tone lies over it, and what is left "
            "around the tone is {percent} of it."
        ).format(seconds=_seconds(fit.window_s), percent=formats.percent(fit.residual_share)),
    }


def _seconds(value: float) -> str:
    return f"{formats.number(value, 0 if value == 0.0 else 3 if value < 0.1 else 2)}{formats.NBSP}s"


def _heights(values: Floats, top: float) -> Floats:
    return np.asarray(HEIGHT / 2.0 - np.clip(values / top, -1.0, 1.0) * HEIGHT / 2.0)


def _points(x: Floats, y: Floats) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))


def _line(values: Floats, top: float) -> str:
    """Return a curve's points."""
    chosen = np.unique(np.linspace(0, values.size - 1, min(values.size, 2 * POINTS)).astype(np.intp))
    return _points(chosen / max(values.size - 1, 1) * WIDTH, _heights(values[chosen], top))


def _area(values: Floats, top: float, cycles: int = POINTS) -> str:
    """Return the outline of all that a curve passes through: its highest and lowest of each short stretch, a whole vibration or more."""
    stretches = max(min(values.size, POINTS, cycles), 1)
    edges = np.unique(np.linspace(0, values.size, stretches + 1).astype(np.intp))[:-1]
    high, low = np.maximum.reduceat(values, edges), np.minimum.reduceat(values, edges)
    x = edges / max(values.size - 1, 1) * WIDTH
    return _points(np.concatenate([x, x[::-1]]), np.concatenate([_heights(high, top), _heights(low, top)[::-1]]))


def bows(named: Sequence[tuple[str, bench.mass_model.Bow]]) -> Picture:
    """Lay out one bow, or two below each other, to one scale: parts as discs whose areas are their masses, balance point and hand."""
    left = min(bow.stick.middle_m - bow.stick.spread_m / 2.0 for _name, bow in named)
    right = max(bow.head.middle_m for _name, bow in named)

    def at(place_m: float) -> str:
        return f"{6.0 + 88.0 * (place_m - left) / (right - left):.2f}%"

    rows = [
        {
            "name": name,
            "y": 62 + 110 * index,
            "from": at(bow.stick.middle_m - bow.stick.spread_m / 2.0),
            "to": at(bow.head.middle_m),
            "balance": at(bow.balance_m),
            "balance_said": formats.millimetres(bow.balance_m * 1e3),
            "hand": at(0.0),
            "parts": [_disc(key, part, at(part.centre_m), 62 + 110 * index) for key, part in bow.parts()],
        }
        for index, (name, bow) in enumerate(named)
    ]
    return {
        "rows": rows,
        "height": 110 * len(rows) + 20,
        "title": _("Where the mass sits"),
        "description": _described(named),
    }


def _disc(key: bench.mass_model.PartName, part: bench.mass_model.Part, x: str, y: int) -> Picture:
    """Return a part's disc and where its name stands: above it, the hair's below."""
    radius = 5.0 * math.sqrt(part.mass_kg * 1e3)
    return {
        "x": x,
        "r": f"{radius:.1f}",
        "said": f"{_(PARTS[key])} {formats.grams(part.mass_kg * 1e3)}",
        "name": _(PARTS[key]),
        "label_y": round(y + radius + 15 if key == "hair" else y - max(radius, 8.0) - 5),
        "anchor": "end" if key == "head" else "start" if key == "hair" else "middle",
        "key": key,
    }


def _described(named: Sequence[tuple[str, bench.mass_model.Bow]]) -> str:
    sentence = _("{name}: {parts}; it balances {balance} from the hair’s end at the frog.")
    return " ".join(
        sentence.format(
            name=name,
            parts=formats.listed([f"{_(PARTS[key])} {formats.grams(part.mass_kg * 1e3)}" for key, part in bow.parts()]),
            balance=formats.millimetres(bow.balance_m * 1e3),
        )
        for name, bow in named
    )
