"""Block elimination of two crossed factors and their cells, at given variance ratios.

The working scale is H = V / sigma^2 = R + l_a Z_a Z_a' + l_b Z_b Z_b', R = I + l_w Z_w Z_w'. Factor a is eliminated
cell by cell; what is left for b is M = I + l_b S, one dense block for each connected component. The identities are
those of Henderson's mixed-model equations (Searle, Casella & McCulloch 1992, Variance Components, ch. 7).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack

from model._structure import _BATCHED_UP_TO, Blocks, Cells, Floats


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns T = [Q, r] (N, t) as the elimination needs them.

    Attributes
    ----------
    means : (J, t) cell means
    within : (t, t) sums of squares and products about the cell means, rows outside all cells included
    """

    means: Floats
    within: Floats

    @classmethod
    def of(cls, cells: Cells, columns: Floats, product: Floats) -> Columns:
        """Reduce columns (N, t); `product` (t, t) is their full cross-product, outside rows included."""
        means = cells.means(columns)
        return cls(means, product - means.T @ (cells.count[:, None] * means))


@dataclass(frozen=True, eq=False)
class Solved:
    """Z_a'H^-1 T (n_a, t), Z_b'H^-1 T (n_b, t), Z_w'H^-1 T (J, t) and T'H^-1 T (t, t) of columns T."""

    a: Floats
    b: Floats
    cell: Floats
    product: Floats


class DenseBlocks:
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
        if size <= _BATCHED_UP_TO:
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
        padded = np.zeros((self._blocks.vector_size, right.shape[1]))
        padded[self._blocks.slot] = right
        for start, slot, number, size in self._blocks.batches:
            block = self._flat[start : start + number * size * size].reshape(number, size, size)
            vectors = padded[slot : slot + number * size].reshape(number, size, right.shape[1])
            if size <= _BATCHED_UP_TO:
                vectors[:] = block @ vectors
            else:
                for one, vector in zip(block, vectors, strict=True):
                    vector[:] = lapack.dpotrs(one.T, vector, lower=1)[0] if self._inverse is None else one @ vector
        return padded[self._blocks.slot]

    @property
    def inverse(self) -> Floats:
        """Flat blocks of the inverse, padding as identity."""
        if self._inverse is None:
            for start, _, number, size in self._blocks.batches:
                if size > _BATCHED_UP_TO:
                    for one in self._flat[start : start + number * size * size].reshape(number, size, size):
                        _invert(one)
            self._inverse = self._flat
        return self._inverse


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


class Elimination:
    """H at the ratios (l_a, l_b, l_w), solved for the columns T.

    Parameters
    ----------
    cells : Cells
    columns : Columns
    ratios : tuple of three floats
        l_a, l_b, l_w >= 0, each a variance over that of the repeat noise.
    """

    def __init__(self, cells: Cells, columns: Columns, ratios: tuple[float, float, float]):
        self.cells, self.columns = cells, columns
        self.l_a, self.l_b, self.l_w = ratios
        self.w = cells.count / (1.0 + self.l_w * cells.count)
        self._to_a, self._to_b = cells.to_a(self.w), cells.to_b(self.w)
        self.w_a = np.bincount(cells.a, weights=self.w, minlength=cells.n_a)
        self.w_b = np.bincount(cells.b, weights=self.w, minlength=cells.n_b)
        self.d = 1.0 / (1.0 + self.l_a * self.w_a)
        self._schur = self._schur_complement()
        self.blocks = self._dense()
        self.log_determinant = (
            float(np.log1p(self.l_w * cells.count).sum())
            + float(np.log1p(self.l_a * self.w_a).sum())
            + self.blocks.log_determinant
        )

    def _schur_complement(self) -> Floats:
        """S = Z_b'WZ_b - B' diag(l_a d) B, flat blocks."""
        cells, layout = self.cells, self.cells.blocks
        if cells.coupled and self.l_a > 0.0:
            flat = cells.gram(-self.l_a * self.d[cells.a] * self.w, self.w)
        else:
            flat = np.zeros(layout.matrix_size)
        flat[layout.base + layout.position] += self.w_b
        return flat

    def _dense(self) -> DenseBlocks:
        flat = self.l_b * self._schur
        for start, _, number, size in self.cells.blocks.batches:
            block = flat[start : start + number * size * size].reshape(number, size * size)
            block[:, :: size + 1] += 1.0
        return DenseBlocks(flat, self.cells.blocks)

    def solve(self, means: Floats, within: Floats | None = None) -> Solved:
        """Z'H^-1 T and T'H^-1 T of columns with cell means (J, t) and products `within` (t, t) about them."""
        cells = self.cells
        t_a, t_b = self._to_a @ means, self._to_b @ means
        g_b = self.blocks.solve(t_b - self.cross_transposed @ (self.l_a * self.d[:, None] * t_a))
        g_a = self.d[:, None] * (t_a - self.l_b * (self.cross @ g_b))
        g_w = self.w[:, None] * (means - self.l_a * g_a[cells.a] - self.l_b * g_b[cells.b])
        product = means.T @ (self.w[:, None] * means) - self.l_a * (t_a.T @ g_a) - self.l_b * (t_b.T @ g_b)
        product = product + within if within is not None else product
        return Solved(g_a, g_b, g_w, 0.5 * (product + product.T))

    @cached_property
    def cross(self):  # type: ignore[no-untyped-def]  # scipy.sparse has no types
        """B = Z_a'WZ_b (n_a, n_b), sparse."""
        return self.cells.cross(self.w)

    @cached_property
    def cross_transposed(self):  # type: ignore[no-untyped-def]  # scipy.sparse has no types
        """B' (n_b, n_a), sparse."""
        return self.cells.cross_transposed(self.w)

    @cached_property
    def solved(self) -> Solved:
        """The columns' own solution."""
        return self.solve(self.columns.means, self.columns.within)

    def trace_a(self) -> float:
        """tr(Z_a'H^-1 Z_a)."""
        direct = float(self.d @ self.w_a)
        if not self.cells.coupled or self.l_b == 0.0:
            return direct
        entries = self.d[self.cells.a] * self.w
        return direct - self.l_b * float(self.blocks.inverse @ self.cells.gram(entries, entries))

    def trace_b(self) -> float:
        """tr(Z_b'H^-1 Z_b) = tr(M^-1 S)."""
        return float(self.blocks.inverse @ self._schur)

    def trace_cells(self) -> float:
        """tr(Z_w'H^-1 Z_w) = sum w_j - w_j^2 Var(b_i + a_k), the variance given the fixed part, over sigma^2."""
        cells, square = self.cells, self.w * self.w
        l_ad = self.l_a * self.d
        q_a = np.bincount(cells.a, weights=square, minlength=cells.n_a)
        direct = float(self.w.sum() - l_ad @ q_a)
        if self.l_b == 0.0:
            return direct
        diagonal = self.blocks.inverse[cells.blocks.base + cells.blocks.position]
        q_b = np.bincount(cells.b, weights=square, minlength=cells.n_b)
        spread = float(q_b @ diagonal)
        if cells.coupled and self.l_a > 0.0:
            entries = l_ad[cells.a] * (l_ad[cells.a] * q_a[cells.a] * self.w - 2.0 * square)
            spread += float(self.blocks.inverse @ cells.gram(self.w, entries))
        return direct - self.l_b * spread
