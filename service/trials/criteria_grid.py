"""Each bow of a trial against the own one on every criterion: better or worse by more than marks scatter by themselves."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from math import sqrt
from typing import Any

from model.domain.vocabulary import CRITERIA
from service.core import formats
from service.core.language import _
from service.trials import trial_words
from service.trials.desk_records import TrialPage

OWN = ""
"""The letter of the own bow."""
Marks = Mapping[str, Mapping[str, Sequence[float]]]
"""By letter and criterion: every mark."""
BETTER, WORSE, ALIKE = "better", "worse", "alike"


def grid(trial: TrialPage, scatter: Mapping[str, float]) -> dict[str, Any] | None:
    """Return what the grid shows: ``criteria``, and ``rows`` of a name and cells; None where nothing can be set against the own bow.

    ``scatter``: by criterion the standard deviation of a mark given to one bow by one player again, in points.
    """
    marks = _marks(trial)
    letters = [letter for letter in dict.fromkeys(slot.letter for slot in trial.slots) if letter and letter in marks]
    own = marks.get(OWN) or _told(trial)
    criteria = [name for name in map(str, CRITERIA) if name in own and any(name in marks[letter] for letter in letters)]
    if not criteria:
        return None
    rows = [
        (trial_words.bow_name((letter,), own=False), list(_cells(marks[letter], own, criteria, scatter)))
        for letter in letters
    ]
    return {
        "criteria": [trial_words.criterion(name) for name in criteria],
        "rows": rows,
        "own": [formats.number(_mean(own[name])) for name in criteria],
    }


def judged(bow: Sequence[float], own: Sequence[float], scatter: float) -> str:
    """Say whether a bow's marks on a criterion are better or worse than the own bow's by more than they scatter."""
    difference = _mean(bow) - _mean(own)
    by_chance = scatter * sqrt(1 / len(bow) + 1 / len(own))
    return ALIKE if abs(difference) <= by_chance else BETTER if difference > 0 else WORSE


def word(verdict: str) -> str:
    """Return a cell's sign in words."""
    return {
        BETTER: _("better than the own bow"),
        WORSE: _("worse than the own bow"),
        ALIKE: _("about as the own bow"),
        "": _("not rated"),
    }[verdict]


def _cells(
    bow: Mapping[str, Sequence[float]],
    own: Mapping[str, Sequence[float]],
    criteria: Sequence[str],
    scatter: Mapping[str, float],
) -> Iterator[tuple[str, str]]:
    for name in criteria:
        given = bow.get(name)
        yield (judged(given, own[name], scatter[name]), formats.number(_mean(given))) if given else ("", "–")


def _marks(trial: TrialPage) -> Marks:
    """Return the marks of the player's sheets that count; one that could not be told is none."""
    found: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for sheet in trial.sheets:
        if sheet.counts and sheet.rater == "player":
            for name, mark in sheet.ratings.items():
                if isinstance(mark, int):
                    found[sheet.letter][name].append(float(mark))
    return found


def _told(trial: TrialPage) -> Mapping[str, Sequence[float]]:
    """Return the marks of the own bow that were told beforehand, while it has none in the trial."""
    own = trial.answers.get("own_bow") or {}
    return {name: (float(mark),) for name, mark in own.get("ratings", {}).items()}


def _mean(marks: Sequence[float]) -> float:
    return sum(marks) / len(marks)
