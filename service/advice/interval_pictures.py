"""The numbers of an answer as places on a picture; templates/advice/pictures.html draws them.

Places along the width are percentages of it, so that one drawing fits every page; heights are in CSS pixels.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import HIGHEST, LOWEST, SCALES, Criterion
from service.core import formats
from service.core.language import _
from service.web.page_data import AxisLabel

_MARGIN = 3.0
"""Per cent of the width left free on either side of the line, for the dot at its very end."""
_TOP, _ROW, _DROP = 26, 58, 38
"""Pixels above the first row, from row to row, and from a row's name down to its bar."""


@dataclass(frozen=True, slots=True)
class TierInterval:
    """One tier: its name, its bar from ``low`` to ``high`` and its dot at ``expected``."""

    name: str
    low: str
    expected: str
    high: str
    name_y: int
    bar_y: int


@dataclass(frozen=True, slots=True)
class LikingPicture:
    """Dot and interval of each tier on the line from 1 to 7, with the own bow across.

    ``height``: of the whole picture, in pixels; ``foot`` is where the rows end, ``numbers_y`` and ``ends_y`` the baselines of
        the numbers and of the words under the line.
    """

    title: str
    description: str
    rows: tuple[TierInterval, ...]
    ticks: tuple[AxisLabel, ...]
    own: AxisLabel | None
    left_end: str
    right_end: str
    height: int
    foot: int
    numbers_y: int
    ends_y: int


def place(rating: float) -> str:
    """Say where a rating lies along the width, as an SVG percentage; the ends of the scale hold what lies beyond."""
    held = min(max(rating, LOWEST), HIGHEST)
    share = (held - LOWEST) / (HIGHEST - LOWEST)
    return f"{_MARGIN + share * (100 - 2 * _MARGIN):.1f}%"


def own_words(own_bow: dict[str, Any]) -> str:
    """Name the line the tiers are measured against."""
    return {
        "rated": _("your bow"),
        "unrated": _("an own bow, on average"),
        "none": _("a good bow: 5"),
    }[own_bow["state"]]


def liking(doc: dict[str, Any]) -> LikingPicture | None:
    """Lay out the picture of the shortlist of a stored advice; None where there is nothing to show."""
    tiers, own = doc["shortlist"], doc["own_bow"]
    if not tiers:
        return None
    title = _("Expected liking of each model, and how far single bows may differ")
    rows = [(tier["name"], *(tier["fit"][end] for end in ("low", "expected", "high"))) for tier in tiers]
    return laid_out(title, _describe(doc), rows, own.get("level"), own_words(own))


def laid_out(
    title: str, description: str, rows: Sequence[tuple[str, float, float, float]], own: float | None, own_label: str
) -> LikingPicture:
    """Lay out rows of name, low, expected and high below each other, and the own bow's liking across; None: not known."""
    foot = _TOP + _ROW * len(rows) + 6
    return LikingPicture(
        title=title,
        description=description,
        rows=tuple(_row(_TOP + _ROW * index, *row) for index, row in enumerate(rows)),
        ticks=ticks(),
        own=None if own is None else AxisLabel(place(own), own_label, anchor(own)),
        left_end=_(SCALES[Criterion.OVERALL].low),
        right_end=_(SCALES[Criterion.OVERALL].high),
        height=foot + 44,
        foot=foot,
        numbers_y=foot + 20,
        ends_y=foot + 40,
    )


def _row(top: int, name: str, low: float, expected: float, high: float) -> TierInterval:
    return TierInterval(name, place(low), place(expected), place(high), top + 20, top + _DROP)


def ticks() -> tuple[AxisLabel, ...]:
    """Return the marks from 1 to 7 along the width."""
    return tuple(AxisLabel(place(mark), str(mark)) for mark in range(LOWEST, HIGHEST + 1))


def anchor(level: float, near: float = 1) -> str:
    """Return where words at a mark are anchored, so that they stay within the width: ``near`` an end they lean on it."""
    return "start" if level < LOWEST + near else "end" if level > HIGHEST - near else "middle"


def _describe(doc: dict[str, Any]) -> str:
    """Tell the picture in words, for those who cannot see it."""
    own = doc["own_bow"]
    parts = [_("On a scale from 1 to 7.")]
    if own.get("level") is not None:
        line = formats.capital(own_words(own))
        sentence = "{line}." if own["state"] == "none" else _("{line}: {level}.")
        parts.append(sentence.format(line=line, level=formats.number(own["level"])))
    sentence = _("{tier}: {expected}, from {low} to {high}.")
    for tier in doc["shortlist"]:
        low, high = (formats.mark(tier["fit"][end]) for end in ("low", "high"))
        expected = formats.number(tier["fit"]["expected"])
        parts.append(sentence.format(tier=tier["name"], expected=expected, low=low, high=high))
    return " ".join(parts)
