"""The playable range: eight strokes that probe it, what they show, and what the theory of the bowed string says around them.

The eight strokes are a 2^(4-1) design of resolution IV, generator D = ABC (Box, Hunter & Hunter, Statistics for Experimenters):
main effects are clear of each other and of all pairs, pairs are told together in twos.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from model.bench.physics import positive
from model.domain.vocabulary import STROKES, Instrument

Factor = Literal["speed", "force", "contact", "tilt"]
FACTORS: tuple[Factor, ...] = ("speed", "force", "contact", "tilt")
"""A to D. Low and high: slow and fast, light and firm, towards the bridge and towards the fingerboard, flat hair and tilted."""
CLEAN, NOISY, BROKEN = 0, 1, 2
MARKS = ("clean", "noisy", "broken")
"""What a stroke is marked as, by its number."""
NOT_PLAYED = "?"
"""Where a stroke was not played, in the text of eight."""
TOLD = 0.5
"""From which main effect on, in steps of 0 clean, 1 noisy, 2 broken, a bow is called narrow that way (a judgement, no source)."""
CONTACT = (1 / 14, 1 / 7)
"""Places of the bow on the string, low and high, as shares of its length from the bridge.

Within the 1/30 to 1/6 of the bowing machine of Schoonderwaldt 2009; which of them, a judgement.
"""
SECONDS_A_BOW = (4.0, 1.0)
"""How long one whole bow takes, slow and fast (a judgement, no source)."""


def _design() -> tuple[tuple[int, ...], ...]:
    rows = []
    for c, b, a in itertools.product((-1, 1), repeat=3):
        rows.append((a, b, c, a * b * c))
    return tuple(rows)


DESIGN = _design()
"""(8, 4) of -1 and 1: what each stroke takes of A to D, in standard order."""


def alias_table() -> dict[str, str]:
    """Return which effects of the design cannot be told apart: A to D with their triples, AB, AC, AD with the other pair."""
    letters = "ABCD"
    named = ("A", "B", "C", "D", "AB", "AC", "AD")
    return {word: "".join(letter for letter in letters if letter not in word) for word in named}


@dataclass(frozen=True, slots=True)
class StrokeEffects:
    """What eight strokes show.

    Attributes
    ----------
    clean : how many of the eight were clean.
    broken : the strokes that were not, as places in the design's order.
    effects : by factor, how much worse (in steps of 0, 1, 2) the high level is than the low one; below 0: better.
    """

    clean: int
    broken: tuple[int, ...]
    effects: Mapping[Factor, float]

    @property
    def narrow(self) -> tuple[tuple[Factor, int], ...]:
        """The factors by which the bow is narrow, and at which level, -1 low or 1 high; the narrowest first."""
        told = [(factor, effect) for factor, effect in self.effects.items() if abs(effect) >= TOLD]
        return tuple(
            (factor, 1 if effect > 0 else -1) for factor, effect in sorted(told, key=lambda each: -abs(each[1]))
        )


def effects(broken: Sequence[int]) -> StrokeEffects:
    """Return the count and the main effects of eight strokes, each 0 clean, 1 noisy or 2 broken, in the design's order.

    A main effect is the mean at the high level less the mean at the low one. There is no interval: eight designed strokes have no
    repeat to tell noise by.

    Raises
    ------
    ValueError
        Not eight, or another value.
    """
    given = np.asarray(broken)
    if given.shape != (STROKES,) or not np.isin(given, (CLEAN, NOISY, BROKEN)).all():
        msg = (
            f"broken: got {list(broken)!r}, expected eight of 0 (clean), 1 (noisy) or 2 (broken), in the design's order"
        )
        raise ValueError(msg)
    contrasts = np.array(DESIGN, dtype=np.float64).T @ given.astype(np.float64) / (STROKES / 2)
    return StrokeEffects(
        clean=int((given == CLEAN).sum()),
        broken=tuple(np.flatnonzero(given != CLEAN).tolist()),
        effects=dict(zip(FACTORS, contrasts.tolist(), strict=True)),
    )


Marks = tuple[int | None, ...]
"""(8,) of 0 clean, 1 noisy, 2 broken, in the design's order; None: not played."""


def as_text(marks: Sequence[int | None]) -> str | None:
    """Return marks as they are kept, such as '0 0 2 0 1 0 0 ?'; None where no stroke was played."""
    eight = (*marks, *(None for _ in range(STROKES - len(marks))))
    return (
        " ".join(NOT_PLAYED if mark is None else str(mark) for mark in eight) if eight.count(None) < STROKES else None
    )


def from_text(text: str | None) -> Marks:
    """Return the marks that `as_text` wrote, or the same without the blanks; eight times None where there are none.

    Raises
    ------
    ValueError
        Not eight, or another sign.
    """
    signs = "".join((text or NOT_PLAYED * STROKES).split())
    if len(signs) != STROKES or not set(signs) <= {NOT_PLAYED, "0", "1", "2"}:
        msg = f"strokes: got {text!r}, expected eight of 0 (clean), 1 (noisy), 2 (broken) or {NOT_PLAYED} (not played)"
        raise ValueError(msg)
    return tuple(None if sign == NOT_PLAYED else int(sign) for sign in signs)


def clean_strokes(marks: Marks) -> int | None:
    """Return how many of eight strokes were clean; None where not all of them were played."""
    return None if None in marks else marks.count(CLEAN)


def contact_points(string_length_m: float) -> tuple[float, float]:
    """Return metres from the bridge of the two contact points, towards the bridge and towards the fingerboard."""
    length = positive(string_length_m, "string_length_m", "the sounding length in metres, such as 0.328")
    return length * CONTACT[0], length * CONTACT[1]


class UsualStrings(NamedTuple):
    """What the picture of the bow-force limits takes for an instrument: sounding length, hair played on, impedance of a middle string."""

    length_m: float
    hair_m: float
    impedance_kg_s: float


USUAL: dict[Instrument, UsualStrings] = {
    Instrument.VIOLIN: UsualStrings(0.328, 0.62, 0.25),
    Instrument.VIOLA: UsualStrings(0.375, 0.62, 0.3),
    Instrument.CELLO: UsualStrings(0.695, 0.58, 0.8),
    Instrument.DOUBLE_BASS: UsualStrings(1.05, 0.54, 2.2),
}
"""Lengths as makers of strings give them; impedances amid those of string sets on sale; the double bass's by order of magnitude."""
FRICTION_DIFFERENCE = 0.4
"""Static less sliding friction of rosined hair (within the worked examples around Schelleng's limits; a judgement)."""
BRIDGE_LOSS = 200.0
"""The bridge's resistance in impedances of the string (likewise; a judgement)."""


def string_m(instrument: Instrument, string_mm: float | None) -> float:
    """Return the sounding length of the strings in metres: the player's in millimetres, else the instrument's usual one."""
    return string_mm / 1000 if string_mm else USUAL[instrument].length_m


class ForceLimits(NamedTuple):
    """Least and greatest bow force of a steady tone, in newtons; none is steady where the least is above the greatest."""

    least_n: float
    greatest_n: float


def string_impedance(tension_n: float, mass_per_length_kg_m: float) -> float:
    """Return the characteristic impedance of a string in kg/s, Z = sqrt(T mu) (Fletcher & Rossing, Physics of Musical Instruments)."""
    tension = positive(tension_n, "tension_n", "the string's tension in newtons, such as 57")
    mass = positive(mass_per_length_kg_m, "mass_per_length_kg_m", "kilograms a metre of string, such as 0.0007")
    return float(np.sqrt(tension * mass))


def force_limits(
    impedance_kg_s: float, speed_m_s: float, beta: float, friction_difference: float, bridge_loss_kg_s: float
) -> ForceLimits:
    """Return the limits of bow force at ``beta``, the contact point's share of the string from the bridge.

    F_max = 2 Z v / (beta dmu), F_min = Z^2 v / (2 R beta^2 dmu) (Schelleng 1973, J. Acoust. Soc. Am. 53:26), ``bridge_loss_kg_s``
    being R. The measured lower limit falls more like 1/beta than 1/beta^2 (Schoonderwaldt, Guettler & Askenfelt 2008): a
    guide, never a promise.
    """
    z = positive(impedance_kg_s, "impedance_kg_s", "the string's impedance in kilograms a second, such as 0.3")
    v = positive(speed_m_s, "speed_m_s", "the bow's speed in metres a second, such as 0.2")
    if not 0.0 < beta < 1.0:
        msg = f"beta: got {beta!r}, expected the contact point's share of the string, above 0 and below 1, such as 0.1"
        raise ValueError(msg)
    d = positive(friction_difference, "friction_difference", "static less sliding friction, such as 0.5")
    r = positive(bridge_loss_kg_s, "bridge_loss_kg_s", "the bridge's resistance in kilograms a second, such as 60")
    return ForceLimits(z**2 * v / (2.0 * r * beta**2 * d), 2.0 * z * v / (beta * d))


def usual_limits(instrument: Instrument, speed_m_s: float, beta: float) -> ForceLimits:
    """Return the limits on a middle string of an instrument as it usually is: an order of magnitude, never a promise."""
    impedance = USUAL[instrument].impedance_kg_s
    return force_limits(impedance, speed_m_s, beta, FRICTION_DIFFERENCE, BRIDGE_LOSS * impedance)
