"""What the fit learnt, as arrays: nothing here names a player, so a player who is erased leaves nothing behind.

C = 8 criteria, p columns of the design, K fitted levels (copies between two events). Everything is Gaussian; the joint law
over criteria has one correlation matrix R for each component (coefficients, players, copies, matches, noise):
Cov(z_c, z_c') = R_cc' L_c L_c'' with L_c the root of the component's covariance for criterion c alone. That is positive
definite whatever the data, and exact for one criterion. The roots are principal (symmetric) ones: Cholesky's would make the
answer depend on the order of columns and copies.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import cast

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from model.choice import PurchaseModel, prior_only
from model.domain.arrays import Floats, Ints
from model.domain.records import Range
from model.features import PRIOR_REPEAT_SD, Design, Level, ProfileWeight
from model.mixed import RemlFit
from model.preference.copy_rows import WRITTEN_OUT_UP_TO, CopyRows, ShortRoot, WrittenOut, joined, shortened


@dataclass(frozen=True, slots=True)
class CopyBlock:
    """Levels whose effects hang together, given the coefficients.

    Attributes
    ----------
    levels : (m,) places among the K levels.
    root : (C, m, m) roots of Cov(effects | data, coefficients), one a criterion; (C, 0, 0) where they are kept in short.
    short : the same in short, one a criterion, where many levels hang together; else none.
    """

    levels: Ints
    root: Floats
    short: tuple[ShortRoot, ...] = ()

    @property
    def rows(self) -> CopyRows:
        """The rows of the levels' effects (C, m, m)."""
        return joined(self.short) if self.short else WrittenOut(self.root)


@dataclass(frozen=True, slots=True)
class PlayerDistribution:
    """How players differ, and how they rate the bow they own.

    Attributes
    ----------
    root : (C, Q, Q) lower root of the covariance of a player's effects on `design.PLAYER_COLUMNS`: level and slopes.
    own_shift : (C,) mean of an own bow's rating beyond what the coefficients say.
    own_match : (C,) deviation of an own bow's match with its player that is not in the slope on 'own bow'.
    """

    root: Floats
    own_shift: Floats
    own_match: Floats


@dataclass(frozen=True, slots=True)
class Correlations:
    """Correlation matrices (C, C) over the criteria, one a component.

    ``coefficients`` is that of what is still unknown of x'beta, ``prior_coefficients`` that of coefficients around their prior
    means, for tiers that the fit had no column for. ``player`` is that of the level and of the own bow, ``tastes`` that of the slopes so far as they do not follow from those.
    """

    coefficients: Floats
    prior_coefficients: Floats
    player: Floats
    tastes: Floats
    copy: Floats
    match: Floats
    repeat: Floats


@dataclass(frozen=True)
class FittedModel:
    """The fitted model.

    Attributes
    ----------
    coef, coef_root : (C, p), (C, p, p) mean and root of the covariance of the coefficients.
    player_sd, copy_sd, match_sd, repeat_sd : (C,) standard deviations, in points.
    correlations : R of each component.
    players : how players differ.
    levels : (K,) copy and stretch of each level.
    effect : (C, K) expected effects at ``coef``.
    coupling : (C, K, p) minus the derivative of the effects by the coefficients.
    blocks : the levels by connected component.
    rows : (C,) ratings behind each criterion.
    trials : number of trials by (instrument, hold).
    keeping : what makes a bow be kept; the belief where there are no outcomes.
    profile : how far priorities make a bow's character count in the overall rating.
    """

    design: Design
    coef: Floats
    coef_root: Floats
    player_sd: Floats
    copy_sd: Floats
    match_sd: Floats
    repeat_sd: Floats
    correlations: Correlations
    players: PlayerDistribution
    levels: tuple[Level, ...]
    effect: Floats
    coupling: Floats
    blocks: tuple[CopyBlock, ...]
    rows: Ints
    trials: Mapping[tuple[str, str], int]
    keeping: PurchaseModel = field(default_factory=prior_only)
    profile: ProfileWeight = field(default_factory=ProfileWeight)

    @property
    def priority_weight(self) -> float:
        """The share h of the priorities in u."""
        return self.keeping.priority_weight

    def extended(self, range_: Range) -> "FittedModel":
        """Return the same with a coefficient for every tier of a range that came after the fit: what is believed of it.

        It is as uncertain as a tier's is before the first rating, and independent of everything that was fitted. The design's
        ``late`` last columns are such ones; what they share between criteria are ``correlations.prior_coefficients``.
        """
        design, p = self.design.extended(range_), len(self.design.columns)
        new = len(design.columns) - p
        if not new:
            return self
        sd = design.prior_sd[:, p:] * self.repeat_sd[:, None] / PRIOR_REPEAT_SD
        root = np.zeros((len(sd), p + new, p + new))
        root[:, :p, :p] = self.coef_root
        root[:, range(p, p + new), range(p, p + new)] = sd
        coef = np.hstack([self.coef, design.prior_mean[:, p:]])
        coupling = np.pad(self.coupling, ((0, 0), (0, 0), (0, new)))
        return replace(self, design=design, coef=coef, coef_root=root, coupling=coupling)

    def without(self, columns: Sequence[int], own: Sequence[int]) -> "FittedModel":
        """Return the same as if some coefficients and some of the players' own slopes were known to be 0."""
        coef, root, of_players = self.coef.copy(), self.coef_root.copy(), self.players.root.copy()
        coef[:, columns], root[:, columns], of_players[:, own] = 0.0, 0.0, 0.0
        return replace(self, coef=coef, coef_root=root, players=replace(self.players, root=of_players))

    @cached_property
    def variance(self) -> Floats:
        """(C, K) posterior variances of the levels' effects, given the coefficients."""
        out = np.empty(self.effect.shape)
        for block in self.blocks:
            out[:, block.levels] = np.einsum("kcc->ck", block.rows.by_criterion())
        return out

    @cached_property
    def stretches_of(self) -> dict[str, dict[int, int]]:
        """For each copy, the place of each of its rated stretches among the levels."""
        found: dict[str, dict[int, int]] = {}
        for place, (copy, stretch) in enumerate(self.levels):
            found.setdefault(copy, {})[stretch] = place
        return found


def lower_root(covariance: Floats) -> Floats:
    """Return lower triangular roots of positive semi-definite matrices (..., m, m), singular ones too."""
    half = principal_root(covariance)
    upper = np.linalg.qr(np.swapaxes(half, -1, -2), mode="r")
    lower = np.swapaxes(upper, -1, -2)
    signs = np.where(np.diagonal(lower, axis1=-2, axis2=-1) < 0, -1.0, 1.0)
    return np.asarray(lower * signs[..., None, :], dtype=np.float64)


def principal_root(covariance: Floats) -> Floats:
    """Return the symmetric roots of positive semi-definite matrices (..., m, m).

    Raises
    ------
    ValueError
        Where a matrix has a clearly negative eigenvalue.
    """
    if covariance.shape[-1] == 0:
        return covariance
    values, vectors = np.linalg.eigh((covariance + np.swapaxes(covariance, -1, -2)) / 2.0)
    scale = np.max(np.abs(values), axis=-1, keepdims=True)
    if np.any(values < -1e-8 * scale):
        msg = f"got a covariance with the eigenvalue {values.min():.3g}, expected none below 0"
        raise ValueError(msg)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]) @ np.swapaxes(vectors, -1, -2))


def labels_of(response: RemlFit) -> tuple[Level, ...]:
    """Return the levels that a response was rated on; the labels given to the fit are levels."""
    return cast("tuple[Level, ...]", response.copies)


def align_levels(
    responses: Sequence[RemlFit], levels: tuple[Level, ...], columns: int
) -> tuple[Floats, Floats, tuple[CopyBlock, ...]]:
    """Bring the copies of several responses to one list of levels.

    Returns
    -------
    effect (C, K), coupling (C, K, p) and the blocks; a level not rated on a criterion has effect 0 and the prior variance.
    """
    place = {level: index for index, level in enumerate(levels)}
    where = [np.array([place[level] for level in labels_of(response)], dtype=np.intp) for response in responses]
    effect = np.zeros((len(responses), len(levels)))
    coupling = np.zeros((len(responses), len(levels), columns))
    for c, response in enumerate(responses):
        effect[c, where[c]] = response.copy_effect
        coupling[c, where[c]] = response.copy_coupling
    blocks = tuple(_block(responses, where, members, len(levels)) for members in _components(responses, where, levels))
    return effect, coupling, blocks


def _components(responses: Sequence[RemlFit], where: Sequence[Ints], levels: tuple[Level, ...]) -> list[Ints]:
    """Return the levels of each component of the union of the responses' blocks, a copy's own stretches together."""
    count = len(levels)
    if count == 0:
        return []
    first: dict[str, int] = {}
    heads = [np.array([first.setdefault(copy, place) for place, (copy, _) in enumerate(levels)], dtype=np.intp)]
    tails = [np.arange(count, dtype=np.intp)]
    for places, response in zip(where, responses, strict=True):
        for indices, _ in response.copy_blocks:
            members = places[indices]
            heads.append(np.full(len(members), members[0], dtype=np.intp))
            tails.append(members)
    edges = (np.concatenate(heads), np.concatenate(tails))
    graph = coo_array((np.ones(len(edges[0])), edges), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


def _block(responses: Sequence[RemlFit], where: Sequence[Ints], members: Ints, count: int) -> CopyBlock:
    """Return the members' block with principal roots from every response's own blocks; of many members in short, if they can be."""
    inside = np.full(count, -1, dtype=np.intp)
    inside[members] = np.arange(len(members))
    pairs = list(zip(responses, where, strict=True))
    return block_of(members, lambda: (_root_of(response, inside[at], len(members)) for response, at in pairs))


def block_of(members: Ints, roots: Callable[[], Iterator[Floats]]) -> CopyBlock:
    """Return the block of some levels (m,) from what gives their root (m, m) of each criterion, one after the other: all would take gigabytes."""
    if len(members) > WRITTEN_OUT_UP_TO:
        short = [shortened(root) for root in roots()]
        if None not in short:
            none = np.zeros((len(short), 0, 0))
            return CopyBlock(members, none, tuple(root for root in short if root is not None))
    return CopyBlock(members, np.array(list(roots())))


def _root_of(response: RemlFit, inside: Ints, size: int) -> Floats:
    """Return (m, m) one response's root; ``inside``: the place of each of its levels in the block, -1 for those of others."""
    out = np.eye(size) * response.copy_sd
    for indices, V in response.copy_blocks:
        at = inside[indices]
        if at[0] >= 0:
            out[np.ix_(at, at)] = principal_root(V)
    return out
