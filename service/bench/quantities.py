"""What the bench measures: where readings of each quantity usually lie, where they can lie at all, and how well they are read.

All of these are judgements, without source: they decide what is asked about, and what stands for the repeatability until
repeated readings tell it.
"""

from collections.abc import Mapping
from typing import NamedTuple

from service.core.language import N_


class UsualRange(NamedTuple):
    """The least and the most that can be, what is usual between them, and the deviation of one reading.

    ``relative``: the deviation is a share of the reading.
    """

    least: float
    low: float
    high: float
    most: float
    sd: float
    relative: bool = False

    def deviation(self, value: float) -> float:
        """Return the standard deviation of one reading, in its unit."""
        return self.sd * value if self.relative else self.sd


LIMITS: Mapping[str, UsualRange] = {
    "mass_g": UsualRange(20, 45, 175, 300, 0.1),
    "length_mm": UsualRange(300, 600, 800, 1000, 0.5),
    "balance_mm": UsualRange(30, 120, 320, 500, 0.5),
    "swing_period_s": UsualRange(0.3, 0.8, 2.0, 5, 0.005),
    "pivot_to_balance_mm": UsualRange(5, 20, 450, 800, 0.5),
    "load_n": UsualRange(0.05, 0.5, 50, 200, 0.02),
    "deflection_mm": UsualRange(0.01, 0.2, 30, 100, 0.02),
    "span_mm": UsualRange(100, 300, 750, 950, 0.5),
    "stick_mass_g": UsualRange(5, 20, 130, 250, 0.1),
    "stick_length_mm": UsualRange(300, 600, 800, 1000, 0.5),
    "outer_mm": UsualRange(2, 5, 14, 25, 0.05),
    "inner_mm": UsualRange(0.1, 1, 12, 24, 0.1),
    "longitudinal_hz": UsualRange(500, 2000, 7000, 12000, 5),
    "bending_hz": UsualRange(5, 20, 200, 1000, 0.2),
    "decay_hz": UsualRange(5, 20, 7000, 12000, 0.2),
    "decay_60db_s": UsualRange(0.005, 0.05, 20, 60, 0.02, relative=True),
    "log_decrement": UsualRange(3e-4, 0.003, 0.07, 0.7, 0.02, relative=True),
    "speed_of_sound_m_s": UsualRange(1500, 3500, 9500, 13000, 20),
    "stiffness_n_per_m": UsualRange(20, 100, 2000, 10000, 0.02, relative=True),
    "loss_factor": UsualRange(2e-4, 0.001, 0.025, 0.2, 0.03, relative=True),
    "swing_inertia_kg_m2": UsualRange(5e-4, 0.002, 0.03, 0.1, 0.01, relative=True),
    "frog_mass_g": UsualRange(1, 4, 45, 100, 0.1),
    "hair_mass_g": UsualRange(0.5, 2, 15, 40, 0.1),
    "hair_length_mm": UsualRange(300, 550, 720, 900, 0.5),
}
OTHER_UNITS: Mapping[str, tuple[tuple[float, str], ...]] = {
    "g": ((1000.0, N_("kilograms")), (0.001, N_("milligrams"))),
    "mm": ((10.0, N_("centimetres")), (1000.0, N_("metres"))),
    "N": ((9.80665e-3, N_("grams")), (9.80665, N_("kilograms"))),
    "Hz": ((1000.0, N_("kilohertz")),),
    "s": ((0.001, N_("milliseconds")),),
    "m/s": ((1000.0, N_("kilometres a second")),),
}
"""Units that a reading may have been taken in by mistake, and what one of them is in the quantity's own."""
GROUPS: Mapping[str, tuple[str, ...]] = {
    N_("The whole bow"): ("mass_g", "length_mm", "balance_mm", "swing_period_s", "pivot_to_balance_mm"),
    N_("The stick without hair and frog"): (
        *("stick_mass_g", "stick_length_mm", "outer_mm", "inner_mm", "longitudinal_hz"),
        *("bending_hz", "decay_hz", "decay_60db_s", "amplitudes"),
    ),
    N_("Bent over two supports"): ("load_n", "deflection_mm", "span_mm"),
    N_("The parts"): ("frog_mass_g", "hair_mass_g", "hair_length_mm"),
    N_("Read directly"): ("speed_of_sound_m_s", "stiffness_n_per_m", "loss_factor", "swing_inertia_kg_m2"),
}
"""The fields of the screen in the order of work; `amplitudes` becomes `log_decrement`."""
AMPLITUDES, DECREMENT = "amplitudes", "log_decrement"
FIELDS = tuple(name for names in GROUPS.values() for name in names)
IN_SI: Mapping[str, tuple[str, float]] = {
    **{
        name: (name.removesuffix("_g") + "_kg", 1e-3)
        for name in ("mass_g", "stick_mass_g", "frog_mass_g", "hair_mass_g")
    },
    **{name: (name.removesuffix("_mm") + "_m", 1e-3) for name in LIMITS if name.endswith("_mm")},
    **{
        name: (name, 1.0)
        for name in ("swing_period_s", "load_n", "longitudinal_hz", "bending_hz", "decay_hz", "decay_60db_s")
    },
    DECREMENT: ("decrement", 1.0),
}
"""How the numerics call a reading that something follows from, and what its unit is in SI's."""
