"""What the model's page is told: sentences, tables and pictures, ready to be shown; nothing here names a player."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.modelling.model_page.figures import BarPicture, EffectPicture, PointPicture


@dataclass(frozen=True, slots=True)
class Table:
    """A table of words; the first cell of each row names it. ``name`` says what it is to those who cannot see it."""

    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Passage:
    """Sentences, and a table that stands behind them."""

    sentences: tuple[str, ...]
    numbers: Table


@dataclass(frozen=True, slots=True)
class Sureness:
    """How sure the model is: sentences, and check-ups where there are any; ``errors``, ``coverage``, ``checkups``: over time."""

    sentences: tuple[str, ...]
    won: tuple[str, ...]  # what its advice won against rules of thumb, each a sentence
    chances: Passage | None  # whether the chances it tells come true
    answers: Passage | None  # how often each answer changes the advice
    parts: Passage | None  # how much each part of the model takes away from its error
    strokes: Passage | None  # the playable range as a criterion of its own
    by_ratings: Table | None  # of the version in use, by how many bows the players held out had rated
    errors: PointPicture | None
    coverage: PointPicture | None
    checkups: Table | None


@dataclass(frozen=True, slots=True)
class PartOfRating:
    """One part of a rating's variance: ``fill`` names its pattern, ``share`` is in per cent, ``meaning`` says what it is."""

    fill: str
    name: str
    share: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Rating:
    """What one rating is made of: overall in words and one bar, then every criterion."""

    lead: str
    parts: tuple[PartOfRating, ...]
    overall: BarPicture
    sentences: tuple[str, ...]
    criteria: BarPicture
    numbers: Table


@dataclass(frozen=True, slots=True)
class TierOfCopies:
    """How the copies of one tier differ; without a picture where none of them was rated."""

    anchor: str
    name: str
    about: str
    notable: Mapping[str, tuple[str, ...]]
    sentence: str
    picture: EffectPicture | None
    numbers: Table


@dataclass(frozen=True, slots=True)
class Beginnings:
    """What the model started from, beside what the data made of it; ``columns`` are the lesser ones."""

    sentences: tuple[str, ...]
    main: Table
    columns: Table


@dataclass(frozen=True, slots=True)
class ModelPage:
    """The model's page; ``thin_tiers``, ``thin_players``: where too little is known; players are counted and never named."""

    title: str
    facts: str  # the quiet line above the heading: version, date, trials, players
    lead: tuple[str, ...]  # the paragraph under the heading
    sureness: Sureness
    rating: Rating
    copies_lead: tuple[str, ...]  # what the pictures of the tiers show
    copies: Mapping[str, tuple[TierOfCopies, ...]]  # the tiers that have copies, by instrument and grade
    thin_tiers: Passage
    thin_players: Passage
    character: Passage  # what makers say of their tiers, and what trials say
    keeping: Passage
    beginnings: Beginnings
    versions: Passage
    cautions: tuple[str, ...]
    dealer: str | None = None
    demo: bool = False
