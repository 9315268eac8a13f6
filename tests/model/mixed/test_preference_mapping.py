"""Preference mapping as the sensory literature has it: consumers' own slopes on what a trained panel found of the products."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from model.domain.arrays import Floats
from tests.model.crossed import CrossedMixedModel
from tests.model.mixed.test_mixed_model import standard_errors

PANEL: dict[str, Any] = json.loads((Path(__file__).parents[1] / "data" / "carrots.json").read_text(encoding="utf-8"))
"""Its file names the sources of the data and of the reference values."""


def preferences() -> Floats:
    return np.array(PANEL["preference"], dtype=np.float64)


def sensed() -> Floats:
    """(n, 2) what the panel found of each product tasted."""
    found: Floats = np.array(list(PANEL["kinds"].values()), dtype=np.float64)[PANEL["kind"]]
    return found


def of_consumer(name: str) -> Any:
    return np.array(PANEL[name])[PANEL["consumer"]]


@cache
def mapped() -> CrossedMixedModel:
    """Preference ~ sens2 + household + (1 + sens2 | consumer)."""
    second = sensed()[:, 1]
    X = np.column_stack([np.ones(len(second)), second, of_consumer("household") == 3])
    return CrossedMixedModel().fit(X, preferences(), player=PANEL["consumer"], slopes=second[:, None])


def test_the_map_on_the_second_direction_is_the_published_fit() -> None:
    fitted, known = mapped(), PANEL["published"]
    covariance = fitted.player_covariance_
    assert fitted.reml_ == pytest.approx(known["reml"], abs=1e-5)
    assert fitted.coef_ == pytest.approx(known["coef"], abs=1e-5)
    assert standard_errors(fitted) == pytest.approx(known["coef_se"], abs=1e-5)
    assert np.sqrt(np.diagonal(covariance)) == pytest.approx([known["level_sd"], known["slope_sd"]], abs=1e-4)
    apart = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert apart == pytest.approx(known["correlation"], abs=1e-3)
    assert fitted.residual_sd_ == pytest.approx(known["repeat_sd"], abs=1e-4)


def everything() -> Floats:
    """(n, 32) sens2 x sens1 x household x age, products of every kind."""
    first, second = sensed().T
    one, ages = np.ones(len(first)), of_consumer("age")
    by_age = np.column_stack([one, *(ages == age for age in (2, 3, 4))])
    columns = by_age
    for factor in (of_consumer("household") == 3, first, second):
        columns = np.hstack([columns, columns * np.asarray(factor, dtype=np.float64)[:, None]])
    return columns


@pytest.mark.parametrize(("left_out", "kept"), [("p_sens1", [1]), ("p_sens2", [0])])
def test_what_consumers_differ_in_is_told_as_in_the_published_tests(left_out: str, kept: list[int]) -> None:
    """Likelihood ratio of both slopes against one: three parameters less, a variance and two covariances."""
    X, labels = everything(), {"player": PANEL["consumer"], "copy": PANEL["kind"]}
    both, one = (
        CrossedMixedModel().fit(X, preferences(), slopes=sensed()[:, of], **labels).reml_ for of in ([0, 1], kept)
    )
    assert chi2.sf(one - both, 3) == pytest.approx(PANEL["published"][left_out], abs=2e-3)
