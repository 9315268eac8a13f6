"""The joint equations solved directly: copies' effects eliminated component by component, coefficients found from what is left.

Levels that no player and no copy joins have nothing to do with each other but the coefficients, so that the levels' part of the
equations falls into one dense block for each connected component. With B_g that block and A_g its rows of the coefficients,

    (A - sum_g A_g' B_g^-1 A_g) beta = r - sum_g A_g' B_g^-1 r_g,   a_g = B_g^-1 (r_g - A_g beta).
"""

from __future__ import annotations

from collections.abc import Iterator
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
"""Numbers of roots that are kept for the way back: cheaper than to take it at once for every column, as beyond."""


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

    def __init__(self, part: _Part, equations: Equations, fold: Ints, folds: int) -> None:
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
        self.cross = np.zeros((folds, len(self.width), C, equations.ratings.X.shape[1]))
        self.right = np.zeros((folds, len(self.width)))
        self.component = component

    def add(self, fixed: Floats, weighed: Floats) -> None:
        """Sum over the part's players; add to the coefficients' blocks (F, C, p, C, p), put V^-1 y into ``weighed`` (N,)."""
        for number in range(len(self.block)):
            for batch in self.equations.batches(self.part.players[self.fold[self.part.players] == number]):
                self._add(number, batch, fixed[number], weighed)

    def _add(self, number: int, batch: Batch, fixed: Floats, weighed: Floats) -> None:
        equations, there = self.equations, batch.there
        at = np.where(there, batch.at, batch.at[:, :1])
        slot = self.slot[equations.level[at]] + equations.response[at]
        solved = (batch.weight @ equations.value[at][..., None])[..., 0]
        weighed[at[there]] = solved[there]
        np.add.at(self.right[number], slot, solved)
        places = self.base[slot][:, :, None] + self.inside[slot][:, None, :]
        np.add.at(self.block[number], places.ravel(), batch.weight.ravel())
        self._of_coefficients(number, batch, np.where(there, slot, -1), fixed)

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
    """From coefficients back to the effects of a component's levels: ``at`` less ``by`` times the coefficients.

    ``root`` : both are to be multiplied with the inverse of its transpose; None where that is done.
    """

    levels: Ints
    at: Floats
    by: Floats
    root: Floats | None

    def effects(self, beta: Floats) -> Floats:
        """Give the effects (m C,) at the coefficients (C p,)."""
        found = self.at - self.by @ beta
        return found if self.root is None else np.asarray(lapack.dtrtrs(self.root, found, lower=1, trans=1)[0])


class _Solution:
    """What is left for the coefficients (C p,), of the matrix the upper triangle, and the way back."""

    def __init__(self, matrix: Floats, right: Floats) -> None:
        self.matrix, self.right = matrix, right
        self.back: list[_Back] = []
        self.held = 0  # numbers in the roots that are kept

    def eliminate(self, sums: _Sums, block: Floats, cross: Floats, right: Floats) -> None:
        """Take the levels of a part out, with their block, rows of the coefficients and right side."""
        equations, part, C = sums.equations, sums.part, sums.equations.shape[0]
        whole = np.column_stack([cross.reshape(len(cross), -1), right])
        for (first, last), begin in zip(part.bounds, sums.begin.tolist(), strict=True):
            levels, size = part.levels[first:last], (last - first) * C
            along = equations.along[levels][:, levels].toarray()
            own = block[begin : begin + size**2].reshape(size, size) + np.kron(along, equations.copy_precision)
            root, info = lapack.dpotrf(own.T, lower=1, overwrite_a=1)
            if info:
                msg = f"the effects of {last - first} levels have no positive definite precision"
                raise np.linalg.LinAlgError(msg)
            half = lapack.dtrtrs(root, whole[first * C : last * C], lower=1)[0]
            fixed = half[:, :-1]
            self.matrix -= blas.dsyrk(1.0, fixed, trans=1)
            self.right -= fixed.T @ half[:, -1]
            self.held += size**2
            kept = self.held <= MOST_KEPT
            if not kept:
                half = lapack.dtrtrs(root, half, lower=1, trans=1, overwrite_b=1)[0]
            self.back.append(_Back(levels, half[:, -1], half[:, :-1], root if kept else None))

    def theta(self, shape: tuple[int, int]) -> Floats:
        """Solve, and go back (C, p + K)."""
        beta, C = cho_solve(cho_factor(self.matrix), self.right), shape[0]
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
    left_out = [None] if fold is None else [None, *range(folds)]
    fixed, weighed = np.zeros((folds, C, p, C, p)), np.zeros(len(equations.row))
    found = [_Solution(np.zeros((C * p,) * 2), np.zeros(C * p)) for _ in left_out]
    for part in components.parts(folds + 1):
        sums = _Sums(part, equations, of_player, folds)
        sums.add(fixed, weighed)
        for number, solution in zip(left_out, found, strict=True):
            solution.eliminate(sums, *(_counted(of, number) for of in (sums.block, sums.cross, sums.right)))
    believed = equations.believed[:, :p].ravel()
    of_rating = np.repeat(of_player, equations.size)
    for number, solution in zip(left_out, found, strict=True):
        solution.matrix += _whole(_counted(fixed, number), equations)
        counted = weighed if number is None else np.where(of_rating == number, 0.0, weighed)
        solution.right += equations.gather(counted)[:, :p].ravel() + believed
    return [solution.theta(equations.shape) for solution in found]


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
