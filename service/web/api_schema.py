"""The API's answers as models: for its description at /openapi.json and for the tests; answers are not checked at run time."""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from model.domain.vocabulary import Basis, Criterion, Role
from service.core import problems
from service.core.errors import MOST_TOLD, Code, FieldCode
from service.web.api_examples import ADVICE, PROBLEM

Share = float
_LIMITS = {"ge": "minimum", "le": "maximum"}


class Answer(BaseModel):
    """A part of an answer."""

    model_config = ConfigDict(extra="forbid")


class Tested(Answer):
    """An answer that a test key may get too."""

    test: Literal[True] | None = Field(
        default=None, description="with a test key: nothing real came of it; else left out"
    )


class Bodies(GenerateJsonSchema):
    """Describes bodies; the limits of whole numbers, which are checked after 5.0 was taken for 5, in JSON Schema's own words."""

    def generate_inner(self, schema: Any) -> JsonSchemaValue:
        """Return a part of the description."""
        told = super().generate_inner(schema)
        return {_LIMITS.get(name, name): value for name, value in told.items()}


class ModelUsed(Answer):
    """Which model spoke, and how much stands behind it."""

    version: int | None
    fitted: str | None
    basis: Basis = Field(description="`prior` below 20 trials of this instrument (and hold)")
    trials: int = Field(ge=0, description="trials of this instrument (and hold)")
    trials_all: int = Field(ge=0)
    priority_weight: float = Field(
        ge=0, le=1, description="h, how much the priorities weigh beside the mark as a whole in what people decide by"
    )


class Fit(Answer):
    """The rating, 1 to 7, that this player would give to a copy not yet played, and its bounds, all noise included.

    Of a bow that was played, as in a trial's standing, the liking without the noise of a rating, and bounds between marks.
    """

    expected: float = Field(ge=1, le=7)
    low: float = Field(ge=1, le=7, description="the lowest of its likely marks, a whole number")
    high: float = Field(ge=1, le=7, description="the highest")
    level: Share = Field(gt=0, lt=1, description="the probability that the rating lies among them: about .9")


class Reason(Answer):
    """Why a tier is in the list, or what speaks against it, as a sentence; a `criterion` or a `fact`."""

    criterion: Criterion | None = None
    fact: Literal["price", "note", "mass", "whole"] | None = None
    against: str | None = Field(
        description="what it is compared with: `own_bow`, a tier of the list, or null where there is nothing to compare with"
    )
    effect: float = Field(
        description="the expected difference, below 0 a drawback: points; of `price` money, of `mass` grams (`against` null: the "
        "typical weight itself)"
    )
    sure: Literal["likely", "probably"] | None = Field(
        default=None, description="`likely` from .8 on, `probably` from .65"
    )
    text: str


class Proposed(Answer):
    """One tier of the list."""

    tier: str
    name: str
    price: float
    currency: str
    role: Role = Field(
        description="`entry`, `sensible`, `most_liked` without a budget only; `contrast`: to compare with"
    )
    fit: Fit
    beats_own_bow: Share = Field(
        ge=0, le=1, description="that a copy not yet played is truly liked better than the own bow"
    )
    copies: int = Field(ge=0, description="how many of it are in the trial; 0: to compare with or to ask for")
    at_hand: int | None = Field(
        default=None, ge=0, description="how many the dealer has now; null where that is not known"
    )
    best_at_hand: Share | None = Field(
        default=None,
        ge=0,
        le=1,
        description="`beats_own_bow` of the one at hand that is expected to be liked most; null where none is known",
    )
    mass_g: float | None = Field(default=None, description="the typical weight of its copies")
    materials: str | None = Field(default=None, description="what its sticks are made of")
    note: str | None = Field(default=None, description="the maker's word for it")
    reasons: list[Reason] = Field(description="never empty, the most important first")
    weaknesses: list[Reason]


class Threshold(Answer):
    """From which price on the verdict changes, and by which tier."""

    price: float
    currency: str
    tier: str
    name: str


class Elsewhere(Answer):
    """Suitable copies that can be asked for."""

    tier: str
    name: str
    price: float | None = Field(None, description="as the player pays it; absent in answers kept from earlier versions")
    currency: str | None = None
    where: Literal["workshop"]
    count: int = Field(ge=0)


class Verdict(Answer):
    """What is advised: the headline of everything else."""

    code: Literal["trial", "curious", "keep", "ask"] = Field(
        description="a trial; an hour for the curious; keep the own bow; ask, since nothing suitable is at hand"
    )
    chance: Share = Field(
        ge=0,
        le=1,
        description="that a bow of the trial is better than the own bow by a difference one would notice (.3 points)",
    )
    expected_gain: float = Field(ge=0, description="expected advantage, in points, of the bow taken home")
    changes_at: Threshold | None = Field(default=None, description="with `keep` only; null where no price changes it")
    higher_would_not: bool = Field(
        default=False, description="with `keep` only: no tier of the range would change it, whatever the budget"
    )
    elsewhere: list[Elsewhere] = []
    text: str


class Step(Answer):
    """What the best composition of at most so many bows wins: neither figure ever falls with one more."""

    copies: int = Field(ge=1)
    bows: int = Field(
        ge=0,
        description="how many bows that composition holds; fewer than copies only in answers kept from earlier versions",
    )
    chance: Share = Field(ge=0, le=1)
    expected_gain: float = Field(ge=0)


class TrialPlan(Answer):
    """How many bows to try, and why no more."""

    copies: int = Field(ge=0)
    runs: int = Field(ge=0)
    minutes: int = Field(ge=0)
    chance_one_beats_own_bow: Share = Field(ge=0, le=1)
    by_copies: list[Step]
    bring: list[str] = Field(
        default=[], description="the serials to bring, best first; only for the operator and with a dealer's server key"
    )
    loved: list[str] = Field(
        default=[], description="serials at hand that this player rated above the own bow; told as `bring` is"
    )
    rejected: list[str] = Field(
        default=[], description="serials that this player rated clearly below the own bow; told as `bring` is"
    )
    recommendation: str


class More(Answer):
    """What so much more than the best fit's price would buy; `tier` null: nothing better."""

    amount: float
    currency: str
    tier: str | None
    name: str | None
    points: float


class Played(Answer):
    """A bow that this player has rated, and that counted."""

    copy_: str = Field(alias="copy")
    tier: str
    name: str
    mark: float = Field(ge=1, le=7)


class Change(Answer):
    """What would be another one without an answer."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    what: Literal["verdict", "first_tier", "bows", "chance"]
    with_: str | float = Field(
        alias="with", description="as advised: a verdict's code, a tier's name, a number of bows, a chance"
    )
    without: str | float = Field(description="as it would be without the answer")


class Influence(Answer):
    """What one of the answers given did."""

    answer: str = Field(description="one of those that the questionnaire asks for")
    changes: list[Change] = Field(description="empty where past trials do not show that the answer matters")
    reads: bool = Field(description="false: the advice does not depend on it, it helps the adviser")
    text: str


class Advice(Tested):
    """The answer to a questionnaire."""

    model_config = ConfigDict(json_schema_extra={"examples": [ADVICE]})

    id: str
    model: ModelUsed
    verdict: Verdict | None = Field(
        default=None, description="absent only from answers kept before there were verdicts"
    )
    shortlist: list[Proposed] = Field(max_length=3)
    more: More | None = None
    tried: list[Played] = []
    player: str | None = Field(default=None, description="the key of the player who was named, for a dealer's server")
    trial: TrialPlan | None
    cautions: list[str]
    notes: list[str]
    influence: list[Influence] | None = Field(
        default=None, description="with `?explain=1`: one entry for each answer given"
    )


class Alive(Answer):
    """That the process lives."""

    status: Literal["ok"]


class Health(Answer):
    """Whether the service can answer: the first part that is missing, and how each part stands that could be looked at."""

    status: Literal["ok", "no database", "no tables", "no room"]
    parts: dict[Literal["database", "tables", "model", "outbox", "disk"], Literal["ok", "alarm"]]


class FieldError(Answer):
    """One field that cannot be used."""

    path: str = Field(
        description="names joined by dots, places in lists counted from 0: `tried.0.copy`; empty: the whole"
    )
    code: FieldCode = Field(description="stable, the same in every language")
    detail: str = Field(description="what is wrong and what would be right, in the reader's language")


class Problem(Answer):
    """Problem details (RFC 9457), the one shape of every refusal."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [PROBLEM]})

    type: str = Field(pattern="^/problems/[a-z_]+$", description="a reference to the page that says more of this kind")
    title: str
    status: int = Field(ge=400, le=599)
    detail: str
    code: Code = Field(description="stable, the same in every language; decide by this")
    errors: list[FieldError] = Field(max_length=MOST_TOLD, description="with `invalid_fields`, else empty")
    request: str | None = Field(default=None, description="from 500 on: names the request in the service's log")


def errors(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the descriptions of the errors that a route may answer with."""
    said = {
        400: "Not well formed: its Host header, or NUL in its head",
        401: "No key, or one that opens nothing (any more)",
        403: "A key of the wrong kind, or used on a page that is not its dealer's",
        404: "Nothing of this id for this key",
        408: "Did not come whole in time; the connection is closed",
        409: "Cannot be done as things stand; code and sentence say why",
        413: "Larger than 256 kB",
        421: "Asked under a name that the service does not answer to",
        415: "Not JSON",
        422: "Fields that cannot be used, each with its path, code and a sentence",
        429: "Asked too often; see Retry-After",
        500: "A mistake on our side",
        503: "The database is busy; see Retry-After",
    }
    content = {problems.MEDIA_TYPE: {"schema": {"$ref": f"#/components/schemas/{Problem.__name__}"}}}
    return {status: {"description": said[status], "content": content} for status in statuses}
