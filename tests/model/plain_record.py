"""What the record of a fit says of a new player's ratings, by full matrices: slow, short, and none of the product's algebra."""

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats
from model.mixed import RemlFit

Law = tuple[Floats, Floats]


def copies_covariance(record: RemlFit, places: Sequence[int] | None = None) -> Floats:
    """Covariance of the effects of all copies, or those at some places, given the coefficients: the blocks put together."""
    asked = np.arange(len(record.copies)) if places is None else np.array(places, dtype=np.intp)
    V = np.zeros((len(asked),) * 2)
    for members, block in record.copy_blocks:
        here, there = np.nonzero(asked[:, None] == members)
        V[np.ix_(here, here)] = block[np.ix_(there, there)]
    return V


def new_player(
    record: RemlFit, X: ArrayLike, copy: Iterable[Hashable] | None = None, tastes: ArrayLike | None = None
) -> Law:
    """Mean (m,) and covariance (m, m), noise included, of one new player's ratings; a copy that is None is met nowhere else."""
    X = np.asarray(X, dtype=np.float64)
    given = [None] * len(X) if copy is None else list(copy)
    labels = [f"unnamed {place}" if label is None else label for place, label in enumerate(given)]
    names = list(dict.fromkeys(labels))
    A = np.array([[label == name for name in names] for label in labels], dtype=np.float64).reshape(len(X), len(names))
    known = np.array([name in record.copy_index for name in names], dtype=bool)
    place = [record.copy_index[name] for name in names if name in record.copy_index]
    V = np.diag(np.where(known, 0.0, record.copy_sd**2))
    V[np.ix_(known, known)] = copies_covariance(record, place)
    W = X - A[:, known] @ record.copy_coupling[place]
    Z, S = np.ones((len(X), 1)), np.array([[record.player_sd**2]])
    if record.slope_centre.size:
        Z, S = np.column_stack([Z, np.asarray(tastes) - record.slope_centre]), record.random_effects_covariance
    shared = W @ record.coef_covariance @ W.T + A @ V @ A.T + Z @ S @ Z.T + record.interaction_sd**2 * A @ A.T
    return X @ record.coef + A[:, known] @ record.copy_effect[place], shared + record.residual_sd**2 * np.eye(len(X))


def conditioned(law: Law, y: ArrayLike) -> Law:
    """Law of the rows after the first ones, given the ratings ``y`` of these, NaN where not rated."""
    mean, cov = law
    y = np.asarray(y, dtype=np.float64)
    given, ahead = np.flatnonzero(np.isfinite(y)), np.arange(len(y), len(mean))
    weights = np.linalg.solve(cov[np.ix_(given, given)], cov[np.ix_(given, ahead)]).T
    left = cov[np.ix_(ahead, ahead)] - weights @ cov[np.ix_(given, ahead)]
    return mean[ahead] + weights @ (y[given] - mean[given]), left


def predicted(
    record: RemlFit,
    X: ArrayLike,
    copy: Iterable[Hashable] | None = None,
    tastes: ArrayLike | None = None,
    own: tuple[Floats, ArrayLike, Iterable[Hashable], Floats | None] | None = None,
) -> Law:
    """Mean and deviation of each of a new player's next ratings; ``own``: X, ratings, copies and tastes of those made before."""
    X = np.asarray(X, dtype=np.float64)
    if own is None:
        mean, cov = new_player(record, X, copy, tastes)
        return mean, np.sqrt(np.diagonal(cov))
    before, y, played, tasted = own
    ahead = [f"new {place}" for place in range(len(X))] if copy is None else list(copy)
    slopes = None if tasted is None or tastes is None else np.vstack([tasted, tastes])
    law = new_player(record, np.vstack([before, X]), [*played, *ahead], slopes)
    mean, cov = conditioned(law, y)
    return mean, np.sqrt(np.diagonal(cov))
