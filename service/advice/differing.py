"""Why several bows of one model are among those to try: what the bench reads differently of them, in a sentence."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from service.core import formats
from service.core.language import N_, _

Told = Mapping[str, Any]


def _share(low: float, high: float) -> str:
    return formats.percent(high / low - 1.0)


class _Words(NamedTuple):
    """Of a reading: why two were chosen, how two differ, how the furthest apart of more do, and the difference in words."""

    chosen: str
    two: str
    more: str
    difference: Callable[[float, float], str]


_SAID: Mapping[str, _Words] = {
    "mass_g": _Words(
        N_("Two {model} were chosen because one is {difference} heavier than the other."),
        N_("One is {difference} heavier than the other."),
        N_("The two furthest apart in weight differ by {difference}."),
        lambda low, high: formats.grams(high - low),
    ),
    "balance_mm": _Words(
        N_("Two {model} were chosen because one balances {difference} nearer the tip than the other."),
        N_("One balances {difference} nearer the tip than the other."),
        N_("The two furthest apart in balance point differ by {difference}."),
        lambda low, high: formats.millimetres(high - low),
    ),
    "length_mm": _Words(
        N_("Two {model} were chosen because one is {difference} longer than the other."),
        N_("One is {difference} longer than the other."),
        N_("The two furthest apart in length differ by {difference}."),
        lambda low, high: formats.millimetres(high - low),
    ),
    "stiffness_n_per_m": _Words(
        N_("Two {model} were chosen because the stick of one is {difference} stiffer than that of the other."),
        N_("The stick of one is {difference} stiffer than that of the other."),
        N_("The two furthest apart in the stiffness of the stick differ by {difference}."),
        _share,
    ),
    "swing_inertia_kg_m2": _Words(
        N_("Two {model} were chosen because one is {difference} heavier to swing than the other."),
        N_("One is {difference} heavier to swing than the other."),
        N_("The two furthest apart in how heavy they are to swing differ by {difference}."),
        _share,
    ),
    "speed_of_sound_m_s": _Words(
        N_(
            "Two {model} were chosen because sound runs {difference} faster in the stick of one than in that of the other."
        ),
        N_("Sound runs {difference} faster in the stick of one than in that of the other."),
        N_("The two furthest apart in the speed of sound in the stick differ by {difference}."),
        lambda low, high: formats.quantity(high - low, "m/s"),
    ),
    "loss_factor": _Words(
        N_("Two {model} were chosen because the stick of one damps {difference} more than that of the other."),
        N_("The stick of one damps {difference} more than that of the other."),
        N_("The two furthest apart in how much the stick damps differ by {difference}."),
        _share,
    ),
    "bending_hz": _Words(
        N_("Two {model} were chosen because the stick of one rings {difference} higher than that of the other."),
        N_("The stick of one rings {difference} higher than that of the other."),
        N_("The two furthest apart in how high the stick rings differ by {difference}."),
        lambda low, high: formats.quantity(high - low, "Hz"),
    ),
}
"""By reading: its sentences, and what they say of the lower and the higher value."""


def difference_words(tier: str, model: str, trial: Told) -> str:
    """Say why two bows of a tier were chosen; nothing of a document that does not tell, or without a difference."""
    found = _found(tier, trial)
    return _(found[0].chosen).format(model=model, difference=found[1]) if found else ""


def differ_words(tier: str, count: int, trial: Told) -> str:
    """Say of ``count`` bows of a tier, named before, how they differ; nothing of one, or where `difference_words` says nothing."""
    found = _found(tier, trial)
    if not found or count < 2:
        return ""
    return _(found[0].two if count == 2 else found[0].more).format(difference=found[1])


def _found(tier: str, trial: Told) -> tuple[_Words, str] | None:
    for each in trial.get("apart", ()):
        if each["tier"] == tier and (words := _SAID.get(each["reading"])):
            return words, words.difference(each["low"], each["high"])
    return None
