"""The mixed-model equations of crossed players and copies, at given variances.

The working scale is H = V / sigma^2 = R + Z S Z' + l_c Z_c Z_c', R = I + l_w Z_w Z_w', S (Q, Q) the covariance of a player's
Q effects over sigma^2: an intercept (Q = 1), or an intercept and slopes. Players are eliminated one by one, as small blocks worked in batches; what is left for
the copies is M = I + l_c (Z_c'R^-1 Z_c - sum B_i'K_iB_i), one dense block for each connected component. The identities
are those of Henderson's mixed-model equations (Searle, Casella & McCulloch 1992, Variance Components, ch. 7).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from model.domain.arrays import Floats, Ints
from model.mixed.block_cholesky import BlockCholesky
from model.mixed.layout import Blocks, Cells
from model.mixed.linalg import psd_sqrt, with_values

_CHUNK = 400_000  # entries of the players' (cells x cells) matrices that are worked at a time
_EFFECTS = 12_000  # of players, whose columns are worked at a time
_PADDED = 6_000  # entries that a group may be padded by: to work them takes as long as a further group would
_PAIRS = 8_000_000  # of a player's copies, up to which the pattern of their products is kept


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
    for c, members in _joined(size):
        for players in np.array_split(members, -(-members.size * c * c // _CHUNK)):
            place = start[players, None] + np.arange(c)
            filled = np.arange(c) < count[players, None]
            copies = cells.b[np.where(filled, place, start[players, None])]
            groups.append(PlayerBatch(players, np.where(filled, place, cells.a.size), copies))
    return tuple(groups)


def _joined(size: Ints) -> Iterator[tuple[int, Ints]]:
    """Give numbers c of cells and the players of that `size` (I,), or of less where so few are as well worked with them."""
    sizes = np.unique(size[size > 0])
    largest, padded, first = 0, 0, len(sizes)
    for place in range(len(sizes) - 1, -1, -1):
        more = int(np.count_nonzero(size == sizes[place])) * (largest**2 - int(sizes[place]) ** 2)
        if largest and padded + more > _PADDED:
            yield largest, np.flatnonzero((size >= sizes[place + 1]) & (size <= largest))
            largest, padded, more = 0, 0, 0
        largest, padded, first = largest or int(sizes[place]), padded + more, place
    if largest:
        yield largest, np.flatnonzero((size >= sizes[first]) & (size <= largest))


@dataclass(frozen=True, eq=False)
class Piece:
    """Some players one after the other, with their cells.

    Attributes
    ----------
    players, cells : places of m players and c cells
    cell : (c, m Q) sparse, the cells' sums of z
    copy : (c,) of each cell
    by_copy : (K, c) sparse, sums cells by copy
    """

    players: slice
    cells: slice
    cell: sparse.csr_matrix
    copy: Ints
    by_copy: sparse.csc_matrix

    def total(self, T: Floats) -> Floats:
        """Sum over each player's cells of the cell's sum of z times T (c, t): (m, Q, t)."""
        players = self.players.stop - self.players.start
        return np.asarray(self._turned @ T).reshape(players, self.cell.shape[1] // players, T.shape[1])

    @cached_property
    def _turned(self) -> sparse.csc_matrix:
        return self.cell.T

    def along(self, players: Floats) -> Floats:
        """Give in each cell the sum of z times its player's (m, Q, t): (c, t)."""
        return np.asarray(self.cell @ players.reshape(-1, players.shape[2]))


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

    @cached_property
    def pairs(self) -> sparse.csc_array | None:
        """Of intercepts alone the pattern (entries of the blocks' buffer, I) of B_i'B_i at R = I, upper triangles; None of very many pairs."""
        count, layout = np.bincount(self.cells.a, minlength=self.cells.n_a), self.cells.blocks
        number = count * (count + 1) // 2
        if self.width > 1 or number.sum() > _PAIRS:
            return None
        start = np.concatenate([[0], np.cumsum(number)])
        small = np.int32 if max(layout.matrix_size, int(start[-1])) < np.iinfo(np.int32).max else np.int64
        place, value = np.empty(start[-1], dtype=small), np.empty(start[-1])
        row, column = layout.base[self.cells.b], layout.position[self.cells.b]
        second, first = np.tril_indices(int(count.max(initial=0)))  # of fewer cells the first of them
        for c in np.unique(count[count > 0]).tolist():
            players, own = np.flatnonzero(count == c), slice(c * (c + 1) // 2)
            cell, at = (np.cumsum(count) - count)[players, None], start[players, None] + np.arange(c * (c + 1) // 2)
            place[at] = row[cell + first[own]] + column[cell + second[own]]
            value[at] = self.sums[cell + first[own], 0] * self.sums[cell + second[own], 0]
        return sparse.csc_array((value, place, start.astype(small)), shape=(layout.matrix_size, count.size))

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
    def pieces(self) -> tuple[Piece, ...]:
        """All players, a few at a time: what is as large as their columns is never held for all of them."""
        cells, Q = self.cells, self.width
        bounds = np.append(np.arange(0, cells.n_a, max(1, _EFFECTS // Q)), cells.n_a).tolist()
        first = np.searchsorted(cells.a, bounds).tolist()
        return tuple(map(self._piece, bounds[:-1], bounds[1:], first[:-1], first[1:]))

    def _piece(self, start: int, stop: int, first: int, last: int) -> Piece:
        Q, copy, c = self.width, self.cells.b[first:last], last - first
        columns = self.cell.indices[first * Q : last * Q] - start * Q
        cell = sparse.csr_matrix(
            (self.sums[first:last].ravel(), columns, np.arange(c + 1) * Q), shape=(c, (stop - start) * Q)
        )
        by_copy = sparse.csc_matrix((np.ones(c), copy, np.arange(c + 1)), shape=(self.cells.n_b, c))
        return Piece(slice(start, stop), slice(first, last), cell, copy, by_copy)

    @cached_property
    def _of_rows(self) -> sparse.csc_matrix:
        """Z' (I Q, N); turning a matrix round anew costs as much as a product with a few columns."""
        return self.rows.T

    @cached_property
    def _of_cells(self) -> sparse.csc_matrix:
        """The same by cell, (I Q, J)."""
        return self.cell.T

    @cached_property
    def _by_copy(self) -> tuple[sparse.csr_matrix, sparse.csc_matrix]:
        """The sparse pattern (K, I Q) with Q entries for each cell in the order of the copies, and turned round."""
        columns = (self.cells.a[self.cells.by_b] * self.width)[:, None] + np.arange(self.width)
        start = np.concatenate([[0], np.cumsum(np.bincount(self.cells.b, minlength=self.cells.n_b))]) * self.width
        small = np.int32 if max(columns.size, self.cells.n_a * self.width) < np.iinfo(np.int32).max else np.int64
        entries = (self.sums.ravel(), columns.ravel().astype(small), start.astype(small))
        pattern = sparse.csr_matrix(entries, shape=(self.cells.n_b, self.cells.n_a * self.width))
        return pattern, pattern.T

    def by_copy(self, u: Floats) -> tuple[sparse.csr_matrix, sparse.csc_matrix]:
        """B' (K, I Q) and B, with u (J, Q) at the cells."""
        values, (pattern, turned) = u[self.cells.by_b].ravel(), self._by_copy
        return with_values(pattern, values), with_values(turned, values)


def _spread(values: Floats, player: Ints, players: int) -> sparse.csr_matrix:
    """Matrix (n, I Q) with `values` (n, Q) in the columns of each row's player."""
    n, Q = values.shape
    columns = (player * Q)[:, None] + np.arange(Q)
    return sparse.csr_matrix((values.ravel(), columns.ravel(), np.arange(n + 1) * Q), shape=(n, players * Q))


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns (n, ..., t): those that responses share, and one response's own after them, which are not joined as a whole."""

    shared: Floats
    own: Floats

    def at(self, some: slice) -> Floats:
        """Join them in some of the n places."""
        return np.concatenate([self.shared[some], self.own[some]], axis=-1)

    def times(self, weights: Floats) -> Floats:
        """Give them times weights (t,)."""
        return np.asarray(self.shared @ weights[: self.shared.shape[-1]] + self.own @ weights[self.shared.shape[-1] :])

    def by(self, matrix: sparse.csr_matrix) -> Floats:
        """Give a matrix (m, n) times columns (n, t)."""
        return np.hstack([matrix @ self.shared, matrix @ self.own])


@dataclass(frozen=True, eq=False)
class Rhs:
    """Right-hand sides of columns T (N, t), by Z_i'R^-1 T (I, Q, t), Z_c'R^-1 T (K, t) and T'R^-1 T (t, t).

    The product has the rows outside all cells too.
    """

    players: Columns
    copies: Floats
    product: Floats


def _each(blocks: Floats, columns: Floats) -> Floats:
    """Each player's block (I, Q, Q) times the player's columns (I, Q, t)."""
    return blocks * columns if blocks.shape[1] == 1 else blocks @ columns


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
    copies : (K, t) Z_c'H^-1 T
    product : (t, t) T'H^-1 T
    """

    def __init__(
        self,
        rows: RandomEffectsDesign,
        given: Rhs,
        means: Columns,
        S: Floats,
        l_c: float,
        l_w: float,
        *,
        interacting: bool,
    ):
        self.rows, self.given, self.means, self._interacting = rows, given, means, interacting
        self.S, self.l_c, self.l_w = S, l_c, l_w
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
        self.copies, self.product = self._solve(self._weighted, *self._weighted_by_copy(given))

    def _within(self) -> Floats:
        """W (I, Q, Q)."""
        if self.l_w == 0.0:
            return self.rows.square
        return self.rows.square - self.rows.total_of_cells((self.l_w * self.shrunk)[:, None] * self.rows.sums)

    def _eliminate_players(self) -> None:
        if self.rows.width == 1:
            V = 1.0 + self.S[0, 0] * self.W
            self.J, self.K, self.N = np.sqrt(self.S[0, 0] / V), self.S[0, 0] / V, 1.0 / V
            self.log_determinant = float(np.log(V).sum())
            return
        root = psd_sqrt(self.S)
        V = root.T @ self.W @ root
        V[:, np.arange(self.rows.width), np.arange(self.rows.width)] += 1.0
        L = np.linalg.cholesky(V)
        self.J = np.linalg.solve(L, np.broadcast_to(root.T, V.shape))
        self.K = self.J.transpose(0, 2, 1) @ self.J
        self.N = np.eye(self.rows.width) - self.W @ self.K
        self.log_determinant = 2.0 * float(np.log(np.diagonal(L, axis1=1, axis2=2)).sum())

    def _weighted(self, piece: Piece) -> Floats:
        """Z_i'R^-1 T (m, Q, t) of the given columns."""
        own = self.given.players.at(piece.players)
        if self.l_w == 0.0:
            return own
        return own - piece.total((self.l_w * self.w[piece.cells])[:, None] * self.means.at(piece.cells))

    def _weighted_by_copy(self, given: Rhs) -> tuple[Floats, Floats]:
        """Z_c'R^-1 T (K, t) and T'R^-1 T (t, t)."""
        if self.l_w == 0.0:
            return given.copies, given.product
        cells, product = self.rows.cells, given.product
        for piece in self.rows.pieces:
            means = self.means.at(piece.cells)
            product = product - means.T @ ((cells.count - self.w)[piece.cells][:, None] * means)
        return self.means.by(cells.to_b(self.w)), product

    @cached_property
    def by_copy(self) -> tuple[sparse.csr_matrix, sparse.csc_matrix]:
        """B' (K, I Q) and B."""
        return self.rows.by_copy(self.u)

    def blocks_of(self) -> Iterator[tuple[PlayerBatch, Floats]]:
        """Go through the groups of players with their B_i' (m, c, Q), padding as zero."""
        padded = np.vstack([self.u, np.zeros((1, self.rows.width))])
        for group in self.rows.groups:
            yield group, padded[group.cells]

    @property
    def _pairs(self) -> sparse.csc_array | None:
        return self.rows.pairs if self.l_w == 0.0 and not self._interacting and self.rows.width == 1 else None

    def _reduced(self) -> Floats:
        """M, flat blocks."""
        layout = self.rows.cells.blocks
        flat = self._taken_by_players() if self.S.any() else np.zeros(layout.matrix_size)
        flat *= -self.l_c
        flat[layout.base + layout.position] += 1.0 + self.l_c * self.w_c
        return flat

    def _taken_by_players(self) -> Floats:
        """Sum of B_i'K_iB_i, flat blocks, of which the upper triangles count."""
        layout = self.rows.cells.blocks
        if (pairs := self._pairs) is not None:
            return np.asarray(pairs @ self.K[:, 0, 0])
        flat = np.zeros(layout.matrix_size)
        for group, B in self.blocks_of():
            half = B @ self.J[group.players].transpose(0, 2, 1)
            inner = half @ half.transpose(0, 2, 1)
            np.add.at(flat, group.places(layout).ravel(), inner.ravel())
        return flat

    def _solve(self, players: Callable[[Piece], Floats], copies: Floats, product: Floats) -> tuple[Floats, Floats]:
        """Z_c'H^-1 T (K, t) and T'H^-1 T (t, t) of Z_i'R^-1 T (m, Q, t) of some players, Z_c'R^-1 T and T'R^-1 T, if not empty."""
        for piece in self.rows.pieces:
            own = players(piece)
            half = _each(self.J[piece.players], own)
            shared, flat = _each(self.J[piece.players].transpose(0, 2, 1), half), half.reshape(-1, half.shape[2])
            copies = copies - piece.by_copy @ (self.shrunk[piece.cells][:, None] * piece.along(shared))
            product = product - flat.T @ flat if product.size else product
        if self.blocks is None:
            return copies, 0.5 * (product + product.T)
        solved = self.blocks.solve(copies)
        product = product - self.l_c * copies.T @ solved if product.size else product
        return solved, 0.5 * (product + product.T)

    def players(self, piece: Piece) -> Floats:
        """Z_i'H^-1 T (m, Q, t) of the given columns."""
        own, taken = self.given.players.at(piece.players), self._by_copies(piece, self.copies)
        if self.l_w:
            taken = taken + (self.l_w * self.w[piece.cells])[:, None] * self.means.at(piece.cells)
        return np.asarray(self.N[piece.players] @ (own - piece.total(taken)))

    def _by_copies(self, piece: Piece, copies: Floats) -> Floats:
        """Give what copies take from each cell (c, t), by Z_c'H^-1 T (K, t); 0 where they have no part."""
        return (self.l_c * self.shrunk[piece.cells])[:, None] * copies[piece.copy]

    def players_times(self, weights: Floats) -> Floats:
        """Z_i'H^-1 T (I, Q) times weights (t,) of the given columns."""
        own, taken = (
            self.given.players.times(weights),
            self.l_c * self.shrunk * (self.copies @ weights)[self.rows.cells.b],
        )
        if self.l_w:
            taken = taken + self.l_w * self.w * self.means.times(weights)
        return np.asarray(self.N @ (own[:, :, None] - self.rows.total_of_cells(taken[:, None])))[:, :, 0]

    def product_of(self, working: Rhs) -> Floats:
        """T'H^-1 T (t, t) of other columns."""
        return self._solve(lambda piece: working.players.at(piece.players), working.copies, working.product)[1]

    def solve(self, working: Rhs) -> tuple[Floats, Floats]:
        """Z_i'H^-1 T (I, Q, t) and Z_c'H^-1 T (K, t) of other columns."""
        copies, _ = self._solve(lambda piece: working.players.at(piece.players), working.copies, working.product)
        left = [
            working.players.at(each.players) - each.total(self._by_copies(each, copies)) for each in self.rows.pieces
        ]
        return self.N @ np.concatenate(left), copies

    def in_cells(self, means: Floats, players: Floats, copies: Floats) -> Floats:
        """Z_w'H^-1 T (J, t) of columns with these cell means, Z_i'H^-1 T and Z_c'H^-1 T."""
        cells = self.rows.cells
        own = np.asarray(self.rows.cell @ (self.S @ players).reshape(-1, players.shape[2]))
        given = cells.count[:, None] * (means - self.l_c * copies[cells.b]) - own
        return np.asarray(self.shrunk[:, None] * given)

    def in_cells_of(self, piece: Piece, players: Floats) -> Floats:
        """Z_w'H^-1 T (c, t) of the given columns, and Z_i'H^-1 T (m, Q, t) of theirs."""
        count = self.rows.cells.count[piece.cells][:, None]
        given = count * (self.means.at(piece.cells) - self.l_c * self.copies[piece.copy])
        return np.asarray(self.shrunk[piece.cells][:, None] * (given - piece.along(self.S @ players)))

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
        diagonal = self.blocks.upper_inverse[kept.base + kept.position]
        return 0.5 * (own + own.T), float((1.0 - diagonal).sum()) / self.l_c, left - self.l_c * spread

    def _through_copies(self, blocks: BlockCholesky) -> tuple[Floats, float]:
        """Sum of N_iB_iM^-1B_i'N_i' (Q, Q) and, where interactions are sought, of tr(M^-1 D_iD_i), D_i = diag(w) - B_i'K_iB_i."""
        if (pairs := self._pairs) is not None:
            cells, inverse = self.rows.cells, blocks.upper_inverse
            diagonal = inverse[cells.blocks.base + cells.blocks.position]
            own = np.bincount(cells.a, weights=self.u[:, 0] ** 2 * diagonal[cells.b], minlength=cells.n_a)
            return np.array([[self.N[:, 0, 0] ** 2 @ (2.0 * (pairs.T @ inverse) - own)]]), 0.0
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
