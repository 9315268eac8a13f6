"""Whether a candidate takes the place of the model in use: compared, paired by player, on trials that neither has seen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.special import gammaln

from model.domain.arrays import Floats
from model.domain.records import Trial
from model.evaluation.metrics import ClusteredMean
from model.preference import LIKING, BatchPosterior, CataloguePosterior, RatingBatch

FEWEST_PLAYERS = 30
"""With fewer players than this no comparison decides; only what is fitted as before, to more data, is adopted."""
WORSE_THAN_CURRENT, WORSE_THAN_BEST = 1.0, 2.0
"""Standard errors by which a candidate may be worse than the model in use, and than the best one of the last year."""

PlayerLosses = Mapping[str, float]
"""By player the mean log loss of a rating."""


class PromotionReason(StrEnum):
    """What an adoption was decided by."""

    FIRST = "first"
    UNREADABLE = "unreadable"
    SAME_KIND = "same_kind"
    OTHER_KIND = "other_kind"
    NOT_WORSE = "not_worse"
    WORSE = "worse"
    WORSE_THAN_BEST = "worse_than_best"


@dataclass(frozen=True, slots=True)
class Decision:
    """Whether to adopt a candidate, and why.

    Attributes
    ----------
    players : on whom it was compared; 0 where there was nothing to compare with.
    worse : by how much the candidate's mean log loss a rating is worse than that of the model in use, in nats; None where
        nothing was compared.
    worse_than_best : the same against the best version of the last year, and which that is; None where there is no other.
    """

    adopt: bool
    why: PromotionReason
    players: int = 0
    worse: ClusteredMean | None = None
    worse_than_best: ClusteredMean | None = None
    best: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; an error that cannot be told is None."""
        compared = {"worse": self.worse, "worse_than_best": self.worse_than_best}
        return {"adopt": self.adopt, "why": str(self.why), "players": self.players, "best": self.best} | {
            name: None if of is None else [of.mean, of.error if np.isfinite(of.error) else None]
            for name, of in compared.items()
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """Read what `to_json` wrote."""
        worse, than_best = (
            None if of is None else ClusteredMean(of[0], np.inf if of[1] is None else of[1])
            for of in (data["worse"], data["worse_than_best"])
        )
        return cls(data["adopt"], PromotionReason(data["why"]), data["players"], worse, than_best, data["best"])


def log_loss_by_player(view: CataloguePosterior, trials: Sequence[Trial]) -> dict[str, float]:
    """Return by player the mean log loss of an overall rating of a bow, each rating being told before the next.

    That is minus the log of the joint density of a trial's ratings, Student's, over their number (chain rule), the own bow's
    sheet being told before; players without such a rating are left out.
    """
    given: dict[str, list[tuple[float, int]]] = {}
    sheets = RatingBatch.of(view.posterior.design, view.range, trials)
    for group in sheets.groups(range(len(trials)), np.zeros(len(sheets.trial), dtype=bool)):
        marks = group.marks(np.tile(LIKING, (len(group.trials), 1)))
        law = BatchPosterior(view, group)
        (mean, cov), freedom = law.after(marks, 0), law.freedom(0)
        error = marks.rated(group) - mean
        for row, count in enumerate(np.bincount(marks.row, minlength=len(group.trials)).tolist()):
            if count:
                loss = joint_log_loss(error[row, :count], cov[row, :count, :count], float(freedom[row]))
                given.setdefault(trials[group.trials[row]].player, []).append((loss, count))
    return {player: sum(loss for loss, _ in of) / sum(count for _, count in of) for player, of in given.items()}


def joint_log_loss(error: Floats, scale: Floats, freedom: float) -> float:
    """Return minus the log density of ``error`` (n,) under Student's distribution about 0 with a scale (n, n)."""
    root = cholesky(scale, lower=True)
    half, n = solve_triangular(root, error, lower=True), len(error)
    far = (freedom + n) / 2.0 * np.log1p(half @ half / freedom)
    constant = gammaln(freedom / 2.0) - gammaln((freedom + n) / 2.0) + n / 2.0 * np.log(freedom * np.pi)
    return float(np.log(np.diag(root)).sum() + constant + far)


def promote(
    candidate: PlayerLosses, current: PlayerLosses | None, unchanged: bool, rivals: Mapping[int, PlayerLosses]
) -> Decision:
    """Decide on a candidate.

    Parameters
    ----------
    candidate : losses of the candidate, fitted without the trials compared on.
    current : those of the model in use on the same trials; None where there is none.
    unchanged : whether the candidate is of the same specification and code as the model in use.
    rivals : losses of versions of the last year that have not seen these trials either, by version.
    """
    if current is None:
        return Decision(adopt=True, why=PromotionReason.FIRST)
    worse, players = _worse(candidate, current)
    if players < FEWEST_PLAYERS:
        kind = PromotionReason.SAME_KIND if unchanged else PromotionReason.OTHER_KIND
        return Decision(unchanged, kind, players, worse if players else None)
    best = min(rivals, key=lambda version: (np.mean(list(rivals[version].values())), version), default=None)
    worse_than_best = None if best is None else _worse(candidate, rivals[best])[0]
    why = PromotionReason.NOT_WORSE
    if worse.mean > WORSE_THAN_CURRENT * worse.error:
        why = PromotionReason.WORSE
    elif worse_than_best is not None and worse_than_best.mean > WORSE_THAN_BEST * worse_than_best.error:
        why = PromotionReason.WORSE_THAN_BEST
    return Decision(why is PromotionReason.NOT_WORSE, why, players, worse, worse_than_best, best)


def _worse(candidate: PlayerLosses, other: PlayerLosses) -> tuple[ClusteredMean, int]:
    """Return by how much the candidate's losses are higher, paired by player, and the number of players."""
    both = sorted(candidate.keys() & other.keys())
    return ClusteredMean.of([candidate[player] - other[player] for player in both]), len(both)
