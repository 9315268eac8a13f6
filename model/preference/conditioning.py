"""The one engine: players side by side, the joint distribution of their ratings, which of them count, and what they tell; one player is a batch of one.

Which marks of the own bow count. The Gaussian distribution alone lets a better one speak for another bow: a high mark on one criterion
beside a middling one overall tells of a player who marks that criterion leniently, or of a bow that is liked less than its parts. A lead
is the utility of a bow less that of the own bow. While a mark of the own bow has a positive coefficient in the expectation of any lead
given the marks kept, the one with the most positive coefficient is left out. Values play no part: which marks are kept follows from
which are given, so that the expectation stays linear in them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.domain.vocabulary import CRITERIA, OVERALL
from model.mixed import solve_lower
from model.preference.catalogue import CataloguePosterior, EligibleItems
from model.preference.own_parts import Asked

LIKING: Floats = np.eye(len(CRITERIA))[OVERALL]
"""The weights of u, what is liked: the overall mark alone, since what a player cares about is in it (`model.features.profile`)."""
SCATTER_FREEDOM = 10.0
"""Degrees of freedom of the scale by which one player's marks scatter more or less than most players' (a judgement; of 4 to 24, 10 to
16 lost least on players held out in five invented worlds)."""
NEARLY_NOTHING = 1e-12
"""A coefficient up to this is one of rounding, not of the distribution."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Where T players' ratings stand, up to O each; whatever is fitted.

    Attributes
    ----------
    sheet : (T, O) a number for the sheet of each, -1 where a player has fewer ratings.
    copy : (T, O) place of its copy, -1 for the own bow and where there is no rating.
    criterion, value : (T, O), 0 where there is no rating.
    """

    sheet: Ints
    copy: Ints
    criterion: Ints
    value: Floats

    @cached_property
    def given(self) -> Flags:
        """(T, O) where there is a rating."""
        return np.asarray(self.sheet >= 0)

    @cached_property
    def same_sheet(self) -> Flags:
        """(T, O, O) whether two ratings are of one sheet."""
        return _alike(self.sheet)

    @cached_property
    def same_copy(self) -> Flags:
        """(T, O, O) whether two ratings are of one copy."""
        return _alike(self.copy)

    @cached_property
    def _pair(self) -> Ints:
        """(T, O, O) which two criteria, as places in a flat matrix over all of them."""
        return self.criterion[:, :, None] * len(CRITERIA) + self.criterion[:, None, :]

    def between(self, R: Floats) -> Floats:
        """Return (T, O, O) the entries of a matrix (C, C) over the criteria for every two ratings."""
        return np.take(R, self._pair)


class RatingsPosterior:
    """The joint distribution of T players' ratings before any of them, and what those that count tell of other quantities.

    Copies are taken in their present state. ``copies`` are those that the layout's places name.
    """

    def __init__(
        self,
        view: CataloguePosterior,
        copies: EligibleItems,
        layout: Layout,
        asked: Asked,
        features: Floats,
        mean: Floats,
    ) -> None:
        self.layout, self.copies, self.posterior = layout, copies, view.posterior
        self.kernel, self.features, self.mean = view.kernel, features, mean
        self._own = _of_the_copy_alone(view, copies, layout, asked)
        self._towards: dict[int, Floats] = {}

    @cached_property
    def cov(self) -> Floats:
        """(T, O, O) of the ratings, one where there is none."""
        layout, R = self.layout, self.posterior.correlations
        effects = effects_among(self.copies, layout.copy, layout.criterion)
        noise = np.where(layout.given, self.posterior.repeat_sd[layout.criterion], 0.0)
        criteria = np.broadcast_to(layout.criterion[:, None], layout.same_copy.shape)
        out = self.kernel.among(self.features, layout.criterion) + effects * layout.between(R.copy)
        out += layout.same_copy * np.take_along_axis(self._own, criteria, axis=2)
        out += layout.same_sheet * _outer(noise) * layout.between(R.repeat)
        out[:, np.arange(out.shape[1]), np.arange(out.shape[1])] += ~layout.given
        return out

    def towards(self, c: int) -> Floats:
        """Return (T, O, q) features of the ratings whose inner products with features on a criterion are covariances."""
        if c not in self._towards:
            self._towards[c] = self.kernel.towards(c, self.features, self.layout.criterion)
        return self._towards[c]

    def with_copies(self, weights: Floats, copies: Ints | None = None, players: Ints | None = None) -> Floats:
        """Return (T, K, O) the covariance with the ratings of weighted effects of copies and of what each has of its own.

        ``weights`` (C,) make a copy's criteria into one number; all copies, or those at some places (K,); all players or some (T,).
        """
        some: Ints | slice = slice(None) if players is None else players
        copy, criterion, own = self.layout.copy[some], self.layout.criterion[some], self._own[some]
        rows, slots = np.nonzero(copy >= 0)
        k, c = copy[rows, slots], criterion[rows, slots]
        # Players side by side rate the same copies: of each copy and criterion once.
        pairs, of = np.unique(k * len(CRITERIA) + c, return_inverse=True)
        copies_of, criteria = np.divmod(pairs, len(CRITERIA))
        shared = self.copies.effects_shared(weights, copies_of, criteria, self.posterior.correlations.copy)[:, of]
        shared[k, np.arange(len(k))] += own[rows, slots] @ weights
        out = np.zeros((len(copy), len(shared) if copies is None else len(copies), copy.shape[1]))
        out[rows, :, slots] = shared.T if copies is None else shared[copies].T
        return out

    def counted(self, told: Flags, leads: Sequence[tuple[Ints, Floats]]) -> tuple[Flags, Floats]:
        """Return which of the ratings told (T, O) count, and the root of their covariance (T, O, O), 1 where one does not.

        ``leads``: of players (t,) the covariance of leads with the ratings (t, n, O), as `with_leads` gives it.
        """
        own = told & (self.layout.copy < 0)
        counted, cov = told & ~own, self.cov
        if own.any():
            mine, alone = np.flatnonzero(own.any(axis=0)), np.eye(told.shape[1])
            away = np.where(counted[..., None], cov[..., mine], 0.0)
            beside = np.linalg.solve(np.where(_both(counted), cov, alone), away)
            left = cov[:, mine[:, None], mine] - away.swapaxes(1, 2) @ beside
            for at, cross in leads:
                kept = ratings_kept(cross[..., mine] - cross @ beside[at], left[at], own[at[:, None], mine])
                counted[at[:, None], mine] |= kept
        return counted, self.root(counted)

    def root(self, counted: Flags) -> Floats:
        """Return (T, O, O) the root of the covariance of the ratings that count, 1 where one does not."""
        cov = self.cov if counted.all() else np.where(_both(counted), self.cov, np.eye(counted.shape[1]))
        return np.asarray(np.linalg.cholesky(cov), dtype=np.float64)

    def with_leads(self, tiers: Floats, copies: Floats, own: Floats, effects: Floats, players: Ints) -> Floats:
        """Return (t, n + K, O) the covariance with the ratings of what all that suits leads the own bow by, on the overall rating.

        Parameters
        ----------
        tiers, copies, own : (t, n, q), (t, K, q), (t, q) features.
        effects : (t, K, O) covariance of what the copies have besides, as `with_copies` gives it.
        players : (t,) which of the players: alike in what suits.
        """
        towards = self.towards(OVERALL)[players].swapaxes(1, 2)
        return np.asarray(
            np.concatenate([tiers @ towards, copies @ towards + effects], axis=1) - own[:, None] @ towards
        )


def explained(root: Floats, counted: Flags, cross: Floats, residual: Floats) -> tuple[Floats, Floats]:
    """Return what ratings tell of n quantities: how far expectations move (T, n), and (T, O, n) whose Gram the covariance falls by.

    Parameters
    ----------
    root : (T, O, O) of the covariance of the ratings that count (T, O).
    cross : (T, n, O) covariance of the quantities with the ratings; residual : (T, O).
    """
    right = np.where(counted[:, None], cross, 0.0).swapaxes(1, 2)
    values = np.where(counted, residual, 0.0)
    told: Floats
    of: Floats
    if len(root) == 1:  # one player: by LAPACK itself, at this size a general solver costs more
        told, of = solve_lower(root[0], right[0])[None], solve_lower(root[0], values[0])[None]
    else:
        told, of = (
            np.asarray(np.linalg.solve(root, right)),
            np.asarray(np.linalg.solve(root, values[..., None])[..., 0]),
        )
    return np.asarray((told.swapaxes(1, 2) @ of[..., None])[..., 0]), told


def scatter(root: Floats, counted: Flags, residual: Floats) -> Floats:
    """Return (T,) how much larger than most players' the variance of a player's marks to come is, given those that count.

    Where a player's covariance is w times that of most, 1 / w with a gamma distribution of mean 1 and `SCATTER_FREEDOM` / 2 as its
    shape, marks to come have Student's distribution about the same expectation, its scale the one of the normal distribution times
    (freedom + residual' C^-1 residual) / (freedom + ratings) (Kotz & Nadarajah 2004, Multivariate t Distributions, section 1.11).

    Parameters
    ----------
    root : (T, O, O) of the covariance of the ratings that count (T, O).
    residual : (T, O) ratings less their expectations.
    """
    values = np.where(counted, residual, 0.0)[..., None]
    squares = (np.linalg.solve(root, values) ** 2).sum(axis=(1, 2))
    return np.asarray((SCATTER_FREEDOM + squares) / (SCATTER_FREEDOM + counted.sum(axis=1)))


def effects_among(copies: EligibleItems, copy: Ints, criterion: Ints) -> Floats:
    """Return (T, O, O) the covariance of copies' effects on criteria (T, O), the correlation of criteria left out."""
    away = np.nonzero(copy >= 0)
    rest = np.zeros(copy.shape)
    rest[away] = np.sqrt(copies.rest[criterion[away], copy[away]])
    out: Floats = _alike(copy) * _outer(rest)
    blocks = copies.block[copy[away]]
    for number in np.unique(blocks[blocks >= 0]):
        rows, slots = (of[blocks == number] for of in away)
        players, place = np.unique(rows, return_inverse=True)
        of_block = copies.rows[number]
        told = np.zeros((len(players), copy.shape[1], of_block.shape[2]))
        told[place, slots] = of_block.at(criterion[rows, slots], copies.rows_at[copy[rows, slots]])
        out[players] += told @ told.swapaxes(1, 2)
    return out


def ratings_kept(cross: Floats, gram: Floats, given: Flags) -> Flags:
    """Return (..., m) which marks of the own bow to condition on.

    Parameters
    ----------
    cross : (..., n, m) covariance of n leads with the marks, given all marks of other bows.
    gram : (..., m, m) covariance of the marks, given the same.
    given : (..., m) which of the marks there are.
    """
    keep, alone = given.copy(), np.eye(gram.shape[-1])
    for _ in range(keep.shape[-1]):
        both = keep[..., :, None] & keep[..., None, :]
        solved = np.linalg.solve(np.where(both, gram, alone), np.where(keep[..., None, :], cross, 0.0).swapaxes(-1, -2))
        most = np.where(keep, solved.max(axis=-1, initial=-np.inf), -np.inf)
        worst = most.argmax(axis=-1)[..., None]
        raises = np.take_along_axis(most, worst, axis=-1) > NEARLY_NOTHING
        if not raises.any():
            break
        np.put_along_axis(keep, worst, np.take_along_axis(keep, worst, axis=-1) & ~raises, axis=-1)
    return keep


def _of_the_copy_alone(view: CataloguePosterior, copies: EligibleItems, layout: Layout, asked: Asked) -> Floats:
    """Return (T, O, C) the covariance of what each rating's copy has of its own with the same on every criterion."""
    rows, slots = np.nonzero(layout.copy >= 0)
    out = np.zeros((*layout.copy.shape, len(CRITERIA)))
    if len(rows):
        alone = view.own_parts.covariance(copies.open.at(layout.copy[rows, slots]), asked.at(rows))
        out[rows, slots] = alone[np.arange(len(rows)), layout.criterion[rows, slots]]
    return out


def place_in_group(group: Ints, groups: int) -> Ints:
    """Return (n,) which of its group's each is, of ascending groups (n,)."""
    count = np.bincount(group, minlength=groups)
    return np.asarray(np.arange(len(group)) - (np.cumsum(count) - count)[group], dtype=np.intp)


def _alike(codes: Ints) -> Flags:
    """Return (T, O, O) whether every two of the codes (T, O) are the same, and not -1."""
    return np.asarray((codes[:, :, None] == codes[:, None, :]) & (codes >= 0)[:, :, None])


def _outer(of: Floats) -> Floats:
    return np.asarray(of[:, :, None] * of[:, None, :])


def _both(told: Flags) -> Flags:
    return np.asarray(told[:, :, None] & told[:, None, :])
