"""The criterion in parts: the players' share against the definition, and a fitted model that no longer proves itself."""

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from model.domain.vocabulary import CRITERIA
from model.features.copy_history import Stretches
from model.features.design import Design
from model.features.training_data import Material, gather
from model.preference.fitted import Block, Posterior
from model.preference.likelihood import Likelihood
from model.preference.model import Beliefs, PreferenceModel
from tests.model.worlds import drawn_trials, violins

RANGE = violins([3, 4])
TRIALS = drawn_trials(RANGE, players=14, bows=4, seed=21)


@cache
def fitted() -> Posterior:
    return PreferenceModel(RANGE, tastes=False).fit(TRIALS).posterior_


@cache
def each_by_itself() -> Posterior:
    return PreferenceModel(RANGE, tastes=False).each_criterion(Material.of(RANGE, TRIALS))


def likelihood(of: Callable[[], Posterior] = fitted) -> Likelihood:
    found = of().likelihood
    assert found is not None
    return found


@pytest.mark.parametrize("c", range(0, len(CRITERIA), 3))
def test_the_players_share_is_that_of_the_definition(c: int) -> None:
    # log|H| = sum log(1 + l_w n_j) + sum log(1 + l_a w_i) + log|M| (Searle, Casella & McCulloch 1992, ch. 7), by counting
    # cells; the prior's density as its authors give it, from the prior itself.
    posterior, design = fitted(), Design.from_range(RANGE)
    history = gather(design, TRIALS, RANGE, Stretches({}))
    rated = np.isfinite(history.Y[:, c])
    cells = Counter(zip(history.player[rated], history.level[rated], strict=True))
    noise = posterior.repeat_sd[c] ** 2
    l_a, l_w = posterior.player_sd[c] ** 2 / noise, posterior.match_sd[c] ** 2 / noise
    weight: Counter[object] = Counter()
    for (player, _), n in cells.items():
        weight[player] += n / (1 + l_w * n)
    determinants = sum(np.log1p(l_w * n) for n in cells.values()) + sum(np.log1p(l_a * w) for w in weight.values())
    prior = Beliefs().prior(design).of(c)
    ratios = np.array([l_a, posterior.copy_sd[c] ** 2 / noise, l_w])
    # Nobody rated a copy twice, so that the match's share is its prior's mode and has no density to add.
    penalty, _, _ = prior.penalty(ratios, np.array([True, True, False]))
    assert likelihood().players[c] == pytest.approx(determinants + penalty, rel=1e-9, abs=1e-7)


def test_the_sum_of_squares_is_that_of_dense_algebra() -> None:
    # (y - X b)' H^-1 (y - X b) with prior rows, from H in full; of a criterion fitted by itself.
    posterior, design, c = each_by_itself(), Design.from_range(RANGE), 0
    history = gather(design, TRIALS, RANGE, Stretches({}))
    rated = np.isfinite(history.Y[:, c])
    left = history.Y[rated, c] - history.X[rated] @ posterior.coef[c]
    same_player, same_copy = (
        np.equal.outer(codes, codes)
        for codes in (
            np.unique(of[rated].astype(str), return_inverse=True)[1] for of in (history.player, _serials(history))
        )
    )
    noise = posterior.repeat_sd[c] ** 2
    match = posterior.match_sd[c] ** 2 * (same_player & same_copy)
    without_copies = np.eye(len(left)) + (posterior.player_sd[c] ** 2 * same_player + match) / noise
    prior = Beliefs().prior(design).of(c)
    X0, y0 = prior.rows()
    outside = y0 - X0 @ posterior.coef[c]
    believed = outside @ outside + prior.weight * prior.repeat_sd**2
    H = without_copies + posterior.copy_sd[c] ** 2 / noise * same_copy
    q = left @ np.linalg.solve(H, left) + believed
    assert q / likelihood().degrees[c] == pytest.approx(noise, rel=1e-9)
    found = likelihood(each_by_itself)
    assert found.squares[c] == pytest.approx(left @ np.linalg.solve(without_copies, left) + believed, rel=1e-9)


def _serials(history: Any) -> np.ndarray[Any, Any]:
    return np.array([copy for copy, _ in history.level])


def test_a_fitted_model_proves_itself() -> None:
    likelihood().check(fitted().criterion_arrays)


def test_effects_of_all_criteria_together_prove_themselves_and_no_others() -> None:
    with pytest.raises(ValueError, match="noise variance"):
        likelihood().check(each_by_itself().criterion_arrays)


def test_a_model_of_beliefs_alone_proves_itself() -> None:
    posterior = PreferenceModel(RANGE).fit([]).posterior_
    assert posterior.likelihood is not None
    posterior.likelihood.check(posterior.criterion_arrays)


def _changed_block(posterior: Posterior) -> Posterior:
    first, *others = posterior.blocks
    root = first.root.copy()
    root[2, 1, 0] += 1e-4
    return replace(posterior, blocks=(Block(first.levels, root), *others))


def _bumped(name: str) -> Callable[[Posterior], Posterior]:
    def change(posterior: Posterior) -> Posterior:
        array = getattr(posterior, name).copy()
        array.flat[-1] += 1e-4
        return replace(posterior, **{name: array})

    return change


CHANGES = {name: _bumped(name) for name in ("copy_sd", "repeat_sd", "coef_root", "effect")} | {"roots": _changed_block}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_number_is_told_from_the_criterion(what: str) -> None:
    changed = CHANGES[what](fitted())
    with pytest.raises(ValueError, match=r"of criterion \d: got .* when evaluated anew, expected"):
        likelihood().check(changed.criterion_arrays)


@pytest.mark.parametrize("what", ["reml", "players", "squares", "degrees"])
def test_a_changed_scalar_is_told_from_the_criterion(what: str) -> None:
    changed = replace(likelihood(), **{what: getattr(likelihood(), what) * (1 + 1e-6)})
    with pytest.raises(ValueError, match="when evaluated anew"):
        changed.check(fitted().criterion_arrays)


def test_no_noise_at_all_is_refused_in_words() -> None:
    changed = replace(fitted(), repeat_sd=np.zeros(len(CRITERIA)))
    with pytest.raises(ValueError, match="when evaluated anew"):
        likelihood().check(changed.criterion_arrays)
