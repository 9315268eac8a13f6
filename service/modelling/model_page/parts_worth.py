"""What each part of the model is worth: how much further off the check-up was without it, on players held out."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.core import formats
from service.core.language import N_, _
from service.modelling import fitted_words
from service.modelling.model_page.model_page_data import Passage, Table

PARTS = {
    "tier mean": N_("All that is known beyond the model"),
    "without tastes": N_("Tastes of the player’s own"),
    "without joint effects": N_("All criteria taken together"),
    "without priorities": N_("What the player says matters"),
}

_BENCH = {
    1: N_(
        "What the bench measures helps with bows that nobody has rated yet: with it the error of a mark changes by {points} points."
    ),
    0: N_(
        "Whether what the bench measures helps with bows that nobody has rated yet cannot be told so far: with it the error of a mark changes by {points} points."
    ),
    -1: N_(
        "What the bench measures does not help with bows that nobody has rated yet: with it the error of a mark changes by {points} points."
    ),
}
TRAITS = "without bench traits"
"""The model fitted without them; on copies held out."""


@dataclass(frozen=True, slots=True)
class Worth:
    """By how many points the error is less with a part than without, and its standard error, once ``told`` bows were rated."""

    part: str
    told: int
    less: float
    error: float | None


def read(report: Mapping[str, Any]) -> tuple[Worth, ...]:
    """Return what a stored check-up found; nothing of one that did not look."""
    return tuple(_read(report))


def _read(report: Mapping[str, Any]) -> Iterator[Worth]:
    for state in (report.get("by_player") or {}).get("overall", ()):
        for score in state["scores"]:
            less = (score.get("better") or {}).get("rmse") or {}
            if score["method"] in PARTS and less.get("mean") is not None:
                yield Worth(score["method"], int(state["told"]), float(less["mean"]), less.get("error"))
    for state in (report.get("by_copy") or {}).get("overall", ())[:1]:
        for score in state["scores"]:
            less = (score.get("better") or {}).get("rmse") or {}
            if score["method"] == TRAITS and less.get("mean") is not None:
                yield Worth(TRAITS, int(state["told"]), float(less["mean"]), less.get("error"))


def _of_bench(found: Sequence[Worth]) -> list[str]:
    """Say whether what the bench measures helps with bows that nobody has rated; nothing where it was not looked at."""
    for each in (each for each in found if each.part == TRAITS and each.error):
        sure = abs(each.less) >= 2.0 * (each.error or 0.0)
        sentence = _BENCH[(each.less > 0) - (each.less < 0) if sure else 0]
        return [_(sentence).format(points=fitted_words.signed_with(-each.less, each.error, 3))]
    return []


def shown(found: Sequence[Worth]) -> Passage | None:
    """Return it as a table, a part a line; None where there is nothing to show."""
    if all(each.part == TRAITS for each in found):
        return None
    numbers = sorted({each.told for each in found if each.part in PARTS})
    by_part = {(each.part, each.told): fitted_words.signed_with(each.less, each.error, 3) for each in found}
    rows = tuple(
        (_(name), *(by_part.get((part, told), "–") for told in numbers))
        for part, name in PARTS.items()
        if any(each.part == part for each in found)
    )
    said = _(
        "The check-up was also made without each part of our estimate in turn: by so many points a rating it was further off then, on players held out. What is below two standard errors may be chance."
    )
    head = (_("Part"), *(_("After {bows}").format(bows=formats.bows(told)) for told in numbers))
    return Passage(
        (said, *_of_bench(found)), Table(_("What each part of our estimate is worth, in points"), head, rows)
    )
