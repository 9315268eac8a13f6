"""From answers, tiers and bench records to the columns of X: the one place where a column or a unit is defined."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Copy, Range, Tier, Trial
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, Blinding, Criterion, Hold, Instrument, Setting
from model.features.bench_traits import (
    FELT,
    LEAST_SPREAD,
    MASS,
    MASS_READING,
    TRAIT_LIMIT,
    TRAIT_NAMES,
    TRAITS,
    USED,
    WISHES,
    means_by,
    readings_of,
    reliability,
    spreads,
    traits_of,
    wishes_of,
)

INSTRUMENTS, SETTINGS = tuple(Instrument), tuple(Setting)
MIDDLE_POSITION, LAST_POSITION = 3.0, 12


@dataclass(frozen=True, slots=True)
class Column:
    """One column of X: its name, and the mean and standard deviation of its coefficient's prior, in points."""

    name: str
    mean: float
    sd: float


def _fixed_columns() -> tuple[Column, ...]:
    """Return the columns before the tiers'; the prior values are starting judgements, shown and not tuned."""
    return (
        Column("intercept", 4.4, 0.5),
        *(Column(f"instrument {instrument}", 0.0, 0.3) for instrument in INSTRUMENTS),
        Column("grade", 0.2, 0.15),
        Column("hold french", 0.0, 0.3),
        *(Column(f"{setting} x grade", 0.0, 0.2) for setting in SETTINGS),
        Column("position", 0.0, 0.2),
        Column("first bow", 0.0, 0.3),
        *(Column(f"{blinding}", 0.0, 0.3) for blinding in (Blinding.MASKED, Blinding.OPEN)),
        *(Column(f"{blinding} x grade", 0.0, 0.1) for blinding in (Blinding.MASKED, Blinding.OPEN)),
        *(Column(trait.name, 0.0, trait.sd) for trait in TRAITS),
        *(Column(f"{wish} x {TRAIT_NAMES[trait]}", 0.0, TRAITS[trait].sd) for trait, wish in WISHES),
        Column("own bow", 0.1, 0.4),
    )


FIXED = _fixed_columns()
POSITION_OF = {column.name: index for index, column in enumerate(FIXED)}
TRAIT_COLUMNS = [POSITION_OF[name] for name in TRAIT_NAMES]
WISH_COLUMNS = [POSITION_OF[f"{wish} x {TRAIT_NAMES[trait]}"] for trait, wish in WISHES]
PLACE_COLUMNS = [POSITION_OF["position"], POSITION_OF["first bow"]]
"""Columns in which rows of one player differ: by the copy's traits, by what the wish makes of them, by the place in the trial."""
SEEN_COLUMNS = {
    Blinding.BLIND: [],
    **{seen: [POSITION_OF[f"{seen}"], POSITION_OF[f"{seen} x grade"]] for seen in (Blinding.MASKED, Blinding.OPEN)},
}
"""Columns of 1 and of the grade, by what the player sees of the bow."""
BEFORE_READINGS = ("mass_g", "balance_mm", "speed_of_sound_m_s", "loss_factor")
"""The readings of designs that do not say of which they are."""
TIER_SD = 0.5
"""Prior standard deviation of a tier around the straight line through the grades."""
STEP_POINTS = 0.3
"""Points of a criterion that one step of the maker's words is taken for (a judgement, no source)."""
SAID_SD = 0.4
"""Prior standard deviation of a tier on a criterion of which its maker has spoken (a judgement, no source)."""
PRIOR_REPEAT_SD = 0.7
"""The repeat noise at which the coefficients' prior deviations are meant, in points."""


@dataclass(frozen=True, slots=True)
class Rows:
    """What n rows of X say, one array a fact. Zeros mean 'at the reference'.

    Attributes
    ----------
    tier : (n,) index into ``Design.tiers``, -1 for a tier the design does not know or the own bow.
    instrument : (n,) index into `INSTRUMENTS`.
    grade : (n,) grade centred within the instrument; 0 for the own bow.
    hold : (n,) +1/2 French, -1/2 German, 0 otherwise.
    settings : (n, 9) of 0 and 1.
    position : (n,) 1, 2, ...; 0 where a typical place in the trial is meant.
    masked, opened : (n,) of 0 and 1.
    traits, wished : (n, T) deviations of the copy from its tier, and from what the wish refers to.
    of_tier : (n, T) deviations of the tier's mean from the instrument's; a player's own slopes count them too.
    wishes : (n, W) of -1, 0, 1, in the order of `WISHES`.
    """

    tier: Ints
    instrument: Ints
    grade: Floats
    hold: Floats
    settings: Floats
    position: Floats
    masked: Floats
    opened: Floats
    traits: Floats
    of_tier: Floats
    wished: Floats
    wishes: Floats


def hold_sign(hold: Hold | None) -> float:
    """Return +1/2 for French, -1/2 for German, 0 where the hold is open or does not apply."""
    return {Hold.FRENCH: 0.5, Hold.GERMAN: -0.5}.get(hold, 0.0) if hold else 0.0


def settings_row(settings: Iterable[Setting]) -> Floats:
    """Return the (9,) indicators of the settings."""
    chosen = frozenset(settings)
    return np.array([setting in chosen for setting in SETTINGS], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Design:
    """The columns of X for one range, with what is needed to compute them for tiers and copies to come.

    Attributes
    ----------
    tiers : (T,) the tiers that have a column of their own.
    centres : (tiers, R) means of the bench readings by tier.
    fallback : (4, R) the same by instrument, for tiers without bench records.
    scales : (4, R) standard deviations within tiers by instrument; 1 where not known.
    totals : (4, R) the same, of readings, their tiers' means being estimated: what readings' own deviations are held against.
    true_share : (4, R) the share of those variances that is the copies' own, the rest being the readings' errors.
    middle : (4,) the middle grade of each instrument.
    late : how many of the tiers, the last ones, came after the fit.
    """

    tiers: tuple[Tier, ...]
    centres: Floats
    fallback: Floats
    scales: Floats
    totals: Floats
    true_share: Floats
    middle: Floats
    late: int = 0

    @classmethod
    def from_range(cls, range_: Range) -> Self:
        """Read tiers, trait means and spreads off a range."""
        tiers = tuple(range_.tiers.values())
        index = {tier.slug: place for place, tier in enumerate(tiers)}
        copies = tuple(range_.copies.values())
        table, error = readings_of([copy.bench for copy in copies])
        of_tier = np.array([index[copy.tier] for copy in copies], dtype=np.intp)
        instrument = np.array([INSTRUMENTS.index(tier.instrument) for tier in tiers], dtype=np.intp)
        centres = means_by(of_tier, len(tiers), table)
        by_instrument, here = instrument[of_tier], len(INSTRUMENTS)
        fallback = means_by(by_instrument, here, table)
        pooled = np.nan_to_num(np.sqrt(means_by(by_instrument, here, (table - centres[of_tier]) ** 2)))
        # Equal readings leave a spread of rounding only, which must not be blown up to whole units.
        real = pooled > LEAST_SPREAD * np.maximum(np.abs(np.nan_to_num(fallback)), 1.0)
        scales = np.where(real, pooled, 1.0)
        total, true_share = spreads(by_instrument, of_tier, table, error, scales)
        total, true_share = np.where(real, total, scales), np.where(real, true_share, 1.0)
        centres = np.where(np.isfinite(centres), centres, fallback[instrument])
        return cls(tiers, centres, fallback, scales, total, true_share, _middles(tiers))

    @property
    def columns(self) -> tuple[Column, ...]:
        """The p columns of X with their priors, in order."""
        return (*FIXED, *(Column(f"tier {tier.slug}", 0.0, TIER_SD) for tier in self.tiers))

    @property
    def prior_mean(self) -> Floats:
        """(C, p) prior means of the criteria's coefficients: every step that a maker speaks of is `STEP_POINTS`."""
        return _by_criterion([column.mean for column in self.columns], self._said(lambda step: STEP_POINTS * step))

    @property
    def prior_sd(self) -> Floats:
        """(C, p) prior deviations of the criteria's coefficients."""
        return _by_criterion([column.sd for column in self.columns], self._said(lambda _step: SAID_SD))

    def _said(self, value: Callable[[int], float]) -> Iterator[tuple[int, int, float]]:
        """Give the criterion, the column and the value of every word of the tiers' makers."""
        for place, tier in enumerate(self.tiers):
            for criterion, step in tier.character.items():
                yield CRITERION_INDEX[criterion], len(FIXED) + place, value(step)

    def extended(self, range_: Range) -> Self:
        """Return the design with columns for the tiers of a range that came after the fit, their traits' means not known."""
        known = self.index
        new = [tier for tier in range_.tiers.values() if tier.slug not in known]
        if not new:
            return self
        of = [INSTRUMENTS.index(tier.instrument) for tier in new]
        centres = np.vstack([self.centres, self.fallback[of]])
        return replace(self, tiers=(*self.tiers, *new), centres=centres, late=self.late + len(new))

    @property
    def index(self) -> dict[str, int]:
        """The place of each tier's slug among ``tiers``."""
        return {tier.slug: place for place, tier in enumerate(self.tiers)}

    def grade(self, tier: Tier) -> float:
        """Return the grade centred within the instrument."""
        return float(tier.grade - self.middle[INSTRUMENTS.index(tier.instrument)])

    def _places_of(self, copies: Sequence[Copy], range_: Range) -> tuple[Ints, Ints]:
        """Return (n,) each copy's tier among ``tiers``, -1 where it is not there, and its instrument."""
        index = self.index
        place = np.array([index.get(copy.tier, -1) for copy in copies], dtype=np.intp)
        instrument = [INSTRUMENTS.index(range_.tiers[copy.tier].instrument) for copy in copies]
        return place, np.array(instrument, dtype=np.intp)

    def latent(self, copies: Sequence[Copy], range_: Range) -> tuple[Floats, Floats]:
        """Return (n, T) what can be expected of the copies' traits, and (n, R) the variance that is left of each true reading.

        0 is the tier's mean, which is all that is known where the bench has not measured; traits are limited to +-3.
        Variances are in trait units squared too, which are those of ``scales`` and not of ``totals``.
        """
        if not copies:
            return np.zeros((0, len(TRAITS))), np.zeros((0, len(USED)))
        place, instrument = self._places_of(copies, range_)
        table, error = readings_of([copy.bench for copy in copies])
        centres = np.where((place >= 0)[:, None], np.vstack([self.centres, np.zeros(len(USED))])[place], np.nan)
        centres = np.where(np.isfinite(centres), centres, self.fallback[instrument])
        scales, total, share = (of[instrument] for of in (self.scales, self.totals, self.true_share))
        known = np.isfinite(table)
        rho = reliability(known, (np.where(known, error, 0.0) / total) ** 2, share)
        return traits_of(rho * np.nan_to_num((table - centres) / scales)), (total / scales) ** 2 * share * (1.0 - rho)

    def spread_of(self, tiers: Sequence[Tier]) -> Floats:
        """Return (n, R) the variance of the true readings of copies of these tiers, in trait units squared."""
        spread = (self.totals / self.scales) ** 2 * self.true_share
        return np.asarray(spread[[INSTRUMENTS.index(tier.instrument) for tier in tiers]])

    def traits(self, copies: Sequence[Copy], range_: Range) -> Floats:
        """Return (n, T) what can be expected of the copies' traits, see `latent`."""
        return self.latent(copies, range_)[0]

    def tier_traits(self, place: Ints, instrument: Ints) -> Floats:
        """Return (n, T) how the means of tiers deviate from their instrument's, in trait units, limited to +-3; 0 if not known.

        ``place`` (n,) is the tier's among ``tiers`` or -1, ``instrument`` (n,) its index.
        """
        if not len(self.tiers):
            return np.zeros((len(place), len(TRAITS)))
        z = np.nan_to_num((self.centres[place] - self.fallback[instrument]) / self.scales[instrument])
        z[place < 0] = 0.0
        return traits_of(z)

    def mass_shifts(self, place: Ints, instrument: Ints, own_mass_g: Floats) -> Floats:
        """Return (n,) how much heavier a tier's mean is than the own bow, in trait units, limited to +-3; 0 if not known.

        A wish for a lighter or heavier bow is meant against the bow in hand where its mass is known. ``place`` (n,) is the
        tier's among ``tiers`` or -1, ``instrument`` (n,) its index, ``own_mass_g`` (n,) NaN where not known.
        """
        of, fallback = self.centres[:, MASS_READING], self.fallback[instrument, MASS_READING]
        centre = np.where(place >= 0, np.append(of, np.nan)[place], fallback)
        shift = (centre - own_mass_g) / self.scales[instrument, MASS_READING]
        return np.asarray(np.clip(np.nan_to_num(shift), -TRAIT_LIMIT, TRAIT_LIMIT))

    def matrix(self, rows: Rows, own: bool = False) -> Floats:
        """Return X (n, p) of the rows; ``own``: they are of the own bow."""
        n, fixed = len(rows.grade), len(FIXED)
        X = np.zeros((n, fixed + len(self.tiers)))
        at, every = POSITION_OF, np.arange(n)
        X[:, at["intercept"]] = 1.0
        X[every, at[f"instrument {INSTRUMENTS[0]}"] + rows.instrument] = 1.0
        X[:, at["grade"]] = rows.grade
        X[:, at["hold french"]] = rows.hold
        first = at[f"{SETTINGS[0]} x grade"]
        X[:, first : first + len(SETTINGS)] = rows.settings * rows.grade[:, None]
        X[:, PLACE_COLUMNS] = place_values(rows.position)
        for name, seen in ((Blinding.MASKED, rows.masked), (Blinding.OPEN, rows.opened)):
            X[:, at[f"{name}"]] = seen
            X[:, at[f"{name} x grade"]] = seen * rows.grade
        X[:, TRAIT_COLUMNS] = rows.traits
        X[:, WISH_COLUMNS] = rows.wishes * rows.wished[:, [trait for trait, _ in WISHES]]
        X[:, at["own bow"]] = float(own)
        known = rows.tier >= 0
        X[every[known], fixed + rows.tier[known]] = 1.0
        return X

    def to_json(self) -> dict[str, Any]:
        """Return all of it as plain JSON values."""
        return {
            "tiers": [[t.slug, t.instrument, t.grade, sorted(t.holds)] for t in self.tiers],
            "character": {t.slug: {str(of): step for of, step in sorted(t.character.items())} for t in self.tiers},
            "centres": _with_gaps(self.centres),
            "fallback": _with_gaps(self.fallback),
            "scales": self.scales.tolist(),
            "totals": self.totals.tolist(),
            "true_share": self.true_share.tolist(),
            "readings": USED,
            "columns": [column.name for column in FIXED],
            "middle": self.middle.tolist(),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """Read what `to_json` wrote."""
        said = data.get("character", {})
        tiers = tuple(
            Tier(
                slug,
                Instrument(instrument),
                grade,
                frozenset(Hold(hold) for hold in holds),
                {Criterion(criterion): step for criterion, step in said.get(slug, {}).items()},
            )
            for slug, instrument, grade, holds in data["tiers"]
        )
        told = data.get("readings", BEFORE_READINGS)
        centres, fallback, scales = (_by_used(data[name], told) for name in ("centres", "fallback", "scales"))
        share = _by_used(data.get("true_share", np.ones((len(INSTRUMENTS), len(told)))), told)
        totals = _by_used(data.get("totals", data["scales"]), told)
        scales, totals, share = (np.nan_to_num(of, nan=1.0) for of in (scales, totals, share))
        return cls(tiers, centres, fallback, scales, totals, share, np.array(data["middle"], dtype=np.float64))


def _by_used(table: Any, readings: Sequence[str]) -> Floats:
    """Return (n, R) what was kept of some readings, NaN of those that are more."""
    kept = np.array(table, dtype=np.float64).reshape(-1, len(readings))
    out = np.full((len(kept), len(USED)), np.nan)
    out[:, [USED.index(name) for name in readings]] = kept
    return out


def _by_criterion(columns: Sequence[float], said: Iterable[tuple[int, int, float]]) -> Floats:
    """Return (C, p) the columns' values (p,) on every criterion, with what is said of single ones in their place."""
    out = np.tile(np.array(columns, dtype=np.float64), (len(CRITERIA), 1))
    for criterion, column, value in said:
        out[criterion, column] = value
    return out


def _with_gaps(table: Floats) -> list[list[float | None]]:
    """Return the table as lists, None (which JSON has) in place of NaN (which it has not)."""
    return [[None if np.isnan(value) else value for value in row] for row in table.tolist()]


def _middles(tiers: Sequence[Tier]) -> Floats:
    """Return (4,) the mean of the different grades that each instrument has; 1 where it has none."""
    grades = [{tier.grade for tier in tiers if tier.instrument is instrument} for instrument in INSTRUMENTS]
    return np.array([sum(of) / len(of) if of else 1.0 for of in grades])


PLAYER_COLUMNS = ("level", "own bow", "grade", *(TRAIT_NAMES[trait] for trait in FELT))
"""What each player has an effect of the player's own on: the level, and slopes, the tastes, on the other columns."""
OF_OWN, OF_GRADE, OF_TRAITS = 1, 2, slice(3, 3 + len(FELT))


def columns_of_traits(names: Iterable[str]) -> tuple[list[int], list[int]]:
    """Return the columns of X and those of Z that speak of these traits."""
    places = {TRAIT_NAMES.index(name) for name in names}
    wished = [column for column, (trait, _) in zip(WISH_COLUMNS, WISHES, strict=True) if trait in places]
    felt = [OF_TRAITS.start + number for number, trait in enumerate(FELT) if trait in places]
    return [*(TRAIT_COLUMNS[place] for place in sorted(places)), *wished], felt


def player_columns(rows: Rows, own: bool = False) -> Floats:
    """Return Z (n, 6) of the rows in the order of `PLAYER_COLUMNS`; ``own``: they are of the own bow."""
    Z = np.zeros((len(rows.grade), len(PLAYER_COLUMNS)))
    Z[:, 0], Z[:, OF_OWN], Z[:, OF_GRADE] = 1.0, float(own), rows.grade
    Z[:, OF_TRAITS] = (rows.traits + rows.of_tier)[:, FELT]
    return Z


def own_rows(answers: Sequence[Answers], positions: Sequence[int]) -> Rows:
    """Return rows for players' own bows at the given positions (0 = a typical place): no tier, no grade, no traits."""
    n = len(positions)
    zeros = np.zeros(n)
    return Rows(
        tier=np.full(n, -1, dtype=np.intp),
        instrument=np.array([INSTRUMENTS.index(of.instrument) for of in answers], dtype=np.intp),
        grade=zeros,
        hold=np.array([hold_sign(of.hold) for of in answers], dtype=np.float64),
        settings=np.zeros((n, len(SETTINGS))),
        position=np.array(positions, dtype=np.float64),
        masked=zeros,
        opened=zeros,
        traits=np.zeros((n, len(TRAITS))),
        of_tier=np.zeros((n, len(TRAITS))),
        wished=np.zeros((n, len(TRAITS))),
        wishes=np.zeros((n, len(WISHES))),
    )


def _own_mass(answers: Answers) -> float:
    """Return the own bow's mass in grams, NaN where not known."""
    mass = answers.own_bow.mass_g if answers.own_bow else None
    return np.nan if mass is None else mass


def tier_rows(design: Design, answers: Answers, tiers: Sequence[Tier]) -> Rows:
    """Return one row a tier for one player: a copy like the tier's mean, blind, at a typical place in the trial."""
    n, index = len(tiers), design.index
    place = np.array([index.get(tier.slug, -1) for tier in tiers], dtype=np.intp)
    instrument = np.array([INSTRUMENTS.index(tier.instrument) for tier in tiers], dtype=np.intp)
    wished = np.zeros((n, len(TRAITS)))
    wished[:, MASS] = design.mass_shifts(place, instrument, np.full(n, _own_mass(answers)))
    return Rows(
        tier=place,
        instrument=instrument,
        grade=np.array([design.grade(tier) for tier in tiers], dtype=np.float64),
        hold=np.full(n, hold_sign(answers.hold)),
        settings=np.tile(settings_row(answers.settings), (n, 1)),
        position=np.zeros(n),
        masked=np.zeros(n),
        opened=np.zeros(n),
        traits=np.zeros((n, len(TRAITS))),
        of_tier=design.tier_traits(place, instrument),
        wished=wished,
        wishes=np.tile(wishes_of(answers), (n, 1)),
    )


def take(rows: Rows, where: Ints, traits: Floats) -> Rows:
    """Return the rows ``where`` with the copies' own traits (n, T) added to what the tier's mean has."""
    picked = {name: getattr(rows, name)[where] for name in rows.__slots__}
    picked["traits"] = picked["traits"] + traits
    picked["wished"] = np.clip(picked["wished"] + traits, -TRAIT_LIMIT, TRAIT_LIMIT)
    return Rows(**picked)


def wished_beyond(rows: Rows, where: Ints, traits: Floats) -> Floats:
    """Return (n, W) what the `WISH_COLUMNS` of `take` have beyond those of the rows ``where``."""
    of_trait = [trait for trait, _ in WISHES]
    before = rows.wished[where][:, of_trait]
    after = np.clip(before + traits[:, of_trait], -TRAIT_LIMIT, TRAIT_LIMIT)
    return rows.wishes[where] * (after - before)


def place_values(positions: Ints | Floats) -> Floats:
    """Return (n, 2) the `PLACE_COLUMNS` at the given positions, 1 the first; 0 where a typical place is meant."""
    late = (np.minimum(positions, LAST_POSITION) - MIDDLE_POSITION) / MIDDLE_POSITION
    return np.column_stack([np.where(positions > 0, late, 0.0), positions == 1])


def history_rows(design: Design, trials: Sequence[Trial], range_: Range) -> Rows:
    """Return one row for every run of a copy in the trials, in order (the own bow's runs are left out)."""
    runs = [(trial, run, range_.copies[run.copy]) for trial in trials for run in trial.runs if run.copy is not None]
    index, tiers = design.index, [range_.tiers[copy.tier] for _, _, copy in runs]
    settings = {trial.key: settings_row(trial.answers.settings) for trial in trials}
    place = np.array([index.get(tier.slug, -1) for tier in tiers], dtype=np.intp)
    instrument = np.array([INSTRUMENTS.index(tier.instrument) for tier in tiers], dtype=np.intp)
    traits = design.traits([copy for _, _, copy in runs], range_)
    own_mass = np.array([_own_mass(trial.answers) for trial, _, _ in runs], dtype=np.float64)
    shift = np.zeros((len(runs), len(TRAITS)))
    shift[:, MASS] = design.mass_shifts(place, instrument, own_mass)
    wishes = {trial.key: wishes_of(trial.answers) for trial in trials}
    return Rows(
        tier=place,
        instrument=instrument,
        grade=np.array([design.grade(tier) for tier in tiers], dtype=np.float64),
        hold=np.array([hold_sign(trial.answers.hold) for trial, _, _ in runs]),
        settings=np.array([settings[trial.key] for trial, _, _ in runs]).reshape(-1, len(SETTINGS)),
        position=np.array([run.position for _, run, _ in runs], dtype=np.float64),
        masked=np.array([trial.blinding is Blinding.MASKED for trial, _, _ in runs], dtype=np.float64),
        opened=np.array([trial.blinding is Blinding.OPEN for trial, _, _ in runs], dtype=np.float64),
        traits=traits,
        of_tier=design.tier_traits(place, instrument),
        wished=np.clip(traits + shift, -TRAIT_LIMIT, TRAIT_LIMIT),
        wishes=np.array([wishes[trial.key] for trial, _, _ in runs]).reshape(-1, len(WISHES)),
    )
