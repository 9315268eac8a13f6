"""After each sheet: how the bows of a trial stand with this player, which is the best, and whether to go on.

The standing is the joint law of the bows' true liking given all ratings and blind pairs so far; the recommendation goes by its
means, not by the marks as given, because a mean counts how far one rating may be trusted. What more playing is worth is the expected gain of the
bow that would be taken after it over the one that would be taken now.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from scipy.special import ndtri

from model.choice import price_penalty
from model.domain.arrays import Floats
from model.domain.records import Answers, Run, mean_overall
from model.domain.vocabulary import HIGHEST, LOWEST, Blinding, Criterion
from model.preference import LIKING, CataloguePosterior, Player
from model.trial.joint import JointPosterior, joint_posterior
from model.trial.knowledge_gradient import (
    append_unknown_copies,
    expected_max_after,
    knowledge_gradient,
    p_best,
    predictive_change,
)
from model.trial.pairs import Compared, condition_on_pairs

__all__ = [
    "Action",
    "BowStatus",
    "Compared",
    "Rationale",
    "RationaleCode",
    "Recommendation",
    "TrialStatus",
    "drift",
    "repeat_difference",
    "trial_status",
]


LEVEL = 0.9
"""Probability that a bow's interval holds its true liking."""
CLEAR = 0.8
"""From this probability of being the best here on, no more plays are asked for (a judgement)."""
MAY_MATTER = 0.05
"""Bows still to come are played where they may be the best with this probability (a judgement)."""
PLAY_COST = 0.02
"""What playing a bow once more has to be worth, in points: about five minutes of attention (a judgement)."""
MOST_MORE = 2
"""Ask for one or two more bows at a time, then look again."""


class Action(StrEnum):
    """What to do next."""

    GO_ON = "go_on"
    REPLAY = "replay"
    BRING_MORE = "bring_more"
    STOP = "stop"


class RationaleCode(StrEnum):
    """Why this is advised; the values that come with a code are named beside it.

    Attributes
    ----------
    NOTHING_RATED : no sheet has a rating yet.
    BOWS_TO_COME : ``unplayed`` bows may be the best with ``probability``.
    PLAYS_TO_COME : all bows were played, ``plays`` are left of the order, and the leader is the best with ``probability`` only.
    TOO_CLOSE : ``lead`` points between the two; playing both again is expected to win ``gain``.
    MORE_MAY_BE_BETTER : so many copies more are expected to win ``gain`` over the best one here.
    CLEAR : it is the best here with ``probability``.
    NOTHING_TO_WIN : it is the best here with ``probability`` only, but more playing is expected to win no more than ``gain``,
        which is not worth the effort.
    """

    NOTHING_RATED = "nothing_rated"
    BOWS_TO_COME = "bows_to_come"
    PLAYS_TO_COME = "plays_to_come"
    TOO_CLOSE = "too_close"
    MORE_MAY_BE_BETTER = "more_may_be_better"
    CLEAR = "clear"
    NOTHING_TO_WIN = "nothing_to_win"


@dataclass(frozen=True, slots=True)
class Rationale:
    """Why something is said, and the numbers to say it with."""

    code: RationaleCode
    values: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Recommendation:
    """One thing to do.

    Attributes
    ----------
    say, reason : what, and why.
    bows : REPLAY: the two; STOP: the one to take, None in it is the own bow ('keep your own'); else none.
    tier, copies : BRING_MORE: what to bring, one or two; else None and 0.
    differs_from_marks : the leader is not the bow (or one of the bows) with the highest mean mark so far.
    pairs : how many blind pairs are counted in.
    against_pairs : another bow here was preferred to the leader in more of their pairs than not.
    """

    say: Action
    reason: Rationale
    bows: tuple[str | None, ...] = ()
    tier: str | None = None
    copies: int = 0
    differs_from_marks: bool = False
    pairs: int = 0
    against_pairs: bool = False


@dataclass(frozen=True, slots=True)
class BowStatus:
    """How one bow stands.

    Attributes
    ----------
    copy : serial; None: the own bow.
    mean, low, high : expected liking, and the interval that holds the true one with probability .9; within 1 to 7.
    mark : mean of its overall ratings in this trial; None where there are none.
    plays : its sheets in this trial.
    best : probability that it is the best of the bows played.
    """

    copy: str | None
    mean: float
    low: float
    high: float
    mark: float | None
    plays: int
    best: float


@dataclass(frozen=True, slots=True)
class TrialStatus:
    """Where a trial stands.

    Attributes
    ----------
    bows : those played, and the own bow where it was rated before the trial; highest expected liking first.
    recommendation : what to do.
    """

    bows: tuple[BowStatus, ...]
    recommendation: Recommendation
    _table: "_Table" = field(repr=False, compare=False)

    @property
    def improvement(self) -> Mapping[str, float]:
        """Tier -> expected gain, in points, of one more unknown copy of it, rated once, over the best bow here; empty before the first bow."""
        return _improvement(self._table)


def trial_status(
    view: CataloguePosterior,
    answers: Answers,
    runs: Sequence[Run],
    *,
    compared: Sequence[Compared] = (),
    blinding: Blinding = Blinding.BLIND,
    remaining: Sequence[str | None] = (),
    prices: Mapping[str, float] | None = None,
    carry_cost: float = 0.05,
    can_replay: bool = True,
    can_bring: int | Mapping[str, int] = MOST_MORE,
) -> TrialStatus:
    """Say how the bows stand after the sheets so far, and what to do.

    Parameters
    ----------
    runs : the sheets so far, in any order; a copy may be among them more than once, and so may the own bow (None).
    compared : bows put against each other, pair by pair.
    blinding : what the player sees of the bows.
    remaining : what the order still holds, serials and None for the own bow; second plays count too.
    prices : by slug, of the tiers of which more could be brought, in one currency: a dearer one has to be liked better by what its
        price weighs beyond the cheapest's. None: of every tier, whatever the price.
    carry_cost : what bringing one more bow costs, in points.
    can_replay : whether there is time to play two bows again.
    can_bring : how many more bows may be asked for, of any tier or by slug; 0: none.

    Raises
    ------
    ValueError
        A number out of range, or a copy that is not in the range or does not suit the player's instrument and hold.
    """
    _check(carry_cost, can_bring)
    player = Player(view, answers, runs, blinding)
    played = _played(answers, runs)
    unplayed = tuple(bow for bow in dict.fromkeys(remaining) if bow not in played)
    law = _law(player, LIKING, (*played, *unplayed), compared)
    table = _Table(law, len(played), p_best(_mean(law, len(played)), _cov(law, len(played))))
    offers = _Offers.of(table, prices, view.posterior.keeping.price_weight, carry_cost, can_bring)
    said = _recommend(table, _Plays(runs, tuple(remaining), can_replay), offers)
    said = replace(said, pairs=sum(each.pairs for each in compared), against_pairs=_against_pairs(table, compared))
    return TrialStatus(_stands(table, runs), said, table)


def _law(player: Player, weights: Floats, bows: tuple[str | None, ...], compared: Sequence[Compared]) -> JointPosterior:
    """Return the law of some bows with what pairs tell of them; a bow of a pair that is none of them tells of the other."""
    paired = dict.fromkeys(bow for each in compared for bow in (each.first, each.second))
    beside = [bow for bow in paired if bow not in bows]
    return condition_on_pairs(joint_posterior(player, weights, (*bows, *beside)), compared).first(len(bows))


def drift(runs: Sequence[Run], criterion: Criterion = Criterion.OVERALL) -> float | None:
    """Return by how many points the own bow was rated higher at the end than at first; None where it was not rated twice."""
    return _differences(runs, criterion).get(None)


def repeat_difference(runs: Sequence[Run], criterion: Criterion = Criterion.OVERALL) -> Mapping[str, float]:
    """Return, for each copy rated more than once, by how many points it was rated higher the last time than the first."""
    return {copy: value for copy, value in _differences(runs, criterion).items() if copy is not None}


def _differences(runs: Sequence[Run], criterion: Criterion) -> dict[str | None, float]:
    marks: dict[str | None, list[float]] = {}
    for run in sorted(runs, key=lambda run: run.position):
        if criterion in run.ratings:
            marks.setdefault(run.copy, []).append(run.ratings[criterion])
    return {copy: given[-1] - given[0] for copy, given in marks.items() if len(given) > 1}


def _check(carry_cost: float, can_bring: int | Mapping[str, int]) -> None:
    if not (math.isfinite(carry_cost) and carry_cost >= 0):
        msg = f"carry_cost: got {carry_cost}, expected 0 points or more"
        raise ValueError(msg)
    if min([can_bring] if isinstance(can_bring, int) else can_bring.values(), default=0) < 0:
        msg = f"can_bring: got {can_bring}, expected 0 bows or more"
        raise ValueError(msg)


def _played(answers: Answers, runs: Sequence[Run]) -> tuple[str | None, ...]:
    """Return the bows that stand against each other, each once; the own bow too where it was rated before."""
    bows = dict.fromkeys(run.copy for run in runs)
    if answers.own_bow is not None and answers.own_bow.ratings:
        bows.setdefault(None)
    return tuple(bows)


def _mean(law: JointPosterior, count: int) -> Floats:
    """Return (count,) the expected liking of the first bows."""
    return law.bows_mean[:count]


def _cov(law: JointPosterior, count: int) -> Floats:
    return law.bows_cov[:count, :count]


@dataclass(frozen=True, slots=True)
class _Table:
    """The law, how many of its bows were played (they come first), and each one's probability of being the best of them."""

    law: JointPosterior
    played: int
    best: Floats

    @property
    def leader(self) -> int:
        """The place of the played bow with the highest expected liking."""
        return int(np.argmax(self.mean))

    @property
    def mean(self) -> Floats:
        return _mean(self.law, self.played)

    @property
    def cov(self) -> Floats:
        return _cov(self.law, self.played)

    @property
    def bows(self) -> tuple[str | None, ...]:
        return self.law.bows[: self.played]

    def worth_of_new(self, tier: int, copies: int, cost: float = 0.0) -> float:
        """Return what so many unknown copies of a tier, rated once each, are expected to win over the leader.

        ``cost`` is what their price weighs against their liking, in points.
        """
        law, first = self.law, len(self.law.tiers)
        bows = range(first, first + self.played)
        mean, cov = append_unknown_copies(law.mean, law.cov, tier, bows, float(law.spread[tier]), copies)
        new = range(self.played, self.played + copies)
        mean[self.played :] -= cost
        return max(0.0, expected_max_after(mean, predictive_change(cov, new, law.noise)) - float(np.max(self.mean)))


@dataclass(frozen=True, slots=True)
class _Plays:
    """The sheets so far, what the order still holds, and whether there is time for more."""

    runs: Sequence[Run]
    remaining: tuple[str | None, ...]
    can_replay: bool


@dataclass(frozen=True, slots=True)
class _Offers:
    """What may be brought: tier's place -> points that its price weighs against a copy of it, and how many copies at a time."""

    cost: Mapping[int, float]
    carry_cost: float
    most: Mapping[int, int]

    @classmethod
    def of(
        cls,
        table: _Table,
        prices: Mapping[str, float] | None,
        weight: float,
        carry_cost: float,
        can_bring: int | Mapping[str, int],
    ) -> "_Offers":
        slugs = table.law.tiers
        there = can_bring if isinstance(can_bring, Mapping) else dict.fromkeys(slugs, can_bring)
        most = {t: min(there.get(slug, 0), MOST_MORE) for t, slug in enumerate(slugs)}
        offered = [t for t, slug in enumerate(slugs) if most[t] and (prices is None or slug in prices)]
        cost = dict.fromkeys(offered, 0.0)
        if prices is not None and offered:
            price = np.array([prices[slugs[t]] for t in offered], dtype=np.float64)
            points = price_penalty(weight, price, float(np.median(price)))
            cost = dict(zip(offered, (points - points.min()).tolist(), strict=True))
        return cls(cost, carry_cost, most)


@dataclass(frozen=True, slots=True)
class _Option:
    """Something worth doing: the recommendation, and what it is expected to win net of its effort."""

    recommendation: Recommendation
    gain: float
    net: float


def _recommend(table: _Table, plays: _Plays, offers: _Offers) -> Recommendation:
    """Choose one thing to do: play on, else what wins most net of its effort, else stop."""
    differs = _differs_from_marks(table, plays.runs)
    going = _go_on(table, plays, differs)
    if going is not None:
        return going
    options = [option for option in (_replay(table, plays, differs), _bring(table, offers, differs)) if option]
    worth = [option for option in options if option.net > 0]
    if worth:
        return max(worth, key=lambda option: option.net).recommendation
    return _stop(table, max((option.gain for option in options), default=0.0), differs)


def _go_on(table: _Table, plays: _Plays, differs: bool) -> Recommendation | None:
    """Return 'go on' where nothing was rated, or where what the order still holds may matter."""
    if not any(run.ratings for run in plays.runs):
        return Recommendation(Action.GO_ON, Rationale(RationaleCode.NOTHING_RATED))
    unplayed = len(table.law.bows) - table.played
    if unplayed:
        probability = float(p_best(table.law.bows_mean, table.law.bows_cov)[table.played :].sum())
        if probability >= MAY_MATTER:
            values = {"unplayed": float(unplayed), "probability": probability}
            return Recommendation(
                Action.GO_ON, Rationale(RationaleCode.BOWS_TO_COME, values), differs_from_marks=differs
            )
    again = sum(bow in table.bows for bow in plays.remaining)
    probability = float(table.best[table.leader])
    if again and table.played > 1 and probability < CLEAR:
        values = {"plays": float(again), "probability": probability}
        return Recommendation(Action.GO_ON, Rationale(RationaleCode.PLAYS_TO_COME, values), differs_from_marks=differs)
    return None


def _replay(table: _Table, plays: _Plays, differs: bool) -> _Option | None:
    """Return what playing the leader and its closest rival again is worth; None where the leader is clear."""
    leader = table.leader
    if not plays.can_replay or table.played < 2 or table.best[leader] >= CLEAR:
        return None
    noise = table.law.noise
    gains = {
        other: knowledge_gradient(table.mean, table.cov, (leader, other), noise)
        for other in range(table.played)
        if other != leader
    }
    rival = max(gains, key=lambda other: gains[other])
    values = {"lead": float(table.mean[leader] - table.mean[rival]), "gain": gains[rival]}
    said = Recommendation(
        Action.REPLAY,
        Rationale(RationaleCode.TOO_CLOSE, values),
        bows=(table.bows[leader], table.bows[rival]),
        differs_from_marks=differs,
    )
    return _Option(said, gains[rival], gains[rival] - 2 * PLAY_COST)


def _bring(table: _Table, offers: _Offers, differs: bool) -> _Option | None:
    """Return what one or two more copies of the tier that wins most are worth; None where none can be brought."""
    if not offers.cost:
        return None
    net = {t: table.worth_of_new(t, 1, cost) for t, cost in offers.cost.items()}
    tier = max(net, key=lambda t: net[t])
    copies, worth = 1, net[tier]
    if offers.most[tier] > 1:
        two = table.worth_of_new(tier, 2, offers.cost[tier])
        if two - worth > offers.carry_cost:
            copies, worth = 2, two
    gain = table.worth_of_new(tier, copies)
    said = Recommendation(
        Action.BRING_MORE,
        Rationale(RationaleCode.MORE_MAY_BE_BETTER, {"gain": gain}),
        tier=table.law.tiers[tier],
        copies=copies,
        differs_from_marks=differs,
    )
    return _Option(said, gain, worth - copies * offers.carry_cost)


def _stop(table: _Table, gain: float, differs: bool) -> Recommendation:
    probability = float(table.best[table.leader])
    code = RationaleCode.CLEAR if probability >= CLEAR else RationaleCode.NOTHING_TO_WIN
    reason = Rationale(code, {"probability": probability, "gain": gain})
    return Recommendation(Action.STOP, reason, bows=(table.bows[table.leader],), differs_from_marks=differs)


def _differs_from_marks(table: _Table, runs: Sequence[Run]) -> bool:
    marks = mean_overall(runs)
    return bool(marks) and marks.get(table.bows[table.leader], -math.inf) < max(marks.values())


def _against_pairs(table: _Table, compared: Sequence[Compared]) -> bool:
    if not table.played:
        return False
    leader = table.bows[table.leader]
    lost = (each for each in compared if (each.lost if each.first == leader else each.won) * 2 > each.pairs)
    return any(leader in (each.first, each.second) for each in lost)


def _improvement(table: _Table) -> dict[str, float]:
    if not table.played:
        return {}
    return {slug: table.worth_of_new(t, 1) for t, slug in enumerate(table.law.tiers)}


def _stands(table: _Table, runs: Sequence[Run]) -> tuple[BowStatus, ...]:
    """Return the played bows, highest expected liking first."""
    marks, order = mean_overall(runs), np.argsort(-table.mean, kind="stable")
    reach = ndtri((1 + LEVEL) / 2) * np.sqrt(np.diag(table.cov))
    mean, low, high = np.clip([table.mean, table.mean - reach, table.mean + reach], LOWEST, HIGHEST)
    return tuple(
        BowStatus(
            copy=table.bows[at],
            mean=float(mean[at]),
            low=float(low[at]),
            high=float(high[at]),
            mark=marks.get(table.bows[at]),
            plays=sum(run.copy == table.bows[at] for run in runs),
            best=float(table.best[at]),
        )
        for at in order.tolist()
    )
