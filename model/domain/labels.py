"""Labels of a factor to numbers."""

from collections.abc import Hashable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Ints


def encode(labels: Any, rows: int, name: str) -> tuple[Ints, tuple[Hashable, ...]]:
    """Turn labels into numbers 0, 1, ... and keep their names.

    Parameters
    ----------
    labels : (rows,) array-like of hashable, or None
        One label a rating; None where the factor is left out.
    rows : int
        Number of ratings.
    name : str
        What the labels name, for the error's sentence.

    Returns
    -------
    codes : (rows,) int64
    levels : tuple of the labels, `levels[codes[r]] == labels[r]`; empty where `labels` is None.

    Raises
    ------
    ValueError
        Wrong length, a missing label, or one that cannot be hashed.
    """
    if labels is None:
        return np.zeros(rows, dtype=np.int64), ()
    listed = labels if isinstance(labels, np.ndarray) else list(labels)
    if isinstance(listed, np.ndarray) and listed.ndim != 1:
        raise ValueError(f"{name}: got labels of shape {listed.shape}, expected one label for each row")
    if len(listed) != rows:
        raise ValueError(f"{name}: got {len(listed)} labels, expected one for each of {rows} rows")
    if isinstance(listed, np.ndarray) and listed.dtype.kind in "iubUS":
        levels, codes = (
            np.unique(listed, return_inverse=True) if listed.dtype.kind in "US" else _encode_integers(listed)
        )
        return codes.astype(np.int64, copy=False), tuple(levels.tolist())
    return _encode_any(listed.tolist() if isinstance(listed, np.ndarray) else listed, name)


def _encode_integers(labels: NDArray[Any]) -> tuple[NDArray[Any], Ints]:
    """Levels and codes of integers, without sorting where their range is narrow."""
    if labels.size == 0 or labels.dtype.kind == "b" or int(labels.max()) - int(labels.min()) > 4 * labels.size + 1000:
        return np.unique(labels, return_inverse=True)
    offset = labels.astype(np.int64) - int(labels.min())
    seen = np.flatnonzero(np.bincount(offset))
    code = np.zeros(int(seen[-1]) + 1, dtype=np.int64)
    code[seen] = np.arange(seen.size)
    return seen + int(labels.min()), code[offset]


def _encode_any(labels: list[Any], name: str) -> tuple[Ints, tuple[Hashable, ...]]:
    table: dict[Hashable, int] = {}
    try:
        codes = np.fromiter((table.setdefault(label, len(table)) for label in labels), np.int64, len(labels))
    except TypeError as error:
        raise ValueError(f"{name}: got a label that cannot be hashed, expected text, numbers or tuples") from error
    if any(label is None or label != label for label in table):  # noqa: PLR0124 - NaN is what differs from itself
        raise ValueError(f"{name}: got a missing label, expected a name for every row")
    return codes, tuple(table)
