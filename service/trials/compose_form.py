"""The post of the composing page: strings to a questionnaire and to a trial to be composed; one sentence a mistake."""

import datetime as dt
import re
import uuid
from collections.abc import Mapping
from typing import Any

from model.domain.vocabulary import Blinding, Instrument, Place
from service.core.errors import FieldProblem, InvalidInputError
from service.core.language import N_, _
from service.questionnaire import forms
from service.questionnaire.forms import Composing
from service.questionnaire.parsing import shown
from service.trials.lifecycle import When
from service.web.desk_forms import first
from service.web.permissions import Fields

Body = dict[str, Any]
MINUTES = 40
"""The usual length of a trial: rest after forty minutes (common practice, no source)."""
_HIDDEN = ("id", "enquiry", "previous", "player")
_PLAIN = ("place", "blinding", "country", "hour")
_COUNTRY = re.compile(r"[A-Za-z]{2}")
_HOUR = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")
_FIELDS = {
    "hold": "instrument",
    "budget": "amount",
    "trial.minutes": "minutes",
    "trial.place": "place",
    "consent": "consent_advice",
    "copies": "copies",
}
"""By path of an answer: the page's field that it came from."""
_SAID = {
    "copies": N_("Choose at least one bow, and at most twelve."),
    "on": N_("Say on which day the trial is, as 2026-11-30."),
}
"""What is said of a field whatever is wrong with it."""
_OF_CONTACT = ("name", "email", "phone")
_YES_OR_NO = {"yes": True, "no": False}


def usual(today: dt.date) -> dict[str, list[str]]:
    """Return what stands in the fields of a page that nobody has filled in yet; the trial's id is drawn with it."""
    told = {"id": uuid.uuid4(), "place": Place.SHOP, "blinding": Blinding.BLIND, "minutes": MINUTES, "on": today}
    return {name: [str(value)] for name, value in told.items()} | {
        "repeat": [""],
        "consent_model": [""],
        "budget": [""],
    }


def walk_in(fields: Fields, currency: str) -> Body:
    """Return the answers of somebody who stands in the shop.

    Raises `InvalidInputError`: no instrument is chosen, or the amount is no number.
    """
    names = first(fields, "instrument").split()
    if not names:
        raise InvalidInputError([("instrument", _("Choose the instrument."))])
    body: Body = {"instrument": names[0]}
    if names[0] == Instrument.DOUBLE_BASS:
        body["hold"] = names[1] if len(names) > 1 else ""
    amount = first(fields, "amount") or first(fields, "budget")
    if amount:
        body["budget"] = {"amount": _number("amount", amount), "currency": currency}
    return body


def instrument_of(answers: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return the field of the instrument as answers have it, empty where they leave it, or the hold, open."""
    name, hold = str(answers.get("instrument", "")), str(answers.get("hold", ""))
    if name == Instrument.DOUBLE_BASS:
        return {"instrument": [f"{name} {hold}"]} if hold in ("german", "french") else {}
    return {"instrument": [name]} if name else {}


def dropped(fields: Fields) -> int | None:
    """Return the row of the bows played here that is to be taken out."""
    row = first(fields, "drop")
    return int(row) if row.isascii() and row.isdigit() else None


def questionnaire(body: Mapping[str, Any], fields: Fields, dealer: str) -> forms.Questionnaire:
    """Return the answers with this trial's dealer, minutes and place, as they are proposed from.

    Raises `InvalidInputError`: by the name of the field.
    """
    trial = {"minutes": minutes(fields), "place": first(fields, "place") or str(Place.SHOP)}
    try:
        return forms.check({**body, "dealer": dealer, "trial": trial})
    except InvalidInputError as invalid:
        raise InvalidInputError(_by_field(invalid)) from None


def minutes(fields: Fields) -> int | float:
    """Return the minutes at hand; raises `InvalidInputError`."""
    return _number("minutes", first(fields, "minutes") or str(MINUTES))


def days(fields: Fields) -> tuple[dt.date | None, dt.date | None]:
    """Return the first and the last day; raises `InvalidInputError`."""
    return day("on", first(fields, "on")), day("due_back", first(fields, "due_back"))


def when(fields: Fields) -> When:
    """Return the day and hour to which a trial is moved; raises `InvalidInputError` by the name of the field."""
    day, due_back = days(fields)
    if day is None:
        sentence = _SAID["on"]
        raise InvalidInputError([("on", _(sentence))])
    hour = first(fields, "hour")
    if hour and not _HOUR.fullmatch(hour):
        raise InvalidInputError(
            [("hour", _("Got {text}; expected an hour and minute, as 15:30.").format(text=shown(hour)))]
        )
    return When(day, dt.time.fromisoformat(hour) if hour else None, due_back)


def composing(fields: Fields, body: Mapping[str, Any]) -> Composing:
    """Return the trial to be composed.

    ``body``: the answers, as the questionnaire's body.

    Raises `InvalidInputError`: by the name of the field.
    """
    day, due_back = days(fields)
    asked: Body = {name: first(fields, name) for name in (*_HIDDEN, *_PLAIN)}
    asked["country"] = asked["country"].upper() if _COUNTRY.fullmatch(asked["country"]) else asked["country"]
    asked |= {"on": day, "due_back": due_back, "minutes": minutes(fields), "contact": _contact(fields)}
    asked["repeat"] = _YES_OR_NO.get(first(fields, "repeat"))
    asked["model_consent"] = _YES_OR_NO.get(first(fields, "consent_model"))
    asked |= {"copies": tuple(fields.get("copies", ())), "answers": dict(body)}
    try:
        return forms.check_as(Composing, {name: value for name, value in asked.items() if value not in ("", None)})
    except InvalidInputError as invalid:
        raise InvalidInputError(_by_field(invalid)) from None


def _contact(fields: Fields) -> Body | None:
    given = {name: first(fields, name) for name in _OF_CONTACT if first(fields, name)}
    if not given:
        return None
    consent = {name: first(fields, f"consent_{name}") == "yes" for name in ("advice", "mail")}
    return {"consent": consent, **given}


def _number(field: str, text: str) -> int | float:
    try:
        return forms.number(text)
    except ValueError as error:
        raise InvalidInputError([(field, str(error))]) from None


def day(field: str, text: str) -> dt.date | None:
    """Return a day of a field, None where it is empty; raises `InvalidInputError` for what is none."""
    if not text:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        sentence = _("Got {text}; expected a day, as 2026-11-30.").format(text=shown(text))
        raise InvalidInputError([(field, sentence)]) from None


def _by_field(invalid: InvalidInputError) -> list[FieldProblem]:
    """Name the field of the page that an answer's path came from; what can only be missing is said in the page's words."""
    found = []
    for problem in invalid.problems:
        path = problem.path.removeprefix("answers.").removeprefix("contact.")
        field = _FIELDS.get(path) or _FIELDS.get(path.split(".")[0]) or path
        found.append(FieldProblem(field, _(_SAID[field]) if field in _SAID else problem.message))
    return found
