"""What telling all criteria at once wins: the error per copy after two tried bows, all criteria told or the overall alone."""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Floats
from model.domain.records import Answers, Ratings, Run, Trial
from model.domain.vocabulary import CRITERIA, OVERALL, Criterion
from model.evaluation.folds import player_folds
from model.evaluation.metrics import ClusteredMean
from model.preference.batch import with_own_ratings
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.preference.player import Player
from seed_data.make import draw
from tests.benchmarks._demo import demo_settings, opened, read_demo
from tests.benchmarks._figures import table

TRIED = 2
OF_LIKING = 1.6448536269514722
"""Half the width of a 90 % interval, in standard deviations of the normal law."""
PARTS = ("tried", "not tried")


@dataclass(frozen=True, slots=True)
class Told:
    """Of one player: squared errors of the expected against the true liking, widths of the 90 % interval, and whether it held.

    Attributes
    ----------
    player : its key.
    figures : (2 ways to tell, 2 parts, 3 figures) means over the player's copies of the part.
    """

    player: str
    figures: Floats


def main(argv: Sequence[str]) -> int:
    """Fit five times without a fifth of the players, and tell those left out by all criteria or by the overall alone."""
    argparse.ArgumentParser(prog="python -m tests.benchmarks together", description=__doc__).parse_args(argv)
    with demo_settings() as settings, opened(settings) as database:
        demo = read_demo(database)
    world = draw()
    likings = {
        key: dict(zip(world.copies, row, strict=True)) for key, row in zip(world.players, world.liking, strict=True)
    }
    found = []
    for kept, held in player_folds(demo.trials):
        view = PreferenceModel(demo.range).fit(kept, demo.events).view_
        found += list(_answers(view, held, likings))
    print("python -m tests.benchmarks together")
    print(
        f"\n{len(found)} players held out of the fit, invented data; own bow and {TRIED} tried bows told, by two ways to tell:"
    )
    print(
        "all criteria, or the overall rating alone. Against the true overall liking of every copy that fits; ± one standard"
    )
    print("error by player. Width: of the interval that should hold the liking nine times in ten.\n")
    print(_table(found))
    return 0


def _answers(view: CataloguePosterior, held: Sequence[Trial], likings: dict[str, dict[str, float]]) -> Iterator[Told]:
    """Ask about each player's first trial with more than two bows."""
    done: set[str] = set()
    for trial in held:
        runs = list(
            {run.copy: run for run in trial.runs if run.copy is not None and Criterion.OVERALL in run.ratings}.values()
        )
        if len(runs) <= TRIED or trial.player in done:
            continue
        done.add(trial.player)
        answers, tried = with_own_ratings(trial), runs[:TRIED]
        ways = [
            _figures(Player(view, answers, tried, trial.blinding), tried, likings[trial.player]),
            _figures(Player(view, *_overall(answers, tried), trial.blinding), tried, likings[trial.player]),
        ]
        yield Told(trial.player, np.array(ways))


def _overall(answers: Answers, runs: Sequence[Run]) -> tuple[Answers, list[Run]]:
    """Return the same with all ratings but the overall left out."""

    def alone(ratings: Ratings) -> dict[Criterion, float]:
        return {criterion: value for criterion, value in ratings.items() if criterion is Criterion.OVERALL}

    own = answers.own_bow and replace(answers.own_bow, ratings=alone(answers.own_bow.ratings))
    return replace(answers, own_bow=own), [replace(run, ratings=alone(run.ratings)) for run in runs]


def _figures(player: Player, tried: Sequence[Run], liking: dict[str, float]) -> Floats:
    """Return (2 parts, 3): mean squared error, width and share held, of tried copies and of the others."""
    unit = np.eye(len(CRITERIA))[OVERALL]
    copies = player.copies(unit)
    mean, explained = player.after(copies, player.shared_with_ratings(unit))
    variance = player.kernel.variance(copies) - np.einsum("on,on->n", explained, explained)
    variance += player.suited.covariance[:, OVERALL, OVERALL] + player.own_variance(unit)
    true = np.array([liking[serial] for serial in player.suited.serials])
    was_tried = np.isin(player.suited.serials, [str(run.copy) for run in tried])
    off, reach = true - mean, OF_LIKING * np.sqrt(variance)
    rows = np.array([off**2, 2.0 * reach, np.abs(off) <= reach])
    return np.array([rows[:, part].mean(axis=1) for part in (was_tried, ~was_tried)])


def _table(found: Sequence[Told]) -> str:
    figures, players = np.array([each.figures for each in found]), np.array([each.player for each in found])
    rows = []
    for place, part in enumerate(PARTS):
        for way, name in enumerate(("all criteria", "overall alone")):
            square, width, held = (ClusteredMean.of(figures[:, way, place, f], players) for f in range(3))
            rows.append(
                [part, name, f"{np.sqrt(square.mean):.3f}", f"{width.mean:.2f}", f"{held.mean:.3f} ± {held.error:.3f}"]
            )
        less = ClusteredMean.of(figures[:, 1, place, 0] - figures[:, 0, place, 0], players)
        rows.append([part, "squared error less by", f"{less.mean:+.4f} ± {less.error:.4f}", "", ""])
    return table(("copies", "told", "error", "90% width", "90% in"), rows)
