"""Why two bows of one model are among those to try: what the bench reads differently of them, in a sentence."""

from collections.abc import Callable, Mapping
from typing import Any

from service.core import formats
from service.core.language import N_, _

Told = Mapping[str, Any]


def _share(low: float, high: float) -> str:
    return formats.percent(high / low - 1.0)


_SAID: Mapping[str, tuple[str, Callable[[float, float], str]]] = {
    "mass_g": (
        N_("Two {model} were chosen because one is {difference} heavier than the other."),
        lambda low, high: formats.grams(high - low),
    ),
    "balance_mm": (
        N_("Two {model} were chosen because one balances {difference} nearer the tip than the other."),
        lambda low, high: formats.millimetres(high - low),
    ),
    "length_mm": (
        N_("Two {model} were chosen because one is {difference} longer than the other."),
        lambda low, high: formats.millimetres(high - low),
    ),
    "stiffness_n_per_m": (
        N_("Two {model} were chosen because the stick of one is {difference} stiffer than that of the other."),
        _share,
    ),
    "swing_inertia_kg_m2": (
        N_("Two {model} were chosen because one is {difference} heavier to swing than the other."),
        _share,
    ),
    "speed_of_sound_m_s": (
        N_(
            "Two {model} were chosen because sound runs {difference} faster in the stick of one than in that of the other."
        ),
        lambda low, high: formats.quantity(high - low, "m/s"),
    ),
    "loss_factor": (
        N_("Two {model} were chosen because the stick of one damps {difference} more than that of the other."),
        _share,
    ),
    "bending_hz": (
        N_("Two {model} were chosen because the stick of one rings {difference} higher than that of the other."),
        lambda low, high: formats.quantity(high - low, "Hz"),
    ),
}
"""By reading: the sentence, and what it says of the lower and the higher value."""


def difference_words(tier: str, model: str, trial: Told) -> str:
    """Say what sets two bows of a tier apart among those to try; nothing of a document that does not tell, or without a difference."""
    for each in trial.get("apart", ()):
        if each["tier"] == tier and each["reading"] in _SAID:
            sentence, said = _SAID[each["reading"]]
            return _(sentence).format(model=model, difference=said(each["low"], each["high"]))
    return ""
