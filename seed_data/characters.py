"""What the maker says each tier is meant to be: a line of words, and the criteria it was meant to be strong or weak on.

All of it is invented. A tier turns out near what was meant: `nature.Nature.words_kept` of each strength, and a deviation
of its own on every criterion.
"""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from seed_data.catalogue import CRITERIA, TIERS, FloatArray


@dataclass(frozen=True)
class Character:
    """The maker's line for a tier, and the points it was meant to lie above or below its grade, by criterion."""

    note: str
    meant: MappingProxyType[str, float]


def _character(note: str, **meant: float) -> Character:
    return Character(note, MappingProxyType(meant))


CHARACTERS = MappingProxyType(
    {
        "gorse-path": _character(
            "a first bow of one’s own: lies calmly on the string and forgives, slow off it",
            steadiness=0.3,
            off_string=-0.3,
        ),
        "hedge-gate": _character(
            "quick to speak and light work for the hand, clear rather than big",
            response=0.5,
            ease=0.3,
            clarity=0.2,
            dynamic_range=-0.3,
        ),
        "mill-race": _character(
            "springy and lively, made for bouncing strokes and quick passages",
            off_string=0.5,
            response=0.2,
            steadiness=-0.3,
        ),
        "rook-wood": _character(
            "dark and full: wants a broad stroke and repays it",
            tone=0.3,
            dynamic_range=0.3,
            response=-0.3,
        ),
        "frost-meadow": _character(
            "clear down to the softest note, even from frog to tip", clarity=0.4, steadiness=0.2, dynamic_range=0.1
        ),
        "salt-marsh": _character("sturdy and plain, holds a long note without fuss", steadiness=0.3, clarity=-0.2),
        "reed-bank": _character(
            "light in the hand, answers a soft entry at once",
            response=0.4,
            ease=0.3,
            dynamic_range=-0.3,
        ),
        "peat-stack": _character(
            "warm and deep, with weight for the low string", tone=0.4, dynamic_range=0.2, off_string=-0.2
        ),
        "alder-pool": _character(
            "carries without force and stays clear under pressure, asks for a trained hand",
            dynamic_range=0.3,
            clarity=0.3,
            ease=-0.2,
        ),
        "clay-lane": _character("heavy and calm, for long even strokes", steadiness=0.3, ease=-0.3),
        "slate-stair": _character(
            "bright and springy, jumps almost by itself",
            off_string=0.5,
            tone=-0.2,
            steadiness=-0.2,
        ),
        "barn-door": _character(
            "broad and steady: a large sound that need not be pushed",
            dynamic_range=0.4,
            steadiness=0.3,
            response=-0.2,
        ),
        "thaw-wind": _character(
            "light and supple, speaks softly and at once",
            response=0.4,
            ease=0.4,
            dynamic_range=-0.3,
        ),
        "long-field": _character(
            "even in everything, with a long way from soft to full", dynamic_range=0.3, clarity=0.2, response=0.1
        ),
        "turf-cart": _character(
            "strong and simple, for daily work in the section", steadiness=0.2, dynamic_range=0.1, response=-0.2
        ),
        "ferry-rope": _character(
            "grips the low string at once, more at home on the string than off it",
            response=0.4,
            clarity=0.1,
            off_string=-0.2,
        ),
        "tide-gate": _character(
            "light in the hand and nimble off the string", ease=0.3, off_string=0.4, steadiness=-0.3
        ),
        "weir-stone": _character(
            "full and firm, stays free of noise under pressure, and asks for strength",
            dynamic_range=0.3,
            clarity=0.3,
            ease=-0.3,
        ),
        "storm-lamp": _character(
            "supple and quick, for solo work and fine detail",
            response=0.3,
            clarity=0.3,
            ease=0.2,
            dynamic_range=-0.3,
        ),
        "harbour-fog": _character(
            "dark and round, settles into the string and stays there",
            tone=0.4,
            steadiness=0.3,
            off_string=-0.3,
        ),
        "deep-well": _character(
            "speaks at once from the softest to the fullest sound", response=0.3, dynamic_range=0.4
        ),
    }
)


def meant() -> FloatArray:
    """Points of every tier on every criterion but the overall one, as the maker meant them, shape (T, 7)."""
    return np.array([[CHARACTERS[tier.slug].meant.get(c, 0.0) for c in CRITERIA[1:]] for tier in TIERS])
