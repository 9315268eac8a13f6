"""What a maker says of a tier, in words: each step of each criterion, and when it counts."""

from collections.abc import Mapping

from model.domain.vocabulary import CRITERIA, Criterion
from service.core import formats
from service.core.language import N_, _

AS_USUAL = N_("as usual for its grade")
NOT_SAID = N_("not said")
_OTHER = (-2, -1, 1, 2)
_SAID = {
    Criterion.OVERALL: (N_("liked much less"), N_("liked less"), N_("liked more"), N_("liked much more")),
    Criterion.RESPONSE: (N_("speaks much later"), N_("speaks later"), N_("speaks sooner"), N_("speaks much sooner")),
    Criterion.CLARITY: (N_("much more bow noise"), N_("more bow noise"), N_("clearer"), N_("much clearer")),
    Criterion.DYNAMIC_RANGE: (
        N_("much less between soft and full"),
        N_("less between soft and full"),
        N_("more between soft and full"),
        N_("much more between soft and full"),
    ),
    Criterion.STEADINESS: (N_("much less steady"), N_("less steady"), N_("steadier"), N_("much steadier")),
    Criterion.OFF_STRING: (
        N_("bounces much less readily"),
        N_("bounces less readily"),
        N_("bounces more readily"),
        N_("bounces much more readily"),
    ),
    Criterion.EASE: (N_("much more work"), N_("more work"), N_("less work"), N_("much less work")),
    Criterion.TONE: (
        N_("a colour that far fewer people want"),
        N_("a colour that fewer people want"),
        N_("a colour that more people want"),
        N_("a colour that far more people want"),
    ),
}
STEPS: Mapping[Criterion, Mapping[int, str]] = {
    each: dict(zip(_OTHER, said, strict=True)) for each, said in _SAID.items()
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
