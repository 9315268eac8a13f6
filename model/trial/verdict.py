"""Is a trial worth the way? One word for it, by the chance of a bow that is better by a difference one would notice."""

from dataclasses import dataclass
from enum import StrEnum

NOTICEABLE = 0.3
"""Points by which a bow has to be liked better than the own bow for the player to notice (a judgement)."""
TRIAL_FROM, CURIOUS_FROM = 0.5, 0.2
"""From which chance on a trial is advised, and from which it is worth an hour to the curious (judgements)."""


class VerdictCode(StrEnum):
    """What is advised: a trial, one for the curious, keeping the own bow, or asking, since nothing suitable is at hand."""

    TRIAL = "trial"
    CURIOUS = "curious"
    KEEP = "keep"
    ASK = "ask"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is advised, and why.

    Attributes
    ----------
    chance : that at least one bow of the case is better than the own bow by a difference one would notice; 0 with nothing to bring.
    gain : expected, in points, of the bow taken home; told whatever the verdict, the chance decides.
    changes_at : 'keep': the price from which on a tier beyond the budget would change that, and its tier; None where none at hand
        would. ``higher_would_not``: nor would any tier of the range, were its bows at hand.
    """

    code: VerdictCode
    chance: float
    gain: float
    changes_at: tuple[float, str] | None = None
    higher_would_not: bool = False


def code_of(chance: float, bows: int, no_own: bool) -> VerdictCode:
    """Return the verdict; who has no bow is never told to keep one."""
    if not bows:
        return VerdictCode.ASK
    if chance >= TRIAL_FROM:
        return VerdictCode.TRIAL
    return VerdictCode.CURIOUS if chance >= CURIOUS_FROM or no_own else VerdictCode.KEEP
