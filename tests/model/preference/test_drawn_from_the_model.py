"""What is told of copies nobody has measured against draws from the model: slopes, traits, effects and matches drawn."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Bench, Range, Trial
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.features.bench_traits import USED
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
ERROR = 0.8
"""Standard deviation of one weighing of 'b2', in grams; masses differ by about one."""
FELT = ("mass", "balance", "brightness")
PLACES = [USED.index(name) for name in ("mass_g", "balance_mm", "speed_of_sound_m_s", "loss_factor")]
NAMED = {"balance": "balance_mm", "speed": "speed_of_sound_m_s", "loss": "loss_factor"}
PLAIN = Answers(Instrument.VIOLIN)
WISHING = replace(PLAIN, wish_mass=-1, wish_tone=1, priorities=(Criterion.TONE, Criterion.EASE))


def a_range() -> Range:
    """Tiers 'a' and 'b'; of 'b', 'b2' was weighed badly, 'b3' was never on the bench, 'b4' has half the readings of its brightness."""
    whole = violins([4, 5])
    half = replace(whole.copies["b4"].bench, loss_factor=None, balance_mm=None)
    badly = replace(whole.copies["b2"].bench, sd={"mass_g": ERROR})
    changed = {"b2": badly, "b3": Bench(), "b4": half}
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
        out = beta[0][:, names.index(trait)]
        if trait in FELT:
            own = 3 + FELT.index(trait)
            out = out + level[:, own] + slopes[:, own]
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

    told, n = _mass_of_b2(view), draw.normal
    others = {name: _spread_of(of) * n() for name, of in NAMED.items()}
    unknown = a_copy(_traits({"mass": told.spread * n(), **others}))
    named = [a_copy(_traits_of(view, serial, told, n)) for serial in serials]
    return m, unknown, np.column_stack(named)


def _of_tier(view: CataloguePosterior) -> Floats:
    """How tier b's mean deviates from that of all violin bows, in units of the spread within tiers."""
    design = view.posterior.design
    z = ((design.centres[1] - design.fallback[0]) / design.scales[0])[PLACES]
    return np.array([z[0], z[1], z[2] - z[3]])


@dataclass(frozen=True)
class Told:
    """What a noisy reading tells of a mass: mean and deviation, and the spread of true masses within tiers, in units of readings'."""

    mean: float
    sd: float
    spread: float


def _mass_of_b2(view: CataloguePosterior) -> Told:
    """Return what is told of b2's true mass: a normal law of masses, and one normal reading of its (Fuller 1987, sec. 1.2)."""
    range_ = view.range
    by_tier = {tier: [c for c in range_.copies.values() if c.tier == tier and c.bench.mass_g] for tier in range_.tiers}
    masses = {tier: [float(copy.bench.mass_g or 0.0) for copy in copies] for tier, copies in by_tier.items()}
    within = np.concatenate([np.array(of) - np.mean(of) for of in masses.values()])
    unit = float(np.mean(within**2))
    total = float(np.sum(within**2)) / (len(within) - len(masses))
    share = 1 - ERROR**2 / len(within) / total
    rho = share * total / (share * total + ERROR**2)
    z = float(range_.copies["b2"].bench.mass_g or 0.0) - np.mean(masses["b"])
    true = share * total / unit
    return Told(rho * z / unit**0.5, (true * (1 - rho)) ** 0.5, true**0.5)


def _spread_of(reading: str) -> float:
    """Deviation of copies in units of that of the readings about their tiers' means: each of these takes up a reading."""
    of = [copy.tier for copy in RANGE.copies.values() if getattr(copy.bench, reading) is not None]
    return float((len(of) / (len(of) - len(set(of)))) ** 0.5)


def _traits(z: dict[str, Floats | float]) -> dict[str, Floats | float]:
    """The traits of standardised readings: two are made of the loss factor."""
    return {**{of: z[of] for of in ("mass", "balance")}, "brightness": z["speed"] - z["loss"], "damping": z["loss"]}


def _traits_of(
    view: CataloguePosterior, serial: str, told: Told, normal: Callable[[], Floats]
) -> dict[str, Floats | float]:
    """A copy's traits in its tier's spread: those of the bench, and a normal of the readings' spread for each there is not."""
    design, copy = view.posterior.design, view.range.copies[serial]
    mass, balance, bright, *others = design.traits([copy], view.range)[0].tolist()
    bench, damping = copy.bench, others[3]
    if serial == "b2":
        assert mass == pytest.approx(told.mean, abs=1e-12)
        mass = mass + told.sd * normal()
    return _traits(
        {
            "mass": mass + (told.spread * normal() if bench.mass_g is None else 0.0),
            "balance": balance + (_spread_of("balance_mm") * normal() if bench.balance_mm is None else 0.0),
            "speed": bright
            + damping
            + (_spread_of("speed_of_sound_m_s") * normal() if bench.speed_of_sound_m_s is None else 0.0),
            "loss": damping + (_spread_of("loss_factor") * normal() if bench.loss_factor is None else 0.0),
        }
    )


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
