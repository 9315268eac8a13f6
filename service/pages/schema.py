"""The API's answers as models: for its description at /openapi.json and for the tests; answers are not checked at run time."""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from model.vocabulary import Basis, Criterion, Role

Share = float
_LIMITS = {"ge": "minimum", "le": "maximum"}


class Answer(BaseModel):
    """A part of an answer."""

    model_config = ConfigDict(extra="forbid")


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
    priority_weight: float = Field(ge=0, le=1, description="h, the weight of the priorities in the fit")


class Fit(Answer):
    """The rating, 1 to 7, that this player would give to a copy not yet played, and its bounds, all noise included."""

    expected: float = Field(ge=1, le=7)
    low: float = Field(ge=1, le=7)
    high: float = Field(ge=1, le=7)
    level: Share = Field(gt=0, lt=1)


class Effect(Answer):
    """An expected advantage over the own bow, in points; below 0 a drawback."""

    criterion: Criterion
    effect: float
    text: str


class Proposed(Answer):
    """One tier of the shortlist."""

    tier: str
    name: str
    price: float
    currency: str
    role: Role
    fit: Fit
    beats_own_bow: Share = Field(ge=0, le=1)
    copies: int = Field(ge=0)
    reasons: list[Effect]
    weaknesses: list[Effect]


class Step(Answer):
    """What the best composition of at most so many bows wins: neither figure ever falls with one more."""

    copies: int = Field(ge=1)
    bows: int = Field(
        ge=0, description="how many bows that composition holds; fewer than copies where one more would promise less"
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
    recommendation: str


class Advice(Answer):
    """The answer to a questionnaire."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "1f0e7b52-3a77-4b62-9d3c-5f6f0a3f8d11",
                    "model": {
                        "version": 7,
                        "fitted": "2026-05-01T08:00:00Z",
                        "basis": "trials",
                        "trials": 142,
                        "trials_all": 412,
                        "priority_weight": 0.5,
                    },
                    "shortlist": [
                        {
                            "tier": "juniper",
                            "name": "Juniper",
                            "price": 2450,
                            "currency": "EUR",
                            "role": "best_fit",
                            "fit": {"expected": 4.3, "low": 2.5, "high": 6.1, "level": 0.9},
                            "beats_own_bow": 0.77,
                            "copies": 4,
                            "reasons": [
                                {
                                    "criterion": "response",
                                    "effect": 0.6,
                                    "text": "Likely to speak sooner than your own bow.",
                                }
                            ],
                            "weaknesses": [],
                        }
                    ],
                    "trial": {
                        "copies": 4,
                        "runs": 6,
                        "minutes": 40,
                        "chance_one_beats_own_bow": 0.98,
                        "by_copies": [{"copies": 1, "bows": 1, "chance": 0.77, "expected_gain": 0.54}],
                        "recommendation": "Try four bows: four of Juniper.",
                    },
                    "cautions": ["This is a statistical estimate from past trials."],
                    "notes": [],
                }
            ]
        }
    )

    id: str
    model: ModelUsed
    shortlist: list[Proposed] = Field(max_length=3)
    trial: TrialPlan | None
    cautions: list[str]
    notes: list[str]


class Alive(Answer):
    """That the process lives."""

    status: Literal["ok"]


class Health(Answer):
    """Whether the service can answer: the first part that is missing, and how each part stands that could be looked at."""

    status: Literal["ok", "no database", "no tables", "no room"]
    parts: dict[Literal["database", "tables", "model", "outbox", "disk"], Literal["ok", "alarm"]]


class Problem(Answer):
    """One field that cannot be used."""

    path: str
    message: str


class ErrorTold(Answer):
    """What went wrong, in plain words."""

    message: str
    problems: list[Problem]


class Error(Answer):
    """The one shape of every error."""

    error: ErrorTold


def errors(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the descriptions of the errors that a route may answer with."""
    said = {
        400: "Not well formed: its Host header, or NUL in its head",
        401: "No key, or one that opens nothing (any more)",
        403: "A key of the wrong kind, or used on a page that is not its dealer's",
        404: "Nothing of this id for this key",
        408: "Did not come whole in time; the connection is closed",
        409: "Cannot be done as things stand; the sentence says why",
        413: "Larger than 256 kB",
        421: "Asked under a name that the service does not answer to",
        415: "Not JSON",
        422: "Fields that cannot be used, each with its path and a sentence",
        429: "Asked too often; see Retry-After",
        500: "A mistake on our side",
        503: "The database is busy; see Retry-After",
    }
    return {status: {"model": Error, "description": said[status]} for status in statuses}
