"""What every bow that suits a player leads the own bow by, beside ratings of many trials: the covariances of `model.preference.own_marks`.

The sums are those of `Player`, for many trials at once. A lead is of the true overall liking, of a tier's mean or a copy.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers
from model.domain.vocabulary import OVERALL, Hold, Instrument
from model.features.design import OF_TRAITS, WISH_COLUMNS, own_rows, player_columns, tier_rows, wished_beyond
from model.preference.catalogue import Suited, View
from model.preference.own_parts import Asked
from model.preference.player import Parts


@dataclass(frozen=True, slots=True)
class Told:
    """Ratings of T trials, up to O each.

    Attributes
    ----------
    rows : (T, O, q) features, zeros where a trial has fewer.
    criterion : (T, O)
    copy : (T, O) place of the copy in the range; -1 for the own bow and where there is no rating.
    own : (T, O) covariance of what its copy has of its own with the same on the overall mark.
    """

    rows: Floats
    criterion: Ints
    copy: Ints
    own: Floats

    def at(self, trials: Ints) -> "Told":
        """Return those of some trials."""
        return Told(self.rows[trials], self.criterion[trials], self.copy[trials], self.own[trials])


def alike(answers: Sequence[Answers]) -> dict[tuple[Instrument, Hold | None], Ints]:
    """Return by instrument and hold, which say what suits, the places of the answers."""
    found: dict[tuple[Instrument, Hold | None], list[int]] = {}
    for place, each in enumerate(answers):
        found.setdefault((each.instrument, each.hold), []).append(place)
    return {key: np.array(places, dtype=np.intp) for key, places in found.items()}


def covariances(view: View, answers: Sequence[Answers], told: Told, parts: Parts) -> Floats:
    """Return (T, n, O) the covariance of the leads of all that suits with ratings; the answers are alike in what suits."""
    suited = view.suited(answers[0].instrument, answers[0].hold)
    of_tiers, of_copies = _features(view, suited, answers)
    leads = np.concatenate([of_tiers, of_copies], axis=1)
    out = np.zeros((*leads.shape[:2], told.rows.shape[1]))
    for part, R in parts.pairs:
        out += leads[..., part] @ told.rows[..., part].swapaxes(1, 2) * R[OVERALL, told.criterion][:, None]
    out[:, of_tiers.shape[1] :] += _effects(view, suited, told)
    return out


def _features(view: View, suited: Suited, answers: Sequence[Answers]) -> tuple[Floats, Floats]:
    """Return features (T, tiers, q), (T, copies, q) of the leads."""
    posterior, design = view.posterior, view.posterior.design
    root, own_root = posterior.coef_root[OVERALL], posterior.players.root[OVERALL]
    rows = [tier_rows(design, each, suited.tiers) for each in answers]
    own = own_rows(answers, [0] * len(answers))
    fixed = np.array([design.matrix(of) for of in rows]) @ root
    effects = np.array([player_columns(of) for of in rows]) @ own_root
    fixed -= (design.matrix(own, own=True) @ root)[:, None]
    effects -= (player_columns(own, own=True) @ own_root)[:, None]
    wish = np.array([wished_beyond(of, suited.tier_of, suited.traits) for of in rows])
    of_copies = fixed[:, suited.tier_of] + suited.apart[OVERALL] + wish @ root[WISH_COLUMNS]
    of_effects = effects[:, suited.tier_of] + suited.traits @ own_root[OF_TRAITS]
    match = np.full((*fixed.shape[:2], 1), -posterior.players.own_match[OVERALL])
    asked = posterior.profile.sd * Asked.of_each(answers).emphasis
    gamma, of_gamma = asked @ suited.tiers_character.T, asked @ suited.character.T
    of_tiers = np.concatenate([fixed, effects, match, gamma[..., None]], axis=2)
    return of_tiers, np.concatenate([of_copies, of_effects, match[:, suited.tier_of], of_gamma[..., None]], axis=2)


def _effects(view: View, suited: Suited, told: Told) -> Floats:
    """Return (T, K, O) the covariance of the copies' own effects and of what they have of their own with the ratings."""
    posterior, every, c = view.posterior, view.everything, told.criterion
    place = {serial: at for at, serial in enumerate(every.serials)}
    here = np.array([place[serial] for serial in suited.serials], dtype=np.intp)
    away, k = told.copy >= 0, np.maximum(told.copy, 0)
    out = np.zeros((len(c), len(here), c.shape[1]))
    if not len(here):
        return out
    for number, rows in enumerate(every.rows):
        members = np.flatnonzero(every.block[here] == number)
        given = away & (every.block[k] == number)
        if len(members) and given.any():
            told_rows = np.where(given[..., None], rows[c, np.where(given, every.rows_at[k], 0)], 0.0)
            out[:, members] += rows[OVERALL, every.rows_at[here[members]]] @ told_rows.swapaxes(1, 2)
    same = (here[:, None] == told.copy[:, None]) & away[:, None]
    out += same * np.sqrt(every.rest[OVERALL, k] * every.rest[c, k])[:, None]
    out *= posterior.correlations.copy[OVERALL, c][:, None]
    return np.asarray(out + same * told.own[:, None])
