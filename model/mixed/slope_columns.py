"""The columns of slopes: in which coordinates they are worked, which of them the ratings can identify, where to begin.

A player's effects are an intercept and q slopes, z'b with z = [1, slopes]. They are worked as b = A v on columns that are
centred, scaled and, without a prior, made uncorrelated within players; the fit is the same in all such coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.layout import Cells
from model.mixed.priors import CovariancePrior, Prior

_SAME = 1e-8  # of a column's own spread: what is left of it within players after the columns before it
_PLAYERS_A_SLOPE = 3  # fewer players than this for each slope do not tell a covariance (a rule of thumb, no source)


@dataclass(frozen=True, eq=False)
class SlopeScaling:
    """z = [1, (slopes - centre) @ turn].

    Attributes
    ----------
    centre : (q,)
    turn : (q, q'), q' <= q: rows of zeros for columns left out
    """

    centre: Floats
    turn: Floats

    def rows(self, slopes: Floats) -> Floats:
        """Z (n, q' + 1) of slopes (n, q)."""
        return np.column_stack([np.ones(len(slopes)), (slopes - self.centre) @ self.turn])

    def from_internal(self, S: Floats) -> Floats:
        """Covariance (q + 1, q + 1) of the intercept at the centre and the slopes by the caller's columns."""
        q, kept = self.turn.shape
        A = np.zeros((q + 1, kept + 1))
        A[0, 0], A[1:, 1:] = 1.0, self.turn
        return A @ S @ A.T

    def to_internal(self, covariance: Floats, kept: Ints) -> Floats:
        """Turn such a covariance (q + 1, q + 1), so far as it is of the level and the columns `kept` (q'), back into S."""
        turn = np.eye(kept.size + 1)
        turn[1:, 1:] = np.linalg.inv(self.turn[kept])
        chosen = np.append(0, kept + 1)
        return np.asarray(turn @ covariance[np.ix_(chosen, chosen)] @ turn.T)

    def prior(self, prior: Prior, kept: Ints) -> CovariancePrior:
        """Prior of the covariance over sigma^2 of the level and the slopes on the columns `kept` (q')."""
        sd = np.append(prior.player_sd, np.asarray(prior.slope_sd)[kept]) / prior.residual_sd
        T = np.eye(kept.size + 1)
        T[0, 1:], T[1:, 1:] = self.centre[kept], np.linalg.inv(self.turn[kept])
        return CovariancePrior((T * sd**2) @ T.T, 2.0 * float(np.linalg.slogdet(T)[1]))


def within_players(cells: Cells, columns: Floats) -> Floats:
    """Columns (N, q) less each player's own mean."""
    player = cells.a[cells.row]
    count = np.maximum(np.bincount(player, minlength=cells.n_a), 1)
    means = [np.bincount(player, weights=column, minlength=cells.n_a) / count for column in columns.T]
    return columns - np.array(means).reshape(-1, cells.n_a).T[player]


def centred(slopes: Floats) -> tuple[Floats, Floats]:
    """Centre (q,) and scale (q,) of slopes (N, q); scale 1 for a column that does not vary."""
    if not slopes.shape[0]:
        return np.zeros(slopes.shape[1]), np.ones(slopes.shape[1])
    centre = slopes.mean(axis=0)
    spread = np.sqrt(np.mean((slopes - centre) ** 2, axis=0))
    flat = spread <= 1e-12 * np.maximum(np.abs(centre), np.finfo(np.float64).tiny)
    return centre, np.where(flat, 1.0, spread)


def independent(within: Floats, length: float) -> Ints:
    """Columns (q') of `within` (N, q) that do not follow from those before them; `length` is that of a whole column."""
    kept: list[int] = []
    basis = np.zeros((within.shape[0], 0))
    for column in range(within.shape[1]):
        rest = within[:, column]
        for _ in range(2):
            rest = rest - basis @ (basis.T @ rest)
        left = float(np.linalg.norm(rest))
        if left > _SAME * length:
            kept.append(column)
            basis = np.column_stack([basis, rest / left])
    return np.array(kept, dtype=np.int64)


def whitened(cells: Cells, slopes: Floats, kept: Ints) -> SlopeScaling:
    """SlopeScaling in which the kept columns have unit variance within players and no correlation there."""
    centre, scale = centred(slopes)
    turn = np.zeros((slopes.shape[1], kept.size))
    if kept.size:
        within = within_players(cells, (slopes[:, kept] - centre[kept]) / scale[kept])
        R = np.linalg.qr(within, mode="r") / np.sqrt(len(within))
        turn[kept] = solve_triangular(R, np.eye(kept.size)) / scale[kept, None]
    return SlopeScaling(centre, turn)


def standardised(slopes: Floats, kept: Ints) -> SlopeScaling:
    """SlopeScaling that are the kept columns, centred and scaled."""
    centre, scale = centred(slopes)
    return SlopeScaling(centre, np.diag(1.0 / scale)[:, kept])


def enough_players(cells: Cells, slopes: int) -> int:
    """Slopes, of at most `slopes`, that there are players for and ratings to tell their noise from."""
    count = np.bincount(cells.a, weights=cells.count, minlength=cells.n_a)
    players = int(np.sum(count > 1))
    while slopes and (players < _PLAYERS_A_SLOPE * slopes or np.sum(np.maximum(count - slopes - 1, 0)) < 1):
        slopes -= 1
    return slopes
