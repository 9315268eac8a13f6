"""The playable range in a version's check-up: how clean strokes differ by bow and player, and how well they are foretold."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.core import formats
from service.core.language import _, ngettext
from service.modelling import fitted_words
from service.modelling.model_page.model_page_data import Passage, Table


@dataclass(frozen=True, slots=True)
class StrokesFound:
    """What a stored check-up found of clean strokes, in strokes of eight; see `model.evaluation.clean_strokes`."""

    runs: int
    parts: Mapping[str, float]
    error: float | None
    tier_mean: float | None


def read(report: Mapping[str, Any]) -> StrokesFound | None:
    """Return what a stored check-up found; None where nobody had played all eight strokes, or it did not look."""
    found = report.get("strokes")
    if not found:
        return None
    parts = {part: float(found[f"{part}_sd"]) for part in ("player", "copy", "match", "repeat")}
    return StrokesFound(int(found["runs"]), parts, found["error"], found["tier_mean"])


def shown(found: StrokesFound | None) -> Passage | None:
    """Return it in sentences and a table."""
    if found is None:
        return None
    rows = ((_(fitted_words.PART_NAMES[part]), formats.number(sd, 2)) for part, sd in found.parts.items())
    name = _("By how many of eight strokes runs differ, from what")
    return Passage(tuple(_said(found)), Table(name, (_("From what"), _("Strokes")), tuple(rows)))


def _said(found: StrokesFound) -> Iterator[str]:
    yield ngettext(
        "In {count} run all eight strokes of the playable range were played; the clean ones are a criterion of their own.",
        "In {count} runs all eight strokes of the playable range were played; the clean ones are a criterion of their own.",
        found.runs,
    ).format(count=formats.number(found.runs, 0))
    yield _("It stands beside the ratings and enters none of them, nor what is advised.")
    if found.error is None or found.tier_mean is None:
        yield _("Too few players have played them yet to foretell those of others.")
        return
    yield _(
        "Of players held out the count is foretold to within {error} strokes (root mean square), by the model’s mean alone to "
        "within {mean}."
    ).format(error=formats.number(found.error, 2), mean=formats.number(found.tier_mean, 2))
