"""What a dealer's own server sends: a trial to be composed, and what came of one."""

from typing import Annotated, Literal

from pydantic import AfterValidator, ConfigDict, Field, StrictBool, StrictStr, ValidationInfo, field_validator

from model.domain.vocabulary import Blinding, Hold, Instrument, Place
from service.core.language import N_
from service.questionnaire.composing_fields import MOST_COPIES, distinct
from service.questionnaire.field_types import (
    GIVEN,
    Body,
    Country,
    Day,
    Filled,
    Hour,
    Id,
    Line,
    Number,
    SchemaWords,
    Whole,
    refusal,
    rule,
)
from service.questionnaire.questions import Questionnaire


class TrialIn(Body):
    """A trial to be composed: of an enquiry's answers, or of those given here, at least the instrument.

    The bows are named by their serials; the answer names them by letters only. Without ``model_consent`` the ratings serve
    this trial only, until the player is asked on a screen.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "7d9f4a52-8f07-4a3e-9a3c-0c5a1f3f8d21",
                    "instrument": "double_bass",
                    "hold": "german",
                    "place": "shop",
                    "blinding": "blind",
                    "copies": ["DB-0388", "DB-0417", "DB-0420"],
                    "minutes": 45,
                    "open": True,
                }
            ],
            **rule(
                {"place": {"const": "post"}},
                {"required": ["country"], "properties": {"country": GIVEN, "open": {"const": False}}},
            ),
            "anyOf": [
                {"required": [name], "properties": {name: GIVEN}} for name in ("enquiry", "answers", "instrument")
            ],
        }
    )

    id: Annotated[Id, Field(description=N_("a UUID, as 8-4-4-4-12 hexadecimal digits"))]
    enquiry: Annotated[Line | None, Field(max_length=64, description=N_("the id of an enquiry"))] = None
    player: Annotated[Line | None, Field(max_length=100, description=N_("the key of a player who is known"))] = None
    instrument: Annotated[
        Instrument | None, Field(description=N_("one of violin, viola, cello, double_bass, or the id of an enquiry"))
    ] = None
    hold: Annotated[
        Hold | None, Field(description=N_("for the double bass one of german, french, either; else left out"))
    ] = None
    answers: Annotated[Questionnaire | None, Field(description=N_("the answers, at least the instrument"))] = None
    model_consent: Annotated[
        StrictBool | None,
        Field(description=N_("true or false, as the player said; left out where the player was not asked")),
    ] = None
    copies: Annotated[
        tuple[Annotated[Filled, Field(min_length=1, max_length=100)], ...],
        SchemaWords({"uniqueItems": True}),
        Field(min_length=1, max_length=MOST_COPIES, description=N_("the serials of one to twelve bows")),
        AfterValidator(distinct),
    ]
    place: Annotated[Place, Field(description=N_("shop or post"))] = Place.SHOP
    blinding: Annotated[Blinding, Field(description=N_("blind, masked or open"))] = Blinding.BLIND
    minutes: Annotated[Whole, Field(ge=20, le=240, description=N_("a whole number of minutes from 20 to 240"))] = 60
    date: Annotated[Day | None, Field(description=N_("a day, as 2026-11-30; left out for today"))] = None
    hour: Annotated[
        Hour | None,
        Field(description=N_("when the trial begins by the shop’s clock, as 15:30; left out where that is open")),
    ] = None
    due_back: Annotated[Day | None, Field(description=N_("a day not before the trial, as 2026-11-30"))] = None
    country: Annotated[
        Country | None,
        Field(
            description=N_("the country the parcel goes to, by its two capital letters, as DE (ISO 3166)"),
        ),
    ] = None
    open: Annotated[
        StrictBool,
        Field(description=N_("true: the trial begins at once; false: it is planned, and opened at the desk")),
    ] = False

    @field_validator("open")
    @classmethod
    def _in_the_shop(cls, value: bool, info: ValidationInfo) -> bool:
        if value and info.data.get("place") is Place.POST:
            raise refusal(N_("A trial by post is opened at the desk, when its parcel is sent; leave this out."))
        return value


class OutcomeIn(Body):
    """What came of a trial."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "outcome": "kept",
                    "copy": "DB-0417",
                    "reason": "sound",
                    "date": "2026-11-30",
                    "price": 2300,
                    "currency": "EUR",
                }
            ],
            "allOf": [
                rule({"price": GIVEN}, {"properties": {"outcome": {"const": "kept"}}}),
                rule({"currency": GIVEN}, {"required": ["price"], "properties": {"price": GIVEN}}),
            ],
        }
    )

    outcome: Annotated[
        Literal["kept", "more_asked", "none", "returned"],
        Field(description=N_("one of kept, more_asked, none, returned")),
    ]
    copy_: Annotated[
        Line | None,
        Field(alias="copy", max_length=100, description=N_("the serial of the bow that was kept or brought back")),
    ] = None
    reason: Annotated[
        Literal["price", "sound", "handling", "undecided", "other"] | None,
        Field(description=N_("one of price, sound, handling, undecided, other, or left out")),
    ] = None
    date: Annotated[Day | None, Field(description=N_("a day, as 2026-11-30; left out for today"))] = None
    price: Annotated[
        Number | None,
        Field(
            ge=0.01,
            le=1_000_000,
            description=N_(
                "what was paid for the bow kept, above 0 and at most 1,000,000; left out where it is not known"
            ),
        ),
    ] = None
    currency: Annotated[
        StrictStr | None,
        Field(pattern=r"^[A-Z]{3}$", description=N_("the shop’s currency, as EUR (ISO 4217), or left out")),
    ] = None
    note: Annotated[Line | None, Field(max_length=500, description=N_("a text of at most 500 characters, or null"))] = (
        None
    )

    @field_validator("price")
    @classmethod
    def _of_a_bow_kept(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and info.data.get("outcome") not in (None, "kept"):
            raise refusal(N_("A price is paid only where a bow was kept; leave it out."))
        return value

    @field_validator("currency")
    @classmethod
    def _of_a_price(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is not None and "price" in info.data and info.data["price"] is None:
            raise refusal(N_("A currency is of a price; leave it out where none is known."))
        return value
