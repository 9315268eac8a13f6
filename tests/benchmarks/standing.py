"""How long standing and composing take, and what going by the standing wins over going by the marks."""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import LIKING
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import predict_player, prediction_of
from model.trial import Offer, of_named, propose
from model.trial.composing import ranked
from model.trial.joint import JointPosterior, joint_posterior
from model.trial.order import order
from model.trial.stopping import PLAY_COST, Action, Recommendation, TrialStatus, trial_status
from tests.benchmarks._figures import table, timed

OVERALL = Criterion.OVERALL
TIERS, COPIES, BOWS = 5, 500, 6
HEARD, SHELF, CARRY_COST = 4, 12, 0.05
ANSWERS = Answers(
    Instrument.VIOLIN,
    priorities=(Criterion.TONE, Criterion.RESPONSE, Criterion.EASE),
    own_bow=OwnBow(ratings={OVERALL: 4.0}),
)


def _range(rng: np.random.Generator) -> Range:
    tiers = {f"t{grade}": Tier(f"t{grade}", Instrument.VIOLIN, grade) for grade in range(1, TIERS + 1)}
    copies = [
        Copy(f"c{k:03d}", f"t{1 + k % TIERS}", bench=Bench(mass_g=rng.normal(60, 1), balance_mm=rng.normal(250, 4)))
        for k in range(COPIES)
    ]
    return Range(tiers, {copy.serial: copy for copy in copies})


def _sheets(rng: np.random.Generator, serials: Sequence[str], seed: int) -> list[Run]:
    """Return a whole trial's sheets, every criterion rated at random."""
    slots = order(len(serials), seed, repeat=True, rotation=seed).slots
    marks = rng.integers(2, 8, size=(len(slots), len(CRITERIA)))
    return [
        Run(
            slot.position,
            None if slot.bow is None else serials[slot.bow],
            {criterion: float(mark) for criterion, mark in zip(CRITERIA, row, strict=True)},
        )
        for slot, row in zip(slots, marks, strict=True)
    ]


def _median(call: Callable[[], object], repeats: int) -> tuple[str, str]:
    """Return the median wall and CPU time in milliseconds; the first call, which fills caches, is not counted."""
    call()
    spent = [timed(call)[1] for _ in range(repeats)]
    return f"{np.median([s.wall for s in spent]):.2f}", f"{np.median([s.cpu for s in spent]):.2f}"


def _times(view: CataloguePosterior, rng: np.random.Generator, repeats: int) -> str:
    serials = list(view.range.copies)
    six = [str(serial) for serial in rng.choice(serials, BOWS, replace=False)]
    sheets, prices = _sheets(rng, six, 1), {slug: 1000.0 * tier.grade for slug, tier in view.range.tiers.items()}
    look, asking = predict_player(view, ANSWERS), Player(view, ANSWERS)

    def compose() -> object:
        player = Player(view, ANSWERS)
        fresh = prediction_of(player)
        proposed = propose(player, fresh, (), Offer(prices=prices, budget=4000.0, at_hand=frozenset(serials)))
        return ranked(view, fresh, serials), of_named(player, proposed.bring)

    calls: list[tuple[str, Callable[[], object]]] = [
        (f"standing, {BOWS} bows, {len(sheets)} sheets of 8 criteria", lambda: trial_status(view, ANSWERS, sheets)),
        ("standing, 3 bows, 3 sheets", lambda: trial_status(view, ANSWERS, sheets[:3], remaining=six)),
        (f"composing from {COPIES} copies: outlook, plan, reasons, case", compose),
        ("a swap: what six named copies are worth", lambda: of_named(asking, six)),
        ("the same for copies of two tiers", lambda: of_named(asking, serials[0:12:TIERS] + serials[1:13:TIERS])),
        (f"reasons of {COPIES} copies", lambda: ranked(view, look, serials)),
    ]
    return table(["", "wall ms", "CPU ms"], [[name, *_median(call, repeats)] for name, call in calls])


@dataclass
class _World:
    """One player drawn as the beliefs describe players: true likings by bow, None the own one, and what was rated so far."""

    true: dict[str | None, float]
    noise: float
    rng: np.random.Generator
    sheets: list[Run] = field(default_factory=list)

    @classmethod
    def draw(cls, law: JointPosterior, rng: np.random.Generator) -> "_World":
        likings = rng.multivariate_normal(law.bows_mean, law.bows_cov)
        return cls(dict(zip(law.bows, likings.tolist(), strict=True)), law.noise, rng)

    def rate(self, bow: str | None) -> None:
        mark = float(np.clip(np.round(self.true[bow] + self.rng.normal(0, self.noise)), 1, 7))
        self.sheets.append(Run(len(self.sheets) + 1, bow, {OVERALL: mark}))

    def ahead(self, bow: str | None) -> float:
        """Return by how much a bow is truly liked better than the own one."""
        return self.true[bow] - self.true[None]


def _by_marks(found: TrialStatus, rng: np.random.Generator) -> str | None:
    """Return the bow with the highest mean mark, one of them at random where several have it."""
    marks = np.array([(-np.inf if bow.mark is None else bow.mark) for bow in found.bows])
    return found.bows[int(rng.choice(np.flatnonzero(marks == marks.max())))].copy


def _next(world: _World, found: Recommendation, law: JointPosterior, tiers: dict[str, str]) -> list[str | None]:
    """Return the bows to play: the two again, or new copies of the tier."""
    if found.say is Action.REPLAY:
        return list(found.bows)
    rated = {run.copy for run in world.sheets}
    fresh = [bow for bow in law.bows if bow is not None and tiers[bow] == found.tier and bow not in rated]
    return [*fresh[: found.copies]]


def _follow(
    view: CataloguePosterior, world: _World, law: JointPosterior, tiers: dict[str, str], can_bring: int
) -> tuple[float, float]:
    """Do as recommended to the end; return points above the own bow of the bow taken, and the effort in points."""
    world = replace(world, sheets=list(world.sheets))
    start, brought, player = len(world.sheets), 0, Answers(Instrument.VIOLIN)
    found = trial_status(view, player, world.sheets, can_bring=can_bring)
    while found.recommendation.say is not Action.STOP and (bows := _next(world, found.recommendation, law, tiers)):
        for bow in bows:
            world.rate(bow)
        brought += found.recommendation.copies
        found = trial_status(view, player, world.sheets, can_bring=can_bring)
    effort = PLAY_COST * (len(world.sheets) - start - brought) + CARRY_COST * brought
    return world.ahead(found.bows[0].copy), effort


def _trial(
    view: CataloguePosterior, law: JointPosterior, rng: np.random.Generator, number: int
) -> list[tuple[float, float]]:
    """Return what each way of choosing takes home, in points above the own bow, and its effort in points."""
    world = _World.draw(law, rng)
    tiers = {serial: view.range.copies[serial].tier for serial in law.bows if serial is not None}
    case = [bow for bow in law.bows if bow is not None and tiers[bow] == "t3"][:HEARD]
    for slot in order(HEARD, number, repeat=number % 3 == 0, rotation=number).slots:
        world.rate(None if slot.bow is None else case[slot.bow])
    found = trial_status(view, Answers(Instrument.VIOLIN), world.sheets)
    return [
        (world.ahead(_by_marks(found, rng)), 0.0),
        (world.ahead(found.bows[0].copy), 0.0),
        _follow(view, world, law, tiers, 0),
        _follow(view, world, law, tiers, 2),
        (max(map(world.ahead, [*case, None])), 0.0),
    ]


def _gains(view: CataloguePosterior, rng: np.random.Generator, trials: int) -> str:
    player = Player(view, Answers(Instrument.VIOLIN))
    shelf = [serial for place, serial in enumerate(view.range.copies) if place < SHELF * TIERS]
    law = joint_posterior(player, LIKING, (*shelf, None))
    drawn = [_trial(view, law, rng, number) for number in range(trials)]
    won, effort = np.moveaxis(np.array(drawn), -1, 0)
    names = (
        "by marks",
        "by expected liking",
        "as recommended, nothing brought",
        "as recommended",
        f"the truly best of the {HEARD} and the own bow",
    )
    net = won - effort - won[:, [1]]
    rows = [
        [
            name,
            f"{won[:, at].mean():.3f}",
            f"{effort[:, at].mean():.3f}",
            f"{net[:, at].mean():+.4f} +- {net[:, at].std(ddof=1) / np.sqrt(trials):.4f}",
        ]
        for at, name in enumerate(names)
    ]
    return table(["points above the own bow, taken", "won", "effort", "net, over expected liking"], rows)


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks standing", description=__doc__)
    parser.add_argument("--repeats", type=int, default=50, help="calls of each kind (50)")
    parser.add_argument("--trials", type=int, default=500, help="drawn trials (500)")
    arguments, rng = parser.parse_args(argv), np.random.default_rng(5)
    view = PreferenceModel(_range(rng)).fit([]).view_
    print(_times(view, rng, arguments.repeats))
    print(f"\n{arguments.trials} players drawn as believed, {HEARD} bows of the middle tier and the own one:")
    print(_gains(view, rng, arguments.trials))
    return 0
