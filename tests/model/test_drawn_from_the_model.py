"""What is told of copies nobody has measured against draws from the model: slopes, traits, effects and matches drawn."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from model._here import here
from model.personal import compared_weights, outlook, utility_weights
from model.player import Player
from model.posterior import Posterior
from model.preference import PreferenceModel
from model.records import Answers, Bench, Range, Trial
from model.view import View
from model.vocabulary import CRITERIA, Criterion, Instrument
from tests.model.worlds import drawn_trials, violins

Floats = NDArray[np.float64]
C, DRAWS = len(CRITERIA), 200_000
CLOSE = 0.012
"""Relative error allowed in a variance: five standard errors of a variance drawn so often, for tails up to twice the normal's."""
PLAIN = Answers(Instrument.VIOLIN)
WISHING = replace(PLAIN, wish_mass=-1, wish_tone=1, priorities=(Criterion.TONE, Criterion.EASE))


def a_range() -> Range:
    """Tiers 'a' and 'b'; of 'b', 'b3' was never on the bench and 'b4' has half the readings of its brightness."""
    whole = violins([4, 5])
    half = replace(whole.copies["b4"].bench, loss_factor=None, balance_mm=None)
    changed = {"b3": Bench(), "b4": half}
    copies = {s: replace(copy, bench=changed.get(s, copy.bench)) for s, copy in whole.copies.items()}
    return Range(whole.tiers, copies)


RANGE = a_range()
RATED = ["a0", "a1", "a2", "b0", "b1"]
"""Copies of the small history; the others were never rated."""


def a_history() -> list[Trial]:
    few = Range(RANGE.tiers, {serial: RANGE.copies[serial] for serial in RATED})
    return drawn_trials(few, 8, 3, seed=2)


@pytest.fixture(scope="module", params=["no trials", "a few trials"])
def view(request: pytest.FixtureRequest) -> View:
    trials = a_history() if request.param == "a few trials" else []
    return PreferenceModel(RANGE).fit(trials).view_


@dataclass(frozen=True)
class Drawn:
    """One player's true likings, drawn from the model as the notation states it: (draws,) each of a criterion or of u."""

    posterior: Posterior
    answers: Answers
    weights: Floats
    rng: np.random.Generator

    def component(self, root: Floats, R: Floats) -> list[Floats]:
        """C criteria of (draws, m), Cov(z_c, z_d) = R_cd L_c L_d'; None where the criterion has no weight."""
        z = np.linalg.cholesky(R + 1e-12 * np.eye(C))[self.used] @ self.rng.standard_normal((C, root.shape[2] * DRAWS))
        return [of.reshape(DRAWS, -1) @ root[c].T for of, c in zip(z, self.used, strict=True)]

    @property
    def used(self) -> list[int]:
        return np.flatnonzero(self.weights).tolist()

    def weighed(self, of: Callable[[int, int], Floats]) -> Floats:
        """Sum over criteria of the weight times something (draws,) of (place among those used, criterion)."""
        return np.asarray(sum(self.weights[c] * of(n, c) for n, c in enumerate(self.used)))


def drawn_likings(view: View, answers: Answers, weights: Floats, serials: list[str]) -> tuple[Floats, Floats, Floats]:
    """(draws,) of tier b's mean and of an unknown copy of it, and (draws, n) of copies of tier b never rated."""
    posterior, R = view.posterior, view.posterior.correlations
    draw = Drawn(posterior, answers, weights, np.random.default_rng(5))
    names = [column.name for column in posterior.design.columns]
    beta = draw.component(posterior.coef_root, R.coefficients)
    level = draw.component(posterior.players.root[:, :, :2], R.player)
    slopes = draw.component(posterior.players.root[:, :, 2:], R.tastes)

    def slope(trait: str, n: int, c: int) -> Floats:
        """How much this player likes one unit more of a trait, (draws,)."""
        at, own = names.index(trait), 3 + ("mass", "balance", "brightness").index(trait)
        out = posterior.coef[c, at] + beta[n][:, at] + level[n][:, own] + slopes[n][:, own]
        for wish, of in (("wish_mass", "mass"), ("wish_tone", "brightness")):
            if of == trait:
                wished = names.index(f"{wish} x {of}")
                out = out + (getattr(answers, wish) or 0) * (posterior.coef[c, wished] + beta[n][:, wished])
        return np.asarray(out)

    grade = 2 - posterior.design.middle[0]
    x = np.zeros(len(names))
    for name, value in {"intercept": 1.0, "instrument violin": 1.0, "grade": grade, "tier b": 1.0}.items():
        x[names.index(name)] = value
    z = np.array([1.0, 0.0, grade, 0.0, 0.0, 0.0])
    m = draw.weighed(lambda n, c: x @ posterior.coef[c] + beta[n] @ x + level[n] @ z + slopes[n] @ z)

    def a_copy(traits: dict[str, Floats | float]) -> Floats:
        effect = draw.component(posterior.copy_sd[:, None, None], R.copy)
        match = draw.component(posterior.match_sd[:, None, None], R.match)
        bench = draw.weighed(lambda n, c: np.asarray(sum(value * slope(t, n, c) for t, value in traits.items())))
        return np.asarray(m + bench + draw.weighed(lambda n, _: effect[n][:, 0] + match[n][:, 0]))

    def normal() -> Floats:
        return draw.rng.standard_normal(DRAWS)

    unknown = a_copy({"mass": normal(), "balance": normal(), "brightness": normal() - normal()})
    named = [a_copy(_traits_of(view, serial, normal)) for serial in serials]
    return m, unknown, np.column_stack(named)


def _traits_of(view: View, serial: str, normal: Callable[[], Floats]) -> dict[str, Floats | float]:
    """A copy's traits in its tier's spread: those of the bench, and a standard normal for each reading there is not."""
    design, copy = view.posterior.design, view.range.copies[serial]
    mass, balance, bright = design.traits([copy], view.range)[0].tolist()
    bench = copy.bench
    missing = [reading is None for reading in (bench.speed_of_sound_m_s, bench.loss_factor)]
    return {
        "mass": mass + (normal() if bench.mass_g is None else 0.0),
        "balance": balance + (normal() if bench.balance_mm is None else 0.0),
        "brightness": bright + sum(normal() for gone in missing if gone),
    }


@pytest.mark.parametrize("answers", [PLAIN, WISHING], ids=["nothing asked", "wishes and priorities"])
def test_unknown_and_unmeasured_copies_vary_as_drawn_ones_do(view: View, answers: Answers) -> None:
    weights = utility_weights(answers, view.posterior.priority_weight)
    assert compared_weights(answers, weights)[1] is None
    serials = ["b2", "b3", "b4"]
    m, unknown, named = drawn_likings(view, answers, weights, serials)
    found = outlook(view, answers)
    assert found.spread[1] ** 2 == pytest.approx((unknown - m).var(), rel=CLOSE)
    place = [found.stock.serials.index(serial) for serial in serials]
    assert [found.tiers[tier].slug for tier in found.stock.tier[place]] == ["b", "b", "b"]
    of_each = found.cov[1, 1] + found.stock.spread[place] ** 2
    np.testing.assert_allclose(of_each, named.var(axis=0), rtol=CLOSE)
    joint = here(Player(view, answers), weights, serials)
    np.testing.assert_allclose(joint.bows_mean, named.mean(axis=0), atol=0.01)
    np.testing.assert_allclose(joint.bows_cov, np.cov(named.T), atol=CLOSE * joint.bows_cov.max())
