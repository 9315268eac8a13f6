"""What came of a trial: a bow kept, more asked for, none, or a bow kept and brought back."""

from dataclasses import dataclass

import numpy as np

from seed_data.catalogue import FloatArray, IntArray
from seed_data.people import People

TROUBLE = 1.6
READY = 0.55
PRICE_WEIGHT = 0.45


@dataclass(frozen=True)
class Felt:
    """Bows tried, the mean liking felt for each (points), their prices, and the own bow's liking where played."""

    bows: IntArray
    liking: FloatArray
    price: FloatArray
    own: float | None


@dataclass(frozen=True)
class Decision:
    """The outcome, days after the trial, the bow kept, the reason, and days until it came back."""

    outcome: str
    after: int
    reason: str
    kept: int | None = None
    back_after: int | None = None
    back_reason: str = ""


def decide(rng: np.random.Generator, people: People, player: int, felt: Felt, *, last: bool) -> Decision:
    """Weigh the best bow against the own one, its price and the trouble of changing; who comes again keeps none yet.

    The costs are those of a buyer, not of a model: a threshold for any change, the price against the budget, and
    nearly half who are not ready to buy whatever they played.
    """
    budget = people.budget[player]
    reference = float(np.median(felt.price)) if np.isnan(budget) else float(budget)
    own = 4.6 if felt.own is None else felt.own
    advantage = felt.liking - own - TROUBLE
    gain = advantage - PRICE_WEIGHT * np.log(felt.price / reference) + rng.gumbel(0.0, 0.35, felt.bows.size)
    best = int(np.argmax(gain))
    after = int(rng.integers(0, 6))
    ready = last and rng.random() < READY
    if ready and gain[best] > 0.0:
        return _keep(rng, int(felt.bows[best]), after)
    if gain[best] > -1.0 and rng.random() < (0.25 if last else 0.75):
        return Decision("more_asked", after, "")
    too_dear = bool(np.max(advantage) > 0.0)
    return Decision(
        "none", after, "price" if too_dear else str(rng.choice(["sound", "handling", "undecided", "other"]))
    )


def _keep(rng: np.random.Generator, bow: int, after: int) -> Decision:
    """Keep a bow; one in nine comes back after a week or three."""
    reason = str(rng.choice(["sound", "handling", "price", ""], p=[0.45, 0.25, 0.1, 0.2]))
    if rng.random() < 0.11:
        back = int(rng.integers(7, 22))
        return Decision("kept", after, reason, bow, back, str(rng.choice(["sound", "handling", "price"])))
    return Decision("kept", after, reason, bow)
