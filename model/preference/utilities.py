"""Features of what players like: of tiers, copies and own bows, for players side by side who share instrument and hold; and of ratings."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers
from model.domain.vocabulary import CRITERIA, OVERALL
from model.features import (
    OF_TRAITS,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    bench_traits,
    own_rows,
    player_columns,
    tier_rows,
    wished_beyond,
)
from model.preference.catalogue import CataloguePosterior, EligibleItems
from model.preference.fitted import FittedModel
from model.preference.own_parts import Asked


@dataclass(frozen=True, eq=False, slots=True)
class Utilities:
    """What T players may find of all n tiers and K copies that suit them, and of their own bows.

    Attributes
    ----------
    asked : what they ask.
    tier_X, tier_Z : (T, n, p), (T, n, Q) columns of a copy like its tier's mean, Z the player's own.
    own_X, own_Z : (T, p), (T, Q) of the own bows.
    wish : (T, K, 2) what the `WISH_COLUMNS` of a copy have beyond its tier's.
    emphasised, tiers_emphasised : (T, K), (T, n) what the priorities make of the copies' and tiers' character.
    """

    posterior: FittedModel
    suited: EligibleItems
    asked: Asked
    tier_X: Floats
    tier_Z: Floats
    own_X: Floats
    own_Z: Floats
    wish: Floats
    emphasised: Floats
    tiers_emphasised: Floats

    @classmethod
    def of(cls, view: CataloguePosterior, answers: Sequence[Answers]) -> "Utilities":
        """Return those of players who share instrument and hold."""
        posterior, design = view.posterior, view.posterior.design
        suited, asked = view.suited(answers[0].instrument, answers[0].hold), Asked.of_each(answers)
        rows = [tier_rows(design, each, suited.tiers) for each in answers]
        own = own_rows(answers, [0] * len(answers))
        return cls(
            posterior=posterior,
            suited=suited,
            asked=asked,
            tier_X=np.array([design.matrix(of) for of in rows]),
            tier_Z=np.array([player_columns(of) for of in rows]),
            own_X=design.matrix(own, own=True),
            own_Z=player_columns(own, own=True),
            wish=np.array([wished_beyond(of, suited.tier_of, suited.traits) for of in rows]),
            emphasised=asked.emphasis @ suited.character.T,
            tiers_emphasised=asked.emphasis @ suited.tiers_character.T,
        )

    def tiers(self, c: int) -> Floats:
        """Return (T, n, q) features of the tiers on a criterion: coefficients, the player's own, the own bow's interaction, gamma."""
        fixed, own = self.tier_X @ self.posterior.coef_root[c], self.tier_Z @ self.posterior.players.root[c]
        gamma = self._gamma(c) * self.tiers_emphasised
        return np.concatenate([fixed, own, np.zeros((*gamma.shape, 1)), gamma[..., None]], axis=2)

    def copies(self, c: int, of_tiers: Floats) -> Floats:
        """Return (T, K, q) of the copies, beside the tiers' (T, n, q)."""
        suited, posterior = self.suited, self.posterior
        out = of_tiers[:, suited.tier_of]
        p = posterior.coef_root.shape[2]
        out[..., :p] += suited.apart[c] + self.wish @ posterior.coef_root[c, WISH_COLUMNS]
        out[..., p:-2] += suited.traits[:, bench_traits.FELT] @ posterior.players.root[c, OF_TRAITS]
        out[..., -1] = self._gamma(c) * self.emphasised
        return np.asarray(out)

    def own(self, c: int) -> Floats:
        """Return (T, q) of the own bows."""
        players = self.posterior.players
        fixed, own = self.own_X @ self.posterior.coef_root[c], self.own_Z @ players.root[c]
        ends = np.zeros((len(fixed), 2))
        ends[:, 0] = players.own_match[c]
        return np.concatenate([fixed, own, ends], axis=1)

    def _gamma(self, c: int) -> float:
        return self.posterior.profile.sd if c == OVERALL else 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Sheet:
    """What S sheets have in common for all criteria.

    Attributes
    ----------
    X, Z : (S, p), (S, Q) columns without the copies' bench traits in X, with them in Z.
    copy : (S,) place among the copies, -1 for an own bow.
    emphasised : (S,) what the player's priorities make of the copy; read for copies only.
    """

    X: Floats
    Z: Floats
    copy: Ints
    emphasised: Floats


def rating_features(
    posterior: FittedModel, copies: EligibleItems, sheets: Sheet, sheet: Ints, criterion: Ints
) -> tuple[Floats, Floats]:
    """Return features (m, q) and expectations (m,) of ratings on a criterion (m,) of a sheet (m,), copies' own effects only in the second."""
    k = sheets.copy[sheet]
    away, whole = k >= 0, (k >= 0) & (criterion == OVERALL)
    emphasised = np.where(whole, sheets.emphasised[sheet], 0.0)
    mean = np.einsum("mp,mp->m", sheets.X[sheet], posterior.coef[criterion]) + posterior.profile.mean * emphasised
    of, c = k[away], criterion[away]
    traits = np.einsum("mt,mt->m", copies.traits[of], posterior.coef[:, TRAIT_COLUMNS][c])
    mean[away] += traits + copies.effect[c, of]
    mean[~away] += posterior.players.own_shift[criterion[~away]]
    fixed = _by_criterion(sheets.X, sheet, criterion, posterior.coef_root)
    fixed[away] += copies.apart[c, of]
    own = _by_criterion(sheets.Z, sheet, criterion, posterior.players.root)
    interaction = np.where(away, 0.0, posterior.players.own_match[criterion])
    return np.column_stack([fixed, own, interaction, posterior.profile.sd * emphasised]), mean


def _by_criterion(columns: Floats, sheet: Ints, criterion: Ints, root: Floats) -> Floats:
    """Return (m, r) rows of the sheets' columns (S, p) times the root (C, p, r) of each rating's criterion."""
    out = np.zeros((len(sheet), root.shape[2]))
    for c in range(len(CRITERIA)):
        here = np.flatnonzero(criterion == c)
        if len(here):
            out[here] = columns[sheet[here]] @ root[c]
    return out
