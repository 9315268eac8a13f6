"""Crossed ratings against published data whose answers are known in closed form.

Each file in `data/` names its source and the method of its reference values.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.model.crossed import CrossedMixedModel

DATA = Path(__file__).parents[1] / "data"


def near(expected: Any) -> Any:
    """Within 1e-6 of the reference, whatever its size."""
    return pytest.approx(expected, rel=0.0, abs=1e-6)


class Case:
    """One reference file: columns and reference values."""

    def __init__(self, name: str):
        whole = json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))
        self.data, self.reference = whole["data"], whole["reference"]
        self.y = np.array(self.data["y"], dtype=np.float64)
        self.one = np.ones((self.y.size, 1))

    def dummies(self, column: str) -> NDArray[np.float64]:
        """Intercept and treatment contrasts of a factor, levels in the order of their labels."""
        labels = np.array(self.data[column])
        return np.column_stack([self.one] + [labels == level for level in sorted(set(labels))[1:]]).astype(np.float64)

    def __getitem__(self, name: str) -> Any:
        return self.reference[name]


@pytest.fixture(scope="module")
def dyestuff() -> Case:
    return Case("dyestuff")


def standard_errors(fitted: CrossedMixedModel) -> NDArray[np.float64]:
    return np.sqrt(np.diagonal(fitted.responses_[0].coef_covariance))


@pytest.mark.parametrize("role", ["player", "copy"])
def test_dyestuff_is_the_analysis_of_variance_with_batches_as_players_or_as_copies(dyestuff: Case, role: str) -> None:
    fitted = CrossedMixedModel().fit(dyestuff.one, dyestuff.y, **{role: dyestuff.data["batch"]})
    assert fitted.coef_ == near(dyestuff["coef"])
    assert standard_errors(fitted) == near(dyestuff["coef_se"])
    assert getattr(fitted, f"{role}_sd_") == near(dyestuff["batch_sd"])
    assert fitted.residual_sd_ == near(dyestuff["repeat_sd"])
    assert fitted.reml_ == near(dyestuff["reml"])


def test_dyestuff_batches_are_shrunk_as_published(dyestuff: Case) -> None:
    record = CrossedMixedModel().fit(dyestuff.one, dyestuff.y, copy=dyestuff.data["batch"]).responses_[0]
    assert dict(zip(record.copies, record.copy_effect, strict=True)) == near(dyestuff["blup"])


def test_dyestuff2_has_exactly_no_variance_between_batches() -> None:
    case = Case("dyestuff2")
    fitted = CrossedMixedModel().fit(case.one, case.y, player=case.data["batch"])
    assert fitted.player_sd_ == 0.0
    assert fitted.identifiable_["player"]
    assert fitted.coef_ == near(case["coef"])
    assert fitted.residual_sd_**2 == near(case["repeat_variance"])
    assert fitted.residual_sd_**2 == pytest.approx(np.var(case.y, ddof=1), rel=1e-12)
    assert fitted.reml_ == near(case["reml"])


def test_penicillin_tells_two_crossed_factors_apart() -> None:
    case = Case("penicillin")
    fitted = CrossedMixedModel().fit(case.one, case.y, player=case.data["plate"], copy=case.data["sample"])
    assert fitted.coef_ == near(case["coef"])
    assert standard_errors(fitted) == near(case["coef_se"])
    assert fitted.player_sd_ == near(case["plate_sd"])
    assert fitted.copy_sd_ == near(case["sample_sd"])
    assert fitted.residual_sd_ == near(case["repeat_sd"])
    assert fitted.reml_ == near(case["reml"])


@pytest.mark.parametrize(("player", "copy"), [("batch", "cask"), ("cask", "batch")])
def test_pastes_tells_casks_from_their_batches_whichever_is_called_the_player(player: str, copy: str) -> None:
    case = Case("pastes")
    fitted = CrossedMixedModel().fit(case.one, case.y, player=case.data[player], copy=case.data[copy])
    assert fitted.coef_ == near(case["coef"])
    assert standard_errors(fitted) == near(case["coef_se"])
    assert fitted.player_sd_ == near(case[f"{player}_sd"])
    assert fitted.copy_sd_ == near(case[f"{copy}_sd"])
    assert fitted.residual_sd_ == near(case["repeat_sd"])
    assert fitted.reml_ == near(case["reml"])


def test_machines_tells_the_match_of_worker_and_machine_from_the_noise() -> None:
    case = Case("machines")
    fitted = CrossedMixedModel(interaction=True).fit(
        case.dummies("machine"), case.y, player=case.data["worker"], copy=case.data["machine"]
    )
    assert fitted.identifiable_ == {"player": True, "copy": False, "interaction": True}
    assert fitted.copy_sd_ == 0.0
    means = np.array(list(case["means"].values()))
    assert fitted.coef_ == near(np.append(means[0], means[1:] - means[0]))
    assert fitted.player_sd_ == near(case["worker_sd"])
    assert fitted.interaction_sd_ == near(case["match_sd"])
    assert fitted.residual_sd_ == near(case["repeat_sd"])
    assert fitted.reml_ == near(case["reml"])


def test_machines_without_the_match_gives_the_simpler_published_fit() -> None:
    case = Case("machines")
    fitted = CrossedMixedModel().fit(case.dummies("machine"), case.y, player=case.data["worker"])
    expected = case["worker_only"]
    assert fitted.player_sd_ == near(expected["worker_sd"])
    assert fitted.residual_sd_ == near(expected["repeat_sd"])
    assert fitted.reml_ == near(expected["reml"])


def test_ergostool_gives_fixed_types_and_their_standard_errors() -> None:
    case = Case("ergostool")
    fitted = CrossedMixedModel().fit(case.dummies("stool"), case.y, player=case.data["subject"])
    means = np.array(case["means"])
    assert fitted.coef_ == near(np.append(means[0], means[1:] - means[0]))
    assert standard_errors(fitted)[1:] == near(np.full(3, case["difference_se"]))
    assert fitted.player_sd_ == near(case["subject_sd"])
    assert fitted.residual_sd_ == near(case["repeat_sd"])
    assert fitted.reml_ == near(case["reml"])
