"""What an adviser decides when a trial is composed."""

import datetime as dt
from typing import Annotated, Any
from uuid import UUID

from pydantic import AfterValidator, Field, StrictBool, ValidationInfo, field_validator

from model.domain.vocabulary import Blinding, Place
from service.core.language import N_
from service.questionnaire.field_types import Body, Country, Day, Hour, Line, Whole, refusal
from service.questionnaire.question_parts import Contact
from service.questionnaire.questions import Questionnaire

MOST_COPIES = 12
"""Nobody keeps more bows apart in one sitting; a slip more likely above."""


def distinct(values: tuple[str, ...]) -> tuple[str, ...]:
    """Return the serials as they are; raises for one that stands twice."""
    if len(set(values)) < len(values):
        raise refusal(N_("Got the same bow twice; expected every serial once. A repeat is hidden by the order itself."))
    return values


class Composing(Body):
    """A trial to be composed.

    ``id`` is drawn by the client, so that a repeat is the same trial. ``repeat`` None: by the rule of one in three at least, and never
    by post: with the case in hand the player would see two loops on one bow.
    ``model_consent``: whether the ratings, without a name, may help to advise others.
    ``player``: the key of one who is known already; None: a new one. ``due_back`` None: the same day in the shop, two weeks on
    by post.
    """

    id: Annotated[UUID, Field(description=N_("a UUID, as 8-4-4-4-12 hexadecimal digits"))]
    enquiry: Annotated[Line | None, Field(max_length=64, description=N_("the id of an enquiry"))] = None
    previous: Annotated[Line | None, Field(max_length=100, description=N_("the key of the trial before"))] = None
    player: Annotated[Line | None, Field(max_length=100, description=N_("the key of a player who is known"))] = None
    contact: Annotated[Contact | None, Field(description=N_("a name and address, with consent"))] = None
    model_consent: Annotated[
        StrictBool | None,
        Field(description=N_("true or false, as the player said; left out where the player was not asked")),
    ] = None
    answers: Annotated[Questionnaire, Field(description=N_("the answers, at least the instrument"))]
    copies: Annotated[
        tuple[Line, ...],
        Field(min_length=1, max_length=MOST_COPIES, description=N_("the serials of one to twelve bows")),
        AfterValidator(distinct),
    ]
    place: Annotated[Place, Field(description=N_("shop or post"))] = Place.SHOP
    blinding: Annotated[Blinding, Field(description=N_("blind, masked or open"))] = Blinding.BLIND
    minutes: Annotated[Whole, Field(ge=20, le=240, description=N_("a whole number of minutes from 20 to 240"))] = 60
    on: Annotated[Day, Field(description=N_("a day, as 2026-11-30"))]
    hour: Annotated[
        Hour | None,
        Field(description=N_("when the trial begins by the shop’s clock, as 15:30; left out where that is open")),
    ] = None
    due_back: Annotated[
        Day | None, Field(validate_default=True, description=N_("a day not before the trial, as 2026-11-30"))
    ] = None
    country: Annotated[
        Country | None,
        Field(
            validate_default=True,
            description=N_("the country the parcel goes to, by its two capital letters, as DE (ISO 3166)"),
        ),
    ] = None
    repeat: Annotated[StrictBool | None, Field(description=N_("true, false, or left out for the usual rule"))] = None

    @field_validator("repeat")
    @classmethod
    def _hidden_in_the_shop_only(cls, value: bool | None, info: ValidationInfo) -> bool | None:
        if value and info.data.get("place") is Place.POST:
            raise refusal(
                N_("By post no repeat can be hidden: one bow would carry two loops. Leave it out, or play in the shop.")
            )
        return value

    @field_validator("due_back")
    @classmethod
    def _not_before(cls, value: dt.date | None, info: ValidationInfo) -> dt.date | None:
        day: dt.date | None = info.data.get("on")
        if day is None:
            return value
        if value is None:
            return day + dt.timedelta(days=14 if info.data.get("place") is Place.POST else 0)
        if value < day:
            raise refusal(N_("The bows cannot be back before the trial; expected the same day or a later one."))
        return value

    @field_validator("country")
    @classmethod
    def _for_a_parcel(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is None and info.data.get("place") is Place.POST:
            raise refusal(N_("For a trial by post we need the country it goes to, by two capital letters, as DE."))
        return value if info.data.get("place") is Place.POST else None

    def plan_answers(self, dealer: str) -> Questionnaire:
        """Return the answers with the dealer, the minutes and the place of this trial."""
        trial = self.answers.trial.model_copy(update={"minutes": self.minutes, "place": self.place})
        changes: dict[str, Any] = {"dealer": dealer, "trial": trial, "contact": None, "id": None, "player": None}
        return self.answers.model_copy(update=changes)
