"""The players: what they play, what they like, and how they use a scale from 1 to 7. Struct of arrays."""

from dataclasses import dataclass

import numpy as np

from seed_data.catalogue import CRITERIA, DEALERS, INSTRUMENTS, LEADING, POUNDS_PER_EURO, SETTINGS, FloatArray, IntArray
from seed_data.nature import DEMO, Nature

COUNT = 470
# Lowest and highest mark a kind of rater gives, its middle in points, and its share of all players.
RATERS = {
    "whole scale": (0.6, 7.4, 0.0, 0.45),
    "only 3 to 6": (2.6, 6.4, 0.0, 0.25),
    "generous": (2.6, 7.4, -0.5, 0.12),
    "harsh": (0.6, 6.2, 0.4, 0.12),
    "ends of the scale": (-0.6, 8.6, 0.0, 0.06),
}
STEEPNESS = 0.59
MIDDLE = 4.1


@dataclass(frozen=True)
class People:
    """All players, P of them.

    Attributes
    ----------
    ideal : (P, 4) the best mass, stiffness, balance and brightness, in standard deviations of the kind of bow
    fussy : (P, 4) points lost per squared standard deviation off the ideal
    school : (P,) -1 or 1: which kind of stick is liked, where the world has two
    grade_taste : (P,) points per grade, beyond what everybody hears
    weights : (P, 7) how much each criterion but the overall one counts, rows sum to 1
    leanings : (P, 7) the player's own shift of each criterion, in points
    instrument_temper : (P, 2) the player's instrument, which meets the copy's temper
    hisses : (P,) 1 where the instrument brings out bow noise of bright sticks
    lowest, highest, middle : (P,) use of the scale
    noise : (P,) standard deviation of one rating before it is squeezed into the scale
    halo : (P,) share by which all marks of a sheet are drawn towards its overall impression
    tires, dear : (P,) points lost per run from the fifth on; points given to a dear bow that is seen
    own_common, own_character : (P,), (P, 7) the own bow
    own_mass : (P,) in standard deviations
    budget : (P,) in the dealer's currency, NaN where not told
    """

    key: list[str]
    instrument: IntArray
    hold: list[str]
    strings: IntArray
    string_length: IntArray
    settings: list[tuple[str, ...]]
    dealer: IntArray
    budget: FloatArray
    ideal: FloatArray
    fussy: FloatArray
    school: FloatArray
    grade_taste: FloatArray
    weights: FloatArray
    leanings: FloatArray
    instrument_temper: FloatArray
    hisses: FloatArray
    lowest: FloatArray
    highest: FloatArray
    middle: FloatArray
    noise: FloatArray
    halo: FloatArray
    tires: FloatArray
    dear: FloatArray
    own_common: FloatArray
    own_character: FloatArray
    own_mass: FloatArray
    priorities: list[tuple[str, ...]]
    wish_mass: FloatArray
    wish_tone: FloatArray

    def on_scale(self, points: FloatArray, player: int | None = None) -> FloatArray:
        """Squeeze points into the player's use of the scale, a bounded S-shaped curve within 1 to 7.

        Parameters
        ----------
        points : (P, ...) of all players, or any shape of the one named by `player`
        """
        where = slice(None) if player is None else slice(player, player + 1)
        shape = (-1,) + (1,) * (points.ndim - 1) if player is None else (1,) * points.ndim
        low, high, mid = (a[where].reshape(shape) for a in (self.lowest, self.highest, self.middle))
        share = 1.0 / (1.0 + np.exp(-STEEPNESS * (points - MIDDLE - mid)))
        return np.clip(low + (high - low) * share, 1.0, 7.0)


def draw_people(rng: np.random.Generator, nature: Nature = DEMO) -> People:
    """Draw all players."""
    instrument = rng.choice(4, COUNT, p=[0.30, 0.20, 0.22, 0.28])
    bass = instrument == 3
    settings = _settings(rng)
    dealer = rng.choice(len(DEALERS), COUNT, p=[d.share for d in DEALERS])
    weights = _weights(rng, instrument)
    ideal = _ideals(rng, settings)
    fussy = rng.gamma(2.0, 0.5, (COUNT, 4)) * np.array(nature.fussy)
    own_mass = rng.normal(0.0, 0.6, COUNT)
    low, high, middle = _scale_use(rng)
    return People(
        key=[f"P{k + 1:04d}" for k in range(COUNT)],
        instrument=instrument,
        hold=[h if b else "" for h, b in zip(_pick(rng, ("german", "french"), 0.55), bass, strict=True)],
        strings=np.where(bass, np.where(rng.random(COUNT) < 0.25, 5, 4), 0),
        string_length=np.where(bass, 10 * rng.integers(102, 111, COUNT), 0),
        settings=settings,
        dealer=dealer,
        budget=_budgets(rng, instrument, dealer, settings),
        ideal=ideal,
        fussy=fussy,
        school=np.where(rng.random(COUNT) < 0.5, -1.0, 1.0),
        grade_taste=nature.price_tells * _grade_tastes(rng, settings),
        weights=weights,
        leanings=rng.normal(0.0, 0.25, (COUNT, 7)),
        instrument_temper=rng.normal(0.0, 0.5, (COUNT, 2)),
        hisses=(rng.random(COUNT) < 0.18).astype(float),
        lowest=low,
        highest=high,
        middle=middle,
        noise=nature.noise * np.exp(rng.normal(0.0, 0.2, COUNT)),
        halo=rng.beta(10.0 * nature.halo, 10.0 * (1.0 - nature.halo), COUNT),
        tires=rng.gamma(2.0, 0.03, COUNT),
        dear=rng.gamma(2.0, 0.5, COUNT),
        own_common=5.15
        + rng.normal(0.0, 0.5, COUNT)
        - rng.gamma(1.5, 0.35, COUNT)
        - fussy[:, 0] * (own_mass - ideal[:, 0]) ** 2,
        own_character=rng.normal(0.0, 0.4, (COUNT, 7)),
        own_mass=own_mass,
        priorities=_priorities(rng, weights, nature.report),
        wish_mass=_wishes(rng, ideal[:, 0] - own_mass, fussy[:, 0] / nature.fussy[0]),
        wish_tone=_wishes(rng, ideal[:, 3], fussy[:, 3] / nature.fussy[3]),
    )


def _pick(rng: np.random.Generator, pair: tuple[str, str], share: float) -> list[str]:
    return [pair[0] if first else pair[1] for first in rng.random(COUNT) < share]


def _settings(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """One to three settings a player, in the vocabulary's order."""
    chances = np.array([0.26, 0.08, 0.18, 0.09, 0.05, 0.07, 0.07, 0.12, 0.08])
    numbers = rng.choice([1, 2, 3], COUNT, p=[0.4, 0.42, 0.18])
    chosen = [np.sort(rng.choice(len(SETTINGS), n, replace=False, p=chances)) for n in numbers]
    return [tuple(SETTINGS[j] for j in picks) for picks in chosen]


def _budgets(
    rng: np.random.Generator, instrument: IntArray, dealer: IntArray, settings: list[tuple[str, ...]]
) -> FloatArray:
    """Budgets in the dealer's currency, rounded as people round; an eighth of the players name none."""
    usual = np.array([2200.0, 2300.0, 2400.0, 2000.0])[instrument]
    means = np.array([0.55 if "study" in s else 1.5 if "solo" in s or "orchestra" in s else 1.0 for s in settings])
    euros = usual * means * np.exp(rng.normal(0.0, 0.55, COUNT))
    pounds = np.array([d.currency == "GBP" for d in DEALERS])[dealer]
    told = np.maximum(100.0 * np.round(euros * np.where(pounds, POUNDS_PER_EURO, 1.0) / 100.0), 500.0)
    return np.where(rng.random(COUNT) < 0.125, np.nan, told)


def _ideals(rng: np.random.Generator, settings: list[tuple[str, ...]]) -> FloatArray:
    """Where each player's optimum lies; jazz and folk like it lighter, theatre and orchestra stiffer."""
    ideal = rng.normal(0.0, 0.8, (COUNT, 4))
    ideal[:, 0] -= 0.5 * np.array(["jazz" in s or "folk" in s or "early_music" in s for s in settings])
    ideal[:, 1] += 0.4 * np.array(["orchestra" in s or "theatre" in s for s in settings])
    ideal[:, 3] += 0.4 * np.array(["solo" in s for s in settings])
    return ideal


def _grade_tastes(rng: np.random.Generator, settings: list[tuple[str, ...]]) -> FloatArray:
    """Points per grade beyond what everybody hears."""
    demanding = np.array(["solo" in s or "chamber" in s for s in settings], dtype=float)
    easy = np.array(["folk" in s or "study" in s for s in settings], dtype=float)
    return rng.normal(0.0, 0.10, COUNT) + 0.08 * demanding - 0.08 * easy


def _weights(rng: np.random.Generator, instrument: IntArray) -> FloatArray:
    """How much each criterion counts; those that lead for the instrument count more on average."""
    lean = np.array([[2.0 if c in LEADING[name] else 0.7 for c in CRITERIA[1:]] for name in INSTRUMENTS])
    raw: FloatArray = rng.gamma(lean[instrument])
    raw /= raw.sum(axis=1, keepdims=True)
    return raw


def _priorities(rng: np.random.Generator, weights: FloatArray, blur: float) -> list[tuple[str, ...]]:
    """Up to three criteria as the player names them: the true order, blurred; some name none."""
    said = weights + rng.normal(0.0, blur, weights.shape)
    numbers = rng.choice([0, 1, 2, 3], COUNT, p=[0.13, 0.12, 0.2, 0.55])
    orders = np.argsort(-said, axis=1, kind="stable")
    return [tuple(CRITERIA[1 + j] for j in order[:n]) for order, n in zip(orders, numbers, strict=True)]


def _wishes(rng: np.random.Generator, distance: FloatArray, fussiness: FloatArray) -> FloatArray:
    """-1, 0 or 1 as told, from a blurred slope of the liking where the player stands; NaN for the fifth who do not say.

    The slope is the distance to the ideal, more for those who mind it more: who loses little by it asks for nothing.
    """
    blurred = distance * np.sqrt(fussiness) + rng.normal(0.0, 0.5, COUNT)
    told = np.sign(blurred) * (np.abs(blurred) > 0.7)
    return np.where(rng.random(COUNT) < 0.2, np.nan, told + 0.0)


def _scale_use(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lowest, highest and middle mark of each player."""
    table = np.array(list(RATERS.values()))
    kind = rng.choice(len(RATERS), COUNT, p=table[:, 3])
    return table[kind, 0], table[kind, 1], table[kind, 2] + rng.normal(0.0, 0.35, COUNT)
