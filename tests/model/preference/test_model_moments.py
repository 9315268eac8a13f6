"""How own bows are rated: moments recovered from drawn players."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from model.domain.arrays import Floats
from model.domain.records import Range
from model.features.design import Design
from model.features.training_data import RatingsTable
from model.mixed import RemlFit
from model.preference.model import PriorSettings, own_bow_moments

BELIEFS = PriorSettings()


def owners(law: Floats, players: int, seed: int) -> tuple[RatingsTable, Floats, RemlFit]:
    """Players with (b, b + d) of this covariance: three marks on other bows, one to three on the own one."""
    rng, noise, others = np.random.default_rng(seed), 0.7, 0.6
    b = rng.multivariate_normal([0.0, 0.0], law, players)
    times = rng.integers(1, 4, players)
    marginal = np.repeat(b[:, 0], 3) + rng.normal(0, np.hypot(noise, others), 3 * players)
    own = np.repeat(b[:, 1], times) + rng.normal(0, noise, times.sum()) + OWN_SHIFT
    names = np.array([f"p{n}" for n in range(players)], dtype=object)
    design = Design.from_range(Range({}, {}))
    p = len(design.columns)
    history = RatingsTable(
        X=np.zeros((3 * players, p)),
        Z=np.zeros((3 * players, 6)),
        Y=np.full((3 * players, 1), np.nan),
        player=np.repeat(names, 3),
        level=np.full(3 * players, None, dtype=object),
        emphasis=np.zeros((3 * players, 8)),
        own_X=np.zeros((len(own), p)),
        own_Z=np.zeros((len(own), 6)),
        own_Y=own[:, None],
        own_player=np.repeat(names, times),
        own_level=np.full(len(own), None, dtype=object),
    )
    response = RemlFit(
        np.zeros(p), np.eye(p), float(np.sqrt(law[0, 0])), 0.3, 0.4, noise, {}, 0.0, 3 * players, 0, (), np.zeros(0),
        np.zeros((0, p)), [],
    )  # fmt: skip
    return history, marginal[:, None], response


OWN_SHIFT = 0.3
TINY = PriorSettings(own_worth=1e-9, own_level_worth=1e-9)


@pytest.mark.parametrize("law", [np.array([[0.5, 0.35], [0.35, 0.8]]), np.array([[0.5, -0.1], [-0.1, 0.3]])])
def test_the_law_of_own_bows_is_recovered_from_many_players(law: Floats) -> None:
    players = 4000
    history, marginal, response = owners(law, players, seed=12)
    (shift,), (covariance,) = own_bow_moments(history, [response], marginal, TINY)
    # Standard errors of moments of normal variables (Stuart & Ord 1987, Kendall's Advanced Theory, 10.6): four of them.
    other = law[0, 0] + (0.7**2 + 0.6**2) / 3
    own = law[1, 1] + 0.7**2
    assert covariance[0, 0] == pytest.approx(law[0, 0], abs=1e-12)
    assert covariance[0, 1] == pytest.approx(law[0, 1], abs=4 * np.sqrt((other * own + law[0, 1] ** 2) / players))
    assert covariance[1, 1] == pytest.approx(law[1, 1], abs=4 * np.sqrt(2 * own**2 / players))
    assert shift == pytest.approx(OWN_SHIFT, abs=4 * np.sqrt(own / players))


def test_few_own_bows_are_drawn_towards_the_belief_as_twenty_players() -> None:
    history, marginal, response = owners(np.array([[0.49, 0.0], [0.0, 0.3]]), 20, seed=1)
    _, (alone,) = own_bow_moments(history, [response], marginal, TINY)
    _, (mixed,) = own_bow_moments(history, [response], marginal, replace(BELIEFS, own_level_worth=1e-9))
    believed = np.array([0.49, 0.64 * 0.49 / 0.49])
    for place in (0, 1):
        found, drawn = alone[place, 1], mixed[place, 1]
        assert drawn == pytest.approx((found + believed[place] * (1 if place == 0 else 1.05)) / 2, abs=1e-6)


def test_no_number_of_own_bows_makes_a_jump() -> None:
    # Own bows that hardly differ, against a belief that they do: the variance comes down step by step.
    history, marginal, response = owners(np.array([[0.49, 0.0], [0.0, 1e-6]]), 60, seed=5)
    history.own_Y[:, 0] = OWN_SHIFT + 0.7 * np.where(np.arange(len(history.own_Y)) % 2, 1.0, -1.0)
    found = [own_total(_first(history, count), response, marginal[: 3 * count]) for count in range(61)]
    steps = -np.diff(found)
    assert found[0] == pytest.approx(0.64 * 1.25, abs=1e-12)
    assert steps.max() < 0.25 * (found[0] - found[-1])
    assert found[60] < 0.5 * found[0]


def own_total(history: RatingsTable, response: RemlFit, marginal: Floats) -> float:
    """Var(b + d) as found."""
    _, (covariance,) = own_bow_moments(history, [response], marginal, BELIEFS)
    return float(covariance[1, 1])


def _first(history: RatingsTable, count: int) -> RatingsTable:
    """The history of the first players only."""
    names = list(dict.fromkeys(history.own_player))[:count]
    mine, own = np.isin(history.player, names), np.isin(history.own_player, names)
    return RatingsTable(
        history.X[mine], history.Z[mine], history.Y[mine], history.player[mine], history.level[mine], history.emphasis[mine],
        history.own_X[own], history.own_Z[own], history.own_Y[own], history.own_player[own], history.own_level[own],
    )  # fmt: skip


def test_moments_that_are_no_covariance_are_clipped_to_one() -> None:
    history, marginal, response = owners(np.array([[0.5, 0.35], [0.35, 0.8]]), 50, seed=3)
    history.own_Y[:, 0] = 3.0 * np.repeat(
        marginal[::3, 0], np.unique(history.own_player, return_counts=True)[1][_order(history)]
    )
    _, (covariance,) = own_bow_moments(history, [replace(response, player_sd=0.2)], marginal, TINY)
    assert np.linalg.eigvalsh(covariance).min() > 0
    assert covariance[0, 1] <= 0.99 * np.sqrt(covariance[0, 0] * covariance[1, 1]) + 1e-12


def _order(history: RatingsTable) -> NDArray[np.intp]:
    """Place of each player, in order of first appearance, among the sorted names."""
    names = list(dict.fromkeys(history.own_player))
    return np.array([sorted(names).index(name) for name in names], dtype=np.intp)
