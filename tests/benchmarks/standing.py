"""How long standing and composing take, and what going by the posterior mean wins over going by the marks: an invented range."""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from model.blinding import order
from model.composing import of_named, ranked
from model.personal import outlook
from model.preference import PreferenceModel
from model.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier
from model.shortlist import propose
from model.stopping import Standing, standing
from model.view import View
from model.vocabulary import CRITERIA, Criterion, Instrument
from tests.benchmarks._figures import Floats, table, timed

OVERALL = Criterion.OVERALL
TIERS, COPIES, BOWS = 5, 500, 6
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


def _times(view: View, rng: np.random.Generator, repeats: int) -> str:
    serials = list(view.range.copies)
    six = [str(serial) for serial in rng.choice(serials, BOWS, replace=False)]
    sheets, prices = _sheets(rng, six, 1), {slug: 1000.0 * tier.grade for slug, tier in view.range.tiers.items()}
    look = outlook(view, ANSWERS)

    def compose() -> object:
        fresh = outlook(view, ANSWERS)
        proposed = propose(fresh, prices, budget=4000.0, stock=fresh.stock.only(serials))
        return ranked(view, fresh, serials), of_named(fresh, proposed.bring)

    calls: list[tuple[str, Callable[[], object]]] = [
        (f"standing, {BOWS} bows, {len(sheets)} sheets of 8 criteria", lambda: standing(view, ANSWERS, sheets)),
        ("standing, 3 bows, 3 sheets", lambda: standing(view, ANSWERS, sheets[:3], remaining=six)),
        (f"composing from {COPIES} copies: outlook, plan, reasons, case", compose),
        ("a swap: what six named copies are worth", lambda: of_named(look, six)),
        ("the same for copies of two tiers", lambda: of_named(look, serials[0:12:TIERS] + serials[1:13:TIERS])),
        (f"reasons of {COPIES} copies", lambda: ranked(view, look, serials)),
    ]
    return table(["", "wall ms", "CPU ms"], [[name, *_median(call, repeats)] for name, call in calls])


@dataclass(frozen=True, slots=True)
class _World:
    """Likings drawn as the beliefs describe them, of one player for so many copies of one tier and the own bow (last)."""

    true: Floats
    noise: float

    @classmethod
    def draw(cls, view: View, rng: np.random.Generator, copies: int) -> "_World":
        posterior, overall = view.posterior, 0
        apart = np.hypot(posterior.copy_sd[overall], posterior.match_sd[overall])
        level = 4.4 + rng.normal(0, posterior.player_sd[overall])
        likings = np.append(level + rng.normal(0, apart, copies), level + rng.normal(0, 0.5))
        return cls(likings, float(posterior.repeat_sd[overall]))

    def mark(self, bow: int, rng: np.random.Generator) -> float:
        return float(np.clip(np.round(self.true[bow] + rng.normal(0, self.noise)), 1, 7))


def _won(view: View, rng: np.random.Generator, number: int, bows: int) -> tuple[float, float, float]:
    """Return true liking above the own bow's of the bow taken by posterior mean, by marks, and of the truly best one."""
    world = _World.draw(view, rng, bows)
    serials = [serial for serial, copy in view.range.copies.items() if copy.tier == "t3"][:bows]
    slots = order(bows, number, repeat=number % 3 == 0, rotation=number).slots
    sheets = [
        Run(slot.position, None if slot.bow is None else serials[slot.bow], {OVERALL: world.mark(bow, rng)})
        for slot in slots
        for bow in [bows if slot.bow is None else slot.bow]
    ]
    found = standing(view, Answers(Instrument.VIOLIN), sheets, can_bring=0)
    place = {serial: at for at, serial in enumerate(serials)} | {None: bows}
    taken = world.true[[place[found.bows[0].copy], place[_by_marks(found, rng)]]] - world.true[bows]
    return float(taken[0]), float(taken[1]), float(world.true.max() - world.true[bows])


def _by_marks(found: Standing, rng: np.random.Generator) -> str | None:
    """Return the bow with the highest mean mark, one of them at random where several have it."""
    marks = [(-np.inf if bow.mark is None else bow.mark) for bow in found.bows]
    return found.bows[int(rng.choice(np.flatnonzero(np.array(marks) == max(marks))))].copy


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks standing", description=__doc__)
    parser.add_argument("--repeats", type=int, default=50, help="calls of each kind (50)")
    parser.add_argument("--trials", type=int, default=1000, help="drawn trials (1000)")
    arguments, rng = parser.parse_args(argv), np.random.default_rng(5)
    view = PreferenceModel(_range(rng)).fit([]).view_
    print(_times(view, rng, arguments.repeats))
    won = np.array([_won(view, rng, number, 4) for number in range(arguments.trials)])
    mean, error = won.mean(axis=0), won.std(axis=0, ddof=1) / np.sqrt(len(won))
    print(f"\nFour bows and the own one, {len(won)} drawn trials; points above the own bow:")
    print(f"  by posterior mean {mean[0]:.3f} (+-{error[0]:.3f}), by marks {mean[1]:.3f}, the truly best {mean[2]:.3f}")
    gap = won[:, 0] - won[:, 1]
    print(f"  posterior mean over marks {gap.mean():+.4f} (+-{gap.std(ddof=1) / np.sqrt(len(gap)):.4f})")
    return 0
