"""What the named copies win: rules of thumb played out by hand on small trials."""

from collections.abc import Sequence

import numpy as np
import pytest

from model.choice import Offer
from model.domain.vocabulary import Criterion
from model.evaluation.policies import HeldOutTrial, PolicyComparison, compare_policies, visit
from model.preference.model import PreferenceModel
from tests.model.worlds import drawn_trials, trial, violins

O = Criterion.OVERALL  # noqa: E741 - overall
PRICES = {"low": 100.0, "mid": 200.0, "high": 300.0, "top": 400.0}


def seen(
    tiers: Sequence[str], expected: Sequence[float], mark: Sequence[float], own: float = 4.0, player: str = "p"
) -> HeldOutTrial:
    return HeldOutTrial(f"t{player}", player, tuple(tiers), np.array(expected), np.array(mark), own)


def played(
    *visits: HeldOutTrial, budget: float | None = None, bows: int = 2
) -> tuple[PolicyComparison, PolicyComparison]:
    offers = {each.trial: Offer(PRICES, budget) for each in visits}
    dearest, spread = compare_policies(visits, offers, bows)
    return dearest, spread


def test_the_model_takes_those_it_expects_most_of() -> None:
    # The model picks the two of mid; the dearest are high and mid (either of its two): (6 + (5 or 6)) / 2 picks.
    visit_ = seen(["high", "mid", "mid", "low"], [4.0, 5.0, 4.9, 3.0], [4.0, 6.0, 5.0, 7.0])
    dearest, _ = played(visit_)
    assert (dearest.trials, dearest.differing, dearest.players) == (1, 1, 1)
    assert dearest.model.mean == pytest.approx(6.0 - 4.0)
    assert dearest.rule_won.mean == pytest.approx((max(4.0, 6.0) + max(4.0, 5.0)) / 2 - 4.0)
    assert dearest.better.mean == pytest.approx(6.0 - 5.5)


def test_spread_over_three_tiers_takes_the_dearer_ones_first() -> None:
    visit_ = seen(["top", "mid", "low", "low"], [3.0, 3.1, 5.0, 4.9], [4.0, 5.0, 7.0, 6.0])
    _, two = played(visit_, bows=2)
    assert two.rule_won.mean == pytest.approx(5.0 - 4.0)
    _, three = played(visit_, bows=3)
    assert three.rule_won.mean == pytest.approx((7.0 + 6.0) / 2 - 4.0)  # top, mid and one of two low ones


def test_bows_beyond_the_budget_are_nobodys() -> None:
    visit_ = seen(["top", "mid", "mid", "low"], [6.0, 5.0, 4.0, 4.5], [7.0, 5.0, 6.0, 3.0])
    dearest, _ = played(visit_, budget=250.0)
    assert dearest.model.mean == pytest.approx(5.0 - 4.0)  # mid and low
    assert dearest.rule_won.mean == pytest.approx(6.0 - 4.0)  # both of mid


def test_trials_with_no_more_affordable_bows_than_are_picked_do_not_count() -> None:
    visit_ = seen(["top", "mid", "low"], [6.0, 5.0, 4.0], [7.0, 5.0, 6.0])
    dearest, spread = played(visit_, budget=250.0)
    assert (dearest.trials, spread.trials) == (0, 0)
    assert np.isnan(dearest.better.mean)


def test_a_tier_without_a_price_is_not_affordable() -> None:
    visit_ = seen(["gift", "mid", "mid", "low"], [6.0, 5.0, 4.9, 4.0], [7.0, 5.0, 6.0, 3.0])
    dearest, _ = played(visit_)
    assert (dearest.trials, dearest.differing) == (1, 0)


def test_trials_in_which_the_rule_picks_the_same_are_counted_apart() -> None:
    same = seen(["high", "mid", "low"], [5.0, 4.9, 3.0], [5.0, 6.0, 4.0], player="p")
    other = seen(["high", "mid", "low"], [3.0, 4.9, 5.0], [5.0, 6.0, 7.0], player="q")
    dearest, _ = played(same, other)
    assert (dearest.trials, dearest.differing, dearest.players) == (2, 1, 1)
    assert dearest.better.mean == pytest.approx(1.0)


def test_an_own_bow_not_rated_leaves_the_paired_difference() -> None:
    visit_ = seen(["high", "mid", "low"], [3.0, 4.9, 5.0], [5.0, 6.0, 7.0], own=np.nan)
    dearest, _ = played(visit_)
    assert np.isnan(dearest.model.mean)
    assert dearest.better.mean == pytest.approx(1.0)


def test_a_trial_without_an_offer_is_left_out() -> None:
    visit_ = seen(["high", "mid", "low"], [3.0, 4.9, 5.0], [5.0, 6.0, 7.0])
    assert [win.trials for win in compare_policies([visit_], {})] == [0, 0]


def test_a_visit_is_the_outlook_beside_the_marks() -> None:
    range_ = violins([2, 2])
    model = PreferenceModel(range_, tastes=False).fit(drawn_trials(range_, 8, 3, seed=1))
    came = trial(50, [("a0", {O: 4.0}), ("b1", {O: 6.0}), ("a0", {O: 5.0}), ("b0", {}), (None, {O: 3.0})])
    asked = model.outlook(came.answers)
    found = visit(asked, came)
    assert found is not None
    assert (found.tier, found.mark.tolist()) == (("a", "b"), [4.5, 6.0])
    assert np.isnan(found.own)
    place = [asked.stock.serials.index(copy) for copy in ("a0", "b1")]
    np.testing.assert_allclose(found.expected, (asked.mean[asked.stock.tier] + asked.stock.offset)[place])


def test_one_bow_is_no_visit() -> None:
    range_ = violins([2, 2])
    model = PreferenceModel(range_, tastes=False).fit([])
    came = trial(50, [("a0", {O: 4.0}), ("a0", {O: 5.0})])
    assert visit(model.outlook(came.answers), came) is None
