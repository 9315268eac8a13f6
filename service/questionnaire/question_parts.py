"""The parts of the questionnaire that hold several questions each: declared as in `questions`, which puts them together."""

from typing import Annotated

from pydantic import ConfigDict, Field, StrictBool, StrictStr, ValidationInfo, field_validator

from model.domain.vocabulary import BowKind, Place
from service.core.errors import FieldCode
from service.core.language import N_
from service.questionnaire import answer_phrases as say
from service.questionnaire import choices
from service.questionnaire.declared import Asked, Kept, Kind
from service.questionnaire.field_types import (
    EMAIL,
    Body,
    Filled,
    Line,
    Number,
    Ratings,
    SchemaWords,
    Whole,
    Wish,
    refusal,
    rule,
)

_PHONE = r"^[0-9+()/. \u00a0-]*$"


class Budget(Body):
    """What the player wants to spend."""

    amount: Annotated[
        Number,
        Field(gt=0, le=1_000_000, description=N_("an amount above 0 and at most 1,000,000, as a plain number")),
        Asked("budget", Kind.NUMBER, "amount", N_("Budget"), drawn=False),
    ]
    currency: Annotated[
        StrictStr,
        Field(
            pattern=r"^[A-Z]{3}$", description=N_("a currency by its three capital letters, as EUR or USD (ISO 4217)")
        ),
        Asked("budget", Kind.TEXT, "currency", N_("Currency"), upper=True, drawn=False),
    ]
    stretch_percent: Annotated[
        Number,
        Field(ge=0, le=100, description=N_("how far above the amount you would go, from 0 to 100 percent")),
        Asked(
            "budget",
            Kind.CHOICE,
            "stretch_percent",
            N_("Above the budget"),
            ask=N_("How far would you go above that for the right bow?"),
            why=N_("One step up may show you what more money buys."),
            options=choices.stretches,
            is_number=True,
            line=N_("Budget"),
            say=say.stretch,
        ),
    ] = 0


class Wishes(Body):
    """Which way the player would like to go from the own bow; null or left out = not answered."""

    mass: Annotated[
        Wish | None,
        Field(description=N_("-1 for lighter, 0 for no matter, 1 for heavier")),
        Asked(
            "wishes",
            Kind.CHOICE,
            "wish_mass",
            N_("Lighter or heavier"),
            ask=N_("Lighter or heavier than the bow you play now?"),
            why=N_("Weight is a matter of your hand, not of quality."),
            options=choices.table(choices.MASS),
            is_number=True,
            line=N_("Wishes"),
            say=say.wish_mass,
            kept=(Kept("wish_mass", "-1 lighter, 0 as it is, 1 heavier than the own bow"),),
        ),
    ] = None
    tone: Annotated[
        Wish | None,
        Field(description=N_("-1 for warmer, 0 for no matter, 1 for brighter")),
        Asked(
            "wishes",
            Kind.CHOICE,
            "wish_tone",
            N_("Warmer or brighter"),
            ask=N_("Warmer or brighter?"),
            why=N_("A wish about the colour, apart from how much you like it."),
            options=choices.table(choices.TONE),
            is_number=True,
            line=N_("Wishes"),
            say=say.wish_tone,
            kept=(Kept("wish_tone", "-1 warmer, 0 as it is, 1 brighter"),),
        ),
    ] = None


class OwnBow(Body):
    """The bow the player uses today."""

    kind: Annotated[
        BowKind,
        Field(description=N_("one of wood, carbon, hybrid, other, unknown")),
        Asked(
            "own-bow",
            Kind.CHOICE,
            "own_kind",
            N_("Its stick"),
            ask=N_("What is its stick made of?"),
            why=N_("It tells us what your hand is used to."),
            options=choices.table(choices.KINDS),
            line=N_("Own bow"),
            say=say.kind,
            adviser=N_("What your own bow is made of"),
        ),
    ] = BowKind.UNKNOWN
    mass_g: Annotated[
        Number | None,
        Field(ge=30, le=250, description=N_("a mass from 30 to 250 grams")),
        Asked(
            "own-bow",
            Kind.NUMBER,
            "own_mass_g",
            N_("Its weight"),
            ask=N_("What does it weigh?"),
            why=N_(
                "When we speak of lighter and heavier bows, we mean than this one. Leave it empty if you are not sure."
            ),
            unit="g",
            line=N_("Own bow"),
            say=say.mass,
        ),
    ] = None
    ratings: Annotated[
        Ratings,
        Field(description=N_("ratings by criterion, each a whole number from 1 to 7")),
        Asked("own-bow", Kind.OWN, drawn=False, line=N_("Own bow"), say=say.ratings),
    ] = Field(default_factory=dict)


class Tried(Body):
    """A bow of the range that the player has tried already, outside a recorded trial."""

    copy_: Annotated[
        Filled, Field(alias="copy", min_length=1, max_length=100, description=N_("the serial of a bow of the range"))
    ]
    ratings: Annotated[
        Ratings,
        Field(min_length=1, description=N_("at least one rating by criterion, each a whole number from 1 to 7")),
    ]


class TrialWish(Body):
    """Where the bows are tried and how much time there is."""

    minutes: Annotated[
        Whole | None,
        Field(ge=20, le=240, description=N_("a whole number of minutes from 20 to 240")),
        Asked(
            "budget",
            Kind.CHOICE,
            "minutes",
            N_("Time"),
            ask=N_("How much time would you have for a trial?"),
            why=N_("About five minutes a bow, your own included; an ear tires after forty."),
            options=choices.minutes,
            is_number=True,
            line=N_("Trial"),
            say=say.minutes,
        ),
    ] = None
    place: Annotated[
        Place,
        Field(description=N_("shop or post")),
        Asked(
            "budget",
            Kind.CHOICE,
            "place",
            N_("Place"),
            ask=N_("Where would you like to try them?"),
            why=N_("By post you hear them in your own room; in the shop more of them are at hand."),
            options=choices.table(choices.PLACES),
            shape="",
            line=N_("Trial"),
            say=say.place,
        ),
    ] = Place.SHOP


class Consent(Body):
    """What the player agreed to; nothing is taken as agreed."""

    advice: Annotated[
        StrictBool,
        SchemaWords({"const": True}),
        Field(description=N_("true: without this consent we keep no name and no address, so leave the contact out")),
        Asked(
            "contact",
            Kind.BOX,
            "consent_advice",
            N_("Consent"),
            ask=N_("Keep my name and address with these answers, for this advice and a trial."),
        ),
    ]
    mail: Annotated[
        StrictBool,
        Field(description=N_("true or false")),
        Asked("contact", Kind.BOX, "consent_mail", N_("Consent"), ask=N_("Write to me about this shortlist.")),
    ] = False
    model: Annotated[
        StrictBool,
        Field(description=N_("true or false")),
        Asked(
            "contact",
            Kind.BOX,
            "consent_model",
            N_("Consent"),
            ask=N_("Learn from my ratings, without my name, to advise others better."),
        ),
    ] = False

    @field_validator("advice")
    @classmethod
    def _given(cls, value: bool) -> bool:
        if not value:
            raise refusal(
                N_("Without your consent we keep no name and no address: give it, or leave the contact out."),
                FieldCode.UNUSABLE,
            )
        return value


class Contact(Body):
    """Who wants to hear back. ``consent`` stands first: the address is checked against it."""

    model_config = ConfigDict(
        json_schema_extra=rule(
            {"consent": {"properties": {"mail": {"const": True}}, "required": ["mail"]}},
            {"required": ["email"], "properties": {"email": {"type": "string", "minLength": 1}}},
        )
    )

    consent: Annotated[Consent, Field(description=N_("what you agree to: advice, mail, model"))]
    name: Annotated[
        Line | None,
        Field(max_length=200, description=N_("a name of at most 200 letters")),
        Asked(
            "contact",
            Kind.TEXT,
            "name",
            N_("Name"),
            ask=N_("Your name"),
            why=N_("So that we know how to address you."),
            autocomplete="name",
        ),
    ] = None
    email: Annotated[
        Annotated[Line, SchemaWords({"pattern": f"^({EMAIL.pattern})?$"})] | None,
        Field(max_length=254, validate_default=True, description=N_("an e-mail address, as name@example.org")),
        Asked(
            "contact",
            Kind.EMAIL,
            "email",
            N_("E-mail"),
            ask=N_("E-mail"),
            why=N_("Where to write to, if you agree to that below."),
            autocomplete="email",
        ),
    ] = None
    phone: Annotated[
        Annotated[Line, SchemaWords({"pattern": _PHONE})] | None,
        Field(
            max_length=40,
            pattern=_PHONE,
            description=N_("a telephone number of at most 40 digits, spaces and the signs + ( ) / . -"),
        ),
        Asked(
            "contact",
            Kind.TEL,
            "phone",
            N_("Telephone"),
            ask=N_("Telephone"),
            why=N_("Only if you would rather be called."),
            autocomplete="tel",
        ),
    ] = None

    @field_validator("email")
    @classmethod
    def _plausible(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value and not EMAIL.fullmatch(value):
            raise refusal(
                N_("This does not look like an e-mail address; expected one like name@example.org."),
                FieldCode.WRONG_FORM,
            )
        consent = info.data.get("consent")
        if consent and consent.mail and not value:
            raise refusal(
                N_("We need an e-mail address to write to you; give one, or leave out the consent to mail."),
                FieldCode.MISSING,
            )
        return value or None
