"""What follows from the readings of one bow, each with its uncertainty.

All of it is meant for the stick without hair and frog where a frequency, its length or its mass enters; taper and camber are
not modelled. Everything is worked out from the readings themselves, so that one reading which enters twice counts once.
"""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from model.bench import physics
from model.bench.readings import Measured, propagate


@dataclass(frozen=True, slots=True)
class Derived:
    """What follows from readings: ``values`` by name in SI units, from which ``readings`` each; ``refused``: why one does not."""

    values: Mapping[str, Measured]
    readings: Mapping[str, tuple[str, ...]]
    refused: Mapping[str, str]


def _speed_of_sound_m_s(stick_length_m: float, longitudinal_hz: float) -> float:
    return physics.speed_of_sound(stick_length_m, longitudinal_hz)


def _mass_per_length_kg_m(stick_mass_kg: float, stick_length_m: float) -> float:
    return stick_mass_kg / stick_length_m


def _density_kg_m3(stick_mass_kg: float, stick_length_m: float, outer_m: float, inner_m: float) -> float:
    return stick_mass_kg / (stick_length_m * physics.tube_section(outer_m, inner_m))


def _youngs_modulus_pa(
    stick_mass_kg: float, stick_length_m: float, outer_m: float, inner_m: float, longitudinal_hz: float
) -> float:
    density = _density_kg_m3(stick_mass_kg, stick_length_m, outer_m, inner_m)
    return physics.youngs_modulus(density, physics.speed_of_sound(stick_length_m, longitudinal_hz))


def _stiffness_n_per_m(load_n: float, deflection_m: float) -> float:
    return load_n / deflection_m


def _bending_stiffness_n_m2(load_n: float, deflection_m: float, span_m: float) -> float:
    return physics.bending_stiffness(load_n, deflection_m, span_m)


def _rigidity_n_m2(stick_mass_kg: float, stick_length_m: float, bending_hz: float) -> float:
    return physics.rigidity_from_bending(bending_hz, stick_mass_kg / stick_length_m, stick_length_m)


def _bending_modulus_pa(
    stick_mass_kg: float, stick_length_m: float, bending_hz: float, outer_m: float, inner_m: float
) -> float:
    return _rigidity_n_m2(stick_mass_kg, stick_length_m, bending_hz) / physics.tube_second_moment(outer_m, inner_m)


def _loss_of_decay(decay_hz: float, decay_60db_s: float) -> float:
    return physics.loss_factor(decay_hz, decay_60db_s)


def _loss_of_decrement(decrement: float) -> float:
    return physics.loss_from_decrement(decrement)


def _q_of_decay(decay_hz: float, decay_60db_s: float) -> float:
    return 1.0 / physics.loss_factor(decay_hz, decay_60db_s)


def _q_of_decrement(decrement: float) -> float:
    return 1.0 / physics.loss_from_decrement(decrement)


def _inertia_at_balance_kg_m2(mass_kg: float, swing_period_s: float, pivot_to_balance_m: float) -> float:
    about = physics.swing_inertia(mass_kg, swing_period_s, pivot_to_balance_m)
    return physics.inertia_at_centre(about, mass_kg, pivot_to_balance_m)


def _swing_inertia_kg_m2(mass_kg: float, swing_period_s: float, pivot_to_balance_m: float, balance_m: float) -> float:
    """Return the inertia about the hand, which is where balance is measured from."""
    return _inertia_at_balance_kg_m2(mass_kg, swing_period_s, pivot_to_balance_m) + mass_kg * balance_m**2


def _percussion_m(mass_kg: float, swing_period_s: float, pivot_to_balance_m: float, balance_m: float) -> float:
    about = _swing_inertia_kg_m2(mass_kg, swing_period_s, pivot_to_balance_m, balance_m)
    return physics.centre_of_percussion(about, mass_kg, balance_m)


RULES: tuple[tuple[str, Callable[..., float]], ...] = (
    ("speed_of_sound_m_s", _speed_of_sound_m_s),
    ("mass_per_length_kg_m", _mass_per_length_kg_m),
    ("density_kg_m3", _density_kg_m3),
    ("youngs_modulus_pa", _youngs_modulus_pa),
    ("stiffness_n_per_m", _stiffness_n_per_m),
    ("bending_stiffness_n_m2", _bending_stiffness_n_m2),
    ("rigidity_n_m2", _rigidity_n_m2),
    ("bending_modulus_pa", _bending_modulus_pa),
    ("loss_factor", _loss_of_decay),
    ("loss_factor", _loss_of_decrement),
    ("quality_factor", _q_of_decay),
    ("quality_factor", _q_of_decrement),
    ("inertia_at_balance_kg_m2", _inertia_at_balance_kg_m2),
    ("swing_inertia_kg_m2", _swing_inertia_kg_m2),
    ("percussion_m", _percussion_m),
)
"""What follows, in the order in which it is shown, and how; of two ways to one value the first that can be gone is."""
STANDS_FOR = {"stick_length_m": "length_m", "decay_hz": "bending_hz"}
"""Which reading stands for one that was not taken."""


def derive(readings: Mapping[str, Measured]) -> Derived:
    """Return all that follows from the readings of one bow, by name and in SI units (the parameters of `RULES`).

    A stick without an inner diameter is taken for solid, its length for the bow's where it was not measured apart, and what
    decayed for the bending where nothing else is said.
    """
    known = dict(readings)
    for name, other in STANDS_FOR.items():
        if name not in known and other in known:
            known[name] = known[other]
    known.setdefault("inner_m", Measured(0.0, 0.0))
    values: dict[str, Measured] = {}
    sources: dict[str, tuple[str, ...]] = {}
    refused: dict[str, str] = {}
    for name, formula in RULES:
        needs = tuple(inspect.signature(formula).parameters)
        if name in values or not set(needs) <= set(known):
            continue
        try:
            values[name] = propagate(formula, *(known[need] for need in needs))
        except ValueError as error:
            refused[name] = str(error)
        else:
            sources[name] = tuple(need for need in needs if need in readings or need in STANDS_FOR)
            refused.pop(name, None)
    return Derived(values, sources, refused)
