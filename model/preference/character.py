"""What a maker says of the tiers, beside what trials made of it: for the model's page and for the maker's own."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from model.domain.vocabulary import CRITERIA, OVERALL, STEPS, Criterion
from model.features import FIXED, PRIOR_REPEAT_SD, SAID_SD, STEP_POINTS
from model.preference.fitted import FittedModel
from model.preference.model import PriorSettings

TOLD_ENOUGH = 0.25
"""Trials are said to say something of a tier once they tell this share of what is known of it (a judgement, no source)."""
CLEARLY = 0.9
"""They disagree clearly with the maker where so much disagreement comes about in one case of ten, the maker being right."""


@dataclass(frozen=True, slots=True)
class Said:
    """One word of a maker's: of one tier on one criterion, in points off the straight line through the grades.

    Attributes
    ----------
    before, before_sd : what the words alone made of it: mean and deviation.
    after, after_sd : what the trials made of that.
    """

    tier: str
    criterion: Criterion
    step: int
    before: float
    before_sd: float
    after: float
    after_sd: float

    @property
    def told(self) -> float:
        """Which share of what is known trials have told: 1 - the variance now / before, from 0 to 1."""
        return max(1.0 - (self.after_sd / self.before_sd) ** 2, 0.0)

    @property
    def trials_say(self) -> float | None:
        """What trials say by themselves, the maker's words taken off; None while they tell too little."""
        return self.before + (self.after - self.before) / self.told if self.told >= TOLD_ENOUGH else None

    @property
    def trials_step(self) -> int | None:
        """The step that is nearest to what trials say."""
        says = self.trials_say
        return None if says is None else int(np.clip(np.rint(says / STEP_POINTS), STEPS[0], STEPS[-1]))

    @property
    def is_contradicted(self) -> bool:
        """Whether trials clearly disagree: what they moved is more than they would, were the words right, nine times in ten."""
        would = self.before_sd * float(np.sqrt(self.told))
        return self.told >= TOLD_ENOUGH and abs(self.after - self.before) > float(ndtri(0.5 + CLEARLY / 2)) * would


def said(posterior: FittedModel) -> tuple[Said, ...]:
    """Return every word with which a model was made, and those of tiers that came after the fit, by tier and criterion."""
    design = posterior.design
    before = design.prior_mean
    before_sd = design.prior_sd * posterior.repeat_sd[:, None] / PRIOR_REPEAT_SD
    after_sd = np.linalg.norm(posterior.coef_root, axis=2)
    found = []
    for place, tier in enumerate(design.tiers):
        for c, criterion in enumerate(CRITERIA):
            if criterion in tier.character:
                at = c, len(FIXED) + place
                values = (float(of[at]) for of in (before, before_sd, posterior.coef, after_sd))
                found.append(Said(tier.slug, criterion, tier.character[criterion], *values))
    return tuple(found)


def worth(of: FittedModel | PriorSettings) -> float:
    """Return as how many ratings a maker's word counts, each by another player of another copy, overall.

    One such rating tells of its tier with the variance of player, copy, match and noise; the word with that of its prior.
    """
    deviations = (of.player_sd, of.copy_sd, of.match_sd, of.repeat_sd)
    player, copy, match, noise = (float(np.broadcast_to(sd, len(CRITERIA))[OVERALL]) for sd in deviations)
    return (player**2 + copy**2 + match**2 + noise**2) / (SAID_SD * noise / PRIOR_REPEAT_SD) ** 2
