"""How good the advice is for players held out of the fit, on the invented demo data: intervals, chances, what is won."""

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats
from model.domain.intervals import likely_marks
from model.evaluation.folds import player_folds
from model.evaluation.metrics import ClusteredMean
from model.preference.batch import first_runs
from seed_data import catalogue
from seed_data.make import Drawn, draw
from seed_data.nature import DEMO, PRICE_SAYS_LITTLE
from tests.benchmarks._demo import Demo, opened, read_demo, world_settings
from tests.benchmarks._figures import table
from tests.benchmarks._predictions import Comparison, Fold, Predicted
from tests.benchmarks._winnings import (
    CASES,
    DRAWS,
    GROUPS,
    MEASURES,
    NOISE,
    Promise,
    Visit,
    Won,
    World,
    last_trials,
)

LEVELS = (0.5, 0.9)
BINS = 5
TOLD = (0.0, 0.88, 0.92, 1.0)
"""Ends of the bins of what likely marks of nine in ten are told to hold."""
OF = {"of_copy": "this copy", "of_tier": "a copy of its tier"}


@dataclass(frozen=True, slots=True)
class Found:
    """Everything that was asked of the five models."""

    ratings: list[Predicted]
    by_overall: list[Comparison]
    by_priorities: list[Comparison]
    won: list[Won]
    promises: list[Promise]


def main(argv: Sequence[str]) -> int:
    """Fit five times without a fifth of the players, and print how those left out were advised."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks heldout", description=__doc__)
    parser.add_argument("--seed", type=int, default=catalogue.SEED, help="draw another world (default: the demo's own)")
    parser.add_argument("--price-says-little", action="store_true", help="a world in which price says little")
    asked = parser.parse_args(argv)
    drawn = draw(asked.seed, PRICE_SAYS_LITTLE if asked.price_says_little else DEMO)
    with world_settings(drawn) as settings, opened(settings) as database:
        demo = read_demo(database)
    found = evaluate(demo, drawn)
    print(" ".join(["python -m tests.benchmarks heldout", *argv]))
    print(f"\n{len(demo.trials)} trials of invented data; every player is advised by a model fitted without them.")
    print("± is one standard error, counted by player.")
    for part in (intervals, chances, calibration, winnings):
        print()
        print("\n".join(part(found)))
    return 0


def evaluate(demo: Demo, drawn: Drawn) -> Found:
    """Ask the five models; ``drawn``: the truth behind the data."""
    first, world = first_runs(demo.trials), World(drawn)
    last = {trial.key for trial in last_trials(demo.trials)}
    found = Found([], [], [], [], [])
    for kept, held in player_folds(demo.trials):
        fold = Fold(demo, kept, first)
        for trial in held:
            found.ratings.extend(fold.ratings(trial))
            found.by_overall.extend(fold.comparisons(trial, by_priorities=False))
            found.by_priorities.extend(fold.comparisons(trial, by_priorities=True))
            if trial.key in last:
                _choose(found, Visit(demo, world, fold.model, trial))
    return found


def _choose(found: Found, visit: Visit) -> None:
    for group in GROUPS:
        won, promises = visit.group(group)
        found.won.extend(won)
        found.promises.extend(promises)


def intervals(found: Found) -> Iterable[str]:
    """Say how often the overall rating was among the marks told as likely, how far apart those lie, and how far off the mean was."""
    yield "Overall rating of a bow that the player had not tried (1 to 7): told before the trial, and as it came out."
    yield "Told = what the likely marks should hold on the average, near the percentage; in = the share of ratings among them;"
    yield "width = from the lowest to the highest of them, in points. Later = told once the player has tried two other bows."
    of_level = [f"{level:.0%} {what}" for level in LEVELS for what in ("told", "in", "width")]
    yield table(("", "ratings", *of_level, "rated - told", "RMSE"), _interval_rows(found.ratings))
    yield ""
    yield "The likely marks of nine in ten by what each was told to hold: told on the average, and the share of ratings (how many)."
    yield table(("told / in", *(f"to {end:.0%}" for end in TOLD[1:])), _told_rows(found.ratings))


def _interval_rows(ratings: Sequence[Predicted]) -> Iterable[tuple[str, ...]]:
    for of, name in OF.items():
        yield _interval_row(f"told of {name}", ratings, of)
        yield _interval_row(f"told of {name}, blind trials", [rating for rating in ratings if rating.blind], of)
    yield _interval_row("told of this copy, later", [rating for rating in ratings if rating.later], "later")
    error = [rating.rated - rating.tier_mean for rating in ratings]
    players = [rating.player for rating in ratings]
    blanks = ("",) * (3 * len(LEVELS))
    yield (
        "mean of the tier among the others",
        str(len(ratings)),
        *blanks,
        ClusteredMean.of(error, players).signed(),
        _rms(error),
    )


def _interval_row(name: str, ratings: Sequence[Predicted], of: str) -> tuple[str, ...]:
    rated, players = np.array([rating.rated for rating in ratings]), [rating.player for rating in ratings]
    mean, deviation = np.array([getattr(rating, of) for rating in ratings]).T
    cells = []
    for low, high, told in (likely_marks(mean, deviation, level) for level in LEVELS):
        inside = ClusteredMean.of((low <= rated) & (rated <= high), players)
        cells += [f"{told.mean():.3f}", str(inside), f"{(high - low).mean():.2f}"]
    error = rated - mean
    return (name, str(len(ratings)), *cells, ClusteredMean.of(error, players).signed(), _rms(error))


def _told_rows(ratings: Sequence[Predicted]) -> Iterable[tuple[str, ...]]:
    for of, name in (*OF.items(), ("later", "this copy, later")):
        given = [rating for rating in ratings if getattr(rating, of)]
        rated, players = np.array([rating.rated for rating in given]), np.array([rating.player for rating in given])
        mean, deviation = np.array([getattr(rating, of) for rating in given]).T
        low, high, told = likely_marks(mean, deviation, LEVELS[-1])
        held, bin_ = (low <= rated) & (rated <= high), np.digitize(told, TOLD[1:-1])
        bins = [bin_ == b for b in range(len(TOLD) - 1)]
        yield (
            f"told of {name}",
            *(
                f"{told[b].mean():.3f} / {ClusteredMean.of(held[b], players[b])} ({b.sum()})" if b.any() else ""
                for b in bins
            ),
        )


def _rms(error: Sequence[float] | Floats) -> str:
    return f"{np.sqrt(np.mean(np.square(error))):.3f}"


def chances(found: Found) -> Iterable[str]:
    """Give the Brier scores of the chance that a bow is rated above the own one."""
    yield "Chance that a bow is rated above the own bow, told before the trial: Brier score (0 best; 0.25 for always 50 %)."
    yield "An equal rating counts a half. Base rate = the share among the other players, told to everybody."
    yield "Better by = Brier score of the base rate minus that of the chance told."
    head = ("", "bows", "won", "equal", "base rate", "chance told", "better by")
    rows = [
        _chance_row(f"{by}, {name}", comparisons, of) for by, comparisons in _compared(found) for of, name in OF.items()
    ]
    yield table(head, rows)


def _compared(found: Found) -> tuple[tuple[str, list[Comparison]], ...]:
    return ("overall", found.by_overall), ("own priorities too", found.by_priorities)


def _chance_row(name: str, comparisons: Sequence[Comparison], of: str) -> tuple[str, ...]:
    won, players = np.array([each.won for each in comparisons]), [each.player for each in comparisons]
    told, base = (np.array([getattr(each, which) for each in comparisons]) for which in (of, "base_rate"))
    score, base_score = (told - won) ** 2, (base - won) ** 2
    better = ClusteredMean.of(base_score - score, players).signed()
    counts = (str(len(won)), f"{won.mean():.3f}", f"{(won == 0.5).mean():.3f}")
    return (name, *counts, str(ClusteredMean.of(base_score, players)), str(ClusteredMean.of(score, players)), better)


def calibration(found: Found) -> Iterable[str]:
    """Compare the chances told with what came of them, in five groups of equal size."""
    yield f"The same chances, sorted into {BINS} groups of equal size: told on average, and the share that won."
    rows = [
        (f"{by}, {name}", *_bins(comparisons, of)) for by, comparisons in _compared(found) for of, name in OF.items()
    ]
    yield table(("told / won", *(f"group {place}" for place in range(1, BINS + 1))), rows)


def _bins(comparisons: Sequence[Comparison], of: str) -> Iterable[str]:
    told, won = np.array([(getattr(each, of), each.won) for each in comparisons]).T
    for members in np.array_split(np.argsort(told, kind="stable"), BINS):
        yield f"{told[members].mean():.2f} / {won[members].mean():.2f}"


WORDS = {
    GROUPS[0]: "How many of which tiers; the copies of each are drawn at random from all that fit",
    GROUPS[1]: "Named copies, of all that fit",
    GROUPS[2]: "Named copies, of those in stock at the player's dealer at the end",
}


def winnings(found: Found) -> Iterable[str]:
    """Give what the cases won, by the true likings of the invented world."""
    yield "What the player's choice is truly better than the own bow, in points of the player's own 1 to 7 scale."
    yield f"Each player rates every bow of the case and the own one once, with a noise of {NOISE} points for one criterion,"
    yield f"and takes the best-rated; {DRAWS} draws a player, the same for all cases. By overall: the player goes by the overall"
    yield "rating, by u: by overall and priorities together, as the advice does; each gain is truth by the same measure."
    yield "Price = mean price of the bows brought, that of the dearest affordable tier being 1."
    yield "Less by = what a case won less than the first one of its group, on the same players."
    for group in GROUPS:
        yield ""
        yield from _group(group, found)


def _group(group: str, found: Found) -> Iterable[str]:
    promises = [promise for promise in found.promises if promise.group == group]
    yield f"{WORDS[group]} ({len(promises)} players):"
    head = (
        "",
        "bows",
        "price",
        *(f"gain by {name}" for name in ("overall", "u")),
        *(f"less by, {name}" for name in ("overall", "u")),
        "one above own",
    )
    cases = [
        (case, won) for case in CASES if (won := [won for won in found.won if (won.group, won.case) == (group, case)])
    ]
    first = np.array([won.gain for won in cases[0][1]])
    yield table(head, [_won_row(case, won, first) for case, won in cases])
    yield (
        f"The plans promised a gain of {_mean(promises, lambda each: each.gain):.3f} and a chance of "
        f"{_mean(promises, lambda each: each.chance):.3f} that one is rated above the own bow; "
        f"{_mean(promises, lambda each: each.above_budget):.0%} brought a bow above the budget (a step up)."
    )


def _mean(promises: Sequence[Promise], of: Callable[[Promise], float]) -> float:
    return float(np.mean([of(promise) for promise in promises]))


def _won_row(case: str, won: Sequence[Won], first: Floats) -> tuple[str, ...]:
    gain, chance = np.array([each.gain for each in won]), np.mean([each.chance for each in won], axis=0)
    less = first - gain
    prices = [each.price for each in won if not np.isnan(each.price)]
    measures = range(len(MEASURES))
    return (
        case,
        f"{np.mean([each.bows for each in won]):.2f}",
        f"{np.mean(prices):.2f}" if prices else "",
        *(str(ClusteredMean.of(gain[:, m])) for m in measures),
        *(ClusteredMean.of(less[:, m]).signed() if less.any() else "" for m in measures),
        "" if np.isnan(chance).any() else f"{chance[1]:.3f}",
    )
