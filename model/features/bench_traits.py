"""Bench traits, each declared once, and what is known of a copy's true ones from readings that have an error or are missing.

A reading w = x + e of a copy: x ~ N(c, t^2) in its tier, e ~ N(0, u^2) with the reading's own standard deviation. Given the reading,

    x | w ~ N(c + rho (w - c), (1 - rho) t^2),   rho = t^2 / (t^2 + u^2), the reading's reliability, 0 where it is missing

(regression calibration; Fuller 1987, Measurement Error Models, sec. 1.2; Carroll, Ruppert, Stefanski & Crainiceanu 2006, ch. 4). The
spread t^2 is what copies differ by within their tiers less the mean u^2. All of it in units of the readings' spread.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Answers, Bench

TRAIT_LIMIT = 3.0
LEAST_SPREAD = 1e-9
"""Smallest spread of a bench reading within tiers, relative to its mean, that counts as one."""


@dataclass(frozen=True, slots=True)
class Trait:
    """A bench trait, which is a column of X: the copy's deviation from its tier's mean in units of the spread within tiers.

    Attributes
    ----------
    name : of the column.
    unit : of the column.
    readings : the fields of `Bench` it is made of, standardised, with their signs.
    wish : the answer that speaks of it, if one does.
    felt : whether players may each have a slope of their own on it.
    sd : prior standard deviation of everybody's slope, and of what the wish adds to it, in points.
    """

    name: str
    readings: tuple[tuple[str, int], ...]
    wish: str | None = None
    felt: bool = False
    sd: float = 0.2


TRAITS = (
    Trait("mass", (("mass_g", 1),), wish="wish_mass", felt=True),
    Trait("balance", (("balance_mm", 1),), felt=True),
    Trait("brightness", (("speed_of_sound_m_s", 1), ("loss_factor", -1)), wish="wish_tone", felt=True),
    Trait("stiffness", (("stiffness_n_per_m", 1),), sd=0.1),
    Trait("swing", (("swing_inertia_kg_m2", 1),), sd=0.1),
    Trait("frequency", (("bending_hz", 1),), sd=0.1),
    Trait("damping", (("loss_factor", 1),), sd=0.1),
    Trait("length", (("length_mm", 1),), sd=0.1),
)
"""Every trait that trials are asked about; a line here is all that one more takes, where `Bench` has its reading.

Brightness is the standardised speed of sound minus the standardised log loss factor, of those known (a judgement)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """How a field of `Bench` is read.

    Attributes
    ----------
    sd : standard deviation of one reading, as is usual (judgements, no source): in its unit, or a share of it where ``relative``.
    log : whether it counts by its logarithm.
    """

    sd: float
    relative: bool = False
    log: bool = False

    def usual(self, value: float) -> float:
        """Return the usual standard deviation of one reading of this value, in its unit."""
        return self.sd * value if self.relative else self.sd


READINGS = {
    "mass_g": Reading(0.1),
    "length_mm": Reading(0.5),
    "balance_mm": Reading(0.5),
    "stiffness_n_per_m": Reading(0.02, relative=True),
    "speed_of_sound_m_s": Reading(20.0),
    "loss_factor": Reading(0.03, relative=True, log=True),
    "swing_inertia_kg_m2": Reading(0.01, relative=True),
    "bending_hz": Reading(0.2),
}
USED = tuple(dict.fromkeys(name for trait in TRAITS for name, _ in trait.readings))
"""The R readings that traits are made of, in the order of every array by reading."""
TRAIT_NAMES = tuple(trait.name for trait in TRAITS)
FELT = [place for place, trait in enumerate(TRAITS) if trait.felt]
"""The traits on which players have slopes of their own."""
WISHES = tuple((place, trait.wish) for place, trait in enumerate(TRAITS) if trait.wish is not None)
"""Which trait each wish speaks of."""
BEFORE = ("mass", "balance", "brightness")
"""The traits of fitted models that do not say of which they are."""
MASS, MASS_READING = TRAIT_NAMES.index("mass"), USED.index("mass_g")


def _loadings() -> Floats:
    out = np.zeros((len(TRAITS), len(USED)))
    for place, trait in enumerate(TRAITS):
        for name, sign in trait.readings:
            out[place, USED.index(name)] = sign
    return out


LOADINGS = _loadings()
"""(T, R) of each trait on the standardised readings."""


def traits_of(standardised: Floats) -> Floats:
    """Return (n, T) traits of standardised readings (n, R), NaN where not known, limited to +-3."""
    return np.clip(np.nan_to_num(standardised) @ LOADINGS.T, -TRAIT_LIMIT, TRAIT_LIMIT)


def readings_of(benches: Sequence[Bench]) -> tuple[Floats, Floats]:
    """Return (n, R) readings, NaN where not known, and (n, R) their standard deviations, 0 where none came with one."""
    table = np.array([[getattr(b, name) for name in USED] for b in benches], dtype=np.float64).reshape(-1, len(USED))
    sd = np.zeros_like(table)
    for place, bench in enumerate(benches):
        for name, value in bench.sd.items():
            if name in USED:
                sd[place, USED.index(name)] = value
    logs = np.array([READINGS[name].log for name in USED])
    sd[:, logs] /= table[:, logs]
    table[:, logs] = np.log(table[:, logs])
    return table, sd


def reliability(known: Flags, error: Floats, true_share: Floats) -> Floats:
    """Return (n, R) the share of what a reading deviates by that is the copy's own; 0 where there is no reading.

    Parameters
    ----------
    known : (n, R) whether there is one.
    error : (n, R) its variance, in the unit of the spread of readings, squared.
    true_share : (n, R) the variance of copies within tiers, in that unit.
    """
    total = true_share + np.where(known, error, 0.0)
    return np.where(known, np.divide(true_share, total, out=np.ones_like(total), where=total > 0), 0.0)


def wishes_of(answers: Answers) -> Floats:
    """Return (W,) what each of the `WISHES` says: -1, 0 or 1."""
    return np.array([getattr(answers, wish) or 0.0 for _, wish in WISHES])


def counts_by(group: Ints, groups: int, table: Floats) -> Floats:
    """Return (groups, columns) how many cells of ``table`` are known by group."""
    counts = np.zeros((groups, table.shape[1]))
    np.add.at(counts, group, np.isfinite(table).astype(np.float64))
    return counts


def means_by(group: Ints, groups: int, table: Floats) -> Floats:
    """Return (groups, columns) means of the known cells of ``table`` by group, NaN where a group has none."""
    sums, counts = np.zeros((groups, table.shape[1])), counts_by(group, groups, table)
    np.add.at(sums, group, np.nan_to_num(table))
    return np.divide(sums, counts, out=np.full_like(sums, np.nan), where=counts > 0)


def spreads(instrument: Ints, tier: Ints, table: Floats, error: Floats, scales: Floats) -> tuple[Floats, Floats]:
    """Return (4, R) deviations within tiers of readings, and the share of their variances that is the copies' own.

    A tier's mean takes up one of its readings: the sum of squares is divided by their number less that of the tiers.
    """
    count, tiers = counts_by(instrument, len(scales), table), np.zeros(scales.shape)
    of_tier, first = np.unique(tier, return_index=True)
    known = counts_by(tier, int(tier.max(initial=-1)) + 1, table)[of_tier] > 0
    np.add.at(tiers, instrument[first], known.astype(np.float64))
    free = np.maximum(count - tiers, 1.0)
    totals = scales * np.sqrt(np.maximum(count, 1.0) / free)
    errors = np.nan_to_num(means_by(instrument, len(scales), np.where(np.isfinite(table), error**2, np.nan)))
    return totals, np.clip(1.0 - errors / totals**2, 0.0, 1.0)
