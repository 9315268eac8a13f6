"""The copies' blocks to and from plain arrays: whole roots, or the few numbers that roots in short consist of, in 32 bits each."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from model.domain.arrays import Flags, Floats, Ints
from model.domain.vocabulary import CRITERIA
from model.preference.copy_rows import RANK, SHORT_SHARE, WRITTEN_OUT_UP_TO, ShortRoot
from model.preference.fitted import CopyBlock

STORED = np.float32
"""Seven digits: an answer keeps four."""
IN_SHORT = ("short_blocks", "short_counts", "short_columns", "short_values", "short_far", "short_weights")
BYTES_A_NUMBER = 4
BYTES_AN_ENTRY = 2 * BYTES_A_NUMBER
"""Of an entry that stands in a root in short: its column and its value."""
PLACED_IN_16_BITS = 2**16

Arrays = Mapping[str, NDArray[Any]]


def arrays_of(blocks: Sequence[CopyBlock]) -> dict[str, NDArray[Any]]:
    """Return the blocks as arrays; ``short_…`` those of roots in short, block by block, criterion by criterion."""
    roots = [root for block in blocks for root in block.short]
    columns = _joined([root.upper.indices for root in roots], np.int64)
    small = np.uint16 if columns.max(initial=0) < PLACED_IN_16_BITS else np.uint32
    return {
        "block_sizes": np.array([len(block.levels) for block in blocks], dtype=np.int64),
        "block_levels": _joined([block.levels for block in blocks], np.int64),
        "block_roots": _joined([block.root for block in blocks], STORED),
        "short_blocks": np.array([bool(block.short) for block in blocks], dtype=np.uint8),
        "short_counts": _joined([np.diff(root.upper.indptr) for root in roots], np.uint32),
        "short_columns": columns.astype(small),
        "short_values": _joined([root.upper.data for root in roots], STORED),
        "short_far": _joined([root.far for root in roots], STORED),
        "short_weights": _joined([root.weight for root in roots], STORED),
    }


def size_of(links: sparse.csr_array, criteria: Flags) -> int:
    """Return about how many bytes the blocks take of levels (K) of which players tried some together, at most twice as many as there are.

    Parameters
    ----------
    links : (K, K) other than 0 where somebody tried both.
    criteria : (K, C) on which each was rated.
    """
    blocks, label = connected_components(links, directed=False)
    sizes = np.bincount(label, minlength=blocks)
    entries = np.bincount(
        label, weights=np.diff(links.indptr), minlength=blocks
    )  # each pair both ways: twice what is linked
    rated = np.zeros((blocks, criteria.shape[1]), dtype=bool)
    np.logical_or.at(rated, label, criteria)
    whole = BYTES_A_NUMBER * criteria.shape[1] * sizes**2.0
    short = rated.sum(axis=1) * BYTES_AN_ENTRY * entries + BYTES_A_NUMBER * criteria.shape[1] * (RANK + 2) * sizes
    written_out = (sizes <= WRITTEN_OUT_UP_TO) | (entries > SHORT_SHARE * sizes**2.0)
    return int(np.where(written_out, whole, short).sum())


def _joined(parts: Sequence[NDArray[Any]], dtype: Any) -> NDArray[Any]:
    return np.concatenate([np.zeros(0, dtype), *(part.ravel().astype(dtype) for part in parts)])


def blocks_of(arrays: Arrays, K: int) -> tuple[CopyBlock, ...]:
    """Return the blocks; every level is in one of them, once. Raises `ValueError` where the arrays do not fit each other."""
    sizes, members = arrays["block_sizes"], arrays["block_levels"].astype(np.intp)
    if sorted(members.tolist()) != list(range(K)) or sizes.sum() != K or (sizes < 1).any():
        msg = f"got blocks of {sizes.tolist()} levels, expected each of {K} levels in one of them"
        raise ValueError(msg)
    short = arrays["short_blocks"].astype(bool) if "short_blocks" in arrays else np.zeros(len(sizes), dtype=bool)
    if short.shape != sizes.shape:
        msg = f"short_blocks: got {short.size} marks, expected {sizes.size}"
        raise ValueError(msg)
    levels = np.split(members, np.cumsum(sizes)[:-1]) if K else []
    whole, brief = _whole(arrays["block_roots"], sizes[~short]), _in_short(arrays, sizes[short])
    none = np.zeros((len(CRITERIA), 0, 0))
    return tuple(
        CopyBlock(of, none, next(brief)) if in_short else CopyBlock(of, next(whole))
        for of, in_short in zip(levels, short.tolist(), strict=True)
    )


def _whole(numbers: NDArray[Any], sizes: Ints) -> Iterator[Floats]:
    """Give the roots (C, m, m) of blocks of these sizes."""
    C = len(CRITERIA)
    expected = C * (sizes**2).sum()
    if numbers.shape != (expected,):
        msg = f"block_roots: got {numbers.size} numbers, expected {expected}"
        raise ValueError(msg)
    parts = np.split(numbers.astype(np.float64), np.cumsum(C * sizes**2)[:-1])
    return (part.reshape(C, size, size) for part, size in zip(parts, sizes.tolist(), strict=False))


def _in_short(arrays: Arrays, sizes: Ints) -> Iterator[tuple[ShortRoot, ...]]:
    """Give the roots in short of blocks of these sizes."""
    if not sizes.size:
        return iter(())
    every = np.repeat(sizes, len(CRITERIA))
    counts, columns, values, far, weights = (arrays[name] for name in IN_SHORT[1:])
    entries = int(counts.sum())
    found = {"short_counts": counts, "short_columns": columns, "short_values": values}
    found |= {"short_far": far, "short_weights": weights}
    expected = (int(every.sum()), entries, entries, int(every.sum()) * RANK, every.size * RANK)
    for (name, array), size in zip(found.items(), expected, strict=True):
        if array.shape != (size,):
            msg = f"{name}: got {array.size} numbers, expected {size}"
            raise ValueError(msg)
    roots = _roots(every, counts, columns, values.astype(np.float64), far.astype(np.float64), weights)
    return (tuple(next(roots) for _ in CRITERIA) for _ in sizes)


def _roots(
    sizes: Ints, counts: NDArray[Any], columns: NDArray[Any], values: Floats, far: Floats, weights: NDArray[Any]
) -> Iterator[ShortRoot]:
    row = at = 0
    for number, m in enumerate(sizes.tolist()):
        starts = np.concatenate([[0], np.cumsum(counts[row : row + m], dtype=np.int64)])
        here = slice(at, at + int(starts[-1]))
        if columns[here].max(initial=0) >= m:
            msg = f"short_columns: got {columns[here].max()}, expected places below {m}"
            raise ValueError(msg)
        upper = sparse.csr_array((values[here], columns[here].astype(np.int32), starts.astype(np.int32)), shape=(m, m))
        of_row = far[row * RANK : (row + m) * RANK].reshape(m, RANK)
        yield ShortRoot(upper, of_row, weights[number * RANK : (number + 1) * RANK].astype(np.float64))
        row, at = row + m, here.stop
