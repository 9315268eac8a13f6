"""The bench: what is measured on a bow, what follows from it, and the range in which it can be played. SI units in and out."""

from model.bench import mass_model, playable_range, readings, stick
from model.bench.decay import DecayFit, RecordingError, decrement, fit_decay
from model.bench.physics import (
    bending_stiffness,
    loss_factor,
    speed_of_sound,
    swing_inertia,
    tube_mass_per_length,
    youngs_modulus,
)

__all__ = [
    "DecayFit",
    "RecordingError",
    "bending_stiffness",
    "decrement",
    "fit_decay",
    "loss_factor",
    "mass_model",
    "playable_range",
    "readings",
    "speed_of_sound",
    "stick",
    "swing_inertia",
    "tube_mass_per_length",
    "youngs_modulus",
]
