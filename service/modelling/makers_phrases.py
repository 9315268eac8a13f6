"""What a maker says of a tier, in words: each step of each criterion, and when it counts."""

from collections.abc import Mapping

from model.domain.vocabulary import CRITERIA, Criterion
from service.core import formats
from service.core.language import N_, _

AS_USUAL = N_("as usual for its grade")
NOT_SAID = N_("not said")
STEPS: Mapping[Criterion, Mapping[int, str]] = {
    Criterion.OVERALL: {
        -2: N_("liked much less"),
        -1: N_("liked less"),
        1: N_("liked more"),
        2: N_("liked much more"),
    },
    Criterion.RESPONSE: {
        -2: N_("speaks much later"),
        -1: N_("speaks later"),
        1: N_("speaks sooner"),
        2: N_("speaks much sooner"),
    },
    Criterion.CLARITY: {
        -2: N_("much more bow noise"),
        -1: N_("more bow noise"),
        1: N_("clearer"),
        2: N_("much clearer"),
    },
    Criterion.DYNAMIC_RANGE: {
        -2: N_("much less between soft and full"),
        -1: N_("less between soft and full"),
        1: N_("more between soft and full"),
        2: N_("much more between soft and full"),
    },
    Criterion.STEADINESS: {
        -2: N_("much less steady"),
        -1: N_("less steady"),
        1: N_("steadier"),
        2: N_("much steadier"),
    },
    Criterion.OFF_STRING: {
        -2: N_("bounces much less readily"),
        -1: N_("bounces less readily"),
        1: N_("bounces more readily"),
        2: N_("bounces much more readily"),
    },
    Criterion.EASE: {
        -2: N_("much more work"),
        -1: N_("more work"),
        1: N_("less work"),
        2: N_("much less work"),
    },
    Criterion.TONE: {
        -2: N_("a colour that far fewer people want"),
        -1: N_("a colour that fewer people want"),
        1: N_("a colour that more people want"),
        2: N_("a colour that far more people want"),
    },
}
"""By criterion and step, always against what is usual for a bow of this grade; 0 is `AS_USUAL` everywhere."""


def step(criterion: Criterion, of: int | None) -> str:
    """Return one step in words, within a sentence."""
    if of is None:
        return _(NOT_SAID)
    return _(STEPS[criterion][of]) if of else _(AS_USUAL)


def summed_up(said: Mapping[Criterion, int]) -> str:
    """Return all that is said of a tier in one line, the strongest words first; empty where nothing is."""
    order = sorted(said, key=lambda criterion: (-abs(said[criterion]), CRITERIA.index(criterion)))
    other = [step(criterion, said[criterion]) for criterion in order if said[criterion]]
    if said and not other:
        return formats.capital(_(AS_USUAL))
    return formats.capital(formats.listed(other)) if other else ""
