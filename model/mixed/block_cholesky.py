"""Symmetric positive definite blocks, one for each connected component of players and copies, by LAPACK."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.linalg import blas, lapack

from model.domain.arrays import Floats
from model.mixed.layout import BATCHED_UP_TO, Blocks

AT_LEAST = 8
"""So many entries of a block's side for each block: where a batch has fewer blocks they go to LAPACK one by one."""


class BlockCholesky:
    """Symmetric positive definite blocks in a flat buffer, of which the upper triangles count: log determinant, solution, inverse."""

    def __init__(self, flat: Floats, blocks: Blocks):
        self._blocks = blocks
        self._flat = flat
        self._inverted = self._mirrored = False
        self.log_determinant = 0.0
        for batch in blocks.batches:
            self._factor(*batch)

    def _factor(self, start: int, _slot: int, number: int, size: int) -> None:
        block = self._flat[start : start + number * size * size].reshape(number, size, size)
        if _side_by_side(number, size):
            root = np.linalg.cholesky(block, upper=True)
            self.log_determinant += 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
            half = np.linalg.solve(root, np.broadcast_to(np.eye(size), root.shape))
            block[:] = half @ half.transpose(0, 2, 1)
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
            if _side_by_side(number, size):
                vectors[:] = block @ vectors
                continue
            for one, vector in zip(block, vectors, strict=True):
                if self._inverted:
                    vector[:] = blas.dsymm(1.0, one.T, vector, lower=1)
                else:
                    vector[:] = lapack.dpotrs(one.T, vector, lower=1)[0]
        return ordered[self._blocks.slot]

    def _large(self) -> Iterator[Floats]:
        """Go through the blocks that are worked one at a time."""
        for start, _, number, size in self._blocks.batches:
            if not _side_by_side(number, size):
                yield from self._flat[start : start + number * size * size].reshape(number, size, size)

    @property
    def upper_inverse(self) -> Floats:
        """Flat blocks of the inverse, of which the upper triangles are to be read."""
        if not self._inverted:
            for one in self._large():
                lapack.dpotri(one.T, lower=1, overwrite_c=1)
        self._inverted = True
        return self._flat

    @property
    def inverse(self) -> Floats:
        """Flat blocks of the inverse."""
        flat = self.upper_inverse
        if not self._mirrored:
            for one in self._large():
                _mirror(one)
        self._mirrored = True
        return flat

    def scaled_inverse_inplace(self, scale: float) -> Floats:
        """Flat blocks of `scale` times the inverse, in the buffer itself: the last thing asked of it."""
        flat = self.inverse
        flat *= scale
        return flat


def _side_by_side(number: int, size: int) -> bool:
    """Whether blocks are worked together: many small ones, which LAPACK one by one would take longer with."""
    return size <= BATCHED_UP_TO and number * AT_LEAST > size


def _mirror(block: Floats) -> None:
    """Write the upper triangle of a block into its lower one."""
    size = block.shape[0]
    step = 512  # in strips: no second matrix of the same size
    for first in range(0, size, step):
        last = min(first + step, size)
        block[last:, first:last] = block[first:last, last:].T
        corner = block[first:last, first:last]
        corner[:] = np.triu(corner) + np.triu(corner, 1).T
