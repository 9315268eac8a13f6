"""The questionnaire, field by field: the body of ``POST /api/v1/advice``.

Each field's description says what would be right; it stands in the API's description and in every refusal alike
(see `service.questionnaire.parsing`). Strictness is set by field, so that the same rules hold for JSON and for Python values.
"""

import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any
from uuid import UUID

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    Strict,
    StrictBool,
    StrictStr,
    ValidationInfo,
    field_validator,
)
from pydantic_core import CoreSchema, PydanticCustomError

from model.domain import records
from model.domain.vocabulary import BowKind, Criterion, Hold, Instrument, Place, Setting
from service.core.errors import FieldCode
from service.core.language import N_


def refusal(sentence: str, code: FieldCode = FieldCode.CONTRADICTS) -> PydanticCustomError:
    """Return an error whose ``sentence`` (marked for translation) reaches the reader as it stands, and whose code a program."""
    # Sentences travel as data: a literal template is what the type of the constructor asks for.
    return PydanticCustomError("sentence", "{sentence}", {"sentence": sentence, "code": code})


def _whole(value: Any) -> Any:
    """Take 5.0 for 5: JSON knows one kind of number."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _plain(text: str) -> str:
    """Refuse control characters, line breaks included, and marks that turn the direction of writing."""
    if any(unicodedata.category(letter) in {"Cc", "Cs"} or letter in "\u2028\u2029\u202d\u202e" for letter in text):
        raise refusal(
            N_("Got control characters or line breaks; expected plain text on one line."), FieldCode.WRONG_FORM
        )
    return text.strip()


def _distinct(values: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(values))


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What the description of a value says besides, in JSON Schema's words, so that it says what is taken and no more."""

    words: Mapping[str, Any]

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Add the words."""
        return {**handler(core), **self.words}


def written_as(pattern: str) -> Callable[[Any], Any]:
    """Return a check that refuses what is no text of a pattern: the parsers of days and ids take numbers and short forms too."""
    written = re.compile(pattern)

    def check(value: Any) -> Any:
        if isinstance(value, dt.date | UUID) or (isinstance(value, str) and written.search(value)):
            return value
        raise ValueError(pattern)

    return check


CONTROLS = r"\u0000-\u001f\u007f-\u009f\u2028\u2029\u202d\u202e"
"""What `_plain` refuses, as a range of a regular expression (ECMA-262)."""
_UUID = r"^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}$"
_DAY = r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"
Whole = Annotated[int, Strict(), BeforeValidator(_whole)]
Id = Annotated[UUID, BeforeValidator(written_as(_UUID)), Told({"pattern": _UUID})]
Day = Annotated[dt.date, BeforeValidator(written_as(_DAY)), Told({"pattern": _DAY})]
"""A day from 2000 to 2099: what lies further off is a slip, and dates are reckoned with."""
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Rating = Annotated[Whole, Field(ge=1, le=7, description=N_("a whole number from 1 to 7"))]
Ratings = dict[Criterion, Rating]
Line = Annotated[StrictStr, AfterValidator(_plain), Told({"pattern": f"^[^{CONTROLS}]*$"})]
Filled = Annotated[
    StrictStr, AfterValidator(_plain), Told({"pattern": rf"^[^{CONTROLS}]*[^\s{CONTROLS}][^{CONTROLS}]*$"})
]
"""The same, where blanks alone are no answer: with ``min_length=1``."""
Wish = Annotated[Whole, Field(ge=-1, le=1)]

_PART = rf"@\s,;:<>()\[\]\\\"{CONTROLS}"
EMAIL = re.compile(rf"[^{_PART}]{{1,64}}@[^{_PART}]+\.[^{_PART}.]{{2,63}}")
"""A plausible address: one @, a dot in the domain, nothing that could start another header (RFC 5321, 4.1.2 and
4.5.3.1 for the lengths; letters beyond ASCII as RFC 6531 allows). Whether it exists only a mail can tell."""


_PHONE = r"^[0-9+()/. \u00a0-]*$"


class Body(BaseModel):
    """Refuses fields it does not know and leaves what it holds unchanged."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def rule(
    test: Mapping[str, Any], then: Mapping[str, Any], otherwise: Mapping[str, Any] | bool = True
) -> dict[str, Any]:
    """Return a rule between fields in JSON Schema's words; ``test`` holds of fields that are there."""
    condition = {"properties": dict(test), "required": list(test)}
    return {"if": condition, "then": dict(then)} | ({"else": otherwise} if otherwise is not True else {})


GIVEN: dict[str, Any] = {"not": {"type": "null"}}
"""There, and no null."""


class Budget(Body):
    """What the player wants to spend."""

    amount: Annotated[
        Number, Field(gt=0, le=1_000_000, description=N_("an amount above 0 and at most 1,000,000, as a plain number"))
    ]
    currency: Annotated[
        StrictStr,
        Field(
            pattern=r"^[A-Z]{3}$", description=N_("a currency by its three capital letters, as EUR or USD (ISO 4217)")
        ),
    ]
    stretch_percent: Annotated[
        Number, Field(ge=0, le=100, description=N_("how far above the amount you would go, from 0 to 100 percent"))
    ] = 0


class Wishes(Body):
    """Which way the player would like to go from the own bow; null or left out = not answered."""

    mass: Annotated[Wish | None, Field(description=N_("-1 for lighter, 0 for no matter, 1 for heavier"))] = None
    tone: Annotated[Wish | None, Field(description=N_("-1 for warmer, 0 for no matter, 1 for brighter"))] = None


class OwnBow(Body):
    """The bow the player uses today."""

    kind: Annotated[BowKind, Field(description=N_("one of wood, carbon, hybrid, other, unknown"))] = BowKind.UNKNOWN
    mass_g: Annotated[Number | None, Field(ge=30, le=250, description=N_("a mass from 30 to 250 grams"))] = None
    ratings: Annotated[Ratings, Field(description=N_("ratings by criterion, each a whole number from 1 to 7"))] = Field(
        default_factory=dict
    )


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
        Whole | None, Field(ge=20, le=240, description=N_("a whole number of minutes from 20 to 240"))
    ] = None
    place: Annotated[Place, Field(description=N_("shop or post"))] = Place.SHOP


class Consent(Body):
    """What the player agreed to; nothing is taken as agreed."""

    advice: Annotated[
        StrictBool,
        Told({"const": True}),
        Field(description=N_("true: without this consent we keep no name and no address, so leave the contact out")),
    ]
    mail: Annotated[StrictBool, Field(description=N_("true or false"))] = False
    model: Annotated[StrictBool, Field(description=N_("true or false"))] = False

    @field_validator("advice")
    @classmethod
    def _given(cls, value: bool) -> bool:
        if not value:
            raise refusal(
                N_("Got no consent to keep the contact; give it, or leave the contact out."), FieldCode.UNUSABLE
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
    name: Annotated[Line | None, Field(max_length=200, description=N_("a name of at most 200 letters"))] = None
    email: Annotated[
        Annotated[Line, Told({"pattern": f"^({EMAIL.pattern})?$"})] | None,
        Field(max_length=254, validate_default=True, description=N_("an e-mail address, as name@example.org")),
    ] = None
    phone: Annotated[
        Annotated[Line, Told({"pattern": _PHONE})] | None,
        Field(
            max_length=40,
            pattern=_PHONE,
            description=N_("a telephone number of at most 40 digits, spaces and the signs + ( ) / . -"),
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


class Questionnaire(Body):
    """Everything a player may tell. Only ``instrument`` is needed, and ``hold`` for the double bass."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "instrument": "double_bass",
                    "hold": "german",
                    "strings": 4,
                    "string_length_mm": 1050,
                    "settings": ["orchestra"],
                    "budget": {"amount": 2600, "currency": "EUR", "stretch_percent": 10},
                    "priorities": ["response", "dynamic_range", "off_string"],
                    "wishes": {"mass": -1, "tone": None},
                    "own_bow": {"kind": "wood", "mass_g": 134, "ratings": {"overall": 4, "response": 3}},
                    "trial": {"minutes": 45, "place": "shop"},
                },
                {"instrument": "violin", "own_bow": None},
            ],
            **rule(
                {"instrument": {"const": "double_bass"}},
                {"required": ["hold"], "properties": {"hold": GIVEN}},
                {"properties": {"hold": {"type": "null"}, "string_length_mm": {"type": "null"}}},
            ),
        }
    )

    instrument: Annotated[Instrument, Field(description=N_("one of violin, viola, cello, double_bass"))]
    hold: Annotated[
        Hold | None,
        Field(
            validate_default=True, description=N_("for the double bass one of german, french, either; else left out")
        ),
    ] = None
    strings: Annotated[Whole | None, Field(ge=3, le=6, description=N_("a whole number of strings from 3 to 6"))] = None
    string_length_mm: Annotated[
        Number | None, Field(ge=500, le=1300, description=N_("a string length from 500 to 1300 millimetres"))
    ] = None
    settings: Annotated[
        tuple[Setting, ...],
        Field(
            max_length=50,
            description=N_(
                "a list of what you play: orchestra, theatre, chamber, solo, early_music, jazz, folk, study, teaching"
            ),
        ),
        AfterValidator(_distinct),
    ] = ()
    budget: Annotated[Budget | None, Field(description=N_("an amount with its currency"))] = None
    priorities: Annotated[
        tuple[Criterion, ...],
        Told({"uniqueItems": True, "items": {"enum": [each for each in Criterion if each is not Criterion.OVERALL]}}),
        Field(max_length=3, description=N_("at most three different criteria, most important first, never overall")),
    ] = ()
    wishes: Annotated[Wishes, Field(description=N_("wishes for mass and tone"))] = Wishes()
    own_bow: Annotated[
        OwnBow | None, Field(description=N_("your own bow; null where there is none, left out where not known"))
    ] = None
    tried: Annotated[
        tuple[Tried, ...],
        Field(max_length=20, description=N_("a list of at most 20 bows you have tried, each with its ratings")),
    ] = ()
    trial: Annotated[TrialWish, Field(description=N_("the minutes at hand and the place"))] = TrialWish()
    id: Annotated[Id | None, Field(description=N_("a UUID, as 8-4-4-4-12 hexadecimal digits"))] = None
    language: Annotated[
        StrictStr | None,
        Field(
            max_length=35,
            pattern=r"^[A-Za-z]{2,3}(-[A-Za-z0-9]{1,8})*$",
            description=N_("a language tag, as en or de-AT (BCP 47)"),
        ),
    ] = None
    dealer: Annotated[
        Filled | None,
        Field(min_length=1, max_length=100, description=N_("the short name of a dealer, as it stands in the address")),
    ] = None
    player: Annotated[
        Filled | None,
        Field(
            min_length=1,
            max_length=100,
            description=N_("the key of a player who is known, from a dealer’s server only"),
        ),
    ] = None
    contact: Annotated[Contact | None, Field(description=N_("a name and address, only if you want to hear back"))] = (
        None
    )

    @field_validator("hold")
    @classmethod
    def _hold_fits(cls, value: Hold | None, info: ValidationInfo) -> Hold | None:
        instrument = info.data.get("instrument")
        if instrument is Instrument.DOUBLE_BASS and value is None:
            raise refusal(N_("This is needed for the double bass: german, french or either."), FieldCode.MISSING)
        if instrument not in (None, Instrument.DOUBLE_BASS) and value is not None:
            raise refusal(N_("The hold is asked for the double bass only; leave it out for other instruments."))
        return value

    @field_validator("string_length_mm")
    @classmethod
    def _length_fits(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and info.data.get("instrument") not in (None, Instrument.DOUBLE_BASS):
            raise refusal(
                N_("The string length is asked for the double bass only; leave it out for other instruments.")
            )
        return value

    @field_validator("priorities")
    @classmethod
    def _single_and_distinct(cls, value: tuple[Criterion, ...]) -> tuple[Criterion, ...]:
        if Criterion.OVERALL in value:
            raise refusal(
                N_("Got overall, which always counts; expected at most three of the other criteria."),
                FieldCode.NOT_ONE_OF,
            )
        if len(set(value)) < len(value):
            raise refusal(N_("Got the same criterion twice; expected at most three different ones."))
        return value

    @property
    def plays_no_bow(self) -> bool:
        """True where the player said 'I have none', which is another thing than not saying anything."""
        return self.own_bow is None and "own_bow" in self.model_fields_set

    def answers(self) -> records.Answers:
        """Return what the model uses of the questionnaire."""
        own = self.own_bow
        return records.Answers(
            instrument=self.instrument,
            hold=self.hold,
            settings=frozenset(self.settings),
            priorities=self.priorities,
            wish_mass=self.wishes.mass,
            wish_tone=self.wishes.tone,
            own_bow=None if own is None else records.OwnBow(own.kind, own.mass_g, own.ratings),
            plays_no_bow=self.plays_no_bow,
        )

    def body(self) -> dict[str, Any]:
        """Return the answers as the API's own JSON body, without the id, the contact and the player's key; only what was given."""
        return self.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude={"id", "contact", "player"})
