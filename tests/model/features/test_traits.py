"""Bench traits: declared once each, and what a reading with an error or none tells of the true one."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Bench, Copy, Range, Tier
from model.domain.vocabulary import Instrument
from model.features.bench_traits import READINGS, TRAIT_NAMES, TRAITS, USED, WISHES
from model.features.design import Design

V = Instrument.VIOLIN
MASS = USED.index("mass_g")
CORN = [86.0, 115, 90, 86, 110, 91, 99, 96, 99, 104, 96]
NITROGEN = [70.0, 97, 53, 64, 95, 64, 50, 70, 94, 69, 51]
"""Yield of corn and soil nitrogen at 11 sites, with the known error variance 57 of the latter (Fuller 1987, Measurement Error
Models, table 1.2.1 and example 1.2.1; from memory): slope .344 by least squares, .4232 corrected, reliability .813."""


def one_tier(readings: Floats, sd: float | None) -> Range:
    """A tier of copies of these masses, each weighed with this standard deviation; NaN: not weighed."""
    said = {} if sd is None else {"mass_g": sd}
    benches = [Bench() if np.isnan(x) else Bench(mass_g=float(x), sd=said) for x in readings]
    copies = {f"a{n}": Copy(f"a{n}", "a", bench=bench) for n, bench in enumerate(benches)}
    return Range({"a": Tier("a", V, 1)}, copies)


def expected_masses(range_: Range) -> tuple[Floats, Floats, Design]:
    """What can be expected of the copies' masses beyond their mean, in grams; and the variance that is left, in grams squared."""
    design = Design.from_range(range_)
    traits, left = design.latent(list(range_.copies.values()), range_)
    unit = design.scales[0, MASS]
    return traits[:, 0] * unit, left[:, MASS] * unit**2, design


def test_the_published_slope_with_measurement_error_is_found() -> None:
    y = np.array(CORN)
    naive, _, _ = expected_masses(one_tier(np.array(NITROGEN), None))
    corrected, left, design = expected_masses(one_tier(np.array(NITROGEN), 57.0**0.5))
    assert np.polyfit(naive, y, 1)[0] == pytest.approx(0.3440, abs=5e-5)
    assert np.polyfit(corrected, y, 1)[0] == pytest.approx(0.4232, abs=5e-5)
    assert design.true_share[0, MASS] == pytest.approx(0.813, abs=5e-4)
    # x given its reading: the true variance 247.85, as published with one degree of freedom less than sites, times 1 - reliability.
    assert left == pytest.approx([247.85 * 0.187] * 11, rel=2e-3)


@pytest.mark.parametrize(("weighed", "sd"), [(2, None), (2, 0.4), (3, 0.8), (12, 0.4)])
def test_what_is_not_weighed_varies_as_the_true_masses_do_about_their_tiers_means(
    weighed: int, sd: float | None
) -> None:
    # Drawn from the stated model: true masses N(c, 0.8), of each tier so many weighed and one more not.
    rng, spread = np.random.default_rng(8), 0.8
    tiers = {f"t{n}": Tier(f"t{n}", V, 1) for n in range(2400 // weighed)}
    true = rng.normal(rng.normal(60.0, 2.0, (len(tiers), 1)), spread, (len(tiers), weighed + 1))
    read = true + (sd or 0.0) * rng.normal(size=true.shape)
    said = {} if sd is None else {"mass_g": sd}
    copies: dict[str, Copy] = {}
    for tier, masses in zip(tiers, read.tolist(), strict=True):
        benches = [*(Bench(mass_g=mass, sd=said) for mass in masses[:-1]), Bench()]
        copies |= {f"{tier}-{n}": Copy(f"{tier}-{n}", tier, bench=bench) for n, bench in enumerate(benches)}
    range_ = Range(tiers, copies)
    mean, left, design = expected_masses(range_)
    last = np.arange(len(copies)) % (weighed + 1) == weighed
    assert not mean[last].any()
    assert left[last] == pytest.approx([spread**2] * len(tiers), rel=0.1)  # three standard errors
    of_tiers = design.spread_of(list(tiers.values()))[:, MASS] * design.scales[0, MASS] ** 2
    assert of_tiers == pytest.approx([spread**2] * len(tiers), rel=0.1)
    assert (left[~last] < spread**2 / 1.5).all()


def test_a_better_reading_counts_more_and_one_taken_as_exact_in_full() -> None:
    values = np.array([58.0, 59.0, 60.0, 61.0, 62.0])
    mean, left, _ = expected_masses(one_tier(values, None))
    assert mean == pytest.approx(values - 60.0, abs=1e-12)
    assert not left.any()
    shares = [expected_masses(one_tier(values, sd))[0][0] / -2.0 for sd in (0.1, 0.5, 1.0)]
    assert 1.0 > shares[0] > shares[1] > shares[2] > 0.0


def test_tiers_of_which_one_copy_each_was_weighed_tell_of_no_spread() -> None:
    tiers = {f"t{n}": Tier(f"t{n}", V, 1) for n in range(50)}
    design = Design.from_range(Range(tiers, {slug: Copy(slug, slug, bench=Bench(mass_g=60.0)) for slug in tiers}))
    assert design.spread_of(list(tiers.values()))[:, MASS] == pytest.approx([1.0] * 50)


def test_readings_that_are_nothing_but_error_tell_nothing() -> None:
    mean, left, _ = expected_masses(one_tier(np.array([58.0, 59.0, 60.0, 61.0, 62.0]), 5.0))
    assert not mean.any()
    assert not left.any()


def test_slopes_on_noisy_readings_are_unbiased_where_those_on_readings_as_they_are_are_not() -> None:
    # Drawn from the stated model: true masses N(60, 1), every other one weighed well, every other one badly, every fifth not at all.
    rng, found = np.random.default_rng(5), []
    copies, slope = 400, 0.5
    sd = np.where(np.arange(copies) % 2, 0.2, 1.2)
    for _ in range(25):
        true = rng.normal(60.0, 1.0, copies)
        read = true + sd * rng.normal(size=copies)
        read[::5] = np.nan
        liked = 4.0 + slope * (true - 60.0) + rng.normal(0.0, 0.3, copies)
        pairs = []
        for known in (False, True):
            benches = [
                Bench() if np.isnan(x) else Bench(mass_g=float(x), sd={"mass_g": float(u)} if known else {})
                for x, u in zip(read, sd, strict=True)
            ]
            range_ = Range(
                {"a": Tier("a", V, 1)}, {f"a{n}": Copy(f"a{n}", "a", bench=b) for n, b in enumerate(benches)}
            )
            mean, left, _ = expected_masses(range_)
            pairs.append((np.polyfit(mean, liked, 1)[0], float(np.mean((true - 60.0 - mean) ** 2)), float(left.mean())))
        found.append(pairs)
    naive, corrected = np.mean(found, axis=0)
    assert corrected[0] == pytest.approx(slope, abs=0.015)  # three standard errors
    assert naive[0] < 0.75 * slope
    assert corrected[2] == pytest.approx(corrected[1], rel=0.1)  # the variance told is the one that turned out
    assert naive[2] < 0.6 * naive[1]


def test_every_trait_is_declared_whole() -> None:
    assert len(set(TRAIT_NAMES)) == len(TRAITS)
    assert set(USED) <= set(READINGS)
    assert all(name in Bench.__slots__ for name in USED)
    signs = np.array([[dict(TRAITS[trait].readings).get(name, 0) for name in USED] for trait, _ in WISHES])
    assert (np.abs(signs).sum(axis=0) <= 1).all(), "two wishes speak of one reading: own_parts takes one a reading"


ADDED = """
import types, sys
from pathlib import Path
source = Path("model/features/bench_traits.py").read_text()
line = '    Trait("hair", (("stiffness_n_per_m", 1), ("length_mm", -1))),\\n'
at = source.index(')\\n\"\"\"Every trait')
module = types.ModuleType("model.features.bench_traits")
sys.modules["model.features.bench_traits"] = module
exec(source[:at] + line + source[at:], module.__dict__)
from model.domain.records import Answers
from model.preference.model import PreferenceModel
from model.preference.serialization import from_bytes, to_bytes
from tests.model.worlds import VIOLIN, drawn_trials, violins
range_ = violins([3, 3])
model = PreferenceModel(range_).fit(drawn_trials(range_, 6, 3, seed=1))
names = [column.name for column in model.posterior_.design.columns]
again = from_bytes(to_bytes(model.posterior_))
print("hair" in names, len(model.outlook(VIOLIN).mean), (again.coef == model.posterior_.coef).all())
"""


@pytest.mark.process
def test_one_more_trait_is_one_line() -> None:
    root = Path(__file__).parents[3]
    done = subprocess.run([sys.executable, "-c", ADDED], cwd=root, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("True 2 True\n", "")
