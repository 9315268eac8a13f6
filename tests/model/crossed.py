"""Fits of crossed mixed models as the tests look at them: what was found as attributes of one object."""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats
from model.mixed import Prior, RemlFit, fit_mixed_model

ESTIMATES = ("player_sd", "copy_sd", "interaction_sd", "residual_sd", "reml", "coef", "player_covariance")


@dataclass
class CrossedMixedModel:
    """`fit_mixed_model` with these settings; each estimate is an array (k, ...) for k responses, bare for one."""

    interaction: bool = False
    prior: Prior | None = None
    slope_sets: Sequence[int] | None = None

    responses_: tuple[RemlFit, ...] = ()
    player_sd_: Any = None
    copy_sd_: Any = None
    interaction_sd_: Any = None
    residual_sd_: Any = None
    reml_: Any = None
    coef_: Floats = None  # type: ignore[assignment]  # there after the fit
    player_covariance_: Floats = None  # type: ignore[assignment]  # likewise

    def fit(
        self,
        X: ArrayLike,
        Y: ArrayLike,
        player: Iterable[Hashable] | None = None,
        copy: Iterable[Hashable] | None = None,
        slopes: ArrayLike | None = None,
    ) -> Self:
        settings: dict[str, Any] = {"prior": self.prior, "slope_sets": self.slope_sets}
        self.responses_ = fit_mixed_model(X, Y, player, copy, slopes, interaction=self.interaction, **settings)
        for name in ESTIMATES:
            setattr(self, f"{name}_", self._gathered([getattr(fitted, name) for fitted in self.responses_]))
        return self

    @property
    def identifiable_(self) -> dict[str, Any]:
        records = self.responses_
        return {term: self._gathered([each.identifiable[term] for each in records]) for term in records[0].identifiable}

    def _gathered(self, values: list[Any]) -> Any:
        return values[0] if len(values) == 1 else np.array(values)
