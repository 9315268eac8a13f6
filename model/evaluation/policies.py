"""What the named copies would have won against rules of thumb, among the bows that held-out trials did hold.

Each rule picks as many of the affordable bows played; what it wins is the best mark among them, less that of the own bow.
Where a rule leaves open which copies of a tier are taken, the mean over all of them counts.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from model.choice import Offer
from model.domain.arrays import Floats, Ints
from model.domain.records import Trial, mean_overall
from model.evaluation.metrics import ClusteredMean
from model.preference import Prediction

BOWS = 2
"""How many bows each rule picks: a trial seldom holds more than four."""


@dataclass(frozen=True, slots=True)
class HeldOutTrial:
    """One held-out trial: the n copies played, marked by all that the player compares them by.

    Attributes
    ----------
    tier : (n,) slugs.
    expected : (n,) the model's expectation of the mark, told before the trial.
    mark : (n,) as rated, the mean where one was played twice.
    own : the own bow's mark, NaN where not rated; 5 where the player has none.
    """

    trial: str
    player: str
    tier: tuple[str, ...]
    expected: Floats
    mark: Floats
    own: float


@dataclass(frozen=True, slots=True)
class PolicyComparison:
    """The model's picks against those of one rule, over the trials where the two may differ.

    Attributes
    ----------
    trials : trials with more affordable bows than are picked.
    differing, players : those of them where the rules differ, and of how many players.
    model, rule : the best mark picked less the own bow's, in points, where the own bow was rated.
    better : the model's best mark less the rule's, paired, in points.
    """

    rule: str
    bows: int
    trials: int
    differing: int
    players: int
    model: ClusteredMean
    rule_won: ClusteredMean
    better: ClusteredMean


def visit(outlook: Prediction, trial: Trial) -> HeldOutTrial | None:
    """Return a trial as it came out beside what was expected; None with fewer than two bows fully marked."""
    place = {serial: k for k, serial in enumerate(outlook.stock.serials)}
    given = {str(copy): mark for copy, mark in mean_overall(trial.runs).items() if copy in place}
    if len(given) < 2:
        return None
    k = np.array([place[serial] for serial in given], dtype=np.intp)
    of_tier = outlook.stock.tier[k]
    return HeldOutTrial(
        trial=trial.key,
        player=trial.player,
        tier=tuple(outlook.tiers[t].slug for t in of_tier.tolist()),
        expected=outlook.mean[of_tier] + outlook.stock.offset[k],
        mark=np.array(list(given.values())),
        own=outlook.own_level if outlook.own_level_given else np.nan,
    )


Held = Mapping[str, Ints]
"""Places of the affordable copies by tier, the cheapest tier first."""


def _held(seen: HeldOutTrial, offer: Offer) -> Held:
    """Return the affordable copies by tier; a tier without a price is left out."""
    budget = np.inf if offer.budget is None else offer.budget
    price = {tier: offer.prices[tier] for tier in set(seen.tier) & offer.prices.keys() if offer.prices[tier] <= budget}
    tiers = np.array(seen.tier)
    return {tier: np.flatnonzero(tiers == tier) for tier in sorted(price, key=lambda tier: (price[tier], tier))}


def _dearest(held: Held, bows: int) -> dict[str, int]:
    """Return so many of the dearest tier, then of the next ones where it has fewer."""
    return _filled({}, held, bows)


def _spread(held: Held, bows: int) -> dict[str, int]:
    """Return so many over the cheapest, the middle and the dearest tier, the dearer ones first."""
    tiers = list(held)
    chosen = [tiers[place] for place in sorted({0, (len(tiers) - 1) // 2, len(tiers) - 1}, reverse=True)]
    wanted = {tier: bows // len(chosen) + (place < bows % len(chosen)) for place, tier in enumerate(chosen)}
    return _filled(wanted, held, bows)


def _filled(wanted: Mapping[str, int], held: Held, bows: int) -> dict[str, int]:
    """Return the counts there are copies for, and what is missing from the dearest tiers with copies left."""
    counts = {tier: min(count, len(held[tier])) for tier, count in wanted.items()}
    for tier in reversed(list(held)):
        missing = bows - sum(counts.values())
        counts[tier] = min(counts.get(tier, 0) + missing, len(held[tier]))
    return counts


POLICIES: Mapping[str, Callable[[Held, int], dict[str, int]]] = {
    "as many of the dearest affordable tier": _dearest,
    "spread over three affordable tiers": _spread,
}


def _cases(counts: Mapping[str, int], held: Held) -> list[frozenset[int]]:
    """Return every set of copies that such counts may mean."""
    by_tier = [combinations(held[tier].tolist(), count) for tier, count in counts.items() if count]
    return [frozenset(place for part in case for place in part) for case in product(*by_tier)]


def compare_policies(
    visits: Sequence[HeldOutTrial], offers: Mapping[str, Offer], bows: int = BOWS
) -> tuple[PolicyComparison, ...]:
    """Compare the model's first ``bows`` named copies with each rule's picks.

    Parameters
    ----------
    visits : trials of players held out of the fit.
    offers : by trial what its player could pay; a trial without is left out.
    """
    told = [(seen, _held(seen, offers[seen.trial])) for seen in visits if seen.trial in offers]
    open_ = [(seen, held) for seen, held in told if sum(map(len, held.values())) > bows]
    return tuple(_win(name, rule, open_, bows) for name, rule in POLICIES.items())


def _win(
    name: str, rule: Callable[[Held, int], dict[str, int]], visits: Sequence[tuple[HeldOutTrial, Held]], bows: int
) -> PolicyComparison:
    rows = []
    for seen, held in visits:
        affordable = np.concatenate(list(held.values()))
        picked = affordable[np.argsort(-seen.expected[affordable], kind="stable")[:bows]]
        cases = _cases(rule(held, bows), held)
        if set(cases) != {frozenset(picked.tolist())}:
            theirs = float(np.mean([seen.mark[list(case)].max() for case in cases]))
            rows.append((seen.player, float(seen.mark[picked].max()), theirs, seen.own))
    player = np.array([row[0] for row in rows])
    ours, theirs_, own = np.array([row[1:] for row in rows], dtype=np.float64).reshape(-1, 3).T
    rated = np.isfinite(own)
    return PolicyComparison(
        rule=name,
        bows=bows,
        trials=len(visits),
        differing=len(rows),
        players=len(set(player.tolist())),
        model=ClusteredMean.of((ours - own)[rated], player[rated]),
        rule_won=ClusteredMean.of((theirs_ - own)[rated], player[rated]),
        better=ClusteredMean.of(ours - theirs_, player),
    )
