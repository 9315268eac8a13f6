"""The benchmarks can be found, named and begun, and what they sum up is summed up rightly. Their figures are not asserted."""

import importlib
from datetime import date

import numpy as np
import pytest
from scipy import stats

from model.domain.records import Answers, OwnBow, Run, Trial
from model.domain.vocabulary import Criterion, Instrument
from model.evaluation import ClusteredMean
from model.preference import first_runs
from tests.benchmarks import __main__ as dispatcher
from tests.benchmarks._cases import Shelf, Truth
from tests.benchmarks._predictions import compared, wins

NAMES = (
    *(
        "accessibility",
        "advise",
        "artifact",
        "attack",
        "compose",
        "decay",
        "desk",
        "faults",
        "fit",
        "fitsize",
        "heldout",
        "install",
        "journeys",
        "machines",
        "offline",
        "overload",
        "panels",
    ),
    *("sense", "serve", "standing", "startup", "tablets", "tastes", "together", "traits"),
)


def test_without_a_name_the_benchmarks_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatcher.main([]) == 0
    listed = capsys.readouterr().out
    assert all(f"\n  {name} " in listed for name in NAMES)


def test_every_benchmark_is_named_here() -> None:
    assert tuple(sorted(dispatcher.summaries())) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_benchmark_can_be_imported_and_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        importlib.import_module(f"tests.benchmarks.{name}").main(["--help"])
    assert ended.value.code == 0
    assert f"python -m tests.benchmarks {name}" in capsys.readouterr().out


def test_a_mean_without_clusters_has_the_usual_standard_error() -> None:
    values = np.array([0.3, 1.2, -0.4, 2.0, 0.9])
    estimate = ClusteredMean.of(values)
    assert estimate.mean == pytest.approx(values.mean())
    assert estimate.error == pytest.approx(stats.sem(values))


def test_values_repeated_within_clusters_tell_no_more_than_once_each() -> None:
    values = np.array([0.3, 1.2, -0.4, 2.0, 0.9])
    repeated = ClusteredMean.of(np.repeat(values, 3), np.repeat(np.arange(5), 3))
    assert repeated.error == pytest.approx(stats.sem(values))


def truth(liking: list[float], own: float, deviation: float) -> Truth:
    rng = np.random.default_rng(3)
    draws, copies = 20_000, len(liking)
    noise, own_noise = rng.normal(size=(draws, copies)), rng.normal(size=draws)
    return Truth(np.array(liking)[:, None], np.array([own]), noise, own_noise, np.array([deviation]))


def test_without_noise_the_truly_best_bow_is_taken() -> None:
    world = truth([4.0, 5.5, 5.0], own=4.5, deviation=0.0)
    gain, chance = world.won(np.array([0, 1, 2]))
    assert gain == pytest.approx(1.0)
    assert chance == pytest.approx(1.0)
    assert gain == pytest.approx(world.ceiling(np.array([0, 1, 2])))


def test_without_noise_the_own_bow_is_kept_where_it_is_better() -> None:
    gain, chance = truth([4.0, 4.2], own=4.5, deviation=0.0).won(np.array([0, 1]))
    assert gain == pytest.approx(0.0)
    assert chance == pytest.approx(0.0)


def test_two_bows_that_are_rated_with_noise_are_taken_as_the_normal_law_says() -> None:
    gain, chance = truth([5.0], own=4.5, deviation=0.8).won(np.array([0]))
    expected = stats.norm.cdf(0.5 / (0.8 * np.sqrt(2)))
    assert chance == pytest.approx(expected, abs=0.01)
    assert gain == pytest.approx(0.5 * expected, abs=0.01)


def shelf(budget: float) -> Shelf:
    """Return two copies of a cheap tier, three of a middle one, one of a dear one."""
    return Shelf(np.arange(6), np.array([0, 0, 1, 1, 1, 2]), {0: 100.0, 1: 200.0, 2: 400.0}, budget)


def test_as_many_of_the_dearest_affordable_tier_are_filled_up_from_the_next_one() -> None:
    there = shelf(budget=250.0)
    counts = there.dearest(4)
    assert counts == {1: 3, 0: 1}
    drawn = there.draw(counts, np.random.default_rng(4).random((50, 6)))
    assert drawn.shape == (50, 4)
    assert all(set(row[:3]) == {2, 3, 4} and row[3] in {0, 1} for row in drawn)


def test_bows_are_spread_over_three_tiers_the_dearer_ones_first() -> None:
    assert {tier: count for tier, count in shelf(budget=1_000.0).spread(4).items() if count} == {2: 1, 1: 2, 0: 1}


def test_where_nothing_is_affordable_the_cheapest_tier_is_taken() -> None:
    assert shelf(budget=50.0).affordable() == [0]


def run(position: int, copy: str | None, overall: float, tone: float | None = None) -> Run:
    tones = {} if tone is None else {Criterion.TONE: tone}
    return Run(position, copy, {Criterion.OVERALL: overall, **tones})


def test_a_copy_counts_as_new_to_a_player_once_only() -> None:
    answers = Answers(Instrument.VIOLIN)
    later = Trial("A", "P", date(2026, 2, 1), answers, (run(1, "V1", 4), run(2, "V2", 5)))
    earlier = Trial("B", "P", date(2026, 1, 1), answers, (run(1, "V1", 4), run(2, None, 5), run(3, "V1", 3)))
    found = first_runs([later, earlier])
    assert [run.copy for run in found["A"]] == ["V2"]
    assert [run.position for run in found["B"]] == [1]


def test_a_comparison_leaves_out_what_the_own_bow_was_not_rated_on() -> None:
    own = OwnBow(ratings={Criterion.OVERALL: 4, Criterion.TONE: 5})
    answers = Answers(Instrument.VIOLIN, priorities=(Criterion.TONE, Criterion.RESPONSE), own_bow=own)
    # Half overall, half the priorities by 3/4 and 1/4 (Barron & Barrett 1996); response is left out.
    assert compared(answers, 0.5) == {Criterion.OVERALL: pytest.approx(4 / 7), Criterion.TONE: pytest.approx(3 / 7)}
    runs = [run(1, "A", 5, 4), run(2, "B", 4, 5), run(3, "C", 3, 5), run(4, "D", 7)]
    assert [(each.copy, won) for each, won in wins(answers, 0.5, runs)] == [("A", 1.0), ("B", 0.5), ("C", 0.0)]
