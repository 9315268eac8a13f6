"""How an imagined world works: the demo's, and another in which price says little.

Every size was chosen once, by judgement, before a model had seen the data, and is not to be tuned to one.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Nature:
    """The sizes that make a world, in points and standard deviations.

    Attributes
    ----------
    price_tells : share of the catalogue's standards, and of what a grade is worth to a player, that is true
    tier_quality : standard deviation of what a tier is better or worse by whatever it costs
    words_kept : share of what the maker meant a tier to be that it became
    tier_character, copy_character : standard deviations of what a tier, and a copy, is beyond that on each criterion
    quality, lemons : standard deviation of what a copy is better or worse by for everyone; share that is bad
    fussy : points lost per squared standard deviation off the ideal: mass, stiffness, balance, brightness
    tolerance : standard deviations off the ideal that cost nothing; beyond them the loss grows evenly. 0 = a square law
    match : how much of the meeting of copy and instrument is heard
    schools : points between the two schools of players and the two kinds of stick, half of each; 0 = there are none
    report : standard deviation of the blur between a criterion's true weight and the weight as named
    noise, tails : standard deviation of one rating, and the degrees of freedom of its law (Student's)
    mix_ups : share of runs in which the player was distracted and all marks are off together
    halo : mean share by which the marks of a sheet are drawn towards the sheet's overall impression
    """

    price_tells: float = 1.0
    tier_quality: float = 0.0
    words_kept: float = 0.8
    tier_character: float = 0.15
    copy_character: float = 0.3
    quality: float = 0.32
    lemons: float = 0.07
    fussy: tuple[float, float, float, float] = (0.14, 0.08, 0.07, 0.12)
    tolerance: float = 0.0
    match: float = 0.8
    schools: float = 0.0
    report: float = 0.13
    noise: float = 0.9
    tails: float = 4.0
    mix_ups: float = 0.0
    halo: float = 0.3


DEMO = Nature()
PRICE_SAYS_LITTLE = Nature(
    price_tells=0.15,
    tier_quality=0.2,
    words_kept=0.4,
    tier_character=0.3,
    copy_character=0.4,
    quality=0.3,
    lemons=0.0,
    fussy=(0.30, 0.20, 0.20, 0.35),
    tolerance=0.8,
    match=0.5,
    schools=0.5,
    report=0.05,
    noise=0.7,
    tails=30.0,
    mix_ups=0.08,
    halo=0.5,
)
"""Cheap bows are liked as often as dear ones; players fall into two schools; off the ideal nothing is lost at first."""
