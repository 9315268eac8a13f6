"""Rows whose inner products are the covariances of copies' effects: written out, or, where many copies hang together, in short.

A symmetric root L (m, m) of a covariance that many players link is large where two copies were tried by the same people, and nearly
the same everywhere else. In short it is N + U diag(w) U': N has those few numbers of each row, U (m, r) and w (r,) tell the rest.
Both are found in turn, each from what the other leaves (Candes, Li, Ma & Wright 2011, J. ACM 58: 11, for when that is possible).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import eigsh

from model.domain.arrays import Flags, Floats, Ints

WRITTEN_OUT_UP_TO = 256
"""Copies of a block whose rows are written out, whatever they are."""
LEFT_OUT_UP_TO = 1.5e-5
"""In points: so much of a root's entry may be left out. A covariance then errs by less than 1e-5 points squared, beside marks with a variance of about 1, so that what is told of a player who rated a handful of bows errs by less than 1e-4."""
SHORT_SHARE = 0.25
"""A root is kept in short where at most this share of its entries has to stand."""
RANK, ROUNDS = 4, 3


class CopyRows(Protocol):
    """Rows (C, n, m) of n copies, by criterion."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """C, n, m."""

    def at(self, criterion: Ints, place: Ints) -> Floats:
        """Return (o, m) the rows of some copies, each on a criterion."""

    def all_with(self, c: int, told: Floats) -> Floats:
        """Return (n, o) the inner products of all rows on a criterion with others (o, m)."""

    def by_criterion(self) -> Floats:
        """Return (n, C, C) the inner products of each copy's rows on two criteria."""

    def weighed(self, row: Ints, place: Ints, weight: Floats, n: int) -> "CopyRows":
        """Return n rows, sums of those at the places (e,), by criterion times weights (C, e), each added to one of the rows (e,), which ascend."""

    def scaled(self, factor: Floats) -> "CopyRows":
        """Return the rows, each times its factor (C, n)."""


@dataclass(frozen=True, slots=True)
class WrittenOut:
    """Rows as they are: ``values`` (C, n, m)."""

    values: Floats

    @property
    def shape(self) -> tuple[int, int, int]:
        """C, n, m."""
        C, n, m = self.values.shape
        return C, n, m

    def at(self, criterion: Ints, place: Ints) -> Floats:
        """See `CopyRows`."""
        return np.asarray(self.values[criterion, place])

    def all_with(self, c: int, told: Floats) -> Floats:
        """See `CopyRows`."""
        return np.asarray(self.values[c] @ told.T)

    def by_criterion(self) -> Floats:
        """See `CopyRows`."""
        return np.asarray(np.einsum("ckm,dkm->kcd", self.values, self.values))

    def weighed(self, row: Ints, place: Ints, weight: Floats, n: int) -> CopyRows:
        """See `CopyRows`."""
        out, starts = np.zeros((len(weight), n, self.shape[2])), np.flatnonzero(np.diff(row, prepend=-1))
        for rows, by, values in zip(out, weight, self.values, strict=True):
            if len(row):
                rows[row[starts]] = np.add.reduceat(by[:, None] * values[place], starts, axis=0)
        return WrittenOut(out)

    def scaled(self, factor: Floats) -> CopyRows:
        """See `CopyRows`."""
        return WrittenOut(self.values * factor[..., None])


@dataclass(frozen=True, slots=True)
class InShort:
    """Rows in short: of each criterion ``near`` (n, m) sparse, beside ``reach`` (n, r) times ``far`` (m, r) turned round."""

    near: tuple[sparse.csr_array, ...]
    reach: tuple[Floats, ...]
    far: tuple[Floats, ...]

    @property
    def shape(self) -> tuple[int, int, int]:
        """C, n, m."""
        n, m = self.near[0].shape
        return len(self.near), n, m

    def at(self, criterion: Ints, place: Ints) -> Floats:
        """See `CopyRows`."""
        out = np.empty((len(place), self.shape[2]))
        for c in np.unique(criterion):
            here = criterion == c
            some = place[here]
            out[here] = self.near[c][some].toarray() + self.reach[c][some] @ self.far[c].T
        return out

    def all_with(self, c: int, told: Floats) -> Floats:
        """See `CopyRows`."""
        return np.asarray(self.near[c] @ told.T + self.reach[c] @ (told @ self.far[c]).T)

    def by_criterion(self) -> Floats:
        """See `CopyRows`."""
        C, n, _ = self.shape
        out = np.empty((n, C, C))
        for c in range(C):
            for d in range(c + 1):
                out[:, c, d] = out[:, d, c] = self._between(c, d)
        return out

    def _between(self, c: int, d: int) -> Floats:
        near = np.asarray(self.near[c].multiply(self.near[d]).sum(axis=1)).ravel()
        far = self.near[c] @ self.far[d] + self.reach[c] @ (self.far[c].T @ self.far[d])
        across = np.einsum("nr,nr->n", far, self.reach[d])
        return np.asarray(near + across + np.einsum("nr,nr->n", self.near[d] @ self.far[c], self.reach[c]))

    def weighed(self, row: Ints, place: Ints, weight: Floats, n: int) -> CopyRows:
        """See `CopyRows`."""
        pick = _picks(row, place, weight, (n, self.shape[1]))
        near = tuple((of @ rows).tocsr() for of, rows in zip(pick, self.near, strict=True))
        return InShort(near, tuple(of @ reach for of, reach in zip(pick, self.reach, strict=True)), self.far)

    def scaled(self, factor: Floats) -> CopyRows:
        """See `CopyRows`."""
        near = tuple(sparse.diags_array(of) @ rows for of, rows in zip(factor, self.near, strict=True))
        reach = tuple(of[:, None] * rows for of, rows in zip(factor, self.reach, strict=True))
        return InShort(tuple(rows.tocsr() for rows in near), reach, self.far)


def _picks(row: Ints, place: Ints, weight: Floats, shape: tuple[int, int]) -> list[sparse.csr_array]:
    return [sparse.csr_array((of, (row, place)), shape=shape) for of in weight]


@dataclass(frozen=True, slots=True)
class ShortRoot:
    """A symmetric root N + U diag(w) U': ``upper`` (m, m) sparse, N's diagonal and what is above it; ``far`` (m, r) U, ``weight`` (r,) w."""

    upper: sparse.csr_array
    far: Floats
    weight: Floats


def joined(roots: Sequence[ShortRoot]) -> InShort:
    """Return the rows of the copies of one block, of each criterion one root (m, m)."""
    near = tuple((root.upper + sparse.triu(root.upper, 1).T).tocsr() for root in roots)
    return InShort(near, tuple(root.far * root.weight for root in roots), tuple(root.far for root in roots))


def shortened(root: Floats) -> ShortRoot | None:
    """Return a symmetric root (m, m) in short, with each row's sum of squares; None where too much of it would have to stand."""
    m, own = len(root), np.diagonal(root)
    beside = root - np.diag(own)
    rest, far, weight = _background(beside), np.zeros((m, RANK)), np.zeros(RANK)
    for _ in range(ROUNDS):
        weight, far = eigsh(rest, k=RANK, which="LM", v0=np.ones(m)) if rest.any() else (weight, far)
        smooth = (far * weight) @ far.T
        stands = _stands(beside - smooth)
        rest = np.where(stands, smooth, beside)
    if stands.mean() > SHORT_SHARE:
        return None
    near = np.where(stands, root - smooth, 0.0)
    whole = near + smooth
    diagonal = np.arange(m)
    lost = np.einsum("kl,kl->k", root, root) - np.einsum("kl,kl->k", whole, whole)
    # What is left out off the diagonal goes to it, so that each effect's own variance stays what it is.
    near[diagonal, diagonal] += np.sqrt(np.maximum(whole[diagonal, diagonal] ** 2 + lost, 0.0)) - np.abs(
        whole[diagonal, diagonal]
    )
    return ShortRoot(sparse.csr_array(np.triu(near)), far, weight)


def _background(beside: Floats) -> Floats:
    """Return a first guess of what all entries have: none of them larger than twice the middle one's size, of copies that share any."""
    # A criterion that only some of the copies were rated on says nothing of the others.
    linked = np.flatnonzero(np.maximum(beside.max(axis=1), -beside.min(axis=1)) > LEFT_OUT_UP_TO)
    some = beside[np.ix_(linked[:: max(1, len(linked) // 200)], linked)]
    middle = 2.0 * float(np.median(np.abs(some))) if some.size else 0.0
    return np.clip(beside, -middle, middle)


def _stands(rest: Floats) -> Flags:
    out = np.abs(rest) > LEFT_OUT_UP_TO
    np.fill_diagonal(out, val=True)
    return np.asarray(out)
