"""The fitted model laid over a range: what does not depend on a player, computed once and kept."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Copy, Range, Tier
from model.domain.vocabulary import CRITERIA, Hold, Instrument
from model.features import (
    TRAIT_COLUMNS,
    FilteredEffect,
    ServiceIntervals,
    bench_traits,
    filter_effect,
    tiers_beyond_their_mean,
)
from model.preference.chances import NO_RECALIBRATION
from model.preference.copy_rows import CopyRows
from model.preference.fitted import FittedModel
from model.preference.kernel import ComponentKernel
from model.preference.own_parts import Open, OwnParts


@dataclass(frozen=True, slots=True)
class EligibleItems:
    """Tiers (T) and copies (K) that suit one instrument and hold, with the copies' posterior at present.

    Attributes
    ----------
    place : by serial its copy's place among ``serials`` (K,).
    tier_of : (K,) index of each copy's tier in ``tiers``.
    traits : (K, T) what can be expected of bench traits, as deviations from the tier's mean.
    trait_variance : (T, R) variance of the true readings of a copy not yet seen; 0 where the bench has none of its tier.
    open : what is open of each copy; ``open_of_tiers`` (T) of one not yet seen.
    character, tiers_character : (K, C), (T, C) what everybody can be expected to find of it beyond its instrument's mean.
    effect : (C, K) expected effect now.
    apart : (C, K, p) what a copy's liking adds to its tier's in the coordinates of the coefficients: (traits - coupling) L_c,
        L_c the root of the coefficients' covariance, coupling minus the derivative of the effect by the coefficients.
    covariance : (K, C, C) of a copy's effects over the criteria, given the coefficients.
    block : (K,) number of the copy's block, -1 where it was never rated.
    rows : of each block (C, copies, m), inner products of which are the covariances of the copies' effects, see `copy_rows`.
    rows_at : (K,) place of each copy among its block's rows.
    rest : (C, K) variance of a copy's effect that it shares with no other copy.
    """

    tiers: tuple[Tier, ...]
    copies: tuple[Copy, ...]
    serials: tuple[str, ...]
    place: Mapping[str, int]
    tier_of: Ints
    traits: Floats
    trait_variance: Floats
    open: Open
    open_of_tiers: Open
    character: Floats
    tiers_character: Floats
    effect: Floats
    apart: Floats
    covariance: Floats
    block: Ints
    rows: tuple[CopyRows, ...]
    rows_at: Ints
    rest: Floats

    def places(self, serials: Sequence[str], instrument: Instrument) -> Ints:
        """Return the places (n,) of some copies, each named once; ``instrument`` is the one that they suit.

        Raises
        ------
        ValueError : a serial that is not among the copies, or the same one twice.
        """
        for serial in serials:
            if serial not in self.place:
                msg = f"got the copy {serial!r}, expected one of the range that suits the {instrument}"
                raise ValueError(msg)
        if len(set(serials)) < len(serials):
            twice = next(serial for at, serial in enumerate(serials) if serial in serials[:at])
            msg = f"got the copy {twice!r} twice, expected each copy once"
            raise ValueError(msg)
        return np.array([self.place[serial] for serial in serials], dtype=np.intp)

    def effects_shared(self, weights: Floats, copy: Ints, criterion: Ints, correlation: Floats) -> Floats:
        """Return (K, O) the covariance of every copy's weighted effect with those of some copies on some criteria.

        ``weights`` (C,) make a copy's effects into one number; ``copy``, ``criterion`` (O,).
        """
        out, used = np.zeros((len(self.copies), len(copy))), np.flatnonzero(weights)
        weighed = weights[used, None] * correlation[np.ix_(used, criterion)]
        for number in np.unique(self.block[copy][self.block[copy] >= 0]):
            here, members = np.flatnonzero(self.block[copy] == number), np.flatnonzero(self.block == number)
            rows = self.rows[number]
            told = rows.at(criterion[here], self.rows_at[copy[here]])
            mixed = sum(by[here] * rows.all_with(c, told) for by, c in zip(weighed, used.tolist(), strict=True))
            out[np.ix_(members, here)] = mixed
        rest = np.sqrt(self.rest[used][:, copy] * self.rest[criterion, copy])
        out[copy, np.arange(len(copy))] += np.einsum("uo,uo->o", weighed, rest)
        return out


class CataloguePosterior:
    """The fitted model over one range, ready for many players. Not changed after construction; safe to share.

    ``posterior`` has a coefficient for every tier of the range; of those that came after the fit the one that is believed.
    ``slope`` is of the recalibration of every chance told, see `model.preference.chances`.
    """

    def __init__(
        self,
        posterior: FittedModel,
        range_: Range,
        stretches: ServiceIntervals | None = None,
        slope: float = NO_RECALIBRATION,
    ) -> None:
        self.posterior, self.range, self.slope = posterior.extended(range_), range_, slope
        self.stretches = stretches or ServiceIntervals({})
        self.suited = lru_cache(maxsize=16)(self._suited)

    @cached_property
    def own_parts(self) -> OwnParts:
        """How single copies differ for one player."""
        return OwnParts.of(self.posterior)

    @cached_property
    def kernel(self) -> ComponentKernel:
        """How features make covariances."""
        return ComponentKernel.of(self.posterior)

    @cached_property
    def everything(self) -> EligibleItems:
        """All tiers and copies of the range, in its order."""
        return self._laid_over(tuple(self.range.tiers.values()), tuple(self.range.copies.values()))

    def _suited(self, instrument: Instrument, hold: Hold | None) -> EligibleItems:
        tiers = tuple(tier for tier in self.range.tiers.values() if tier.suits(instrument, hold))
        return self._laid_over(tiers, self.range.suited(instrument, hold))

    def _laid_over(self, tiers: tuple[Tier, ...], copies: tuple[Copy, ...]) -> EligibleItems:
        place = {tier.slug: index for index, tier in enumerate(tiers)}
        chains = [self._chain(copy.serial) for copy in copies]
        block, rows, rows_at, rest = self._rows(chains)
        traits, left_open = self.posterior.design.latent(copies, self.range)
        known, tier_of = self._on_record(tiers), np.array([place[copy.tier] for copy in copies], dtype=np.intp)
        covariance, apart, effect = (
            self._covariance(block, rows, rest),
            self._apart(chains, traits),
            self._present(copies),
        )
        variance = np.einsum("kcc->kc", covariance)
        left = variance / np.maximum(self.posterior.copy_sd**2, variance)
        index = self.posterior.design.index
        X = tiers_beyond_their_mean(self.posterior.design)[[index[tier.slug] for tier in tiers]]
        character, root = X @ self.posterior.coef.T, self.posterior.coef_root
        new = self.posterior.correlations.copy * np.outer(self.posterior.copy_sd, self.posterior.copy_sd)
        unmeasured, not_seen = known[tier_of] * left_open, known * self.posterior.design.spread_of(tiers)
        return EligibleItems(
            tiers=tiers,
            copies=copies,
            serials=tuple(copy.serial for copy in copies),
            place={copy.serial: at for at, copy in enumerate(copies)},
            tier_of=tier_of,
            traits=traits,
            trait_variance=not_seen,
            open=self._open(X[tier_of] @ root + apart, covariance, unmeasured, left),
            open_of_tiers=self._open(X @ root, np.tile(new, (len(tiers), 1, 1)), not_seen, np.ones(character.shape)),
            character=character[tier_of] + effect.T + traits @ self.posterior.coef[:, TRAIT_COLUMNS].T,
            tiers_character=character,
            effect=effect,
            apart=apart,
            covariance=covariance,
            block=block,
            rows=rows,
            rows_at=rows_at,
            rest=rest,
        )

    def _present(self, copies: tuple[Copy, ...]) -> Floats:
        """Return (C, K) the expected effects now: what is kept of that of the last stretch that was rated."""
        out = np.zeros((len(CRITERIA), len(copies)))
        for at, copy in enumerate(copies):
            rated = self.posterior.stretches_of.get(copy.serial, {})
            if rated:
                last = max(rated)
                out[:, at] = self.posterior.effect[:, rated[last]] * np.prod(self.stretches.kept(copy.serial)[last:])
        return out

    def _chain(self, serial: str) -> FilteredEffect:
        posterior = self.posterior
        rated, kept = posterior.stretches_of.get(serial, {}), self.stretches.kept(serial)
        last = max([len(kept), *rated])
        places = [rated.get(stretch) for stretch in range(last + 1)]
        return filter_effect(places, [*kept, *[1.0] * (last - len(kept))], posterior.variance, posterior.copy_sd**2)

    def _rows(self, chains: list[FilteredEffect]) -> tuple[Ints, tuple[CopyRows, ...], Ints, Floats]:
        """Return each copy's block, the blocks' rows (C, copies, m), each copy's place among them, and the rest (C, K).

        Earlier stretches may tell more of a copy than its present level's own posterior knows: then the rows are scaled
        down to the present variance.
        """
        block_of, at = self._block_of_levels()
        block = np.array([block_of[link.levels[0]] if link.levels else -1 for link in chains], dtype=np.intp)
        rest = np.array([link.variance for link in chains]).reshape(len(chains), len(CRITERIA)).T.copy()
        rows, rows_at = [], np.zeros(len(chains), dtype=np.intp)
        for number, whole in enumerate(self.posterior.blocks):
            members = np.flatnonzero(block == number)
            rows_at[members] = np.arange(len(members))
            links = [chains[member] for member in members]
            row = np.repeat(np.arange(len(links)), [len(link.levels) for link in links])
            place = at[[level for link in links for level in link.levels]] if links else np.zeros(0, dtype=np.intp)
            weight = np.hstack([np.zeros((len(CRITERIA), 0)), *(link.weights for link in links)])
            picked = whole.rows.weighed(row, place, weight, len(links))
            explained, variance = np.einsum("kcc->ck", picked.by_criterion()), rest[:, members]
            rows.append(picked.scaled(np.sqrt(variance / np.maximum(explained, variance))))
            rest[:, members] = np.maximum(variance - explained, 0.0)
        return block, tuple(rows), rows_at, rest

    def _apart(self, chains: list[FilteredEffect], traits: Floats) -> Floats:
        own = -_weigh(chains, self.posterior.coupling)
        own[:, :, TRAIT_COLUMNS] += traits
        return np.asarray(own @ self.posterior.coef_root)

    def _block_of_levels(self) -> tuple[Ints, Ints]:
        """Return for each level the number of its block and its place in it."""
        block_of = np.full(len(self.posterior.levels), -1, dtype=np.intp)
        at = np.zeros(len(self.posterior.levels), dtype=np.intp)
        for number, block in enumerate(self.posterior.blocks):
            block_of[block.levels] = number
            at[block.levels] = np.arange(len(block.levels))
        return block_of, at

    def _covariance(self, block: Ints, rows: tuple[CopyRows, ...], rest: Floats) -> Floats:
        out = np.sqrt(rest.T[:, :, None] * rest.T[:, None, :])
        for number, of_block in enumerate(rows):
            out[np.flatnonzero(block == number)] += of_block.by_criterion()
        return out * self.posterior.correlations.copy

    def _open(self, features: Floats, effects: Floats, traits: Floats, left: Floats) -> Open:
        """Return what is open of n copies, with features (C, n, p) of what everybody finds of them and their effects' (n, C, C)."""
        R, fitted = self.posterior.correlations, features.shape[2] - self.posterior.design.late
        quality = effects + self.own_parts.slopes.of_everybody(traits, left)
        for part, correlation in ((slice(0, fitted), R.coefficients), (slice(fitted, None), R.prior_coefficients)):
            of_copy = features[..., part].swapaxes(0, 1)
            quality = quality + of_copy @ of_copy.swapaxes(1, 2) * correlation
        return Open(traits, left, quality)

    def _on_record(self, tiers: tuple[Tier, ...]) -> Floats:
        """Return (T, R) 1 where the bench has a reading of any copy of the tier, else 0.

        Where it has none, what copies differ by is in the deviation of their effects.
        """
        known = {tier.slug: np.zeros(len(bench_traits.USED)) for tier in tiers}
        for copy in self.range.copies.values():
            if copy.tier in known:
                known[copy.tier] = np.maximum(known[copy.tier], _readings((copy,))[0])
        return np.array(list(known.values())).reshape(-1, len(bench_traits.USED))


def _readings(copies: tuple[Copy, ...]) -> Flags:
    """Return (K, R) which readings the bench has of each copy."""
    got = [[getattr(copy.bench, name) is not None for name in bench_traits.USED] for copy in copies]
    return np.array(got, dtype=bool).reshape(-1, len(bench_traits.USED))


def _weigh(chains: list[FilteredEffect], values: Floats) -> Floats:
    """Return (C, K, q): the levels' values (C, levels, q) weighed into each copy's present one."""
    out = np.zeros((values.shape[0], len(chains), values.shape[2]))
    for copy, link in enumerate(chains):
        if link.levels:
            out[:, copy] = np.einsum("cs,csq->cq", link.weights, values[:, list(link.levels)])
    return out
