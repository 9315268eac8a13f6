"""What is told of copies nobody has measured against draws from the model: slopes, traits, effects and matches drawn."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Bench, Range, Trial
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import LIKING
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import predict_player
from model.trial.joint import joint_posterior
from tests.model.dense import emphasis_of
from tests.model.worlds import drawn_trials, violins

C, DRAWS, CHUNK = len(CRITERIA), 200_000, 25_000
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
def view(request: pytest.FixtureRequest) -> CataloguePosterior:
    trials = a_history() if request.param == "a few trials" else []
    return PreferenceModel(RANGE).fit(trials).view_


@dataclass(frozen=True)
class Drawn:
    """Players' true likings, drawn from the model as the notation states it, `CHUNK` at a time; all of the overall mark."""

    posterior: FittedModel
    answers: Answers
    rng: np.random.Generator

    def component(self, root: Floats, R: Floats) -> list[Floats]:
        """C criteria of (CHUNK, m), Cov(z_c, z_d) = R_cd L_c L_d'."""
        z = np.linalg.cholesky(R + 1e-12 * np.eye(C)) @ self.rng.standard_normal((C, root.shape[2] * CHUNK))
        return [of.reshape(CHUNK, -1) @ L.T for of, L in zip(z, root, strict=True)]

    def normal(self) -> Floats:
        return self.rng.standard_normal(CHUNK)


def drawn_likings(
    view: CataloguePosterior, answers: Answers, serials: list[str], seed: int
) -> tuple[Floats, Floats, Floats]:
    """(CHUNK,) of tier b's mean and of an unknown copy of it, and (CHUNK, n) of copies of tier b never rated."""
    posterior, R = view.posterior, view.posterior.correlations
    draw = Drawn(posterior, answers, np.random.default_rng(seed))
    names = [column.name for column in posterior.design.columns]
    beta = [
        mean + z for mean, z in zip(posterior.coef, draw.component(posterior.coef_root, R.coefficients), strict=True)
    ]
    level = draw.component(posterior.players.root[:, :, :2], R.player)[0]
    slopes = draw.component(posterior.players.root[:, :, 2:], R.tastes)[0]
    gamma = posterior.profile.mean + posterior.profile.sd * draw.normal()
    cared, centred = emphasis_of(answers.priorities), _of_tier(view)

    def slope(trait: str) -> Floats:
        """How much this player likes one unit more of a trait overall, (CHUNK,)."""
        at, own = names.index(trait), 3 + ("mass", "balance", "brightness").index(trait)
        out = beta[0][:, at] + level[:, own] + slopes[:, own]
        for wish, of in (("wish_mass", "mass"), ("wish_tone", "brightness")):
            if of == trait:
                out = out + (getattr(answers, wish) or 0) * beta[0][:, names.index(f"{wish} x {of}")]
        return np.asarray(out)

    grades = [1 - posterior.design.middle[0], 2 - posterior.design.middle[0]]
    x = np.zeros(len(names))
    for name, value in {"intercept": 1.0, "instrument violin": 1.0, "grade": grades[1], "tier b": 1.0}.items():
        x[names.index(name)] = value
    beyond = np.zeros(len(names))
    for name, value in {"grade": (grades[1] - grades[0]) / 2, "tier b": 0.5, "tier a": -0.5}.items():
        beyond[names.index(name)] = value
    z = np.array([1.0, 0.0, grades[1], *centred])
    liked = beta[0] @ x + level @ z + slopes @ z
    mean_profile = np.asarray(sum(w * posterior.coef[c] @ beyond for c, w in enumerate(cared)))
    m = liked + gamma * mean_profile

    def a_copy(traits: dict[str, Floats | float]) -> Floats:
        effect = draw.component(posterior.copy_sd[:, None, None], R.copy)
        match = draw.component(posterior.match_sd[:, None, None], R.match)[0]
        bench = np.asarray(sum(value * slope(trait) for trait, value in traits.items()))

        def found(c: int) -> Floats:
            """What everybody finds of it on a criterion beyond the mean of the two tiers."""
            common = sum(value * beta[c][:, names.index(trait)] for trait, value in traits.items())
            return np.asarray(beta[c] @ beyond + common + effect[c][:, 0])

        profile = np.asarray(sum(w * found(c) for c, w in enumerate(cared) if w))
        return np.asarray(liked + bench + effect[0][:, 0] + match[:, 0] + gamma * profile)

    unknown = a_copy({"mass": draw.normal(), "balance": draw.normal(), "brightness": draw.normal() - draw.normal()})
    named = [a_copy(_traits_of(view, serial, draw.normal)) for serial in serials]
    return m, unknown, np.column_stack(named)


def _of_tier(view: CataloguePosterior) -> Floats:
    """How tier b's mean deviates from that of all violin bows, in units of the spread within tiers."""
    design = view.posterior.design
    z = (design.centres[1] - design.fallback[0]) / design.scales[0]
    return np.array([z[0], z[1], z[2] - z[3]])


def _traits_of(view: CataloguePosterior, serial: str, normal: Callable[[], Floats]) -> dict[str, Floats | float]:
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
def test_unknown_and_unmeasured_copies_vary_as_drawn_ones_do(view: CataloguePosterior, answers: Answers) -> None:
    serials = ["b2", "b3", "b4"]
    chunks = zip(*(drawn_likings(view, answers, serials, seed) for seed in range(DRAWS // CHUNK)), strict=True)
    m, unknown, named = (np.concatenate(of) for of in chunks)
    found = predict_player(view, answers)
    assert found.spread[1] ** 2 == pytest.approx((unknown - m).var(), rel=CLOSE)
    place = [found.stock.serials.index(serial) for serial in serials]
    assert [found.tiers[tier].slug for tier in found.stock.tier[place]] == ["b", "b", "b"]
    of_each = found.cov[1, 1] + found.stock.spread[place] ** 2
    np.testing.assert_allclose(of_each, named.var(axis=0), rtol=CLOSE)
    joint = joint_posterior(Player(view, answers), LIKING, serials)
    np.testing.assert_allclose(joint.bows_mean, named.mean(axis=0), atol=0.01)
    np.testing.assert_allclose(joint.bows_cov, np.cov(named.T), atol=CLOSE * joint.bows_cov.max())
