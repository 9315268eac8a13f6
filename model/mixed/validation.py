"""What a ratings model takes in: shapes and values checked, refused in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from operator import index
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats
from model.mixed.minque import column_range
from model.mixed.priors import Prior

MOST_SLOPES = 8


def _numbers(values: ArrayLike, name: str, expected: str) -> Floats:
    """Values as float64."""
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name}: got values that are not numbers, expected {expected}") from error


def _finite(table: Floats, name: str) -> Floats:
    """Refuse a table (n, p) with a number that is not finite."""
    if not np.isfinite(table).all():
        row, column = np.argwhere(~np.isfinite(table))[0].tolist()
        raise ValueError(f"{name}: got {table[row, column]} in row {row}, column {column}, expected finite numbers")
    return table


def check_columns(X: ArrayLike) -> Floats:
    """X as (n, p) float64."""
    X = _numbers(X, "X", "a table of numbers")
    if X.ndim != 2:
        raise ValueError(f"X: got {X.ndim} dimensions, expected 2 (rows and columns)")
    return _finite(X, "X")


def check_responses(Y: ArrayLike) -> Floats:
    """Y as (n, k) float64."""
    Y = _numbers(Y, "Y", "ratings or NaN")
    if Y.ndim not in (1, 2) or (Y.ndim == 2 and Y.shape[1] == 0):
        raise ValueError(f"Y: got shape {Y.shape}, expected (n,) or (n, k)")
    return Y if Y.ndim == 2 else Y[:, None]


def check_slopes(slopes: ArrayLike | None, rows: int, columns: int | None = None) -> Floats | None:
    """Slopes as (rows, q) float64; `columns`: as many as the fit has."""
    if slopes is None:
        if columns:
            raise ValueError(f"slopes: got none, expected the {columns} columns of the fit")
        return None
    slopes = _numbers(slopes, "slopes", "a table of numbers")
    if slopes.ndim != 2 or slopes.shape[0] != rows:
        raise ValueError(f"slopes: got shape {slopes.shape}, expected ({rows}, q)")
    if slopes.shape[1] > MOST_SLOPES:
        raise ValueError(f"slopes: got {slopes.shape[1]} columns, expected at most {MOST_SLOPES}")
    if columns is not None and slopes.shape[1] != columns:
        raise ValueError(f"slopes: got {slopes.shape[1]} columns, expected the {columns} of the fit")
    return _finite(slopes, "slopes") if slopes.shape[1] else None


def check_slope_sets(sets: Sequence[int] | None, slopes: Floats | None) -> tuple[int, ...]:
    """Return which numbers of slope columns may have slopes, the largest first; None: all of them."""
    columns = 0 if slopes is None else slopes.shape[1]
    if sets is None:
        return (columns,)
    try:
        given = sorted({index(number) for number in sets}, reverse=True)
    except TypeError as error:
        raise ValueError(f"slope_sets: got {sets!r}, expected whole numbers of columns") from error
    if not given or given[-1] < 0 or given[0] > MOST_SLOPES:
        raise ValueError(f"slope_sets: got {sets!r}, expected numbers of columns from 0 to {MOST_SLOPES}")
    return tuple(dict.fromkeys(min(number, columns) for number in given))


def check_use_of_slopes(slopes: Floats, player: Any, prior: Prior | None) -> None:
    """Refuse slopes of nobody, or that the prior does not know."""
    if player is None:
        raise ValueError("slopes: got no player, expected labels: slopes are each player's own")
    if prior is not None and np.size(prior.slope_sd) != slopes.shape[1]:
        raise ValueError(
            f"slopes: got {slopes.shape[1]} columns, expected the {np.size(prior.slope_sd)} of prior.slope_sd"
        )


def check_room(X: Floats, dependent: list[int]) -> None:
    """Refuse a fixed part that leaves nothing to estimate from."""
    n, p = X.shape
    if n == 0:
        raise ValueError("got no rating at all, expected at least one more than columns of X")
    if dependent:
        raise ValueError(
            f"X: got columns {dependent} that follow from the others on the rated rows, expected independent columns"
        )
    if n - p < 1:
        raise ValueError(f"got {n} ratings for {p} columns of X, expected at least {p + 1}")


def check_proper(X: Floats, prior: Prior) -> None:
    """Refuse columns that neither the ratings nor the prior determine."""
    dependent = column_range(np.vstack([X, prior.rows()[0]]))[1]
    if dependent:
        raise ValueError(
            f"X: got columns {dependent} that neither the ratings nor the prior determine, expected a finite prior.sd"
        )


def check_spread(y: Floats, residual: Floats, name: str) -> None:
    """Refuse ratings without spread; `residual` is y less its fixed part."""
    if np.ptp(y) == 0.0:
        raise ValueError(f"{name}: got the same rating {y[0]:g} everywhere, expected ratings that differ")
    if np.linalg.norm(residual) <= 1e-13 * np.linalg.norm(y):
        raise ValueError(
            f"{name}: the ratings are reproduced exactly by the columns of X; got no spread about them, expected some"
        )
