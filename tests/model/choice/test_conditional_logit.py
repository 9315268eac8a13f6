"""ChoiceSets from sets: published Bradley-Terry analyses, another library's logits, and a likelihood written another way."""

import json
from math import log
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from model.choice.conditional_logit import ChoiceFit, ChoicePrior, fit_conditional_logit
from model.domain.arrays import Floats

DATA = Path(__file__).parents[1] / "data"
BASEBALL = json.loads((DATA / "baseball_1987.json").read_text())
CITATIONS = json.loads((DATA / "journal_citations.json").read_text())


def flat(columns: int) -> ChoicePrior:
    """Next to no belief: it moves an estimate by less than 1e-9 of the likelihood's own."""
    return ChoicePrior(np.zeros(columns), np.full(columns, 1e5))


def fitted(
    Z: Floats, choice: object, chosen: object, prior: ChoicePrior | None = None, nonnegative: tuple[int, ...] = ()
) -> ChoiceFit:
    """Fit by maximum likelihood, or with a prior."""
    return fit_conditional_logit(Z, choice, chosen, prior or flat(Z.shape[1]), nonnegative)  # type: ignore[arg-type]


def deviance(fit: ChoiceFit, games: list[tuple[str, str, float, float]]) -> float:
    """Twice the distance to one free probability a pair, by its definition (McCullagh & Nelder 1989, sec. 2.3)."""
    best = sum(won * log(won / (won + lost)) for *_, one, two in games for won, lost in ((one, two), (two, one)) if won)
    return 2.0 * (best - fit.loglik)


# Published analyses


def _duels(names: list[str], games: list[tuple[str, str, float, float]], *, home: bool = False) -> ChoiceFit:
    """Fit a Bradley-Terry model: sets of two, an indicator column an item but the first, and one for playing at home."""
    one = np.eye(len(names))[:, 1:]
    rows, label, wins = [], [], []
    for place, (first, second, won, lost) in enumerate(games):
        for name, here, count in ((first, 1.0, won), (second, 0.0, lost)):
            rows.append(np.append(one[names.index(name)], here) if home else one[names.index(name)])
            label.append(place)
            wins.append(count)
    return fitted(np.array(rows), label, wins)


def _deviations(fit: ChoiceFit) -> Floats:
    return np.asarray(np.sqrt(np.diag(fit.covariance)))


def _pairs(games: list[tuple[str, str, float, float]]) -> list[tuple[str, str, float, float]]:
    """Add up the games of two teams, wherever they were played."""
    wins: dict[tuple[str, str], float] = {}
    for home, away, won, lost in games:
        wins[home, away] = wins.get((home, away), 0.0) + won
        wins[away, home] = wins.get((away, home), 0.0) + lost
    return [(one, other, wins[one, other], wins[other, one]) for one, other in wins if one < other]


def test_baseball_teams_have_the_published_abilities() -> None:
    fit, known = _duels(BASEBALL["teams"], BASEBALL["games"]), BASEBALL["reference"]
    assert fit.coef == pytest.approx(known["ability_no_home"][1:], abs=1e-6)
    assert _deviations(fit) == pytest.approx(known["se_no_home"][1:], abs=1e-6)
    assert deviance(fit, BASEBALL["games"]) == pytest.approx(known["deviance_of_42_rows"], abs=5e-5)


def test_adding_up_the_games_of_two_teams_changes_the_deviance_only() -> None:
    fit, known = _duels(BASEBALL["teams"], _pairs(BASEBALL["games"])), BASEBALL["reference"]
    assert len(_pairs(BASEBALL["games"])) == 21
    assert fit.coef == pytest.approx(known["ability_no_home"][1:], abs=1e-6)
    assert deviance(fit, _pairs(BASEBALL["games"])) == pytest.approx(known["deviance_of_21_pairs"], abs=5e-5)


def test_baseball_with_home_advantage_is_as_published() -> None:
    fit, known = _duels(BASEBALL["teams"], BASEBALL["games"], home=True), BASEBALL["reference"]
    assert fit.coef[:-1] == pytest.approx(known["ability_home"][1:], abs=1e-6)
    assert fit.coef[-1] == pytest.approx(known["at_home"], abs=1e-5)
    assert _deviations(fit)[-1] == pytest.approx(known["at_home_se"], abs=1e-5)
    assert deviance(fit, BASEBALL["games"]) == pytest.approx(known["deviance_home"], abs=5e-5)
    worth = np.exp(np.append(0.0, fit.coef[:-1]))
    assert np.sort(worth / worth.sum()) == pytest.approx(known["printed_shares_home"], abs=5.1e-4)


def test_the_chance_of_one_team_against_another_is_as_published() -> None:
    fit, teams = _duels(BASEBALL["teams"], BASEBALL["games"]), BASEBALL["teams"]
    both = np.eye(7)[[teams.index("Detroit"), teams.index("Boston")], 1:]
    chance = np.exp(both @ fit.coef) / np.exp(both @ fit.coef).sum()
    assert chance[0] == pytest.approx(BASEBALL["reference"]["detroit_beats_boston_no_home"], abs=5e-6)


def test_citations_counted_as_wins_have_the_published_abilities() -> None:
    names, cited = CITATIONS["journals"], CITATIONS["cited_row_citing_column"]
    games = [(names[i], names[j], cited[i][j], cited[j][i]) for i in range(4) for j in range(i)]
    fit, known = _duels(names, games), CITATIONS["reference"]
    assert fit.coef == pytest.approx(known["ability"][1:], abs=1e-6)
    assert _deviations(fit) == pytest.approx(known["se"][1:], abs=1e-6)
    assert deviance(fit, games) == pytest.approx(known["deviance"], abs=5e-6)


# Another library, and a likelihood written another way


def _drawn(seed: int, sets: int, largest: int, gamma: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.bool_]]:
    """Draw choices from sets of two to ``largest`` options: the highest of z'gamma + Gumbel noise is taken."""
    rng = np.random.default_rng(seed)
    label = np.repeat(np.arange(sets), rng.integers(2, largest + 1, sets))
    Z = rng.normal(size=(label.size, gamma.size))
    value = Z @ gamma + rng.gumbel(size=label.size)
    order = np.lexsort((-value, label))
    chosen = np.zeros(label.size, dtype=bool)
    chosen[order[np.unique(label, return_index=True)[1]]] = True
    return Z, label, chosen


GAMMA = np.array([1.1, 0.5, -0.7])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_choices_of_two_are_a_logistic_regression_on_the_differences(seed: int) -> None:
    Z, label, chosen = _drawn(seed, 300, 2, GAMMA)
    difference, first = Z[::2] - Z[1::2], chosen[::2]
    other = LogisticRegression(C=np.inf, fit_intercept=False, solver="newton-cg", tol=1e-12, max_iter=500)
    other.fit(difference, first)
    assert fitted(Z, label, chosen).coef == pytest.approx(other.coef_[0], abs=1e-6)


def test_a_gaussian_prior_is_the_ridge_of_a_logistic_regression() -> None:
    Z, label, chosen = _drawn(4, 60, 2, GAMMA)
    other = LogisticRegression(C=0.6**2, fit_intercept=False, solver="newton-cg", tol=1e-12, max_iter=500)
    other.fit(Z[::2] - Z[1::2], chosen[::2])
    fit = fitted(Z, label, chosen, ChoicePrior(np.zeros(3), np.full(3, 0.6)))
    assert fit.coef == pytest.approx(other.coef_[0], abs=1e-6)


def test_choices_of_four_by_what_the_chooser_is_are_a_multinomial_regression() -> None:
    rng = np.random.default_rng(5)
    chooser = rng.normal(size=(400, 2))
    taken = np.argmax(chooser @ rng.normal(size=(2, 4)) + rng.gumbel(size=(400, 4)), axis=1)
    other = LogisticRegression(C=np.inf, solver="newton-cg", tol=1e-12, max_iter=500).fit(chooser, taken)
    about = np.column_stack([np.ones(400), chooser])
    Z = np.concatenate([np.kron(np.eye(4)[taker, 1:], about) for taker in range(4)])
    label, chosen = np.tile(np.arange(400), 4), np.repeat(np.arange(4), 400) == np.tile(taken, 4)
    apart = np.column_stack([other.intercept_, other.coef_])
    expected = (apart - apart[0])[1:].ravel()
    assert fitted(Z, label, chosen).coef == pytest.approx(expected, abs=1e-5)


def _plain_loss(gamma: Floats, Z: Floats, label: NDArray[np.int64], chosen: Floats, prior: ChoicePrior | None) -> float:
    """Minus the log-likelihood: one over the sum of exponentials of differences, set by set."""
    loss = 0.0
    for each in np.unique(label):
        rows = Z[label == each]
        for row, times in zip(rows, chosen[label == each], strict=True):
            loss += times * float(np.log(np.exp((rows - row) @ gamma).sum()))
    if prior is not None:
        loss += 0.5 * float((((gamma - np.asarray(prior.mean)) / np.asarray(prior.sd)) ** 2).sum())
    return loss


@pytest.mark.parametrize("prior", [None, ChoicePrior([0.4, 0.4, 0.1], [0.3, 0.2, 0.5])])
def test_sets_of_unequal_size_agree_with_a_general_search(prior: ChoicePrior | None) -> None:
    Z, label, chosen = _drawn(6, 50, 6, GAMMA)
    counts = chosen.astype(np.float64) * np.random.default_rng(7).integers(1, 4, chosen.size)
    found = minimize(_plain_loss, np.zeros(3), (Z, label, counts, prior), "BFGS", options={"gtol": 1e-5})
    fit = fitted(Z, label, counts, prior)
    assert fit.coef == pytest.approx(found.x, abs=1e-5)
    assert _plain_loss(fit.coef, Z, label, counts, None) == pytest.approx(-fit.loglik, abs=1e-9)


def test_a_bound_that_holds_is_where_a_bounded_search_ends() -> None:
    Z, label, chosen = _drawn(8, 80, 5, np.array([0.9, -0.4, -0.6]))
    bounds = [(0, None), (0, None), (None, None)]
    found = minimize(_plain_loss, np.ones(3), (Z, label, chosen, None), "L-BFGS-B", bounds=bounds, tol=1e-13)
    fit = fitted(Z, label, chosen, nonnegative=(0, 1))
    assert fit.coef[1] == 0.0
    assert fit.coef == pytest.approx(found.x, abs=1e-5)


def test_a_bound_that_does_not_hold_changes_nothing() -> None:
    Z, label, chosen = _drawn(9, 200, 5, GAMMA)
    bounded = fitted(Z, label, chosen, nonnegative=(0, 1))
    assert bounded.coef == pytest.approx(fitted(Z, label, chosen).coef, abs=1e-9)


def test_the_covariance_is_the_inverse_of_the_curvature_by_differences() -> None:
    Z, label, chosen = _drawn(10, 60, 4, GAMMA)
    fit, step = fitted(Z, label, chosen), 1e-3 * np.eye(3)

    def loss(gamma: Floats) -> float:
        return _plain_loss(gamma, Z, label, chosen.astype(float), None)

    at = fit.coef
    curvature = [
        [(loss(at + a + b) - loss(at + a - b) - loss(at - a + b) + loss(at - a - b)) / 4e-6 for b in step] for a in step
    ]
    assert fit.covariance == pytest.approx(np.linalg.inv(curvature), rel=1e-4, abs=1e-6)


def test_many_choices_bring_back_the_coefficients_they_were_drawn_with() -> None:
    fit = fitted(*_drawn(11, 20_000, 6, GAMMA))
    assert (np.abs(fit.coef - GAMMA) < 4 * _deviations(fit)).all()
    assert _deviations(fit).max() < 0.02


def test_neither_the_order_of_rows_nor_a_shift_of_a_set_matters() -> None:
    Z, label, chosen = _drawn(12, 100, 5, GAMMA)
    plain = fitted(Z, label, chosen)
    order = np.random.default_rng(13).permutation(label.size)
    moved = Z + 1e6 * (1 + label[:, None] % 7)
    names = np.array([f"set {each}" for each in label])
    mixed = fitted(moved[order], names[order], chosen[order])
    assert mixed.coef == pytest.approx(plain.coef, abs=1e-6)


# What cannot be fitted


EXACT = np.array([[2.0, 0.3], [1.0, 0.8], [5.0, 0.1], [3.0, 0.2], [4.0, 0.9], [3.5, 0.0]])
TAKEN = np.array([1, 0, 1, 0, 1, 0])
IN_TWOS = np.repeat([0, 1, 2], 2)


def test_choices_told_exactly_are_fitted_with_a_prior() -> None:
    fit = fitted(EXACT[:, :1], IN_TWOS, TAKEN, ChoicePrior([0.0], [1.0]))
    assert 0 < fit.coef[0] < 3


@pytest.mark.parametrize(
    ("Z", "choice", "chosen", "word"),
    [
        (EXACT, IN_TWOS, [1, 0, 1, 0, 0, 0], "choice 2: got no option that was chosen"),
        (EXACT, [0, 0, 1, 1, 2, 3], TAKEN, "choice 2: got one option only"),
        (EXACT * np.nan, IN_TWOS, TAKEN, "Z: got nan in row 0, column 0"),
        (EXACT, IN_TWOS, [1, 0, 1, 0, 1, -1], "chosen: got a value that is negative"),
        (EXACT, IN_TWOS, [1, 0], "chosen: got an array of shape"),
        (EXACT, [0, 1], TAKEN, "choice: got 2 labels, expected one for each of 6"),
        (EXACT, None, TAKEN, "choice: got None"),
        (EXACT[0], IN_TWOS, TAKEN, "Z: got an array of shape"),
        (EXACT[:0], [], [], "Z: got an array of shape"),
    ],
)
def test_input_that_cannot_be_fitted_is_refused_in_a_sentence(
    Z: object, choice: object, chosen: object, word: str
) -> None:
    with pytest.raises(ValueError, match=word):
        fitted(np.asarray(Z, dtype=float), choice, chosen, flat(2))


def test_a_prior_or_bounds_that_do_not_fit_the_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="got 2 columns of Z, expected the 1 of the prior"):
        fitted(EXACT, IN_TWOS, TAKEN, ChoicePrior([0.0], [1.0]))
    with pytest.raises(ValueError, match="nonnegative: got"):
        fitted(EXACT, IN_TWOS, TAKEN, nonnegative=(2,))


@pytest.mark.parametrize(
    ("mean", "sd", "word"),
    [([0.0], [1.0, 1.0], "shape"), ([np.inf], [1.0], "mean"), ([0.0], [0.0], "above 0"), ([0.0], [np.inf], "finite")],
)
def test_a_prior_that_is_none_is_refused(mean: list[float], sd: list[float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        ChoicePrior(mean, sd)
