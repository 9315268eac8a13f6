"""The mixed-model equations of crossed players and copies, at given variances.

The working scale is H = V / sigma^2 = R + Z S Z' + l_c Z_c Z_c', R = I + l_w Z_w Z_w', S (Q, Q) the covariance of a player's
Q effects over sigma^2: an intercept (Q = 1), or an intercept and slopes. Players are eliminated one by one, as small blocks worked in batches; what is left for
the copies is M = I + l_c (Z_c'R^-1 Z_c - sum B_i'K_iB_i), one dense block for each connected component. The identities
are those of Henderson's mixed-model equations (Searle, Casella & McCulloch 1992, Variance Components, ch. 7).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from model.domain.arrays import Floats, Ints
from model.mixed.block_cholesky import BlockCholesky
from model.mixed.layout import Blocks, Cells
from model.mixed.linalg import psd_sqrt

_CHUNK = 400_000  # entries of the players' (cells x cells) matrices that are worked at a time


@dataclass(frozen=True, eq=False)
class PlayerBatch:
    """Players with nearly the same number of cells, padded to one number c.

    Attributes
    ----------
    players : (m,)
    cells : (m, c) the players' cells; J, one past the last, where padded
    copies : (m, c) the cells' copies; the player's first where padded
    """

    players: Ints
    cells: Ints
    copies: Ints

    def places(self, blocks: Blocks) -> Ints:
        """Flat places (m, c, c) of each pair of a player's copies in the blocks' matrix buffer."""
        return blocks.base[self.copies][:, :, None] + blocks.position[self.copies][:, None, :]


def _rounded(count: Ints) -> Ints:
    """Round counts up to at most an eighth more; up to 16 they stay."""
    step = 2 ** np.maximum(np.log2(np.maximum(count, 1)).astype(np.int64) - 3, 0)
    return np.asarray(-(-count // step) * step)


def group_players(cells: Cells) -> tuple[PlayerBatch, ...]:
    """Sort the players of `cells` (factor a) into groups, none larger than can be worked at once."""
    count = np.bincount(cells.a, minlength=cells.n_a)
    start, size = np.cumsum(count) - count, _rounded(count)
    groups = []
    for c in np.unique(size[count > 0]).tolist():
        members = np.flatnonzero(size == c)
        for players in np.array_split(members, -(-members.size * c * c // _CHUNK)):
            place = start[players, None] + np.arange(c)
            filled = np.arange(c) < count[players, None]
            copies = cells.b[np.where(filled, place, start[players, None])]
            groups.append(PlayerBatch(players, np.where(filled, place, cells.a.size), copies))
    return tuple(groups)


@dataclass(frozen=True, eq=False)
class RandomEffectsDesign:
    """Rows z (Q) of the players' effects, and their sums that no variance changes.

    Attributes
    ----------
    cells : Cells
        Players as factor a, copies as b.
    groups : tuple of PlayerBatch
    rows : (N, I Q) sparse, the matrix Z
    cell : (J, I Q) sparse, its sums by cell; `sums` (J, Q) their entries
    square : (I, Q, Q) Z_i'Z_i
    """

    cells: Cells
    groups: tuple[PlayerBatch, ...]
    rows: sparse.csr_matrix
    cell: sparse.csr_matrix
    sums: Floats
    square: Floats

    @classmethod
    def of(cls, cells: Cells, Z: Floats) -> RandomEffectsDesign:
        """Sum rows Z (N, Q)."""
        rows = _spread(Z, cells.a[cells.row], cells.n_a)
        sums = cells.means(Z) * cells.count[:, None]
        square = (rows.T @ Z).reshape(cells.n_a, Z.shape[1], Z.shape[1])
        return cls(cells, group_players(cells), rows, _spread(sums, cells.a, cells.n_a), sums, square)

    @property
    def width(self) -> int:
        """Q, the effects of each player."""
        return int(self.sums.shape[1])

    def total(self, T: Floats) -> Floats:
        """Z_i'T (I, Q, t) of columns T (N, t)."""
        return np.asarray(self._of_rows @ T).reshape(self.cells.n_a, self.width, -1)

    def total_of_cells(self, T: Floats) -> Floats:
        """Sum over the player's cells of the cell's sum of z times T, (I, Q, t), for T (J, t)."""
        return np.asarray(self._of_cells @ T).reshape(self.cells.n_a, self.width, -1)

    @cached_property
    def _of_rows(self) -> sparse.csc_matrix:
        """Z' (I Q, N); turning a matrix round anew costs as much as a product with a few columns."""
        return self.rows.T

    @cached_property
    def _of_cells(self) -> sparse.csc_matrix:
        """The same by cell, (I Q, J)."""
        return self.cell.T

    @cached_property
    def _by_copy(self) -> tuple[Ints, NDArray[Any], NDArray[Any]]:
        """Order of the cells by copy, and the sparse pattern (K, I Q) with Q entries for each cell."""
        order = self.cells.by_b
        columns = (self.cells.a[order] * self.width)[:, None] + np.arange(self.width)
        start = np.concatenate([[0], np.cumsum(np.bincount(self.cells.b, minlength=self.cells.n_b))]) * self.width
        small = np.int32 if max(columns.size, self.cells.n_a * self.width) < np.iinfo(np.int32).max else np.int64
        return order, columns.ravel().astype(small), start.astype(small)

    def by_copy(self, u: Floats) -> sparse.csr_matrix:
        """B' (K, I Q), with u (J, Q) at the cells."""
        order, columns, start = self._by_copy
        return sparse.csr_matrix(
            (u[order].ravel(), columns, start), shape=(self.cells.n_b, self.cells.n_a * self.width)
        )


def _spread(values: Floats, player: Ints, players: int) -> sparse.csr_matrix:
    """Matrix (n, I Q) with `values` (n, Q) in the columns of each row's player."""
    n, Q = values.shape
    columns = (player * Q)[:, None] + np.arange(Q)
    return sparse.csr_matrix((values.ravel(), columns.ravel(), np.arange(n + 1) * Q), shape=(n, players * Q))


@dataclass(frozen=True, eq=False)
class Rhs:
    """Right-hand sides of columns T (N, t), by Z_i'R^-1 T (I, Q, t), Z_c'R^-1 T (K, t) and T'R^-1 T (t, t).

    The product has the rows outside all cells too.
    """

    players: Floats
    copies: Floats
    product: Floats


class MixedModelEquations:
    """H at the players' covariance `S` (Q, Q) and the ratios l_c, l_w, solved for the columns.

    Parameters
    ----------
    rows : RandomEffectsDesign
    given : Rhs, of the columns at R = I
    means : (J, t) their cell means
    S : (Q, Q) positive semi-definite
    l_c, l_w : float, >= 0
    interacting : bool
        Whether the interaction's ratio is sought, so that its trace is needed.

    Attributes
    ----------
    w : (J,) n / (1 + l_w n)
    u : (J, Q) B_i at the cell
    W, K, N : (I, Q, Q)
        Z_i'R^-1 Z_i, the covariance of the player's effects given the copies' over sigma^2, and I - W K.
    players, copies : (I, Q, t), (K, t)
        Z_i'H^-1 T and Z_c'H^-1 T.
    product : (t, t) T'H^-1 T
    """

    def __init__(
        self,
        rows: RandomEffectsDesign,
        given: Rhs,
        means: Floats,
        S: Floats,
        l_c: float,
        l_w: float,
        *,
        interacting: bool,
    ):
        self.rows, self.means, self.S, self.l_c, self.l_w, self._interacting = rows, means, S, l_c, l_w, interacting
        cells = rows.cells
        self.shrunk = 1.0 / (1.0 + l_w * cells.count)
        self.w = cells.count * self.shrunk
        self.u = rows.sums * self.shrunk[:, None]
        self.w_c = np.bincount(cells.b, weights=self.w, minlength=cells.n_b)
        self.W = self._within()
        self._eliminate_players()
        self.blocks = BlockCholesky(self._reduced(), cells.blocks) if l_c > 0.0 else None
        self.log_determinant += float(np.log1p(l_w * cells.count).sum())
        self.log_determinant += self.blocks.log_determinant if self.blocks else 0.0
        self.players, self.copies, self.product = self.solve(self._weighted(given))

    def _within(self) -> Floats:
        """W (I, Q, Q)."""
        if self.l_w == 0.0:
            return self.rows.square
        return self.rows.square - self.rows.total_of_cells((self.l_w * self.shrunk)[:, None] * self.rows.sums)

    def _eliminate_players(self) -> None:
        root = psd_sqrt(self.S)
        V = root.T @ self.W @ root
        V[:, np.arange(self.rows.width), np.arange(self.rows.width)] += 1.0
        L = np.linalg.cholesky(V)
        self.J = np.linalg.solve(L, np.broadcast_to(root.T, V.shape))
        self.K = self.J.transpose(0, 2, 1) @ self.J
        self.N = np.eye(self.rows.width) - self.W @ self.K
        self.log_determinant = 2.0 * float(np.log(np.diagonal(L, axis1=1, axis2=2)).sum())

    def _weighted(self, given: Rhs) -> Rhs:
        """Take the columns' products with R^-1."""
        if self.l_w == 0.0:
            return given
        cells, means = self.rows.cells, self.means
        taken = (cells.count - self.w)[:, None] * means
        players = given.players - self.rows.total_of_cells((self.l_w * self.w)[:, None] * means)
        return Rhs(players, cells.to_b(self.w) @ means, given.product - means.T @ taken)

    @cached_property
    def by_copy(self) -> sparse.csr_matrix:
        """B' (K, I Q)."""
        return self.rows.by_copy(self.u)

    def blocks_of(self) -> Iterator[tuple[PlayerBatch, Floats]]:
        """Go through the groups of players with their B_i' (m, c, Q), padding as zero."""
        padded = np.vstack([self.u, np.zeros((1, self.rows.width))])
        for group in self.rows.groups:
            yield group, padded[group.cells]

    def _reduced(self) -> Floats:
        """M, flat blocks."""
        layout = self.rows.cells.blocks
        flat = self._taken_by_players() if self.S.any() else np.zeros(layout.matrix_size)
        flat *= -self.l_c
        flat[layout.base + layout.position] += 1.0 + self.l_c * self.w_c
        return flat

    def _taken_by_players(self) -> Floats:
        """Sum of B_i'K_iB_i, flat blocks."""
        layout = self.rows.cells.blocks
        flat = np.zeros(layout.matrix_size)
        for group, B in self.blocks_of():
            half = B @ self.J[group.players].transpose(0, 2, 1)
            inner = half @ half.transpose(0, 2, 1)
            np.add.at(flat, group.places(layout).ravel(), inner.ravel())
        return flat

    def solve(self, working: Rhs) -> tuple[Floats, Floats, Floats]:
        """Z_i'H^-1 T (I, Q, t), Z_c'H^-1 T (K, t) and T'H^-1 T (t, t)."""
        t = working.players.shape[2]
        shared = self.K @ working.players
        copies = working.copies - self.by_copy @ shared.reshape(self.N.shape[0] * self.N.shape[1], t)
        product = working.product - np.tensordot(working.players, shared, ((0, 1), (0, 1)))
        if self.blocks is None:
            return self.N @ working.players, copies, 0.5 * (product + product.T)
        solved = self.blocks.solve(copies)
        product = product - self.l_c * copies.T @ solved
        players = working.players - self.l_c * (self.by_copy.T @ solved).reshape(working.players.shape)
        return self.N @ players, solved, 0.5 * (product + product.T)

    def in_cells(self, means: Floats, players: Floats, copies: Floats) -> Floats:
        """Z_w'H^-1 T (J, t) of columns with these cell means, Z_i'H^-1 T and Z_c'H^-1 T."""
        cells = self.rows.cells
        own = np.asarray(self.rows.cell @ (self.S @ players).reshape(-1, players.shape[2]))
        given = cells.count[:, None] * (means - self.l_c * copies[cells.b]) - own
        return np.asarray(self.shrunk[:, None] * given)

    @cached_property
    def traces(self) -> tuple[Floats, float, float]:
        """Sum over players of Z_i'H^-1 Z_i (Q, Q), tr(Z_c'H^-1 Z_c), tr(Z_w'H^-1 Z_w)."""
        own = np.einsum("iab,ibc->ac", self.N, self.W)
        crossed = self.rows.total_of_cells(self.shrunk[:, None] ** 2 * self.rows.sums)
        left = float(self.w.sum() - np.einsum("iab,iba->", self.K, crossed))
        if self.blocks is None:
            return 0.5 * (own + own.T), float(left), left
        through, spread = self._through_copies(self.blocks)
        own = own - self.l_c * through
        kept = self.rows.cells.blocks
        diagonal = self.blocks.inverse[kept.base + kept.position]
        return 0.5 * (own + own.T), float((1.0 - diagonal).sum()) / self.l_c, left - self.l_c * spread

    def _through_copies(self, blocks: BlockCholesky) -> tuple[Floats, float]:
        """Sum of N_iB_iM^-1B_i'N_i' (Q, Q) and, where interactions are sought, of tr(M^-1 D_iD_i), D_i = diag(w) - B_i'K_iB_i."""
        through, spread = np.zeros((self.rows.width, self.rows.width)), 0.0
        w = np.append(self.w, 0.0)
        for group, B in self.blocks_of():
            inverse = blocks.inverse[group.places(self.rows.cells.blocks)]
            NB = B @ self.N[group.players].transpose(0, 2, 1)
            through += np.tensordot(NB, inverse @ NB, ((0, 1), (0, 1)))
            if self._interacting:
                left = -B @ self.K[group.players] @ B.transpose(0, 2, 1)
                left[:, np.arange(B.shape[1]), np.arange(B.shape[1])] += w[group.cells]
                spread += float(np.vdot(inverse @ left, left))  # of symmetric matrices
        return through, spread
