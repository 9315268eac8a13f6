"""The joint equations solved directly: copies' effects eliminated component by component, coefficients found from what is left.

Levels that no player and no copy joins have nothing to do with each other but the coefficients, so that the levels' part of the
equations falls into one dense block for each connected component. With B_g that block and A_g its rows of the coefficients,

    (A - sum_g A_g' B_g^-1 A_g) beta = r - sum_g A_g' B_g^-1 r_g,   a_g = B_g^-1 (r_g - A_g beta).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import blas, cho_factor, cho_solve, lapack
from scipy.sparse.csgraph import connected_components

from model.domain.arrays import Floats, Ints
from model.mixed.joint_equations import Batch, Equations

LARGEST = 3_000
"""Equations of one component up to which it is eliminated."""
AT_ONCE = 8_000_000
"""Numbers in the blocks, and in their rows of the coefficients, that are held at a time."""
MOST_KEPT = 4_000_000
"""Numbers kept for the way back of one solution; components beyond are summed again, once the coefficients are known."""


@dataclass(frozen=True, eq=False)
class _Part:
    """Some components: their players (places), and their levels with where each component's begin."""

    players: Ints
    levels: Ints
    begins: Ints

    @property
    def bounds(self) -> Iterator[tuple[int, int]]:
        """Give first and last of each component's levels."""
        return zip(self.begins.tolist(), [*self.begins[1:].tolist(), len(self.levels)], strict=True)


class Components:
    """Which players and levels belong together."""

    def __init__(self, equations: Equations) -> None:
        self.equations = equations
        K, players = equations.ratings.levels, len(equations.player)
        along = equations.along.tocoo()
        edges = (
            np.concatenate([np.repeat(np.arange(players), equations.size) + K, along.row]),
            np.concatenate([equations.level, along.col]),
        )
        graph = sparse.coo_array((np.ones(len(edges[0]), dtype=np.int8), edges), shape=(K + players,) * 2)
        found = connected_components(graph, directed=False)[1]
        self.of_level, self.of_player = found[:K], found[K:]

    @cached_property
    def sizes(self) -> Ints:
        """Levels of each component."""
        return np.bincount(self.of_level, minlength=int(self.of_player.max(initial=-1)) + 1)

    def largest(self) -> int:
        """Equations of the largest component."""
        most: int = self.sizes.max(initial=0)
        return int(most * self.equations.shape[0])

    def parts(self, times: int) -> Iterator[_Part]:
        """Give the components that have ratings in parts, none larger than is held ``times`` at once."""
        C, rated = self.equations.shape[0], np.unique(self.of_player)
        if not len(rated):
            return
        size = self.sizes[rated] * C
        held = np.cumsum(times * size * (size + C * self.equations.ratings.X.shape[1])) // AT_ONCE
        players, levels = (np.argsort(of, kind="stable") for of in (self.of_player, self.of_level))
        for some in np.split(rated, np.flatnonzero(np.diff(held)) + 1):
            inside = levels[np.isin(self.of_level[levels], some)]
            begins = np.flatnonzero(np.diff(self.of_level[inside], prepend=-1))
            yield _Part(players[np.isin(self.of_player[players], some)], inside, begins)


class _Sums:
    """What the players of one part add to the equations, by fold: blocks, their rows of the coefficients, right sides."""

    def __init__(self, part: _Part, equations: Equations, fold: Ints, folds: int, rights: int, columns: int) -> None:
        self.equations, self.part, self.fold, C = equations, part, fold, equations.shape[0]
        size = np.diff(np.append(part.begins, len(part.levels))) * C
        component = np.repeat(np.arange(len(size)), size // C)
        self.slot = np.zeros(equations.ratings.levels, dtype=np.intp)  # of each level's first response
        self.slot[part.levels] = np.arange(len(part.levels)) * C
        self.width = np.repeat(size, size)
        self.inside = np.arange(len(self.width)) - np.repeat(part.begins * C, size)
        self.begin = np.cumsum(size**2) - size**2
        self.base = np.repeat(self.begin, size) + self.inside * self.width
        self.block = np.zeros((folds, int(np.sum(size**2))))
        self.cross = np.zeros((folds, len(self.width), C, columns))
        self.right = np.zeros((rights, len(self.width)))
        self.component = component

    def add(self, fixed: Floats, weighed: Floats) -> None:
        """Sum over the part's players; add to the coefficients' blocks (F, C, p, C, p), put V^-1 y into ``weighed`` (N,)."""
        for number, batch, at, slot in self._blocks():
            solved = (batch.weight @ self.equations.value[at][..., None])[..., 0]
            weighed[at[batch.there]] = solved[batch.there]
            np.add.at(self.right[number], slot, solved)
            self._of_coefficients(number, batch, np.where(batch.there, slot, -1), fixed[number])

    def add_left(self, left: Floats, left_out: Sequence[int | None]) -> None:
        """Sum blocks, and as right sides what each solution's coefficients leave of the ratings (N, solutions)."""
        for number, batch, at, slot in self._blocks():
            solved = batch.weight @ left[at]
            for place, without in enumerate(left_out):
                if without != number:
                    np.add.at(self.right[place], slot, solved[..., place])

    def _blocks(self) -> Iterator[tuple[int, Batch, Ints, Ints]]:
        """Sum the blocks; give each batch with its fold, its ratings (T, O), and the slot of each."""
        equations, players = self.equations, self.part.players
        for number in range(len(self.block)):
            for batch in equations.batches(players[self.fold[players] == number]):
                at = np.where(batch.there, batch.at, batch.at[:, :1])
                slot = self.slot[equations.level[at]] + equations.response[at]
                places = self.base[slot][:, :, None] + self.inside[slot][:, None, :]
                np.add.at(self.block[number], places.ravel(), batch.weight.ravel())
                yield number, batch, at, slot

    def roots(self, block: Floats) -> Iterator[tuple[int, int, Floats]]:
        """Give each component's first and last level among the part's, and the root of its block with its prior."""
        equations, part, C = self.equations, self.part, self.equations.shape[0]
        for (first, last), begin in zip(part.bounds, self.begin.tolist(), strict=True):
            levels, size = part.levels[first:last], (last - first) * C
            along = equations.along[levels][:, levels].toarray()
            own = block[begin : begin + size**2].reshape(size, size) + np.kron(along, equations.copy_precision)
            root, info = lapack.dpotrf(own.T, lower=1, overwrite_a=1)
            if info:
                msg = f"the effects of {last - first} levels have no positive definite precision"
                raise np.linalg.LinAlgError(msg)
            yield first, last, root

    def _of_coefficients(self, number: int, batch: Batch, slot: Ints, fixed: Floats) -> None:
        equations, there = self.equations, batch.there
        rows, rank = _rows(equations, batch)
        X, response = equations.ratings.X, np.where(there, equations.response[batch.at], -1)
        own, width = X[rows], X.shape[1]
        of = [np.flatnonzero(response.ravel() == d) for d in range(equations.shape[0])]
        order = np.argsort(slot.ravel(), kind="stable")[np.count_nonzero(slot < 0) :]
        found, first = np.unique(slot.ravel()[order], return_index=True)
        X_of = [X[equations.row[batch.at.ravel()[where]]].T for where in of]
        for d, where in enumerate(of):
            if not len(where):
                continue
            t, o = np.divmod(where, response.shape[1])
            columns = np.zeros((*response.shape, rows.shape[1]))
            columns[t, :, rank[t, o]] = batch.weight[t, :, o]
            ahead = (columns @ own).reshape(-1, width)
            self.cross[number, found, d] += np.add.reduceat(ahead[order], first, axis=0)
            for e in range(d + 1):
                if len(of[e]):
                    fixed[e, :, d] += X_of[e] @ ahead[of[e]]


def _rows(equations: Equations, batch: Batch) -> tuple[Ints, Ints]:
    """Return the rows (T, n) that the players of a batch rated, the first again where one has fewer, and each rating's among them."""
    at = np.where(batch.there, batch.at, batch.at[:, :1])
    row = equations.row[at]
    new = np.diff(row, axis=1, prepend=-1) != 0
    new &= batch.there
    rank = np.cumsum(new, axis=1) - 1
    rows = np.repeat(row[:, :1], int(rank.max(initial=0)) + 1, axis=1)
    t, o = np.nonzero(new)
    rows[t, rank[t, o]] = row[t, o]
    return rows, rank


@dataclass(frozen=True, eq=False)
class _Back:
    """From coefficients back to the effects of a component's levels: ``root``'^-1 times ``at`` less ``by`` times the coefficients ``there``."""

    levels: Ints
    at: Floats
    by: Floats
    there: Ints
    root: Floats

    def effects(self, beta: Floats) -> Floats:
        """Give the effects (m C,) at the coefficients (C p,)."""
        return np.asarray(lapack.dtrtrs(self.root, self.at - self.by @ beta[self.there], lower=1, trans=1)[0])


class _Solution:
    """What is left for the coefficients (C p,), of the matrix the upper triangle, and the way back."""

    def __init__(self, size: int) -> None:
        self.matrix, self.right = np.zeros((size, size)), np.zeros(size)
        self.back: list[_Back] = []
        self.held = 0  # numbers on the way back

    def eliminate(self, sums: _Sums, kept: bool, block: Floats, cross: Floats, right: Floats) -> None:
        """Take the levels of a part out, with their block, rows of the coefficients and right side; whether the way back is ``kept``."""
        C, flat = sums.equations.shape[0], cross.reshape(len(cross), -1)
        for first, last, root in sums.roots(block):
            rows = slice(first * C, last * C)
            there = np.flatnonzero(flat[rows].any(axis=0))  # no other instrument's columns
            half = lapack.dtrtrs(root, np.column_stack([flat[rows][:, there], right[rows]]), lower=1)[0]
            fixed = half[:, :-1]
            if len(there):
                self.matrix[np.ix_(there, there)] -= blas.dsyrk(1.0, fixed, trans=1)
                self.right[there] -= fixed.T @ half[:, -1]
            if kept:
                self.back.append(_Back(sums.part.levels[first:last], half[:, -1], fixed, there, root))
                self.held += root.size + fixed.size

    @cached_property
    def coefficients(self) -> Floats:
        """(C p,)."""
        return np.asarray(cho_solve(cho_factor(self.matrix), self.right))

    def theta(self, shape: tuple[int, int]) -> Floats:
        """Go back, as far as the way is kept (C, p + K)."""
        beta, C = self.coefficients, shape[0]
        out = np.zeros(shape)
        p = len(beta) // C
        out[:, :p] = beta.reshape(C, p)
        for back in self.back:
            out[:, p + back.levels] = back.effects(beta).reshape(-1, C).T
        return out


def solve(components: Components, fold: Ints | None) -> list[Floats]:
    """Solve the equations of all players, then those without the players of each fold (I,), counted from 0: thetas (C, p + K)."""
    equations = components.equations
    C, p = equations.shape[0], equations.ratings.X.shape[1]
    of_player = np.zeros(len(equations.player), dtype=np.intp) if fold is None else fold
    folds = int(of_player.max(initial=0)) + 1
    left_out: list[int | None] = [None] if fold is None else [None, *range(folds)]
    fixed, weighed = np.zeros((folds, C, p, C, p)), np.zeros(len(equations.row))
    found, later = [_Solution(C * p) for _ in left_out], list[_Part]()
    for part in components.parts(folds + 1):
        sums = _Sums(part, equations, of_player, folds, folds, p)
        sums.add(fixed, weighed)
        kept = found[0].held + int(np.sum(sums.width)) + len(sums.width) * C * p <= MOST_KEPT
        later += [] if kept else [part]
        for number, solution in zip(left_out, found, strict=True):
            solution.eliminate(sums, kept, *(_counted(of, number) for of in (sums.block, sums.cross, sums.right)))
    believed = equations.believed[:, :p].ravel()
    of_rating = np.repeat(of_player, equations.size)
    for number, solution in zip(left_out, found, strict=True):
        solution.matrix += _whole(_counted(fixed, number), equations)
        counted = weighed if number is None else np.where(of_rating == number, 0.0, weighed)
        solution.right += equations.gather(counted)[:, :p].ravel() + believed
    thetas = [solution.theta(equations.shape) for solution in found]
    _go_back_anew(later, equations, of_player, thetas, left_out)
    return thetas


def _go_back_anew(
    parts: Sequence[_Part], equations: Equations, fold: Ints, thetas: list[Floats], left_out: Sequence[int | None]
) -> None:
    """Put the effects of components whose way back was not kept into thetas (C, p + K) that hold none of them yet."""
    if not parts:
        return
    C, p = equations.shape[0], equations.ratings.X.shape[1]
    left = equations.value[:, None] - np.column_stack([equations.expected(theta) for theta in thetas])
    for part in parts:
        sums = _Sums(part, equations, fold, int(fold.max(initial=0)) + 1, len(thetas), 0)
        sums.add_left(left, left_out)
        for number, theta, right in zip(left_out, thetas, sums.right, strict=True):
            for first, last, root in sums.roots(_counted(sums.block, number)):
                effects = lapack.dpotrs(root, right[first * C : last * C], lower=1)[0]
                theta[:, p + part.levels[first:last]] = effects.reshape(-1, C).T


def _counted(sums: Floats, left_out: int | None) -> Floats:
    """Sum over all folds, or all but one."""
    whole = sums[0] if len(sums) == 1 else sums.sum(axis=0)
    return np.asarray(whole if left_out is None else whole - sums[left_out])


def _whole(fixed: Floats, equations: Equations) -> Floats:
    """Return the coefficients' block (C p, C p), of which the ratings' part is given for e <= d (C, p, C, p)."""
    C, p = fixed.shape[:2]
    out = fixed.copy()
    for d in range(C):
        for e in range(d):
            out[d, :, e] = fixed[e, :, d].T
    for j, precision in enumerate(equations.coef_precision):
        out[:, j, :, j] += precision
    return out.reshape(C * p, C * p)
