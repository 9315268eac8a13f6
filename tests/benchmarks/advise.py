"""How long one player's advice takes, and what the answers did to it, against 30 tiers and 500 copies."""

import argparse
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from model.domain.records import Answers, Run
from model.preference import predict
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.prediction import Prediction
from model.preference.serialization import from_bytes, to_bytes
from model.trial import Offer, influence, propose
from tests.benchmarks._figures import Spent, table, timed
from tests.benchmarks._large import COPIES, TIERS, large_history, large_prices, large_range, players

SEED = 20261125
AT_MOST, AIM = 12.0, 4.0
"""Milliseconds a player, median."""
INFLUENCE_AT_MOST = 20.0
"""Of what all answers did, left out one by one."""


@dataclass(frozen=True, slots=True)
class Case:
    """What the players tell."""

    name: str
    rated: bool = True
    tried: int = 0


CASES = (
    Case("own bow rated"),
    Case("own bow rated, 3 bows tried", tried=3),
    Case("own bow not rated", rated=False),
    Case("own bow not rated, 3 bows tried", rated=False, tried=3),
)


@dataclass(frozen=True, slots=True)
class Measured:
    """Times of each player in milliseconds, by case; of the first player of all; and memory in megabytes.

    Attributes
    ----------
    before, peak : largest resident memory with everything imported but nothing loaded, and in the end.
    """

    outlook: dict[str, list[Spent]]
    propose: dict[str, list[Spent]]
    influence: dict[str, list[Spent]]
    load: Spent
    first: Spent
    before: float
    peak: float


def main(argv: Sequence[str]) -> int:
    """Fit to a made-up history, advise players in a fresh process, and print what it took."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks advise", description=__doc__)
    parser.add_argument("--players", type=int, default=400, metavar="N", help="players a case (default: 400)")
    asked = parser.parse_args(argv)
    rng = np.random.default_rng(SEED)
    range_ = large_range(rng)
    trials = large_history(rng, range_)
    model, fitting = timed(lambda: PreferenceModel(range_).fit(trials))
    # A process of its own, as a server is, so that the fit is in neither its caches nor its memory.
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        measured = pool.submit(measure, to_bytes(model.posterior_), asked.players).result()
    print("python -m tests.benchmarks advise")
    print(
        f"\nOne instrument, {TIERS} tiers, {COPIES} copies, all in stock; a model fitted to {len(trials)} trials",
        end=" ",
    )
    print(f"({sum(len(trial.runs) for trial in trials)} runs; the fit took {fitting.cpu / 1e3:.2f} s of CPU).")
    _report(measured, asked.players)
    return 0


def measure(artifact: bytes, number: int) -> Measured:
    """Load a fitted model and advise ``number`` players of each case."""
    range_, before = large_range(np.random.default_rng(SEED)), _memory()
    view, loading = timed(lambda: CataloguePosterior(from_bytes(artifact), range_))
    rng = np.random.default_rng(SEED + 1)
    prices = large_prices()
    first = sum_of(*advise(view, prices, *next(players(rng, 1, rated=True, tried=0)))[:2])
    outlooks: dict[str, list[Spent]] = {}
    proposals: dict[str, list[Spent]] = {}
    influences: dict[str, list[Spent]] = {}
    for case in CASES:
        asking = players(rng, number, rated=case.rated, tried=case.tried)
        spent = [advise(view, prices, *player) for player in asking]
        of = ([each[part] for each in spent] for part in (0, 1, 2))
        outlooks[case.name], proposals[case.name], influences[case.name] = of
    return Measured(outlooks, proposals, influences, loading, first, before, _memory())


def advise(
    view: CataloguePosterior, prices: dict[str, float], answers: Answers, runs: Sequence[Run], budget: float
) -> tuple[Spent, Spent, Spent]:
    """Advise one player and say what the answers did; raises `RuntimeError` where nothing was advised, so that no empty work is timed."""

    def looked() -> tuple[Player, Prediction]:
        player = Player(view, answers, runs)
        return player, predict.prediction_of(player)

    offer = Offer(prices=prices, budget=budget, at_hand=frozenset(view.range.copies))
    (player, outlook), looking = timed(looked)
    shortlist, proposing = timed(lambda: propose(player, outlook, runs, offer))
    if not (shortlist.entries and shortlist.bring):
        msg = f"got no bows for a budget of {budget}, expected some"
        raise RuntimeError(msg)
    did, explaining = timed(lambda: influence(view, answers, runs, offer))
    if not did:
        msg = f"got nothing that was answered by a player with a budget of {budget}, expected some"
        raise RuntimeError(msg)
    return looking, proposing, explaining


def sum_of(one: Spent, other: Spent) -> Spent:
    """Return the time of both."""
    return Spent(one.wall + other.wall, one.cpu + other.cpu)


def _memory() -> float:
    """Return the largest resident memory so far, in megabytes; VmHWM of proc(5), since ru_maxrss keeps the parent's mark."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def _report(measured: Measured, number: int) -> None:
    print(f"{number} different players a case, one thread. Milliseconds a player: median, 99th percentile.")
    print(
        f"Target: a median of {AT_MOST:.0f} for all; aim: {AIM:.0f}. What the answers did: {INFLUENCE_AT_MOST:.0f}.\n"
    )
    head = ("CPU time", "outlook", "p99", "propose", "p99", "all", "p99", "wall, all", "p99", "what answers did", "p99")
    print(table(head, [_row(case, measured) for case in measured.outlook]))
    print(
        f"\nOnce a process: loading the model {measured.load.cpu:.0f} ms; the first player, caches empty, {measured.first.cpu:.0f} ms."
    )
    print(
        f"Peak memory: {measured.peak:.0f} MB; {measured.before:.0f} MB of it with the libraries and the range alone."
    )


def _row(case: str, measured: Measured) -> tuple[str, ...]:
    parts = measured.outlook[case], measured.propose[case]
    both = [sum_of(one, other) for one, other in zip(*parts, strict=True)]
    cpu = [_two([spent.cpu for spent in part]) for part in (*parts, both)]
    did = _two([spent.cpu for spent in measured.influence[case]])
    return (case, *(cell for pair in cpu for cell in pair), *_two([spent.wall for spent in both]), *did)


def _two(values: Sequence[float]) -> tuple[str, str]:
    return f"{np.median(values):.2f}", f"{np.percentile(values, 99):.2f}"
