"""The likelihood of choices from sets of options, its derivatives, and whether it has a maximum at all.

Option i of set s is chosen with probability p_i = exp(z_i'gamma) / sum over the set of exp(z_j'gamma) (McFadden 1974, in
Zarembka, Frontiers in Econometrics). c_i: how often it was chosen; N_s: the sum of c over the set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from model.domain.arrays import Flags, Floats, Ints

STEPS = 100
HALVINGS = 60
SETTLED = 1e-12
"""The search ends when a Newton step promises less than this (log-likelihood units); the error after it is its square."""
SUFFICIENT = 1e-4
"""Share of the promised rise that a step must bring (Armijo 1966, Pacific J. Math. 16: 1)."""
TELLING = 1e-5
"""Below this share of a column's largest difference, a direction found by the linear programme counts as none."""


@dataclass(frozen=True, eq=False)
class Sets:
    """Options, those of a set side by side.

    Attributes
    ----------
    Z : (n, q) columns, less their mean within the set; that leaves every probability as it is.
    count : (n,) c.
    start : (S,) first row of each set.
    size : (S,) options of each set.
    of : (n,) the set of each row.
    """

    Z: Floats
    count: Floats
    start: Ints
    size: Ints
    of: Ints

    @classmethod
    def of_rows(cls, Z: Floats, count: Floats, codes: Ints) -> Sets:
        """Bring rows (n, q) with set codes 0 ... S - 1 into the order of their sets."""
        order = np.argsort(codes, kind="stable")
        size = np.bincount(codes).astype(np.int64)
        start = np.concatenate([[0], np.cumsum(size)[:-1]]).astype(np.int64)
        Z, of = Z[order], np.repeat(np.arange(size.size), size)
        return cls(Z - (np.add.reduceat(Z, start) / size[:, None])[of], count[order], start, size, of)

    def probability(self, gamma: Floats) -> tuple[Floats, Floats]:
        """Return p and log p, (n,) each."""
        v = self.Z @ gamma
        v = v - np.maximum.reduceat(v, self.start)[self.of]
        log_p = v - np.log(np.add.reduceat(np.exp(v), self.start))[self.of]
        return np.exp(log_p), log_p

    @property
    def total(self) -> Floats:
        """(S,) N, how many choices each set saw."""
        return np.asarray(np.add.reduceat(self.count, self.start))

    def loglik(self, gamma: Floats) -> float:
        """Return the sum of c log p; the orders in which several choices of a set fell are not counted."""
        return float(self.count @ self.probability(gamma)[1])

    def saturated(self) -> float:
        """Return the highest value that any model could reach: the sum of c log(c / N)."""
        share = self.count / self.total[self.of]
        return float(self.count @ np.log(np.where(share > 0, share, 1.0)))

    def derivatives(self, gamma: Floats) -> tuple[Floats, Floats]:
        """Return gradient (q,) and information (q, q) = minus the matrix of second derivatives."""
        p, _ = self.probability(gamma)
        expected = self.total[self.of] * p
        mean = np.add.reduceat(p[:, None] * self.Z, self.start)[self.of]
        apart = self.Z - mean
        return self.Z.T @ (self.count - expected), apart.T @ (expected[:, None] * apart)

    def differences(self) -> Floats:
        """Return (d, q) each chosen option less every option of its set."""
        chosen = np.flatnonzero(self.count > 0)
        others = self.size[self.of[chosen]]
        step = np.arange(others.sum()) - np.repeat(np.cumsum(others) - others, others)
        rows = np.repeat(self.start[self.of[chosen]], others) + step
        return np.asarray(self.Z[np.repeat(chosen, others)] - self.Z[rows])


def not_told_apart(sets: Sets, flat: Flags) -> Ints:
    """Return the columns, of the ``flat`` ones without a prior, that no choice can tell apart; none where all can be told."""
    places = np.flatnonzero(flat)
    Z = sets.Z[:, places]
    Z = Z / np.maximum(np.max(np.abs(Z), axis=0, initial=0.0), np.finfo(np.float64).tiny)
    _, values, vectors = np.linalg.svd(Z.T @ Z)
    null = vectors[values <= 1e-12 * max(1.0, float(values.max(initial=0.0)))]
    return np.asarray(places[(np.abs(null) > 1e-6).any(axis=0)], dtype=np.int64)


def told_exactly(sets: Sets, flat: Flags, nonnegative: Flags) -> Ints:
    """Return the columns in which the likelihood rises for ever; none where it has a maximum.

    It rises for ever along d where z_chosen'd is nowhere less than z_other'd, and somewhere more (Albert & Anderson 1984,
    Biometrika 71: 1); such a d is looked for by a linear programme, among the columns without a prior.
    """
    D = sets.differences()
    D = D / np.maximum(np.max(np.abs(D), axis=0, initial=0.0), np.finfo(np.float64).tiny)
    bounds = [(-float(free and not above), float(free)) for free, above in zip(flat, nonnegative, strict=True)]
    found = linprog(-D.sum(axis=0), A_ub=-D, b_ub=np.zeros(len(D)), bounds=bounds, method="highs")
    if not found.success:
        raise RuntimeError(f"the search for a column that tells all choices did not end: {found.message}")
    if not (D @ found.x > TELLING).any():
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.flatnonzero(np.abs(found.x) > TELLING), dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Penalised:
    """The log-likelihood less half of precision times squared distance from the prior's mean, over gamma_j >= 0 where bound.

    Attributes
    ----------
    mean, precision : (q,) of the Gaussian prior; precision 0: flat.
    nonnegative : (q,) whether the coefficient must not be below 0.
    """

    sets: Sets
    mean: Floats
    precision: Floats
    nonnegative: Flags

    def value(self, gamma: Floats) -> float:
        """Return the criterion that is made highest."""
        return self.sets.loglik(gamma) - 0.5 * float(self.precision @ (gamma - self.mean) ** 2)

    def derivatives(self, gamma: Floats) -> tuple[Floats, Floats]:
        """Return gradient (q,) and information (q, q) of the criterion."""
        gradient, information = self.sets.derivatives(gamma)
        return gradient - self.precision * (gamma - self.mean), information + np.diag(self.precision)

    def within(self, gamma: Floats) -> Floats:
        """Bring gamma (q,) back to the bounds."""
        return np.where(self.nonnegative, np.maximum(gamma, 0.0), gamma)

    def maximise(self) -> tuple[Floats, int]:
        """Return the maximum (q,) and the number of steps: projected Newton (Bertsekas 1982, SIAM J. Control Optim. 20: 221).

        Raises
        ------
        RuntimeError
            The search did not settle.
        """
        gamma = self.within(self.mean)
        for step in range(1, STEPS + 1):
            gradient, information = self.derivatives(gamma)
            held = self.nonnegative & (gamma <= 0) & (gradient <= 0)
            free = np.flatnonzero(~held)
            direction = np.zeros_like(gamma)
            direction[free] = np.linalg.solve(information[np.ix_(free, free)], gradient[free])
            promised = float(gradient @ direction)
            if promised < SETTLED:
                return self.within(gamma + direction), step
            gamma = self._climb(gamma, gradient, direction)
        raise RuntimeError(f"the choice model did not settle: got {STEPS} steps without an end, expected about ten")

    def _climb(self, gamma: Floats, gradient: Floats, direction: Floats) -> Floats:
        """Return the first point of the halved steps that rises enough."""
        now, length = self.value(gamma), 1.0
        for _ in range(HALVINGS):
            there = self.within(gamma + length * direction)
            if self.value(there) >= now + SUFFICIENT * float(gradient @ (there - gamma)):
                return there
            length /= 2.0
        raise RuntimeError("the choice model did not settle: no step rises, the columns may be of very different sizes")
