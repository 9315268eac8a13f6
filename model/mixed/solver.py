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

from model.domain.arrays import Floats, Ints
from model.mixed.layout import _BATCHED_UP_TO, Blocks, Cells


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns T = [Q, r] (N, t) as the elimination needs them.

    Attributes
    ----------
    means : (J, t) cell means
    a, b : (n_a, t), (n_b, t) sums by level
    product : (t, t) sums of squares and products, rows outside all cells included
    """

    means: Floats
    a: Floats
    b: Floats
    product: Floats

    @classmethod
    def of(cls, cells: Cells, means: Floats, product: Floats) -> Columns:
        """Sum cell means (J, t) of columns by level; `product` (t, t) is the columns' full cross-product."""
        return cls(means, cells.to_a(cells.count) @ means, cells.to_b(cells.count) @ means, product)

    def swapped(self, order: Ints) -> Columns:
        """Exchange the factors, the cells being taken in `order` (J,)."""
        return Columns(self.means[order], self.b, self.a, self.product)


@dataclass(frozen=True, eq=False)
class Solved:
    """Z_a'H^-1 T (n_a, t), Z_b'H^-1 T (n_b, t) and T'H^-1 T (t, t) of columns T."""

    a: Floats
    b: Floats
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

    def hand_over(self, scale: float) -> Floats:
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
        self.w_a = np.bincount(cells.a, weights=self.w, minlength=cells.n_a)
        self.w_b = np.bincount(cells.b, weights=self.w, minlength=cells.n_b)
        self.d = 1.0 / (1.0 + self.l_a * self.w_a)
        self.blocks = DenseBlocks(self._reduced(), cells.blocks)
        self.log_determinant = (
            float(np.log1p(self.l_w * cells.count).sum())
            + float(np.log1p(self.l_a * self.w_a).sum())
            + self.blocks.log_determinant
        )

    def _reduced(self) -> Floats:
        """M = I + l_b (Z_b'WZ_b - B' diag(l_a d) B), flat blocks."""
        cells, layout = self.cells, self.cells.blocks
        if cells.coupled and self.l_a * self.l_b > 0.0:
            flat = cells.gram((-self.l_b * self.l_a) * self.d[cells.a] * self.w, self.w)
        else:
            flat = np.zeros(layout.matrix_size)
        flat[layout.base + layout.position] += self.l_b * self.w_b
        for start, _, number, size in layout.batches:
            flat[start : start + number * size * size].reshape(number, size * size)[:, :: size + 1] += 1.0
        return flat

    @cached_property
    def cross(self):  # type: ignore[no-untyped-def]  # scipy.sparse has no types
        """B = Z_a'WZ_b (n_a, n_b), sparse."""
        return self.cells.cross(self.w)

    @cached_property
    def cross_transposed(self):  # type: ignore[no-untyped-def]  # scipy.sparse has no types
        """B' (n_b, n_a), sparse."""
        return self.cells.cross_transposed(self.w)

    def solve(self, t_a: Floats, t_b: Floats, product: Floats) -> Solved:
        """Solve for columns given by Z_a'R^-1 T (n_a, t), Z_b'R^-1 T (n_b, t) and T'R^-1 T (t, t)."""
        g_b = self.blocks.solve(t_b - self.cross_transposed @ (self.l_a * self.d[:, None] * t_a))
        g_a = self.d[:, None] * (t_a - self.l_b * (self.cross @ g_b))
        product = product - self.l_a * (t_a.T @ g_a) - self.l_b * (t_b.T @ g_b)
        return Solved(g_a, g_b, 0.5 * (product + product.T))

    @cached_property
    def solved(self) -> Solved:
        """The columns' own solution."""
        columns = self.columns
        if self.l_w == 0.0:
            return self.solve(columns.a, columns.b, columns.product)
        taken = (self.cells.count - self.w)[:, None] * columns.means  # what R^-1 takes off within cells
        t_a, t_b = (self.cells.to_a(self.w) @ columns.means, self.cells.to_b(self.w) @ columns.means)
        return self.solve(t_a, t_b, columns.product - columns.means.T @ taken)

    def in_cells(self, means: Floats, g_a: Floats, g_b: Floats) -> Floats:
        """Z_w'H^-1 T (J, t) or (J,) of columns with these cell means and Z_a'H^-1 T, Z_b'H^-1 T."""
        given = means - self.l_a * g_a[self.cells.a] - self.l_b * g_b[self.cells.b]
        return np.asarray((self.w * given.T).T)

    def working(self, h_a: Floats, h_b: Floats, h_w: Floats | None) -> Floats:
        """f'H^-1 f (2, 2) or (3, 3) of the working variates f = Z_a h_a, Z_b h_b and, if given, Z_w h_w."""
        t_a = [self.w_a * h_a, self.cross @ h_b]
        t_b = [self.cross_transposed @ h_a, self.w_b * h_b]
        product = np.array([[h_a @ t_a[0], h_a @ t_a[1]], [h_a @ t_a[1], h_b @ t_b[1]]])
        if h_w is not None:
            weighted = self.w * h_w
            t_a.append(np.bincount(self.cells.a, weights=weighted, minlength=self.cells.n_a))
            t_b.append(np.bincount(self.cells.b, weights=weighted, minlength=self.cells.n_b))
            edge = np.array([h_a @ t_a[2], h_b @ t_b[2]])
            product = np.block([[product, edge[:, None]], [edge, np.array([[weighted @ h_w]])]])
        return self.solve(np.column_stack(t_a), np.column_stack(t_b), product).product

    def _inverse_diagonal(self) -> Floats:
        layout = self.cells.blocks
        return np.asarray(self.blocks.inverse[layout.base + layout.position])

    def trace_a(self) -> float:
        """tr(Z_a'H^-1 Z_a)."""
        direct = float(self.d @ self.w_a)
        if not self.cells.coupled or self.l_b == 0.0:
            return direct
        entries = self.d[self.cells.a] * self.w
        return direct - self.l_b * self.cells.weighed_gram(self.blocks.inverse, entries, entries)

    def trace_b(self) -> float:
        """tr(Z_b'H^-1 Z_b) = tr(M^-1 S) = tr(I - M^-1) / l_b, S = Z_b'WZ_b - B' diag(l_a d) B."""
        if self.l_b > 0.0:
            return float((1.0 - self._inverse_diagonal()).sum()) / self.l_b
        l_ad = self.l_a * self.d if self.cells.coupled else np.zeros(self.cells.n_a)
        return float(self.w_b.sum() - l_ad[self.cells.a] @ (self.w * self.w))

    def trace_cells(self) -> float:
        """tr(Z_w'H^-1 Z_w) = sum w_j - w_j^2 Var(b_i + a_k), the variance given the fixed part, over sigma^2."""
        cells, square = self.cells, self.w * self.w
        l_ad = self.l_a * self.d
        q_a = np.bincount(cells.a, weights=square, minlength=cells.n_a)
        direct = float(self.w.sum() - l_ad @ q_a)
        if self.l_b == 0.0:
            return direct
        q_b = np.bincount(cells.b, weights=square, minlength=cells.n_b)
        spread = float(q_b @ self._inverse_diagonal())
        if cells.coupled and self.l_a > 0.0:
            entries = l_ad[cells.a] * (l_ad[cells.a] * q_a[cells.a] * self.w - 2.0 * square)
            spread += cells.weighed_gram(self.blocks.inverse, self.w, entries)
        return direct - self.l_b * spread
