"""What the model is told, as frozen records checked on construction.

A record that exists is valid: wrong values raise ``ValueError`` with a sentence that names the field.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from model.domain.vocabulary import (
    HIGHEST,
    LOWEST,
    POINTS_A_STROKE,
    STEPS,
    STROKES,
    Blinding,
    BowKind,
    Criterion,
    EventKind,
    Hold,
    Instrument,
    OutcomeKind,
    Place,
    Setting,
)

Ratings = Mapping[Criterion, float]


def _check_ratings(ratings: Ratings, where: str) -> None:
    for criterion, value in ratings.items():
        if not (math.isfinite(value) and LOWEST <= value <= HIGHEST):
            msg = f"{where}: got {value!r} for {criterion}, expected a rating from {LOWEST} to {HIGHEST}"
            raise ValueError(msg)


def _check_positive(value: float | None, where: str) -> None:
    if value is not None and not (math.isfinite(value) and value > 0):
        msg = f"{where}: got {value!r}, expected a number above 0"
        raise ValueError(msg)


def _check_wish(value: int | None, where: str) -> None:
    if value not in (None, -1, 0, 1):
        msg = f"{where}: got {value!r}, expected -1, 0 or 1"
        raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Tier:
    """A grade of the maker's range for one instrument.

    Attributes
    ----------
    slug : the tier's key.
    holds : for which holds of the double bass it is built; empty for the other instruments.
    grade : 1 = entry, higher is dearer and meant to be better.
    character : what its maker says of it, criterion by criterion, against what a bow of its grade usually is: steps from
        -2, much less, over 0, as usual, to 2, much more. Nothing is said of a criterion that is left out.
    """

    slug: str
    instrument: Instrument
    grade: int
    holds: frozenset[Hold] = frozenset()
    character: Mapping[Criterion, int] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if self.grade < 1:
            msg = f"tier {self.slug}: got grade {self.grade}, expected 1 or more"
            raise ValueError(msg)
        if (self.instrument is Instrument.DOUBLE_BASS) != bool(self.holds) or Hold.EITHER in self.holds:
            msg = f"tier {self.slug}: got holds {sorted(self.holds)}, expected german, french or both for the double bass only"
            raise ValueError(msg)
        for criterion, step in self.character.items():
            if step not in STEPS:
                msg = f"tier {self.slug}: got {step!r} for its {criterion}, expected a step from {STEPS[0]} to {STEPS[-1]}"
                raise ValueError(msg)

    def suits(self, instrument: Instrument, hold: Hold | None) -> bool:
        """Say whether a player of this instrument and hold can play the tier at all."""
        if self.instrument is not instrument:
            return False
        return not self.holds or hold is Hold.EITHER or hold in self.holds


@dataclass(frozen=True, slots=True)
class Bench:
    """What the workshop measured on a copy; None where it is not known.

    ``sd``: standard deviations of the readings by name, where they are known.
    """

    mass_g: float | None = None
    length_mm: float | None = None
    balance_mm: float | None = None
    stiffness_n_per_m: float | None = None
    speed_of_sound_m_s: float | None = None
    loss_factor: float | None = None
    swing_inertia_kg_m2: float | None = None
    bending_hz: float | None = None
    sd: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in self.__slots__[:-1]:
            _check_positive(getattr(self, name), name)
        for name, value in self.sd.items():
            _check_positive(value, f"the standard deviation of {name}")

    @property
    def measured(self) -> bool:
        """Whether anything is known."""
        return any(getattr(self, name) is not None for name in self.__slots__[:-1])


@dataclass(frozen=True, slots=True)
class Copy:
    """One individual bow of a tier."""

    serial: str
    tier: str
    hold: Hold | None = None
    bench: Bench = Bench()

    def suits(self, hold: Hold | None) -> bool:
        """Say whether a player with this hold can play it, given that the tier suits."""
        return self.hold is None or hold is Hold.EITHER or self.hold is hold


@dataclass(frozen=True, slots=True)
class OwnBow:
    """The bow the player uses today. ``mass_g`` in grams; ``ratings`` may be empty ('not sure')."""

    kind: BowKind = BowKind.UNKNOWN
    mass_g: float | None = None
    ratings: Ratings = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_positive(self.mass_g, "own bow's mass_g")
        _check_ratings(self.ratings, "own bow")


@dataclass(frozen=True, slots=True)
class Answers:
    """What the questionnaire collected about one player, as far as the model uses it.

    Attributes
    ----------
    own_bow : the own bow; None where nothing is known about it or there is none, see ``plays_no_bow``.
    plays_no_bow : True where the player said 'I have none'.
    priorities : at most three criteria in order, most important first, never ``overall``.
    wish_mass, wish_tone : -1 lighter / warmer, 0 no matter, 1 heavier / brighter, None not answered.
    """

    instrument: Instrument
    hold: Hold | None = None
    settings: frozenset[Setting] = frozenset()
    priorities: tuple[Criterion, ...] = ()
    wish_mass: int | None = None
    wish_tone: int | None = None
    own_bow: OwnBow | None = None
    plays_no_bow: bool = False

    def __post_init__(self) -> None:
        if (self.instrument is Instrument.DOUBLE_BASS) != (self.hold is not None):
            msg = f"hold: got {self.hold!r} for the {self.instrument}, expected german, french or either for the double bass only"
            raise ValueError(msg)
        if len(self.priorities) > 3 or len(set(self.priorities)) < len(self.priorities):
            msg = f"priorities: got {list(self.priorities)}, expected at most three different criteria"
            raise ValueError(msg)
        if Criterion.OVERALL in self.priorities:
            msg = "priorities: got overall, expected single criteria: the liking as a whole always counts"
            raise ValueError(msg)
        if self.plays_no_bow and self.own_bow is not None:
            msg = "own_bow: got a bow together with 'I have none', expected one of the two"
            raise ValueError(msg)
        _check_wish(self.wish_mass, "wish_mass")
        _check_wish(self.wish_tone, "wish_tone")


@dataclass(frozen=True, slots=True)
class Run:
    """One bow played once in a trial. ``copy`` is a serial, None the own bow; ``position`` counts from 1.

    ``clean_strokes``: of the eight of the playable range, None where not all of them were played.
    """

    position: int
    copy: str | None
    ratings: Ratings
    clean_strokes: int | None = None

    def __post_init__(self) -> None:
        if self.position < 1:
            msg = f"position: got {self.position}, expected 1 or more"
            raise ValueError(msg)
        _check_ratings(self.ratings, f"run {self.position}")
        if self.clean_strokes is not None and not 0 <= self.clean_strokes <= STROKES:
            msg = f"run {self.position}: got {self.clean_strokes!r} clean strokes, expected 0 to {STROKES}"
            raise ValueError(msg)

    @property
    def range_mark(self) -> float | None:
        """The playable range on the ratings' scale, None where not all strokes were played."""
        return None if self.clean_strokes is None else LOWEST + POINTS_A_STROKE * self.clean_strokes


@dataclass(frozen=True, slots=True)
class Trial:
    """One player, one instrument, one occasion. ``player`` is any key; two trials of one player share it."""

    key: str
    player: str
    on: date
    answers: Answers
    runs: tuple[Run, ...]
    blinding: Blinding = Blinding.BLIND
    place: Place = Place.SHOP


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a trial; ``copy`` is the serial kept or returned."""

    trial: str
    on: date
    kind: OutcomeKind
    copy: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a copy on a day."""

    copy: str
    on: date
    kind: EventKind


@dataclass(frozen=True, slots=True)
class Range:
    """The maker's tiers and all copies known of them, keyed by slug and serial."""

    tiers: Mapping[str, Tier]
    copies: Mapping[str, Copy]

    def __post_init__(self) -> None:
        for copy in self.copies.values():
            if copy.tier not in self.tiers:
                msg = f"copy {copy.serial}: got the unknown tier {copy.tier!r}, expected one of the range"
                raise ValueError(msg)

    def suited(self, instrument: Instrument, hold: Hold | None) -> tuple[Copy, ...]:
        """Return the copies that a player of this instrument and hold can play, in the range's order."""
        tiers = {tier.slug for tier in self.tiers.values() if tier.suits(instrument, hold)}
        return tuple(copy for copy in self.copies.values() if copy.tier in tiers and copy.suits(hold))


def mean_overall(runs: Iterable[Run]) -> dict[str | None, float]:
    """Return by copy, None the own bow, the mean of its overall ratings; bows without one are left out."""
    given: dict[str | None, list[float]] = {}
    for run in runs:
        if Criterion.OVERALL in run.ratings:
            given.setdefault(run.copy, []).append(run.ratings[Criterion.OVERALL])
    return {copy: sum(ratings) / len(ratings) for copy, ratings in given.items()}
