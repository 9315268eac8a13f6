"""What every player truly thinks of every copy, in points, before noise and before the scale squeezes it.

Unlike the fitted model on purpose: each taste has an optimum with a quadratic loss around it, some copies are lemons,
a few speak on everything, bright sticks hiss on certain instruments, and the match of copy and instrument has a
pattern of its own.
"""

from dataclasses import dataclass

import numpy as np

from seed_data.bows import Bows
from seed_data.catalogue import DEALERS, FloatArray
from seed_data.nature import DEMO, Nature
from seed_data.people import People

BASE = 5.2
BELOW = 0.3
"""Points by which a single criterion lies below the overall liking."""


@dataclass(frozen=True)
class Points:
    """Likings in points.

    Attributes
    ----------
    copies : (P, K, 8) criteria in the order of `CRITERIA`, overall first, on the player's own instrument
    own : (P, 8) of the own bow
    match : (P, K) what the player's instrument adds to each copy
    house_match : (D, K) what the dealer's house instrument adds instead
    """

    copies: FloatArray
    own: FloatArray
    match: FloatArray
    house_match: FloatArray


def draw_points(rng: np.random.Generator, people: People, bows: Bows, nature: Nature = DEMO) -> Points:
    """Add up everything a player hears and feels in a copy."""
    match = _match(rng, people.instrument_temper, bows)
    house = _match(rng, rng.normal(0.0, 0.5, (len(DEALERS), 2)), bows)
    hiss = _hiss(people, bows)
    common = _common(people, bows, nature) + nature.match * match - 0.35 * hiss
    special = _special(people, bows)
    special[:, :, 0] += 0.9 * bows.speaks + 0.3 * match - 0.2 * hiss
    special[:, :, 1] -= 0.9 * hiss
    own_special = people.own_character + people.leanings
    return Points(_criteria(BASE + common, special, people), _own(people, own_special), match, house)


def _match(rng: np.random.Generator, temper: FloatArray, bows: Bows) -> FloatArray:
    """Match of instruments (n, 2) and copies: a pattern of rank two and a rest, shape (n, K)."""
    pattern: FloatArray = (temper[:, None, :] * bows.temper[None, :, :]).sum(axis=2)
    pattern += rng.normal(0.0, 0.2, pattern.shape)
    return pattern


def _hiss(people: People, bows: Bows) -> FloatArray:
    """Between 0 and 1: bow noise of bright sticks on the instruments that bring it out; a threshold, not a slope."""
    bright = 1.0 / (1.0 + np.exp(-3.0 * (bows.traits[:, 3] - 0.5)))
    return people.hisses[:, None] * (bright * (1.0 - bows.speaks))[None, :]


def _common(people: People, bows: Bows, nature: Nature) -> FloatArray:
    """Add up the part of the liking that colours every criterion, shape (P, K)."""
    gap = np.abs(bows.traits[None, :, :] - people.ideal[:, None, :])
    beyond = np.maximum(gap - nature.tolerance, 0.0) if nature.tolerance else gap**2
    loss = (people.fussy[:, None, :] * beyond).sum(axis=2)
    everyone = bows.quality + 0.25 * bows.speaks
    school = 0.5 * nature.schools * people.school[:, None] * bows.kind
    common: FloatArray = everyone[None, :] + people.grade_taste[:, None] * bows.grade - loss + school
    return common


def _special(people: People, bows: Bows) -> FloatArray:
    """Add up what a copy does to each single criterion, shape (P, K, 7)."""
    mass, stiff, balance, bright = bows.traits.T
    by_trait = np.column_stack(
        [
            0.20 * bright - 0.15 * mass,
            -0.15 * bright + 0.10 * stiff,
            0.20 * stiff + 0.10 * mass,
            0.25 * mass + 0.10 * balance,
            0.30 - 0.30 * (stiff - 0.5) ** 2 - 0.10 * balance,
            -0.30 * mass - 0.15 * balance,
            np.full(mass.size, 0.30),
        ]
    )
    special: FloatArray = (bows.character + by_trait)[None, :, :] + people.leanings[:, None, :]
    special[:, :, 6] -= 0.20 * (bright[None, :] - people.ideal[:, 3, None]) ** 2
    return special


def _criteria(common: FloatArray, special: FloatArray, people: People) -> FloatArray:
    """Overall first, then the seven: what is special counts in the overall liking by the player's own weights."""
    overall = common + (people.weights[:, None, :] * special).sum(axis=2)
    seven = BASE - BELOW + 0.8 * (common[:, :, None] - BASE) + special
    return np.concatenate([overall[:, :, None], seven], axis=2)


def _own(people: People, special: FloatArray) -> FloatArray:
    """Add up the own bow's eight likings, shape (P, 8)."""
    return _criteria(people.own_common[:, None], special[:, None, :], people)[:, 0, :]
