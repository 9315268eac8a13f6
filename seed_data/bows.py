"""The copies: what each is like, what the bench read, and what happened to it. Struct of arrays, one entry a copy."""

from dataclasses import dataclass

import numpy as np

from seed_data.catalogue import (
    BUILDS,
    DEALERS,
    INSTRUMENTS,
    LETTERS,
    TIERS,
    FloatArray,
    IntArray,
    middle_grade,
)
from seed_data.characters import meant
from seed_data.nature import DEMO, Nature

WORKSHOP = -1
NEVER = 10**6
LAST_DAY = 1094
MEASURED = (
    "mass_g",
    "length_mm",
    "balance_mm",
    "stiffness_n_per_m",
    "speed_of_sound_m_s",
    "loss_factor",
    "swing_inertia_kg_m2",
)
DECIMALS = (1, 0, 0, 0, 0, 5, 5)
# How often the workshop did not measure a quantity.
GAPS = (0.02, 0.05, 0.06, 0.14, 0.25, 0.30, 0.45)


@dataclass(frozen=True)
class Bows:
    """All copies.

    Attributes
    ----------
    serial, hold : list of str, length K
    tier, instrument : (K,) index into the catalogue
    grade : (K,) grade minus the mean grade of the instrument
    traits : (K, 4) mass, stiffness, balance, brightness, in standard deviations of the kind of bow
    quality : (K,) good or bad for everyone, in points: what its tier is at its price, its own, lemons included
    character : (K, 7) deviation of each criterion but the overall one, in points, its tier's included
    kind : (K,) -1 or 1: which school of players the stick was made for
    temper : (K, 2) the part that meets a player's instrument
    speaks : (K,) true for the few that speak at once on nearly everything
    measured : (K, 7) bench values, NaN where not measured
    enters, moves : (K,) day on which it came to its first place, and moved on (`NEVER`)
    first_place, second_place : (K,) dealer's index or `WORKSHOP`
    """

    serial: list[str]
    hold: list[str]
    tier: IntArray
    instrument: IntArray
    grade: FloatArray
    traits: FloatArray
    quality: FloatArray
    character: FloatArray
    kind: FloatArray
    temper: FloatArray
    speaks: FloatArray
    measured: FloatArray
    enters: IntArray
    moves: IntArray
    first_place: IntArray
    second_place: IntArray

    def place(self, day: int) -> IntArray:
        """Dealer's index of every copy on a day, shape (K,)."""
        return np.where(self.moves <= day, self.second_place, self.first_place)


@dataclass(frozen=True)
class Repairs:
    """What was done to copies: rehaired, recambered, repaired. Each changes the bow for good, by `shift` points."""

    copy: IntArray
    day: IntArray
    kind: list[str]
    shift: FloatArray

    def offset(self, day: int, copies: int) -> FloatArray:
        """Points gained or lost by each copy up to a day, the raw week after new hair included, shape (copies,)."""
        done = self.day <= day
        fresh = done & (day - self.day < 7)
        points = np.where(done, self.shift, 0.0) - 0.25 * fresh
        return np.bincount(self.copy, points, minlength=copies).astype(np.float64)


def draw_bows(rng: np.random.Generator, nature: Nature = DEMO) -> Bows:
    """Draw all copies of the catalogue."""
    tier = _tiers(rng)
    hold = _holds(tier)
    traits = np.array([TIERS[t].lean for t in tier]) + rng.normal(0.0, 0.85, (tier.size, 4))
    places = rng.choice(np.arange(-1, len(DEALERS)), tier.size, p=[0.07, *(0.93 * d.share for d in DEALERS)])
    enters = np.where(rng.random(tier.size) < 0.7, 0, rng.integers(30, 900, tier.size))
    moves, second = _moves(rng, places, enters)
    quality = _quality(rng, tier.size, nature)
    character = _character(rng, tier.size, nature.copy_character)
    temper = rng.normal(0.0, 0.5, (tier.size, 2))
    speaks = (rng.random(tier.size) < 0.06).astype(float)
    measured = _measured(rng, traits, tier, hold)
    standards, characters = _of_tiers(rng, nature)
    return Bows(
        serial=_serials(tier),
        hold=hold,
        tier=tier,
        instrument=np.array([INSTRUMENTS.index(TIERS[t].instrument) for t in tier]),
        grade=np.array([TIERS[t].grade - middle_grade(TIERS[t].instrument) for t in tier]),
        traits=traits,
        quality=standards[tier] + quality,
        character=characters[tier] + character,
        kind=np.where(rng.random(tier.size) < 0.5, -1.0, 1.0),
        temper=temper,
        speaks=speaks,
        measured=measured,
        enters=enters,
        moves=moves,
        first_place=places,
        second_place=second,
    )


def draw_repairs(rng: np.random.Generator, bows: Bows) -> Repairs:
    """Draw about ninety visits to the workshop, each after the copy's first days in the world."""
    kinds = ["rehaired"] * 70 + ["recambered"] * 12 + ["repaired"] * 10
    spread = np.array([{"rehaired": 0.2, "recambered": 0.35, "repaired": 0.35}[kind] for kind in kinds])
    copy = rng.choice(len(bows.serial), len(kinds), replace=False)
    room = LAST_DAY - 60 - bows.enters[copy]
    day = bows.enters[copy] + 20 + np.floor(rng.random(copy.size) * room).astype(np.int64)
    return Repairs(copy, day, kinds, rng.normal(0.0, 1.0, copy.size) * spread)


def _tiers(rng: np.random.Generator) -> IntArray:
    """Tier of each copy in the order of the serials: by letters, shuffled within, so that a serial tells no tier."""
    made = np.repeat(np.arange(len(TIERS)), [t.count for t in TIERS])
    letters = np.array([LETTERS[TIERS[t].instrument] for t in made])
    return np.concatenate([rng.permutation(made[letters == word]) for word in sorted(LETTERS.values())])


def _serials(tier: IntArray) -> list[str]:
    """Invented serials: the instrument's letters and a number that rises by uneven steps."""
    letters = [LETTERS[TIERS[t].instrument] for t in tier]
    return [f"{letter}-{104 + 3 * k + k % 2:04d}" for k, letter in enumerate(letters)]


def _holds(tier: IntArray) -> list[str]:
    """Hold of each copy; a tier made for both holds alternates."""
    choices = [TIERS[t].holds.split() or [""] for t in tier]
    return [choice[k % len(choice)] for k, choice in enumerate(choices)]


def _of_tiers(rng: np.random.Generator, nature: Nature) -> tuple[FloatArray, FloatArray]:
    """Draw what every tier is for everyone, (T,), and on each criterion, (T, 7): near what the maker meant it to be."""
    standards = nature.price_tells * np.array([t.standard for t in TIERS])
    characters = nature.words_kept * meant() + rng.normal(0.0, nature.tier_character, (len(TIERS), 7))
    return standards + rng.normal(0.0, nature.tier_quality, len(TIERS)), characters


def _quality(rng: np.random.Generator, n: int, nature: Nature) -> FloatArray:
    """Good or bad for everyone: a narrow crowd and, in any tier, a few lemons. Not a normal law."""
    lemon = rng.random(n) < nature.lemons
    return rng.normal(0.0, nature.quality, n) - lemon * (0.6 + rng.gamma(2.0, 0.25, n))


def _character(rng: np.random.Generator, n: int, size: float) -> FloatArray:
    """Strengths and weaknesses by criterion; response and clarity share theirs."""
    character = rng.normal(0.0, size, (n, 7))
    character[:, 1] = 0.6 * character[:, 0] + 0.8 * character[:, 1]
    return character


def _moves(rng: np.random.Generator, places: IntArray, enters: IntArray) -> tuple[IntArray, IntArray]:
    """Day of a move and where to; about one copy in nine moves, some of them back to the workshop."""
    goes = rng.random(places.size) < 0.115
    goes |= (places == WORKSHOP) & (rng.random(places.size) < 0.3)
    target = rng.integers(-1, len(DEALERS), places.size)
    goes &= target != places
    day = rng.integers(920, LAST_DAY - 20, places.size)
    early = rng.random(places.size) < 0.4
    day = np.maximum(np.where(early, day - 500, day), enters + 30)
    return np.where(goes, day, NEVER), target


def _measured(rng: np.random.Generator, traits: FloatArray, tier: IntArray, hold: list[str]) -> FloatArray:
    """Bench values from the traits, with reading errors and gaps, shape (K, 7)."""
    builds = [BUILDS[TIERS[t].instrument, h] for t, h in zip(tier, hold, strict=True)]
    mean = np.array([[b.mass_g[0], b.length_mm[0], b.balance_mm[0], b.stiffness_n_per_m[0]] for b in builds])
    spread = np.array([[b.mass_g[1], b.length_mm[1], b.balance_mm[1], b.stiffness_n_per_m[1]] for b in builds])
    length = rng.normal(0.0, 1.0, tier.size)
    geometry = mean + spread * np.column_stack([traits[:, 0], length, traits[:, 2], traits[:, 1]])
    values = np.column_stack([geometry, _acoustics(rng, traits[:, 3]), _swing_inertia(rng, geometry)])
    values = np.column_stack([np.round(values[:, j], d) for j, d in enumerate(DECIMALS)])
    values[rng.random(values.shape) < np.array(GAPS)] = np.nan
    return values


def _acoustics(rng: np.random.Generator, brightness: FloatArray) -> FloatArray:
    """Speed of sound (m/s) and loss factor, each an imperfect sign of brightness, shape (K, 2)."""
    noise = rng.normal(0.0, 0.7, (brightness.size, 2))
    speed = np.clip(4950.0 + 150.0 * (0.7 * brightness + noise[:, 0]), 4500.0, 5400.0)
    loss = np.clip(0.0047 * np.exp(-0.16 * (0.7 * brightness + noise[:, 1])), 0.003, 0.007)
    return np.column_stack([speed, loss])


def _swing_inertia(rng: np.random.Generator, geometry: FloatArray) -> FloatArray:
    """Inertia about the frog's hair end (kg m²) by the parallel-axis theorem, radius of gyration near .27 lengths."""
    mass, length, balance = geometry[:, 0] / 1e3, geometry[:, 1] / 1e3, geometry[:, 2] / 1e3
    gyration = rng.normal(0.27, 0.006, mass.size) * length
    return mass * (balance**2 + gyration**2)
