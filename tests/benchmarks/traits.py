"""Whether bench traits help to foretell copies nobody has rated, and what the playable range adds: on the demo world and on drawn ones."""

import argparse
from collections.abc import Iterator, Sequence

import numpy as np

from model.evaluation.clean_strokes import check_strokes
from model.evaluation.cross_validation import MODEL, WITHOUT_TRAITS
from model.evaluation.folds import TrialHistory, evaluate_fold, make_folds
from model.evaluation.metrics import Score, ScoreTable
from model.preference.model import PreferenceModel
from tests.benchmarks._demo import demo_settings, opened, read_demo
from tests.benchmarks._figures import table
from tests.model.evaluation.test_clean_strokes import RANGE, history
from tests.model.worlds import bench_world

HEAD = ("", "ratings", "error with", "error without", "less with", "log loss less", "in 50 %", "in 90 %")


def compared(past: TrialHistory, seeds: Sequence[int]) -> tuple[int, Score, Score]:
    """Return how many ratings of copies held out were foretold, and the figures with and without bench traits."""
    folds = [task for seed in seeds for task in make_folds(past, PreferenceModel, None, seed) if task.by == "copy"]
    foretold = [each for task in folds for each in evaluate_fold(task).foretold["overall", 0]]
    names = [MODEL, WITHOUT_TRAITS, *(f"baseline {number}" for number in range(len(foretold[0].mean) - 2))]
    found = ScoreTable(names, foretold, of_copies=True)
    scores = found.scores()
    return len(found.value), scores[0], scores[1]


def worlds() -> Iterator[tuple[str, TrialHistory]]:
    """Give each world's name and history."""
    with demo_settings() as settings, opened(settings) as database:
        demo = read_demo(database)
    yield "demo", TrialHistory(demo.range, demo.trials, demo.events)
    for slope in (0.4, 0.2, 0.0):
        drawn = bench_world(slope, players=300, seed=21, rated=50, new=0)
        yield f"drawn, {slope} points a spread", TrialHistory(drawn.range, drawn.trials)


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks traits", description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="how often copies are dealt into three folds anew")
    seeds = range(1, parser.parse_args(argv).seeds + 1)
    print("Root mean square error of the overall mark of copies held out, in points; ± one standard error, by copy.")
    rows = []
    for name, past in worlds():
        count, model, without = compared(past, seeds)
        held = [f"{inside.share.mean:.3f}" for inside in model.inside]
        less = (without.better["rmse"].signed(), without.better["log_loss"].signed())
        rows.append((name, str(count), str(model.rmse), str(without.rmse), *less, *held))
    print(table(HEAD, rows))
    print("\nThe playable range: clean strokes of players held out, root mean square error in strokes of eight.")
    print(table(("", "runs", "error of the fit", "error of the tier's mean", "squared error less"), list(_strokes())))
    print(f"Told of the strokes or not, the eight criteria differ by at most {_apart():g} points.")
    return 0


def _strokes() -> Iterator[tuple[str, ...]]:
    """Give a line for the demo, in which nobody has played them, and for drawn bows of one to seven clean strokes, one more or less by chance."""
    for name, past in (("demo", next(worlds())[1]), ("drawn", history(1.0))):
        found = check_strokes(past, PreferenceModel)
        if found is None or found.gain is None:
            yield name, "0", "–", "–", "–"
        else:
            yield name, str(found.runs), f"{found.error:.2f}", f"{found.tier_mean:.2f}", found.gain.signed()


def _apart() -> float:
    """Return by how much the coefficients of a fit with strokes differ from those of one without."""
    fits = [PreferenceModel(RANGE).fit(history(share).trials).posterior_ for share in (1.0, 0.0)]
    return float(np.abs(fits[0].coef - fits[1].coef).max())
