"""Symmetric positive definite blocks, one for each connected component of players and copies, by LAPACK."""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack

from model.domain.arrays import Floats
from model.mixed.layout import BATCHED_UP_TO, Blocks


class BlockCholesky:
    """Symmetric positive definite blocks in a flat buffer: log determinant, solution, inverse."""

    def __init__(self, flat: Floats, blocks: Blocks):
        self._blocks = blocks
        self._flat = flat
        self._inverse: Floats | None = None
        self.log_determinant = 0.0
        for batch in blocks.batches:
            self._factor(*batch)

    def _factor(self, start: int, _slot: int, number: int, size: int) -> None:
        block = self._flat[start : start + number * size * size].reshape(number, size, size)
        if size <= BATCHED_UP_TO:
            root = np.linalg.cholesky(block)
            self.log_determinant += 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
            block[:] = np.linalg.inv(block)
            return
        for one in block:
            root, info = lapack.dpotrf(one.T, lower=1, clean=0, overwrite_a=1)
            if info:
                raise np.linalg.LinAlgError(f"block of {size} copies is not positive definite")
            self.log_determinant += 2.0 * float(np.log(np.diagonal(root)).sum())

    def solve(self, right: Floats) -> Floats:
        """Solution (K, t) of M g = `right` (K, t)."""
        ordered = np.empty_like(right)
        ordered[self._blocks.slot] = right
        for start, slot, number, size in self._blocks.batches:
            block = self._flat[start : start + number * size * size].reshape(number, size, size)
            vectors = ordered[slot : slot + number * size].reshape(number, size, right.shape[1])
            if size <= BATCHED_UP_TO:
                vectors[:] = block @ vectors
            else:
                for one, vector in zip(block, vectors, strict=True):
                    vector[:] = lapack.dpotrs(one.T, vector, lower=1)[0] if self._inverse is None else one @ vector
        return ordered[self._blocks.slot]

    @property
    def inverse(self) -> Floats:
        """Flat blocks of the inverse."""
        if self._inverse is None:
            for start, _, number, size in self._blocks.batches:
                if size > BATCHED_UP_TO:
                    for one in self._flat[start : start + number * size * size].reshape(number, size, size):
                        _invert(one)
            self._inverse = self._flat
        return self._inverse

    def scaled_inverse_inplace(self, scale: float) -> Floats:
        """Flat blocks of `scale` times the inverse, in the buffer itself: the last thing asked of it."""
        flat = self.inverse
        flat *= scale
        return flat


def _invert(block: Floats) -> None:
    """Replace a block that holds its Cholesky factor (lower, column-major) by the whole inverse."""
    size = block.shape[0]
    lapack.dpotri(block.T, lower=1, overwrite_c=1)
    step = 512  # mirrored in strips: no second matrix of the same size
    for first in range(0, size, step):
        last = min(first + step, size)
        block[last:, first:last] = block[first:last, last:].T
        corner = block[first:last, first:last]
        corner[:] = np.triu(corner) + np.triu(corner, 1).T
