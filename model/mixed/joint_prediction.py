"""The coefficients and the copies' effects of several responses, predicted together at given covariances.

The equations (`model.mixed.joint_equations`) are solved directly where players and copies fall into components that are not too
large (`model.mixed.elimination`), and else by conjugate gradients (Hestenes & Stiefel 1952, J. Res. Natl. Bur. Stand. 49: 409),
preconditioned by the coefficients' block and by each level's own. A response that was rated seldom so learns of a copy from the others.
"""

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.linalg import LinearOperator, cg

from model.domain.arrays import Floats, Ints
from model.mixed.elimination import LARGEST, Components, solve
from model.mixed.joint_equations import Batch, EffectCovariances, Equations, Ratings, alike

PRECISE = 1e-9
"""The search ends where the equations' residual is below this share of the right side."""
MOST_STEPS = 2_000


@dataclass(frozen=True, eq=False)
class JointEffects:
    """What was predicted of all responses together.

    Attributes
    ----------
    coef, effect : (C, p), (C, K); a level that was not rated on a response is identified by its others.
    fold : (N,) of each rating, from 0
    without : the same theta (C, p + K) without the ratings of each fold
    """

    coef: Floats
    effect: Floats
    equations: Equations
    fold: Ints
    without: list[Floats]

    def cross_fitted_moments(self, column: Callable[[Floats, Floats], Floats]) -> tuple[float, float]:
        """Return what ratings tell of the coefficient of one more column, which itself is made of the effects.

        The column of each fold's players comes from the effects predicted without them: made of their own ratings it would
        be predicted in part from itself.

        Parameters
        ----------
        column : makes the column (n, C) of coefficients (C, p) and effects (C, K).

        Returns
        -------
        Precision and precision times estimate, by generalised least squares with the covariance of the players' ratings.
        """
        equations, p = self.equations, self.coef.shape[1]
        h, residual = np.zeros(len(self.fold)), np.zeros(len(self.fold))
        for number, theta in enumerate(self.without):
            held = self.fold == number
            h[held] = column(theta[:, :p], theta[:, p:])[equations.row, equations.response][held]
            residual[held] = (equations.value - equations.expected(theta))[held]
        precision = pull = 0.0
        for batch in equations.batches(np.unique(equations.whose[h != 0.0])):
            of, left = (np.where(batch.there, values[batch.at], 0.0)[..., None] for values in (h, residual))
            weighed = batch.weight @ of
            precision, pull = precision + float(np.vdot(weighed, of)), pull + float(np.vdot(weighed, left))
        return precision, pull


def joint_effects(ratings: Ratings, covariances: EffectCovariances, fold: Ints | None = None) -> JointEffects:
    """Predict the coefficients and the levels' effects of all responses together.

    Parameters
    ----------
    fold : (n,) of each row, the same for all of one player: they are predicted without each fold too.

    Raises
    ------
    numpy.linalg.LinAlgError
        A covariance that is not positive definite.
    RuntimeError
        The equations were not solved within `MOST_STEPS` steps.
    """
    equations, p = Equations(ratings, covariances), ratings.X.shape[1]
    given = np.zeros(len(ratings.X), dtype=np.intp) if fold is None else fold
    codes = np.unique(given[equations.row], return_inverse=True)[1].astype(np.intp)
    components, of_player = Components(equations), None if fold is None else codes[equations.start]
    if components.largest() <= LARGEST:
        whole, *without = solve(components, of_player)
    else:
        search = Search(equations)
        whole = search.solved()
        without = [] if fold is None else search.solved_without(codes, whole)
    return JointEffects(whole[:, :p], whole[:, p:], equations, codes, without)


@dataclass(frozen=True, eq=False)
class _Preconditioner:
    """Inverse of the block diagonal part: ``fixed`` a Cholesky factor (C p, C p), ``effects`` (K, C, C)."""

    fixed: tuple[Floats, bool]
    effects: Floats

    def __call__(self, of: Floats) -> Floats:
        """Give the preconditioned (C, p + K)."""
        C, p = of.shape[0], self.fixed[0].shape[0] // of.shape[0]
        fixed = cho_solve(self.fixed, of[:, :p].ravel()).reshape(C, p)
        return np.hstack([fixed, np.einsum("kcd,dk->ck", self.effects, of[:, p:])])


class Search:
    """The equations held in memory, ready to be multiplied with and to be solved by conjugate gradients."""

    def __init__(self, equations: Equations) -> None:
        self.equations, self.batches = equations, tuple(equations.batches())
        self.counted = np.ones(len(equations.row))
        self.precondition = self._preconditioner()

    def only(self, counted: NDArray[np.bool_]) -> Self:
        """Give the equations of some of the ratings (N,) alone: of every player all or none."""
        some = copy(self)
        some.counted = counted.astype(np.float64)
        return some

    def solved(self, theta: Floats | None = None) -> Floats:
        """Solve, from a first theta (C, p + K) where there is one."""
        right = self.right_side()
        first = self.precondition(right) if theta is None else theta

        def operator(times: Callable[[Floats], Floats]) -> LinearOperator:
            shape = (first.size,) * 2
            return LinearOperator(shape, lambda of: times(of.reshape(first.shape)).ravel(), dtype=np.float64)

        ahead = operator(self.precondition)
        found, steps = cg(operator(self.times), right.ravel(), first.ravel(), rtol=PRECISE, maxiter=MOST_STEPS, M=ahead)
        if steps:
            msg = f"the effects of all criteria together were not found within {MOST_STEPS} steps"
            raise RuntimeError(msg)
        return np.asarray(found).reshape(first.shape)

    def solved_without(self, fold: Ints, theta: Floats) -> list[Floats]:
        """Solve without the ratings of each fold (N,), from a first theta (C, p + K)."""
        return [self.only(fold != number).solved(theta) for number in range(int(fold.max(initial=-1)) + 1)]

    def _weigh(self, of: Floats) -> Floats:
        """Give V^-1 times values (N,), player by player."""
        padded, out = np.append(of, 0.0), np.zeros(len(of) + 1)
        for batch in self.batches:
            out[batch.at] = (batch.weight @ padded[batch.at][..., None])[..., 0]
        return out[:-1] * self.counted

    def times(self, theta: Floats) -> Floats:
        """Give the left side's matrix times theta (C, p + K)."""
        equations = self.equations
        return equations.gather(self._weigh(equations.expected(theta))) + equations.prior(theta)

    def right_side(self) -> Floats:
        """Give the right side (C, p + K)."""
        return self.equations.gather(self._weigh(self.equations.value)) + self.equations.believed

    def _preconditioner(self) -> "_Preconditioner":
        """Give the inverse of the coefficients' block and of each level's own."""
        equations = self.equations
        C, p, K = equations.shape[0], equations.ratings.X.shape[1], equations.ratings.levels
        fixed = np.zeros((C, p, C, p))
        effects = np.zeros(K * C * C)
        for batch in self.batches:
            self._add_fixed(batch, fixed)
            effects += self._of_levels(batch)
        for j, precision in enumerate(equations.coef_precision):
            fixed[:, j, :, j] += precision
        blocks = effects.reshape(K, C, C) + equations.along.diagonal()[:, None, None] * equations.copy_precision
        return _Preconditioner(cho_factor(fixed.reshape(C * p, C * p)), np.linalg.inv(blocks))

    def _add_fixed(self, batch: Batch, out: Floats) -> None:
        equations, C = self.equations, self.equations.shape[0]
        X, c = equations.ratings.X[equations.row[batch.at]], np.where(batch.there, equations.response[batch.at], -1)
        of = [np.nonzero(c == d) for d in range(C)]
        for d in range(C):
            ahead = batch.weight @ np.where((c == d)[..., None], X, 0.0)
            for e, where in enumerate(of):
                out[e, :, d] += X[where].T @ ahead[where]

    def _of_levels(self, batch: Batch) -> Floats:
        equations, C = self.equations, self.equations.shape[0]
        c, level = equations.response[batch.at], np.where(batch.there, equations.level[batch.at], -1)
        t, first, second = np.nonzero(alike(level))
        place = (level[t, first] * C + c[t, first]) * C + c[t, second]
        most = equations.ratings.levels * C * C
        return np.asarray(np.bincount(place, weights=batch.weight[t, first, second], minlength=most), dtype=np.float64)
