"""The invented range: tiers, prices, dealers, and how the bench sees a bow of each kind.

Everything here was made up for this demonstration. The words for tiers are places in an imagined countryside; the
prices and masses are of the size usual in the trade (common practice, no source).
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]

SEED = 20261031
INSTRUMENTS = ("violin", "viola", "cello", "double_bass")
LETTERS = {"violin": "VN", "viola": "VA", "cello": "VC", "double_bass": "DB"}
CRITERIA = ("overall", "response", "clarity", "dynamic_range", "steadiness", "off_string", "ease", "tone")
LEADING = {
    "violin": ("tone", "clarity", "response", "off_string"),
    "viola": ("tone", "response", "dynamic_range", "clarity"),
    "cello": ("response", "dynamic_range", "tone", "steadiness"),
    "double_bass": ("response", "clarity", "dynamic_range", "steadiness"),
}
SETTINGS = ("orchestra", "theatre", "chamber", "solo", "early_music", "jazz", "folk", "study", "teaching")
TRAITS = ("mass", "stiffness", "balance", "brightness")


@dataclass(frozen=True)
class Tier:
    """One grade of the invented range and its hidden standard.

    Attributes
    ----------
    standard : float
        How much its bows are liked beyond the middle of the range, in points, on average over players.
    lean : tuple of float
        How its bows differ from the usual in mass, stiffness, balance and brightness, in standard deviations.
    count : int
        How many copies of it were made.
    """

    slug: str
    name: str
    instrument: str
    holds: str
    grade: int
    price: int
    count: int
    standard: float
    lean: tuple[float, float, float, float]
    materials: str


@dataclass(frozen=True)
class Dealer:
    """An invented dealer: money, and the habits by which bows are picked for a trial."""

    slug: str
    currency: str
    share: float
    likes_dear: float
    likes_one_tier: float
    likes_light: float
    knows_stock: float


PLAIN = "ipe stick, ebony frog, nickel silver mounts"
FINE = "pernambuco stick, ebony frog, silver mounts"
FINEST = "pernambuco stick, ebony frog, mother-of-pearl slide, gold and silver mounts"

TIERS = (
    Tier("gorse-path", "Gorse Path", "violin", "", 1, 450, 18, -0.40, (0.5, -0.4, 0.2, 0.0), PLAIN),
    Tier("hedge-gate", "Hedge Gate", "violin", "", 2, 950, 17, 0.10, (0.0, 0.2, -0.1, 0.3), PLAIN),
    Tier("mill-race", "Mill Race", "violin", "", 3, 1900, 15, 0.05, (-0.3, 0.5, 0.0, 0.4), FINE),
    Tier("rook-wood", "Rook Wood", "violin", "", 4, 3900, 13, 0.10, (0.4, 0.3, 0.4, -0.6), FINE),
    Tier("frost-meadow", "Frost Meadow", "violin", "", 5, 8400, 12, 0.50, (-0.2, 0.0, -0.2, 0.1), FINEST),
    Tier("salt-marsh", "Salt Marsh", "viola", "", 1, 550, 16, -0.30, (0.4, -0.3, 0.1, 0.2), PLAIN),
    Tier("reed-bank", "Reed Bank", "viola", "", 2, 1300, 15, -0.05, (-0.4, 0.2, -0.2, 0.1), PLAIN),
    Tier("peat-stack", "Peat Stack", "viola", "", 3, 2900, 13, 0.35, (0.2, 0.1, 0.0, -0.4), FINE),
    Tier("alder-pool", "Alder Pool", "viola", "", 4, 6200, 12, 0.25, (-0.1, 0.4, 0.1, 0.2), FINEST),
    Tier("clay-lane", "Clay Lane", "cello", "", 1, 600, 17, -0.35, (0.4, -0.5, 0.3, -0.1), PLAIN),
    Tier("slate-stair", "Slate Stair", "cello", "", 2, 1200, 15, -0.20, (-0.2, 0.4, 0.0, 0.5), PLAIN),
    Tier("barn-door", "Barn Door", "cello", "", 3, 2400, 15, 0.30, (0.3, 0.2, -0.2, 0.0), FINE),
    Tier("thaw-wind", "Thaw Wind", "cello", "", 4, 4600, 12, 0.10, (-0.5, -0.2, 0.3, -0.3), FINE),
    Tier("long-field", "Long Field", "cello", "", 5, 8900, 10, 0.55, (0.0, 0.1, 0.0, 0.1), FINEST),
    Tier("turf-cart", "Turf Cart", "double_bass", "german french", 1, 520, 18, -0.30, (0.5, -0.3, 0.2, 0.1), PLAIN),
    Tier("ferry-rope", "Ferry Rope", "double_bass", "german", 2, 1050, 15, 0.15, (0.0, 0.3, -0.2, 0.2), PLAIN),
    Tier("tide-gate", "Tide Gate", "double_bass", "french", 2, 1150, 14, -0.10, (-0.3, 0.0, 0.2, 0.4), PLAIN),
    Tier("weir-stone", "Weir Stone", "double_bass", "german french", 3, 2100, 18, 0.10, (0.2, 0.4, 0.0, -0.2), FINE),
    Tier("storm-lamp", "Storm Lamp", "double_bass", "german", 4, 3400, 12, 0.05, (-0.4, -0.3, 0.3, 0.3), FINE),
    Tier("harbour-fog", "Harbour Fog", "double_bass", "french", 4, 3600, 11, 0.35, (0.1, 0.2, -0.1, -0.5), FINE),
    Tier("deep-well", "Deep Well", "double_bass", "german french", 5, 5900, 12, 0.45, (0.0, 0.1, 0.0, 0.0), FINEST),
)

DEALERS = (
    Dealer("quince-court", "EUR", 0.40, likes_dear=1.0, likes_one_tier=0.0, likes_light=0.0, knows_stock=0.6),
    Dealer("old-tramshed", "EUR", 0.35, likes_dear=-0.3, likes_one_tier=2.0, likes_light=0.0, knows_stock=0.0),
    Dealer("lower-ferry", "GBP", 0.25, likes_dear=0.2, likes_one_tier=0.0, likes_light=0.8, knows_stock=0.2),
)

# (dealer, tier) -> price where it differs from the maker's, in the dealer's own currency.
OWN_PRICES = {
    ("quince-court", "mill-race"): 1980,
    ("quince-court", "frost-meadow"): 8900,
    ("quince-court", "alder-pool"): 6500,
    ("quince-court", "long-field"): 9200,
    ("quince-court", "weir-stone"): 2180,
    ("old-tramshed", "gorse-path"): 420,
    ("old-tramshed", "clay-lane"): 560,
    ("old-tramshed", "ferry-rope"): 990,
}
POUNDS_PER_EURO = 0.86


@dataclass(frozen=True)
class Build:
    """Mean and standard deviation of what the bench measures on one kind of bow: (mean, sd) each."""

    mass_g: tuple[float, float]
    length_mm: tuple[float, float]
    balance_mm: tuple[float, float]
    stiffness_n_per_m: tuple[float, float]


BUILDS = {
    ("violin", ""): Build((60.5, 1.6), (745.0, 2.0), (190.0, 5.0), (152.0, 12.0)),
    ("viola", ""): Build((70.5, 2.0), (742.0, 2.5), (184.0, 5.0), (172.0, 14.0)),
    ("cello", ""): Build((80.5, 2.2), (714.0, 2.5), (174.0, 5.0), (236.0, 18.0)),
    ("double_bass", "french"): Build((132.0, 3.5), (705.0, 5.0), (168.0, 6.0), (340.0, 26.0)),
    ("double_bass", "german"): Build((139.0, 4.0), (765.0, 6.0), (192.0, 7.0), (365.0, 28.0)),
}


def price_at(dealer: Dealer, tier: Tier) -> int:
    """Price of a tier as a player pays it at a dealer, in the dealer's currency."""
    own = OWN_PRICES.get((dealer.slug, tier.slug))
    if own is not None:
        return own
    if dealer.currency == "GBP":
        return round(tier.price * POUNDS_PER_EURO / 10) * 10
    return tier.price


def middle_grade(instrument: str) -> float:
    """Mean grade of the tiers of an instrument."""
    return float(np.mean([tier.grade for tier in TIERS if tier.instrument == instrument]))
