"""What the fit leaves open of an own bow's rating, alone and beside other bows', against dense mixed-model equations."""

from dataclasses import replace

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Range, Trial
from model.domain.vocabulary import OWN
from model.features.design import own_rows
from model.features.training_data import TrainingData
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel, PriorSettings
from tests.model.worlds import VIOLIN, drawn_trials, violins


def dense(posterior: FittedModel, material: TrainingData, c: int) -> tuple[list[object], Floats]:
    """Levels, and the covariance of coefficients and levels' effects given the ratings of criterion c.

    Henderson's equations (Searle, Casella & McCulloch 1992, Variance Components, ch. 7), player, match and noise as residual.
    """
    history = material.history.whole()
    rated = np.flatnonzero(np.isfinite(history.Y[:, c]))
    X, Z, player, level = history.X[rated], history.Z[rated], history.player[rated], history.level[rated]
    levels = sorted(set(level.tolist()))
    W = np.column_stack([X, np.array([[one == other for other in levels] for one in level.tolist()], dtype=float)])
    root = posterior.players.root[c]
    by_player = player[:, None] == player[None, :]
    by_level = np.array([[one == other for other in level.tolist()] for one in level.tolist()])
    V = by_player * (Z @ root @ root.T @ Z.T) + posterior.match_sd[c] ** 2 * (by_player & by_level)
    V += posterior.repeat_sd[c] ** 2 * np.eye(len(rated))
    sd = (
        np.array([column.sd for column in posterior.design.columns])
        * posterior.repeat_sd[c]
        / PriorSettings().repeat_sd
    )
    prior = np.append(sd**-2, np.full(len(levels), posterior.copy_sd[c] ** -2))
    return levels, np.linalg.inv(W.T @ np.linalg.solve(V, W) + np.diag(prior))


def two_shops(range_: Range) -> list[Trial]:
    """Players of two shops that share no copy and no player, twice as many in the first; the own bow is rated in both."""
    copies = sorted(range_.copies)
    found = []
    for shop, players in enumerate((16, 8)):
        here = Range(range_.tiers, {serial: range_.copies[serial] for serial in copies[shop::2]})
        drawn = drawn_trials(here, players, 3, seed=shop)
        found += [replace(each, key=f"{shop}-{each.key}", player=f"{shop}-{each.player}") for each in drawn]
    return found


@pytest.mark.parametrize("c", [0, 3])
def test_own_bows_are_as_uncertain_and_go_as_much_with_others_as_dense_equations_say(c: int) -> None:
    range_ = violins([4, 4])
    material = TrainingData.of(range_, two_shops(range_))
    posterior = PreferenceModel(range_).each_criterion(material)
    levels, covariance = dense(posterior, material, c)
    x_own = posterior.design.matrix(own_rows([VIOLIN], [0]), own=True)[0]
    own = [level for level in material.history.own_level.tolist() if level in levels]
    assert len(set(own)) == 2
    of_own = np.append(x_own, [own.count(level) / len(own) for level in levels])
    coef_covariance = posterior.coef_root[c] @ posterior.coef_root[c].T
    assert x_own @ coef_covariance @ x_own == pytest.approx(of_own @ covariance @ of_own, rel=1e-6)
    for k, level in enumerate(posterior.levels):
        assert level[0] != OWN
        x = material.history.X[[one == level for one in material.history.level.tolist()]][0]
        of_copy = np.append(x, [one == level for one in levels])
        weights = x - posterior.coupling[c, k]
        assert weights @ coef_covariance @ x_own == pytest.approx(of_copy @ covariance @ of_own, abs=1e-8)
        variance = weights @ coef_covariance @ weights + posterior.variance[c, k]
        unrated = 0.0 if level in levels else posterior.copy_sd[c] ** 2
        assert variance == pytest.approx(of_copy @ covariance @ of_copy + unrated, rel=1e-6)
