"""The components of ratings over several responses: who shares what in which rows, and probes of it.

Every component l of the covariance is Z_l Z_l', Z_l over all rows of the ratings and of the coefficients' prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from model.domain.arrays import Floats, Ints
from model.mixed.layout import Factor, cells_of
from model.mixed.linalg import psd_cholesky
from model.mixed.result import RemlFit

PLAYER, SLOPES, COPY, INTERACTION, RESIDUAL, COEFFICIENTS = (
    "player",
    "slopes",
    "copy",
    "interaction",
    "residual",
    "coefficients",
)
EXACT_UP_TO = 400
"""Rows up to which the traces are summed over all unit vectors; beyond, over vectors of random signs where there are fewer."""
PROBES = 16
"""Vectors of random signs; on the demo their error is an eighth of the correlations' own at most."""
SEED = 1971


@dataclass(frozen=True, eq=False)
class Components:
    """Who is who in the rows: n of ratings, then m of the coefficients' prior, which belong to no player and no copy.

    Attributes
    ----------
    names : of the L components: 'player', 'slopes', 'copy', 'interaction' where they are there, 'residual', 'coefficients' where m > 0.
    sums : of each, Z_l' (levels, n + m), sparse.
    probes : of each, columns U (levels, s) with E UU' = I.
    """

    names: tuple[str, ...]
    sums: tuple[sparse.csr_array, ...]
    probes: tuple[Floats, ...]

    @classmethod
    def of(cls, player: Factor, copy: Factor, interaction: bool, weights: list[Floats], m: int) -> Components:
        """Take the factors, and what a player's parts weigh in each row: the level's (n, 1), the slopes' (n, q)."""
        n, ones, cells = player.codes.size, np.ones((player.codes.size, 1)), cells_of(player, copy)
        there: dict[str, tuple[Ints, Floats]] = {}
        if player.names:
            there |= {name: (player.codes, by) for name, by in zip((PLAYER, SLOPES), weights, strict=False)}
        if copy.names:
            there[COPY] = (copy.codes, ones)
        if interaction and player.names and copy.names:
            there[INTERACTION] = (cells.row, ones)
        there[RESIDUAL] = (np.arange(n), ones)
        sums = {name: _sums(of, by, m) for name, (of, by) in there.items()}
        if m:
            sums[COEFFICIENTS] = sparse.eye_array(n + m, format="csr")[n:]
        own = {name: _probes(of.shape[0], n) for name, of in sums.items()}
        own |= _nested_probes(cells.row, own.get(INTERACTION), own[RESIDUAL])
        return cls(tuple(sums), tuple(sums.values()), tuple(own.values()))

    def gathered(self, U: Floats) -> list[Floats]:
        """Z_l'U of each component for U (n + m, t)."""
        return [np.asarray(sums @ U) for sums in self.sums]


def _sums(codes: Ints, values: Floats, m: int) -> sparse.csr_array:
    """Z' (levels v, n + m): in each row its own level's v columns, with `values` (n, v)."""
    n, v = values.shape
    place = codes[:, None] * v + np.arange(v)
    entries = (values.ravel(), (place.ravel(), np.repeat(np.arange(n), v)))
    return sparse.csr_array(entries, shape=((codes.max(initial=-1) + 1) * v, n + m))


def _probes(levels: int, n: int) -> Floats:
    """Columns U (levels, s) with E UU' = I: unit vectors, or random signs (Hutchinson 1990, Commun. Stat. Simul. 19: 433)."""
    if n <= EXACT_UP_TO or levels <= PROBES:
        return np.eye(levels)
    signs = np.random.default_rng([SEED, levels]).choice([-1.0, 1.0], (levels, PROBES))
    return np.asarray(signs / np.sqrt(PROBES), dtype=np.float64)


def _nested_probes(cell: Ints, of_cells: Floats | None, of_rows: Floats) -> dict[str, Floats]:
    """Let probes of rows agree with those of cells but on repeated ratings: what tells interaction from noise is only there."""
    if of_cells is None or cell.size <= EXACT_UP_TO or of_cells.shape[1] != of_rows.shape[1]:
        return {}
    first = np.unique(cell, return_index=True)[1]
    of_rows[first] = of_cells[cell[first]]
    return {RESIDUAL: of_rows}


def deviations(responses: Sequence[RemlFit], slopes: Floats | None = None) -> dict[str, Floats]:
    """Return the standard deviations (k,) of each component over the rows; the prior's rows are in units of the noise."""
    own = {
        name: np.array([getattr(fitted, f"{name}_sd") for fitted in responses])
        for name in (COPY, INTERACTION, RESIDUAL)
    }
    player = player_parts(responses, slopes, 0 if slopes is None else len(slopes))[1]
    return {PLAYER: player[0], SLOPES: player[1], **own, COEFFICIENTS: own[RESIDUAL]}


def player_parts(
    responses: Sequence[RemlFit], slopes: Floats | None, n: int
) -> tuple[list[Floats], tuple[Floats, Floats]]:
    """Take a player's part z'b as two independent ones: the level and what goes along with it, and the rest of the slopes.

    z = [1, slopes less their means] and b = L u, L the lower root of the covariance: u_1 is the level's, u_2 ... the slopes'.

    Returns
    -------
    weights z'L of the level (n, 1) and, with slopes, of the slopes (n, q), L averaged over the criteria, each part's made of
        variance 1 over the rows; standard deviations (k,) over the rows of each criterion's own level and slopes.
    """
    if slopes is None:
        return [np.ones((n, 1))], (np.array([fitted.player_sd for fitted in responses]), np.zeros(len(responses)))
    centre = slopes.mean(axis=0) if n else np.zeros(slopes.shape[1])
    rows = np.column_stack([np.ones(n), slopes - centre])
    shift = np.eye(rows.shape[1])
    shift[0, 1:] = centre
    roots = [psd_cholesky(shift @ fitted.player_covariance @ shift.T) for fitted in responses]
    parts = [[rows @ root[:, :1], rows @ root[:, 1:]] for root in roots]
    sds = np.array([[np.sqrt(np.sum(part**2) / max(1, n)) for part in own] for own in parts]).T
    alike = [_averaged([own[place] for own in parts], sds[place]) for place in range(2)]
    return alike, (sds[0], sds[1])


def _averaged(weights: list[Floats], sd: Floats) -> Floats:
    """Average weights (n, t) over the criteria, each over its own deviation, and give them variance 1 over the rows."""
    own = [by / s for by, s in zip(weights, sd, strict=True) if s > 0.0]
    mean = np.mean(own, axis=0) if own else np.ones_like(weights[0])
    return np.asarray(mean / np.sqrt(max(np.sum(mean**2) / max(1, len(mean)), np.finfo(np.float64).tiny)))
