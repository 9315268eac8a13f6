"""A bow as four parts: where its mass sits, and what moving some of it does.

Places are metres from the hair's end at the frog, towards the head. Head and frog are points, the hair a uniform rod, the stick one
that gets thinner evenly: camber and the size of head and frog are not modelled.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from model.bench.physics import positive

PartName = Literal["head", "stick", "frog", "hair"]
PARTS: tuple[PartName, ...] = ("head", "stick", "frog", "hair")


STICK_TAPER = 0.425
"""A stick's mass a length at the head, as a share of that at the other end, where it falls evenly between: the centre of mass is then
where a classical violin stick has it (8.6 mm over the first 110 of 700 mm, then thinner to 5.3 mm: Fetis 1856)."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its mass in kg, where its middle is, and over how many metres it is spread (0: a point).

    ``taper``: its mass a length at the far end, as a share of that at the near one; it falls evenly.
    """

    mass_kg: float
    middle_m: float
    spread_m: float = 0.0
    taper: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mass_kg) and self.mass_kg >= 0.0):
            msg = f"mass_kg: got {self.mass_kg!r}, expected a mass in kilograms, 0 or more, such as 0.012"
            raise ValueError(msg)
        if not (math.isfinite(self.middle_m) and math.isfinite(self.spread_m) and self.spread_m >= 0.0):
            msg = f"middle_m, spread_m: got {self.middle_m!r} and {self.spread_m!r}, expected metres, the spread 0 or more"
            raise ValueError(msg)
        if not (math.isfinite(self.taper) and self.taper > 0.0):
            msg = f"taper: got {self.taper!r}, expected a ratio above 0, 1 for an even part"
            raise ValueError(msg)

    @property
    def centre_m(self) -> float:
        """Where its mass has its centre: (1 + 2 t) / (3 (1 + t)) of the way from its near end, t the taper."""
        return self.middle_m + self.spread_m * ((1.0 + 2.0 * self.taper) / (3.0 * (1.0 + self.taper)) - 0.5)

    def inertia_about(self, place_m: float) -> float:
        """Return the moment of inertia about a place on the stick, kg m^2 (second moment of a linear density, parallel axes).

        About its near end that is m l^2 (1 + 3 t) / (6 (1 + t)); m l^2 / 12 about the middle of an even part.
        """
        near = self.centre_m - (self.middle_m - self.spread_m / 2.0)
        own = self.spread_m**2 * (1.0 + 3.0 * self.taper) / (6.0 * (1.0 + self.taper)) - near**2
        return self.mass_kg * (own + (self.centre_m - place_m) ** 2)


class Shift(NamedTuple):
    """What a change does to a bow: mass in kg, balance point in m, inertia about balance point and hand in kg m^2."""

    mass_kg: float
    balance_m: float
    inertia_kg_m2: float
    inertia_at_hand_kg_m2: float


@dataclass(frozen=True, slots=True)
class Bow:
    """A bow of four parts; the hand holds it at place 0."""

    head: Part
    stick: Part
    frog: Part
    hair: Part

    def __post_init__(self) -> None:
        if self.mass_kg <= 0.0:
            msg = "head, stick, frog, hair: got no mass at all, expected at least one part above 0"
            raise ValueError(msg)

    def parts(self) -> Iterator[tuple[PartName, Part]]:
        """Yield each part by its name, in the order of `PARTS`."""
        for name in PARTS:
            yield name, getattr(self, name)

    @property
    def mass_kg(self) -> float:
        """The whole mass."""
        return math.fsum(part.mass_kg for _, part in self.parts())

    @property
    def balance_m(self) -> float:
        """Where it balances."""
        return math.fsum(part.mass_kg * part.centre_m for _, part in self.parts()) / self.mass_kg

    def inertia_about(self, place_m: float) -> float:
        """Return the moment of inertia about a place on the stick, kg m^2."""
        return math.fsum(part.inertia_about(place_m) for _, part in self.parts())

    @property
    def inertia_kg_m2(self) -> float:
        """The moment of inertia about the balance point, the least there is."""
        return self.inertia_about(self.balance_m)

    @property
    def percussion_m(self) -> float:
        """The centre of percussion as seen from the hand, m: I / (m d)."""
        return self.inertia_about(0.0) / (
            self.mass_kg * positive(self.balance_m, "balance_m", "a place ahead of the hand")
        )

    def moved(self, mass_kg: float, source: PartName, target: PartName) -> "Bow":
        """Return the bow with ``mass_kg`` taken from one part and put on another."""
        giver, taker = getattr(self, source), getattr(self, target)
        if source == target or not 0.0 <= mass_kg <= giver.mass_kg:
            msg = f"mass_kg: got {mass_kg!r}, expected at most the {giver.mass_kg:.4g} kg of the {source}, and another part to take it"
            raise ValueError(msg)
        changed = {
            source: replace(giver, mass_kg=giver.mass_kg - mass_kg),
            target: replace(taker, mass_kg=taker.mass_kg + mass_kg),
        }
        return replace(self, **changed)

    def against(self, other: "Bow") -> Shift:
        """Return how this bow differs from another."""
        return Shift(
            self.mass_kg - other.mass_kg,
            self.balance_m - other.balance_m,
            self.inertia_kg_m2 - other.inertia_kg_m2,
            self.inertia_about(0.0) - other.inertia_about(0.0),
        )


def from_bench(
    mass_kg: float,
    balance_m: float,
    length_m: float,
    frog_kg: float,
    hair_kg: float,
    *,
    frog_m: float,
    hair_m: float,
    taper: float = 1.0,
) -> Bow:
    """Return the four parts of a whole bow from what can be weighed: head and stick follow from mass and balance.

    ``length_m`` is the whole stick's, button to tip; its tip is at ``hair_m``, where the hair ends at the head; ``frog_m`` is the
    place of the frog's middle (below 0: behind the hair's end), ``taper`` the stick's. Head and stick, which are one piece, are told apart by the two
    equations of mass and balance.

    Raises
    ------
    ValueError
        The readings leave head or stick less than nothing.
    """
    for value, name, expected in (
        (mass_kg, "mass_kg", "the bow's mass in kilograms, such as 0.06"),
        (balance_m, "balance_m", "metres from the hair's end at the frog to the balance point, such as 0.19"),
        (length_m, "length_m", "the stick's length in metres, such as 0.73"),
        (frog_kg, "frog_kg", "the mass of frog and screw in kilograms, such as 0.013"),
        (hair_kg, "hair_kg", "the hair's mass in kilograms, such as 0.004"),
        (hair_m, "hair_m", "the hair's free length in metres, such as 0.65"),
    ):
        positive(value, name, expected)
    hair = Part(hair_kg, hair_m / 2.0, hair_m)
    stick = Part(1.0, hair_m - length_m / 2.0, length_m, taper)
    left = mass_kg - frog_kg - hair_kg
    moment = mass_kg * balance_m - frog_kg * frog_m - hair_kg * hair.middle_m
    head_kg, stick_kg = np.linalg.solve(
        np.array([[1.0, 1.0], [hair_m, stick.centre_m]]), np.array([left, moment])
    ).tolist()
    if head_kg < 0.0 or stick_kg <= 0.0:
        msg = (
            f"balance_m: got {balance_m!r}, expected a place that leaves head and stick some mass: "
            f"this one gives the head {head_kg * 1e3:.3g} g and the stick {stick_kg * 1e3:.3g} g"
        )
        raise ValueError(msg)
    return Bow(Part(head_kg, hair_m), replace(stick, mass_kg=stick_kg), Part(frog_kg, frog_m), hair)
