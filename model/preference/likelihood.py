"""The REML criterion in parts: what the players gave to it, as scalars, and the rest, computed anew from the fitted arrays.

With V = Cov(copies' effects | coefficients) = sigma^2 l M^-1 over m copies, C = Cov(coefficients), nu degrees of freedom,

    criterion = players + m log copy_sd^2 - log|V| + p log sigma^2 - log|C| + nu (1 + log 2 pi sigma^2)
    nu sigma^2 = squares - sigma^2 effect' V^-1 effect

(Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), eq. 41, the copies' part of log|H| being log|M|, that of y'Py
by Searle, Casella & McCulloch 1992, Variance Components, ch. 7). ``players`` holds the log determinants of the players and
their cells, and the prior's density; ``squares`` is nu sigma^2 and what the expected effects take off: with those of one criterion
alone that is y'Py before the copies are taken off, with those of all criteria together a check of the effects themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats, Ints

TOLERANCE = 1e-8
"""Relative difference of two evaluations of one criterion that rounding on another machine may make."""


@dataclass(frozen=True, slots=True)
class Arrays:
    """What the criterion is computed from, C criteria: a part of the posterior.

    Attributes
    ----------
    repeat_sd, copy_sd : (C,) in points.
    coef_root : (C, p, p) root of the coefficients' covariance.
    effect : (C, K) expected effects of the copies.
    blocks : of each connected component the copies (m,) and the roots (C, m, m) of V.
    """

    repeat_sd: Floats
    copy_sd: Floats
    coef_root: Floats
    effect: Floats
    blocks: Sequence[tuple[Ints, Floats]]

    def copies(self) -> tuple[Floats, Floats]:
        """Return (C,) m log copy_sd^2 - log|V|, and (C,) effect' V^-1 effect; 0 where copies do not differ."""
        determinant, squares = np.zeros(len(self.copy_sd)), np.zeros(len(self.copy_sd))
        differ = self.copy_sd > 0
        for members, root in self.blocks:
            here = root[differ]
            size = 2.0 * np.log(self.copy_sd[differ]) * len(members)
            determinant[differ] += size - 2.0 * np.linalg.slogdet(here)[1]
            half = np.linalg.solve(here, self.effect[differ][:, members, None])[..., 0]
            squares[differ] += np.einsum("cm,cm->c", half, half)
        return determinant, squares

    def without_players(self, degrees: Floats) -> tuple[Floats, Floats]:
        """Return (C,) the criterion less the players' part, and (C,) what the copies take off the sum of squares."""
        determinant, squares = self.copies()
        variance = self.repeat_sd**2
        p = self.coef_root.shape[-1]
        fixed = p * np.log(variance) - 2.0 * np.linalg.slogdet(self.coef_root)[1]
        return determinant + fixed + degrees * (1.0 + np.log(2.0 * np.pi * variance)), variance * squares


@dataclass(frozen=True, slots=True)
class Likelihood:
    """The criterion of each of C fits, and the players' share in it.

    Attributes
    ----------
    reml : (C,) the REML criterion as the fit printed it; with a prior, less twice its log density.
    degrees : (C,) nu, the ratings and the prior's worth less the coefficients.
    players : (C,) the part of the criterion that players, their cells and the prior's density gave.
    squares : (C,) nu sigma^2 and what the expected effects take off it, in points squared.
    """

    reml: Floats
    degrees: Floats
    players: Floats
    squares: Floats

    @classmethod
    def of(cls, reml: ArrayLike, degrees: ArrayLike, arrays: Arrays) -> "Likelihood":
        """Split fitted criteria (C,) into the players' share and the rest."""
        reml, degrees = np.asarray(reml, dtype=np.float64), np.asarray(degrees, dtype=np.float64)
        rest, taken = arrays.without_players(degrees)
        return cls(reml, degrees, reml - rest, degrees * arrays.repeat_sd**2 + taken)

    def with_effects(self, arrays: Arrays) -> "Likelihood":
        """Return the same criteria beside other expected effects."""
        _rest, taken = arrays.without_players(self.degrees)
        return replace(self, squares=self.degrees * arrays.repeat_sd**2 + taken)

    def check(self, arrays: Arrays) -> None:
        """Evaluate the criterion anew from the arrays.

        Raises
        ------
        ValueError
            The criterion, or the noise that follows from the sum of squares, is not the one that was fitted.
        """
        with np.errstate(all="ignore"):  # what is not finite is refused below, in words
            rest, taken = arrays.without_players(self.degrees)
            variance = (self.squares - taken) / self.degrees
        _compare("the REML criterion", self.players + rest, self.reml, np.abs(self.players) + np.abs(self.reml))
        _compare("the noise variance", variance, arrays.repeat_sd**2, self.squares / self.degrees)


def _compare(what: str, found: Floats, expected: Floats, scale: Floats) -> None:
    off = np.flatnonzero(~(np.abs(found - expected) <= TOLERANCE * (1.0 + scale)))
    if off.size:
        at = off[0]
        msg = f"{what} of criterion {at}: got {found[at]:.9g} when evaluated anew, expected {expected[at]:.9g}"
        raise ValueError(msg)
