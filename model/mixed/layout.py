"""Who rated what: labels as integers, the cells player x copy, and the blocks of copies that share players.

Everything here depends on the labels alone, so it is built once and used at every value of the variance ratios.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import compress

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from model.domain.arrays import Floats, Ints
from model.domain.labels import encode
from model.mixed.linalg import with_values

BATCHED_UP_TO = 256  # larger blocks are worked one at a time, where LAPACK's own blocking is faster


@dataclass(frozen=True, eq=False)
class Blocks:
    """Where each copy's row lies in flat buffers that hold one square block for each connected component.

    Blocks of one size lie together, as one batch.

    Attributes
    ----------
    component : (K,) component of each copy
    base : (K,) flat place of the copy's row in the matrix buffer
    position : (K,) its place within its block
    slot : (K,) flat place in the vector buffer
    batches : tuple of (first place in the matrix buffer, first in the vector buffer, blocks, size)
    """

    component: Ints
    base: Ints
    position: Ints
    slot: Ints
    batches: tuple[tuple[int, int, int, int], ...]
    matrix_size: int

    def split(self, flat: Floats) -> list[tuple[Ints, Floats]]:
        """List the copies (m,) of each component with their block (m, m) of a flat buffer, a view."""
        sizes = np.bincount(self.component)
        members = np.split(np.argsort(self.component, kind="stable"), np.cumsum(sizes)[:-1])
        starts = [int(self.base[copies[0]]) for copies in members]
        return [
            (copies, flat[start : start + copies.size**2].reshape(copies.size, copies.size))
            for copies, start in zip(members, starts, strict=True)
        ]


def lay_out(component: Ints) -> Blocks:
    """Place each copy of each component in its block, blocks of one size side by side.

    Parameters
    ----------
    component : (K,) int64
        Component of each copy, 0 ... C - 1, none empty.
    """
    sizes = np.bincount(component)
    position = np.empty(component.size, dtype=np.int64)
    order = np.argsort(component, kind="stable")
    position[order] = np.arange(component.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    matrix_start, vector_start = np.empty_like(sizes), np.empty_like(sizes)
    batches, matrix_size, vector_size = [], 0, 0
    for size in np.unique(sizes).tolist():
        of_size = np.flatnonzero(sizes == size)
        batches.append((matrix_size, vector_size, of_size.size, size))
        matrix_start[of_size] = matrix_size + np.arange(of_size.size) * size * size
        vector_start[of_size] = vector_size + np.arange(of_size.size) * size
        matrix_size += of_size.size * size * size
        vector_size += of_size.size * size
    base = matrix_start[component] + position * sizes[component]
    return Blocks(component, base, position, vector_start[component] + position, tuple(batches), matrix_size)


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells (a, b) in the order of a, then b: a is eliminated first, b keeps the dense blocks.

    Attributes
    ----------
    row : (N,) cell of each rating
    a, b : (J,) levels of each cell
    count : (J,) ratings in each cell, float
    n_a, n_b : int
        Numbers of levels.
    coupled : bool
        Whether both factors have a variance; otherwise every level of b is a block of its own.
    """

    row: Ints
    a: Ints
    b: Ints
    count: Floats
    n_a: int
    n_b: int
    coupled: bool

    def means(self, columns: Floats) -> Floats:
        """Cell means (J, t) of columns (N, t)."""
        found = np.empty((self.a.size, columns.shape[1]))
        for place, column in enumerate(columns.T):
            np.divide(np.bincount(self.row, weights=column, minlength=self.a.size), self.count, out=found[:, place])
        return found

    @cached_property
    def by_b(self) -> Ints:
        """Cells in the order of b, then a."""
        return np.argsort(self.b, kind="stable")

    @cached_property
    def _pattern_of_b(self) -> sparse.csr_matrix:
        """The pattern of `to_b`, in the index type that scipy works in."""
        small = np.int32 if max(self.a.size, self.n_b) < np.iinfo(np.int32).max else np.int64
        start = np.concatenate([[0], np.cumsum(np.bincount(self.b, minlength=self.n_b))])
        shape = (self.n_b, self.a.size)
        return sparse.csr_matrix((self.count, self.by_b.astype(small), start.astype(small)), shape=shape)

    def to_b(self, weight: Floats) -> sparse.csr_matrix:
        """Matrix (n_b, J) that sums weighted cell values by level of b."""
        return with_values(self._pattern_of_b, weight[self.by_b])

    @cached_property
    def blocks(self) -> Blocks:
        """Blocks of the levels of b that are linked through levels of a."""
        if not self.coupled:
            return lay_out(np.arange(self.n_b))
        links = sparse.coo_matrix(
            (np.ones(self.a.size, dtype=np.int8), (self.a, self.n_a + self.b)), shape=(self.n_a + self.n_b,) * 2
        )
        found = connected_components(links, directed=False)[1][self.n_a :]
        return lay_out(np.unique(found, return_inverse=True)[1])


def find_cells(a: Ints, b: Ints, n_a: int, n_b: int, coupled: bool = True) -> Cells:
    """Cells of the ratings with levels `a`, `b` (N,)."""
    key = a * n_b + b
    order = np.argsort(key, kind="stable")
    arranged = key[order]
    first = np.concatenate([[True], arranged[1:] != arranged[:-1]]) if key.size else np.zeros(0, dtype=bool)
    row = np.empty(key.size, dtype=np.int64)
    row[order] = np.cumsum(first) - 1
    cells = arranged[first]
    count = np.bincount(row, minlength=cells.size).astype(np.float64)
    return Cells(row, cells // n_b, cells % n_b, count, n_a, n_b, coupled)


@dataclass(frozen=True, eq=False)
class Factor:
    """Codes (n,) and names of one factor's levels; no names where it is left out."""

    codes: Ints
    names: tuple[Hashable, ...]

    @classmethod
    def of(cls, labels: Iterable[Hashable] | None, rows: int, name: str) -> Factor:
        """Turn labels, one a row, into a factor; None leaves it out."""
        return cls(*encode(labels, rows, name))

    def at(self, rows: Ints) -> Factor:
        """Keep the codes of some rows."""
        return Factor(self.codes[rows], self.names)

    def used(self) -> Factor:
        """Leave out levels without a row."""
        there = np.bincount(self.codes, minlength=len(self.names)) > 0
        if there.all() or not self.names:
            return self
        place = np.cumsum(there) - 1
        return Factor(place[self.codes], tuple(compress(self.names, there.tolist())))


def cells_of(player: Factor, copy: Factor) -> Cells:
    """Cells player x copy; a factor left out is one level."""
    levels = max(1, len(player.names)), max(1, len(copy.names))
    return find_cells(player.codes, copy.codes, *levels, coupled=bool(player.names and copy.names))
