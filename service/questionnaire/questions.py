"""The questionnaire: every question, declared once. It is the body of ``POST /api/v1/advice`` and what the form asks.

A field's type and limits are the rules of page and API. Its description says what would be right; it stands in the API's
description and in every refusal alike (see `parsing`). Its `Asked` says how it is put: the form's page and field, the words, the
choices, and how the answer is told. Strictness is set by field, so that the same rules hold for JSON and for Python values.
"""

import hashlib
import json
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import AfterValidator, ConfigDict, Field, StrictStr, ValidationInfo, field_validator

from model.domain import records, vocabulary
from model.domain.vocabulary import Criterion, Hold, Instrument, Setting
from service.core.errors import FieldCode
from service.core.language import N_
from service.questionnaire import answer_phrases as say
from service.questionnaire import choices, declared
from service.questionnaire.declared import Asked, Declared, Kept, Kind
from service.questionnaire.field_types import GIVEN, Body, Filled, Id, Number, SchemaWords, Whole, refusal, rule
from service.questionnaire.question_parts import Budget, Contact, OwnBow, TrialWish, Tried, Wishes


def _distinct(values: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(dict.fromkeys(values))


def _by_name(settings: tuple[Setting, ...]) -> str:
    return " ".join(sorted(settings))


def _amount(budget: Budget | None) -> Decimal | None:
    """Return the amount in whole hundredths, as the history keeps it; None for none and for less than one."""
    return (budget and round(Decimal(str(budget.amount)), 2)) or None


def _currency(budget: Budget | None) -> str | None:
    return budget.currency if budget and _amount(budget) else None


_BASS = (Instrument.DOUBLE_BASS,)
_EXAMPLES: Final = (
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
)


def _described(schema: dict[str, Any], model: type[Any]) -> None:
    """Add to the description what the types do not tell: examples, and what follows from the instrument."""
    needed = rule({"instrument": {"const": "double_bass"}}, {"required": ["hold"], "properties": {"hold": GIVEN}})
    schema |= {"examples": list(_EXAMPLES), "allOf": [needed, *declared.instrument_rules(model)]}


class Questionnaire(Body):
    """Everything a player may tell. Only ``instrument`` is needed, and ``hold`` for the double bass."""

    model_config = ConfigDict(json_schema_extra=_described)

    instrument: Annotated[
        Instrument,
        Field(description=N_("one of violin, viola, cello, double_bass")),
        Asked(
            "instrument",
            Kind.CHOICE,
            "instrument",
            N_("Instrument"),
            ask=N_("What do you play?"),
            why=N_("Each instrument has bows of its own."),
            options=choices.table(choices.INSTRUMENTS),
            first_choice=N_("Choose the instrument that you play."),
            unsure=False,
            shape="pair",
            line=N_("Instrument"),
            say=say.instrument,
            brief=say.instrument,
            kept=(Kept("instrument", "the player's instrument"),),
        ),
    ]
    hold: Annotated[
        Hold | None,
        Field(
            validate_default=True, description=N_("for the double bass one of german, french, either; else left out")
        ),
        Asked(
            "instrument",
            Kind.CHOICE,
            "hold",
            N_("Hold"),
            ask=N_("How do you hold the bow?"),
            why=N_("A bow is built for one of the two holds."),
            options=choices.table(choices.HOLDS),
            first_choice=N_("Choose a hold; ‘either, or not sure’ will do."),
            unsure=False,
            shape="",
            only=_BASS,
            not_asked=N_("The hold is asked for the double bass only; leave it out for other instruments."),
            line=N_("Instrument"),
            say=say.hold,
            brief=say.hold,
            kept=(Kept("hold", "double bass only, and needed there: how the player holds the bow"),),
        ),
    ] = None
    strings: Annotated[
        Whole | None,
        Field(ge=3, le=6, description=N_("a whole number of strings from 3 to 6")),
        Asked(
            "instrument",
            Kind.CHOICE,
            "strings",
            N_("Strings"),
            ask=N_("How many strings has your bass?"),
            why=N_("Low strings ask more of a bow."),
            options=choices.strings,
            is_number=True,
            shape="tight",
            only=_BASS,
            line=N_("Instrument"),
            say=say.strings,
            adviser=N_("How many strings you play"),
            kept=(Kept("strings", "number of strings of the instrument"),),
        ),
    ] = None
    string_length_mm: Annotated[
        Number | None,
        Field(ge=500, le=1300, description=N_("a string length from 500 to 1300 millimetres")),
        Asked(
            "instrument",
            Kind.NUMBER,
            "string_length_mm",
            N_("String length"),
            ask=N_("How long are the strings, from nut to bridge?"),
            why=N_("It tells us how heavy they are under the bow. Leave it empty if you are not sure."),
            unit="mm",
            only=_BASS,
            not_asked=N_("The string length is asked for the double bass only; leave it out for other instruments."),
            line=N_("Instrument"),
            say=say.length,
            adviser=N_("The length of your strings"),
            kept=(Kept("string_length_mm", "sounding length of a string"),),
        ),
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
        Asked(
            "work",
            Kind.MANY,
            "settings",
            N_("What you play"),
            ask=N_("Where and what do you play?"),
            why=N_(
                "A bow that fills a hall is not always the one for a small room. Choose all that hold, or none if you are not sure."
            ),
            options=choices.table(choices.SETTINGS),
            line=N_("What is played"),
            say=say.settings,
            brief=say.settings_briefly,
            kept=(Kept("settings", "where the player plays", _by_name),),
        ),
    ] = ()
    budget: Annotated[
        Budget | None,
        Field(description=N_("an amount with its currency")),
        Asked(
            "budget",
            Kind.PART,
            line=N_("Budget"),
            say=say.budget,
            brief=say.up_to,
            kept=(
                Kept("budget", "what the player wants to spend at most", _amount),
                Kept("currency", "the budget's currency; needed with a budget", _currency),
            ),
        ),
    ] = None
    priorities: Annotated[
        tuple[Criterion, ...],
        SchemaWords(
            {"uniqueItems": True, "items": {"enum": [each for each in Criterion if each is not Criterion.OVERALL]}}
        ),
        Field(max_length=3, description=N_("at most three different criteria, most important first, never overall")),
        Asked(
            "wishes",
            Kind.OWN,
            drawn=False,
            line=N_("Matters most"),
            say=say.priorities,
            kept=(
                Kept("priorities", "the criteria that matter most to the player, the most important first", " ".join),
            ),
        ),
    ] = ()
    wishes: Annotated[Wishes, Field(description=N_("wishes for mass and tone"))] = Wishes()
    own_bow: Annotated[
        OwnBow | None,
        Field(description=N_("your own bow; null where there is none, left out where not known")),
        Asked(
            "own-bow",
            Kind.OWN,
            "own_bow",
            N_("Own bow"),
            ask=N_("Do you have a bow of your own?"),
            why=N_("It is the yardstick: a new bow has to be better than this one."),
            options=choices.has_a_bow,
            shape="",
            line=N_("Own bow"),
            say=say.own_bow,
            none=N_("none"),
        ),
    ] = None
    tried: Annotated[
        tuple[Tried, ...],
        Field(max_length=20, description=N_("a list of at most 20 bows you have tried, each with its ratings")),
        Asked(
            "tried",
            Kind.OWN,
            drawn=False,
            at_dealer=True,
            line=N_("Played here"),
            silent=True,
            say=say.tried,
            brief=say.how_many_tried,
        ),
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
    def _hold_is_needed(cls, value: Hold | None, info: ValidationInfo) -> Hold | None:
        if value is None and info.data.get("instrument") is Instrument.DOUBLE_BASS:
            raise refusal(N_("This is needed for the double bass: german, french or either."), FieldCode.MISSING)
        return value

    @field_validator("*")
    @classmethod
    def _is_asked(cls, value: Any, info: ValidationInfo) -> Any:
        words = declared.refused_for(cls, info.field_name or "", info.data.get("instrument"))
        if value is not None and words:
            raise refusal(words)
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


QUESTIONS: Final[tuple[Declared, ...]] = tuple(declared.within(Questionnaire))
"""Every question that is asked, in the order in which it is declared."""
HISTORY: Final[tuple[tuple[Declared, Kept], ...]] = tuple(
    (each, kept) for each in QUESTIONS for kept in each.asked.kept
)
"""The columns of the history that hold answers, in order, each with its question."""


@cache
def version() -> str:
    """Return a short digest of the questions, their rules and the code that reads them: the same questions, the same word."""
    found = hashlib.sha256(json.dumps(Questionnaire.model_json_schema(), sort_keys=True).encode())
    for file in (Path(vocabulary.__file__), *sorted(Path(__file__).parent.glob("*.py"))):
        found.update(file.name.encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:12]
