"""Correlations over the criteria: against the same equations in full matrices, and against worlds with known correlations."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from model.domain.arrays import Floats
from model.mixed import Prior, RemlFit, components
from model.mixed.components import deviations, player_parts
from model.mixed.correlations import CorrelationEstimates, correlations, nearest_correlation
from model.mixed.linalg import psd_cholesky
from model.mixed.mivque import MivqueEstimates, common_ratios, mivque
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_ratings import Ratings, predicted_flat

Labels = NDArray[np.int64]
MATRICES = ("player", "slopes", "copy", "interaction", "residual", "pooled", "prior_coefficients", "coefficients")
BELIEVED = MATRICES[:-1]
"""What a belief rules; the errors of x'beta differ in kind where one criterion has ratings and the other none."""
PRIOR = Prior(mean=[4.4, 0.2], sd=[0.5, 0.2], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)
SDS = {"player": 0.7, "copy": 0.5, "interaction": 0.5, "residual": 0.7}
RHO = {"player": 0.8, "copy": 0.3, "interaction": 0.5, "residual": 0.1}
"""Made up: standard deviations in points, and the correlation of every two criteria."""


@dataclass(frozen=True)
class World:
    """Ratings drawn from known components: X (n, p), Y (n, k), labels (n,)."""

    X: Floats
    Y: Floats
    player: Labels
    copy: Labels

    def fit(self, match: bool = True, prior: Prior | None = None) -> CrossedMixedModel:
        return CrossedMixedModel(interaction=match, prior=prior).fit(self.X, self.Y, self.player, self.copy)

    def records(self, match: bool = True, prior: Prior | None = None) -> tuple[RemlFit, ...]:
        return self.fit(match, prior).responses_

    def together(self, match: bool = True, prior: Prior | None = None, worth: float = 50.0) -> CorrelationEstimates:
        of = self.X, self.Y, self.player, self.copy, self.records(match, prior)
        return correlations(*of, interaction=match, prior=prior, prior_size=worth)

    def forms(self, match: bool = True, prior: Prior | None = None) -> MivqueEstimates:
        return mivque(
            self.X, self.Y, self.player, self.copy, self.records(match, prior), interaction=match, prior=prior
        )

    def without(self, gaps: NDArray[np.bool_]) -> "World":
        return World(self.X, np.where(gaps, np.nan, self.Y), self.player, self.copy)


def equal_correlation(rho: float, k: int) -> Floats:
    return np.full((k, k), rho) + (1.0 - rho) * np.eye(k)


def drawn(
    seed: int, players: int = 20, copies: int = 8, runs: int = 5, k: int = 3, rho: dict[str, float] = RHO
) -> World:
    """Every player rates a few copies, the first one twice."""
    rng = np.random.default_rng(seed)
    player = np.repeat(np.arange(players), runs)
    copy = np.array([rng.permutation(copies)[: runs - 1] for _ in range(players)])
    copy = np.hstack([copy, copy[:, :1]]).ravel()
    rows = {"player": player, "copy": copy, "interaction": player * copies + copy, "residual": np.arange(player.size)}
    X = np.column_stack([np.ones(player.size), rng.normal(size=player.size)])
    Y = (X @ [4.4, 0.3])[:, None] + np.zeros(k)
    for name, levels in rows.items():
        root = np.linalg.cholesky(equal_correlation(rho[name], k))
        Y = Y + (SDS[name] * rng.normal(size=(levels.max() + 1, k)) @ root.T)[levels]
    return World(X, Y, player, copy)


def single_gaps(world: World, share: float, seed: int = 0) -> World:
    return world.without(np.random.default_rng(seed).random(world.Y.shape) < share)


def trial_gaps(world: World, share: float, seed: int = 0) -> World:
    """Every player is asked some of the criteria, the first one always."""
    gaps = np.random.default_rng(seed).random((world.player.max() + 1, world.Y.shape[1])) < share
    gaps[:, 0] = False
    return world.without(gaps[world.player])


@dataclass(frozen=True)
class Plain:
    """The same equations in full matrices: P_c (n + m, n + m), W_c (n + m, p), Z_l Z_l' and the ratios, by component."""

    P: list[Floats]
    W: list[Floats]
    V: list[Floats]
    ratios: Floats
    y: Floats

    @classmethod
    def of(cls, world: World, records: tuple[RemlFit, ...], match: bool, prior: Prior | None) -> "Plain":
        names = ("player", "copy", "interaction") if match else ("player", "copy")
        ratios = np.array([*common_ratios(deviations(records), np.ones(len(records), bool), names)[: len(names)], 1.0])
        X, Y, n = world.X, world.Y, world.X.shape[0]
        alike = [labels[:, None] == labels for labels in (world.player, world.copy)]
        parts = [*alike, alike[0] & alike[1]] if match else alike
        m = 0 if prior is None else X.shape[1]
        if prior is not None:
            scale = prior.residual_sd / np.asarray(prior.sd)
            X = np.vstack([X, np.diag(scale)])
            Y = np.vstack([Y, np.tile((scale * np.asarray(prior.mean))[:, None], Y.shape[1])])
        V = [np.pad(part.astype(np.float64), (0, m)) for part in parts] + [np.diag(np.arange(n + m) < n).astype(float)]
        if m:
            V, ratios = [*V, np.diag(np.arange(n + m) >= n).astype(float)], np.append(ratios, 1.0)
        H = sum(ratio * part for ratio, part in zip(ratios, V, strict=True))
        P, W = zip(*(cls._own(np.asarray(H), X, np.isfinite(y)) for y in Y.T), strict=True)
        return cls(list(P), list(W), V, ratios, np.nan_to_num(Y))

    @staticmethod
    def _own(H: Floats, X: Floats, rated: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        inverse = np.zeros_like(H)
        inverse[np.ix_(rated, rated)] = np.linalg.inv(H[np.ix_(rated, rated)])
        W = inverse @ X @ np.linalg.inv(X.T @ inverse @ X)
        return inverse - W @ X.T @ inverse, W

    def solved(self, c: int, d: int) -> tuple[Floats, Floats]:
        """S_cd of every component and the diagonal of F^-1."""
        F = np.array([[np.trace(self.P[c] @ m @ self.P[d] @ to) for to in self.V] for m in self.V])
        q = np.array([self.y[:, c] @ self.P[c] @ m @ self.P[d] @ self.y[:, d] for m in self.V])
        inverse = np.linalg.inv((F + F.T) / 2.0)
        return inverse @ q, np.diagonal(inverse)


GAPS = pytest.mark.parametrize("gaps", [None, single_gaps, trial_gaps], ids=["complete", "gaps", "gaps by trial"])


@GAPS
@pytest.mark.parametrize("match", [True, False])
@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
def test_covariances_are_those_of_the_full_matrices(gaps, match: bool, prior: Prior | None) -> None:  # type: ignore[no-untyped-def]  # a function of the module
    world = drawn(1) if gaps is None else gaps(drawn(1), 0.4)
    found, plain = world.forms(match, prior), Plain.of(world, world.records(match, prior), match, prior)
    for c, d in np.ndindex(3, 3):
        S, variance = plain.solved(c, d)
        assert found.covariance[:, c, d] == pytest.approx(S, rel=1e-8, abs=1e-9)
        assert 1.0 / found.information[:, c, d] == pytest.approx(variance, rel=1e-8)
        W = [world.X @ plain.W[of].T for of in (c, d)]
        spread = [np.trace(W[0] @ part @ W[1].T) for part in plain.V]
        assert found.weights[:, c, d] == pytest.approx(np.array(spread), rel=1e-8, abs=1e-10)


def test_on_complete_ratings_the_equations_follow_from_the_ratios_derivatives() -> None:
    """Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3, PHP = P: noise by what the other terms leave."""
    world = drawn(2)
    plain = Plain.of(world, world.records(), True, None)
    P, (V, ratios) = plain.P[0], (plain.V[:3], plain.ratios[:3])
    t = np.array([np.trace(P @ part) for part in V])
    F = np.array([[np.trace(P @ m @ P @ to) for to in V] for m in V])
    edge = t - F @ ratios
    corner = world.Y.shape[0] - world.X.shape[1] - ratios @ t - ratios @ edge
    whole = np.block([[F, edge[:, None]], [edge, np.array([[corner]])]])
    Q = [world.Y.T @ P @ part @ P @ world.Y for part in V]
    Q.append(world.Y.T @ P @ world.Y - sum(ratio * of for ratio, of in zip(ratios, Q, strict=True)))
    S = np.einsum("ml,lcd->mcd", np.linalg.inv(whole), np.array(Q))
    assert world.forms().covariance == pytest.approx(S, rel=1e-8, abs=1e-9)


def test_of_one_response_alone_the_variances_are_those_of_restricted_maximum_likelihood() -> None:
    """Searle, Casella & McCulloch 1992, sec. 11.3: REML is where MIVQUE returns the variances it was weighted with."""
    world = drawn(3, players=60, copies=12, k=1)
    fitted = world.fit()
    variances = np.array([fitted.player_sd_, fitted.copy_sd_, fitted.interaction_sd_, fitted.residual_sd_]) ** 2
    found = mivque(world.X, world.Y, world.player, world.copy, fitted.responses_)
    assert variances.min() > 0.05
    assert found.covariance[:, 0, 0] == pytest.approx(variances, rel=1e-4)


def probed_more(monkeypatch: pytest.MonkeyPatch, probes: int) -> None:
    for name, value in (("EXACT_UP_TO", 0), ("PROBES", probes)):
        monkeypatch.setattr(components, name, value)


def test_random_signs_give_the_traces_within_their_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hutchinson 1990, Commun. Stat. Simul. 19: 433: the error falls with the root of the number of vectors."""
    world = trial_gaps(drawn(4, players=80, copies=70, k=2), 0.4)
    exact, off = world.forms().information, []
    for probes in (4, 64):
        probed_more(monkeypatch, probes)
        off.append(np.abs(world.forms().information / exact - 1.0).mean())
    assert 0.0 < 2.0 * off[1] < off[0]
    assert off[1] < 0.05


def test_the_error_of_random_signs_is_far_below_that_of_the_ratings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against (1 - R^2) / root(levels + worth), the standard error of a correlation told by so many (Fisher 1915, Biometrika 10: 507)."""
    world = trial_gaps(drawn(5, players=90, copies=60, runs=12, k=4), 0.3)
    probed = world.together()
    assert world.X.shape[0] > components.EXACT_UP_TO
    monkeypatch.setattr(components, "EXACT_UP_TO", world.X.shape[0])
    exact, off = world.together(), np.triu_indices(4, 1)
    for name in RHO:
        R, moved = getattr(exact, name)[off], (getattr(probed, name) - getattr(exact, name))[off]
        error = (1.0 - R**2) / np.sqrt(exact.effective_levels[name][off] + 50.0)
        assert 0.0 < np.sqrt(np.mean(moved**2)) < 0.2 * np.sqrt(np.mean(error**2)), name


def covariances(worlds: list[World]) -> Floats:
    """The estimates (worlds, L, k, k), weighted with the true variance ratios."""
    truth = drawn(0).records()
    k = worlds[0].Y.shape[1]
    records = [_told_truly(truth[0])] * k
    return np.array([mivque(w.X, w.Y, w.player, w.copy, records).covariance for w in worlds])


def _told_truly(record: RemlFit) -> RemlFit:
    player, copy, match, repeat = SDS.values()
    coef = np.array([4.4, 0.3])
    return replace(record, coef=coef, player_sd=player, copy_sd=copy, interaction_sd=match, residual_sd=repeat)


@GAPS
def test_known_covariances_come_back_on_average(gaps) -> None:  # type: ignore[no-untyped-def]  # a function of the module
    """Unbiased whatever is missing: the mean of 60 histories within four of its own standard errors."""
    worlds = [drawn(seed, players=24, copies=12, runs=6, k=4) for seed in range(100, 160)]
    if gaps is not None:
        worlds = [gaps(world, 0.4, seed) for seed, world in enumerate(worlds)]
    found = covariances(worlds)
    truth = np.array([SDS[name] ** 2 * equal_correlation(RHO[name], 4) for name in SDS])
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    assert np.abs((found.mean(axis=0) - truth) / error).max() < 4.0


def test_the_levels_told_are_those_that_would_scatter_as_much() -> None:
    """A covariance of independent criteria, seen on so many levels without noise, has the variance s^4 / levels."""
    none = dict.fromkeys(SDS, 0.0)
    worlds = [trial_gaps(drawn(seed, 24, 12, 6, 4, rho=none), 0.4, seed) for seed in range(200, 260)]
    pairs = np.triu_indices(4, 1)
    records = [_told_truly(drawn(0).records()[0])] * 4
    found = [correlations(w.X, w.Y, w.player, w.copy, records, prior_size=1e-9) for w in worlds]
    S = covariances(worlds)
    for place, (name, sd) in enumerate(SDS.items()):
        levels = np.array([one.effective_levels[name][pairs] for one in found])
        scattered = (S[:, place][:, *pairs] / sd**2) ** 2 * levels
        assert scattered.mean() == pytest.approx(1.0, abs=4.0 * scattered.std() / np.sqrt(len(worlds)))


@pytest.mark.parametrize("share", [0.0, 0.12])
def test_known_correlations_come_back(share: float) -> None:
    """Within what so many levels leave open: (1 - rho^2) / sqrt(levels) each, four criteria, three histories."""
    pairs, off = np.triu_indices(4, 1), []
    for seed in range(3):
        found = single_gaps(drawn(seed, players=200, copies=60, runs=7, k=4), share, seed).together(worth=1e-9)
        for name, rho in RHO.items():
            error = 1.0 / np.sqrt(found.effective_levels[name][pairs])
            off.append(np.mean(((getattr(found, name)[pairs] - rho) / error) ** 2))
    assert np.mean(off) < 1.5
    assert np.max(off) < 4.0


def noise_off(world: World, rho: float) -> float:
    return float(np.mean(world.together(match=False, worth=1e-9).residual[np.triu_indices(4, 1)]) - rho)


def test_gaps_filled_by_fitted_values_alone_would_lose_the_noise_correlation() -> None:
    """Worlds without a match, noise correlated by .6, 12 % missing: what is filled in has no noise, so none in common."""
    rho = RHO | {"residual": 0.6}
    left, filled = [], []
    for seed in range(4):
        world = single_gaps(_without_match(seed, rho), 0.12, seed)
        full = World(world.X, np.column_stack([_filled(world, y) for y in world.Y.T]), world.player, world.copy)
        left.append(noise_off(world, 0.6))
        filled.append(noise_off(full, 0.6))
    assert abs(np.mean(left)) < 0.02
    assert np.mean(filled) < -0.04


def _filled(world: World, y: Floats) -> Floats:
    """Fill the gaps of one criterion's ratings (n,) with what its own fit expects there."""
    rated = np.isfinite(y)
    known, gaps = (Ratings(world.X[of], y[of], world.player[of], world.copy[of]) for of in (rated, ~rated))
    out = y.copy()
    out[~rated] = predicted_flat(known.fit(match=False, prior=None), known, gaps)[0]
    return out


def _without_match(seed: int, rho: dict[str, float]) -> World:
    """Copies' matches with players have no deviation of their own here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(SDS, "interaction", 0.0)
        return drawn(seed, players=120, copies=30, runs=6, k=4, rho=rho)


def test_players_asked_only_some_criteria_do_not_look_less_alike() -> None:
    """Half of the criteria left out trial by trial: the players' correlation of .8 stays, on the mean of five histories."""
    worlds = [trial_gaps(drawn(seed, players=150, copies=40, runs=6, k=4), 0.5, seed) for seed in range(5)]
    found = [world.together(worth=1e-9).player[np.triu_indices(4, 1)].mean() for world in worlds]
    assert np.mean(found) == pytest.approx(0.8, abs=4.0 * np.std(found, ddof=1) / np.sqrt(len(found)))
    assert np.std(found, ddof=1) < 0.1


def with_tastes(world: World, seed: int, rho: float) -> tuple[World, Floats]:
    """Add a slope of each player's own (sd .5) on a trait of the copies about its mean, which is 2."""
    rng = np.random.default_rng(seed)
    trait = rng.normal(2.0, 1.0, world.copy.max() + 1)[world.copy, None]
    k = world.Y.shape[1]
    slopes = 0.5 * rng.normal(size=(world.player.max() + 1, k)) @ np.linalg.cholesky(equal_correlation(rho, k)).T
    return World(world.X, world.Y + (trait - 2.0) * slopes[world.player], world.player, world.copy), trait


def test_tastes_have_a_correlation_of_their_own() -> None:
    """Leniency alike by .8, slopes not at all: neither hides in the other, nor in the match."""
    found = []
    for seed in range(8):
        world, trait = with_tastes(drawn(seed, players=150, copies=40, runs=6, k=4), seed, 0.0)
        fit = CrossedMixedModel(interaction=True).fit(world.X, world.Y, world.player, world.copy, trait)
        of = world.X, world.Y, world.player, world.copy, fit.responses_
        together = correlations(*of, prior_size=1e-9, slopes=trait)
        assert_correlations(together, 4)
        found.append(
            [getattr(together, name)[np.triu_indices(4, 1)].mean() for name in ("slopes", "interaction", "residual")]
        )
    error = np.std(found, axis=0, ddof=1) / np.sqrt(len(found))
    assert np.abs((np.mean(found, axis=0) - [0.0, RHO["interaction"], RHO["residual"]]) / error).max() < 4.0
    assert error.max() < 0.06


def test_a_players_level_and_tastes_are_the_whole_of_the_players_variance() -> None:
    """Square and add what the parts weigh in each row: z'L L'z = z' covariance z."""
    world, trait = with_tastes(drawn(13, players=60, copies=20), 13, 0.5)
    responses = CrossedMixedModel(interaction=True).fit(world.X, world.Y, world.player, world.copy, trait).responses_
    alike, (level, taste) = player_parts(responses[:1], trait, len(trait))
    whole = (level[0] * alike[0][:, 0]) ** 2 + (taste[0] * alike[1][:, 0]) ** 2
    z = np.column_stack([np.ones(len(trait)), trait - responses[0].slope_centre])
    assert whole == pytest.approx(np.einsum("na,ab,nb->n", z, responses[0].random_effects_covariance, z))
    assert np.mean([part**2 for part in alike], axis=1) == pytest.approx(np.ones((2, 1)))


@pytest.mark.parametrize("covariance", [np.zeros((2, 2)), np.ones((2, 2)), np.array([[2.0, -0.5], [-0.5, 1.0]])])
def test_the_lower_root_stands_singular_covariances(covariance: Floats) -> None:
    root = psd_cholesky(covariance)
    assert root @ root.T == pytest.approx(covariance)
    assert np.triu(root, 1) == pytest.approx(np.zeros((2, 2)))


def assert_correlations(together: CorrelationEstimates, k: int) -> None:
    for name in MATRICES:
        R = getattr(together, name)
        assert R.shape == (k, k)
        assert np.diagonal(R) == pytest.approx(np.ones(k))
        assert pytest.approx(R.T) == R
        assert np.linalg.eigvalsh(R)[0] > 0.0
    for levels in together.effective_levels.values():
        assert (levels >= 0).all()
        assert np.isfinite(levels).all()


@pytest.mark.parametrize("worth", [1e-6, 50.0])
@pytest.mark.parametrize("seed", range(4))
def test_they_are_correlation_matrices_however_few_the_ratings(seed: int, worth: float) -> None:
    world = trial_gaps(drawn(seed, players=3 + seed, copies=4, runs=4, k=6), 0.6, seed)
    assert_correlations(world.together(prior=PRIOR, worth=worth), 6)


def test_a_criterion_never_rated_takes_the_belief() -> None:
    world = drawn(5, k=4)
    world.Y[:, 2] = np.nan
    found = world.together(prior=PRIOR)
    assert_correlations(found, 4)
    for name in BELIEVED:
        assert getattr(found, name)[2, [0, 1, 3]] == pytest.approx(0.5, abs=0.02)
        assert found.effective_levels.get(name, np.zeros((4, 4)))[2] == pytest.approx(np.zeros(4))


def test_with_one_criterion_rated_or_no_rating_at_all_every_correlation_is_the_belief() -> None:
    world = drawn(6, k=4)
    world.Y[:, 1:] = np.nan
    nothing = World(world.X[:0], world.Y[:0], world.player[:0], world.copy[:0])
    for few in (world, nothing):
        found = few.together(prior=PRIOR)
        assert_correlations(found, 4)
        for name in BELIEVED:
            assert getattr(found, name) == pytest.approx(equal_correlation(0.5, 4))


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
@pytest.mark.parametrize("factor", ["player", "copy"])
def test_one_level_tells_nothing_of_its_factor(factor: str, prior: Prior | None) -> None:
    world = drawn(7, players=12)
    getattr(world, factor)[:] = 0
    found = world.together(prior=prior)
    assert_correlations(found, 3)
    assert found.effective_levels[factor].max() < 1.0
    assert getattr(found, factor) == pytest.approx(found.pooled, abs=0.02)


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
def test_without_repeats_match_and_noise_take_what_they_have_together(prior: Prior | None) -> None:
    world = drawn(8, players=40, runs=5)
    first = np.arange(world.player.size) % 5 < 4
    once = World(world.X[first], world.Y[first], world.player[first], world.copy[first])
    found = once.together(prior=prior)
    assert_correlations(found, 3)
    assert np.array_equal(found.interaction, found.residual)
    assert not found.effective_levels["interaction"].any()
    assert found.player[0, 1] > found.interaction[0, 1] + 0.1


def test_a_factor_left_out_takes_the_pooled_correlation() -> None:
    world = drawn(9)
    records = CrossedMixedModel().fit(world.X, world.Y, player=world.player).responses_
    found = correlations(world.X, world.Y, world.player, None, records, interaction=False)
    assert_correlations(found, 3)
    assert np.array_equal(found.copy, found.pooled)
    assert not np.array_equal(found.player, found.pooled)


def test_the_belief_rules_little_data_and_gives_way_to_much() -> None:
    rho = dict.fromkeys(SDS, 0.0)
    off = [abs(drawn(10, players=size, rho=rho).together(prior=PRIOR).player[0, 1] - 0.5) for size in (2, 40, 300)]
    assert off[0] < 10 / 60 * 1.5  # ten sheets against fifty, and the farthest that they can say
    assert off[0] < off[1] < off[2]
    assert off[2] > 0.3


def test_units_and_the_order_of_the_rows_do_not_matter() -> None:
    world, order = single_gaps(drawn(11), 0.2), np.random.default_rng(0).permutation(100)
    other = World(world.X[order], 5.0 + world.Y[order] * [1.0, 3.0, 0.1], world.player[order] + 7, world.copy[order])
    for name in MATRICES:
        assert getattr(other.together(), name) == pytest.approx(getattr(world.together(), name), abs=1e-5)


def test_a_matrix_that_is_no_correlation_is_drawn_to_one_that_is() -> None:
    R = np.array([[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]])
    assert np.linalg.eigvalsh(nearest_correlation(R))[0] > 0.0
    assert np.diagonal(nearest_correlation(R)) == pytest.approx(np.ones(3))
    assert nearest_correlation(equal_correlation(0.4, 3)) == pytest.approx(equal_correlation(0.4, 3))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"Y": np.zeros((100, 2))}, "got X of shape .* and Y of shape"),
        ({"X": np.zeros((100, 3))}, "got 3 columns of X, expected those of the records"),
        ({"player": np.zeros(99)}, "player: got 99 labels, expected one for each of 100 rows"),
        ({"prior_correlation": -0.6}, "expected a number from -0.5 to 1"),
        ({"prior_correlation": np.nan}, "expected a number from -0.5 to 1"),
        ({"slopes": np.zeros((100, 1))}, "slopes: got 1 columns, expected the 0 of the fit"),
        ({"prior_size": 0.0}, "prior_size: got 0.0, expected a finite number above 0"),
    ],
)
def test_what_does_not_fit_is_said_in_words(change: dict[str, object], sentence: str) -> None:
    world = drawn(12)
    given = {"X": world.X, "Y": world.Y, "player": world.player, "copy": world.copy, "responses": world.records()}
    with pytest.raises(ValueError, match=sentence):
        correlations(**{**given, **change})  # type: ignore[arg-type]  # wrong on purpose


def test_players_who_rate_once_still_give_correlation_matrices() -> None:
    world = drawn(14, players=60)
    once = World(world.X[::5], world.Y[::5], world.player[::5], world.copy[::5])
    found = once.together(prior=PRIOR)
    assert_correlations(found, 3)
    assert not found.effective_levels["player"].any()
    assert found.player == pytest.approx(found.pooled)
