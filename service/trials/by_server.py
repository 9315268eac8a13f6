"""A trial as a dealer's own server asks for it, and what it is told of one: letters, never which bow is behind them before the key is revealed."""

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.errors import FieldCode, FieldProblem, InvalidInputError, NotFoundError
from service.core.language import _
from service.core.moments import now
from service.players import enquiry_access, player_keys
from service.questionnaire import forms
from service.questionnaire.forms import Composing, Questionnaire
from service.questionnaire.server_fields import OutcomeIn, TrialIn
from service.trials import composing, lifecycle, outcomes, standing, told_to_servers, trial_record
from service.trials.desk_records import OutcomeRow
from service.trials.prices_paid import PricePaid
from service.trials.standing import BowStanding

_SAME = {"id", "enquiry", "player", "model_consent", "copies", "place", "blinding", "minutes"}
LEVEL = 0.9
"""The probability of a standing's intervals; see `service.trials.standing`."""


def compose(session: Session, dealer: str, asked: TrialIn) -> dict[str, Any]:
    """Compose a trial, begin it where that is asked for, and return its order by letter; a repeat returns the same.

    Raises `InvalidInputError`: a field that cannot be used, each by its path; `ConflictError`: a bow that cannot be had
    in these days; the sentence says why.
    """
    with audit.written_by(audit_events.DEALERS_SERVER):
        key = composing.compose(session, None, dealer, _composing(session, dealer, asked))
        shown = trial_record.trial(session, dealer, key)
        if asked.open and shown.row.state == "planned":
            lifecycle.open_(session, None, dealer, key)
            shown = trial_record.trial(session, dealer, key)
    runs = [{"position": slot.position, "letter": slot.letter, "own": slot.own} for slot in shown.slots]
    return {"id": key, "number": shown.row.number, "state": shown.row.state, "player": shown.row.player, "runs": runs}


def _composing(session: Session, dealer: str, asked: TrialIn) -> Composing:
    """Return the request as the desk makes it, checked by the same rules."""
    if asked.player is not None:
        with _here("player", _("There is no player of this key here; leave it out for one who is new.")):
            player_keys.known(session, dealer, asked.player)
    answers = _answers(session, dealer, asked)
    body: dict[str, Any] = {
        **asked.model_dump(mode="json", include=_SAME),
        "answers": answers.body(),
        "on": (asked.date or now().date()).isoformat(),
        "due_back": asked.due_back and asked.due_back.isoformat(),
        "hour": asked.hour,
        "country": asked.country,
    }
    try:
        return forms.check_as(Composing, body)
    except InvalidInputError as invalid:
        raise _renamed(invalid) from None


@contextmanager
def _here(field: str, sentence: str) -> Iterator[None]:
    """Turn what is not here into a fault of the field that names it."""
    try:
        yield
    except NotFoundError:
        raise InvalidInputError([FieldProblem(field, sentence, FieldCode.NOT_HERE)]) from None


def _answers(session: Session, dealer: str, asked: TrialIn) -> Questionnaire:
    """Return the answers of the enquiry, else those given; an instrument beside them must be theirs."""
    told = {key: str(value) for key, value in (("instrument", asked.instrument), ("hold", asked.hold)) if value}
    if asked.enquiry is not None:
        with _here("enquiry", _("There is no enquiry of this id here; leave it out and give the answers instead.")):
            answers = forms.check(enquiry_access.own(session, dealer, asked.enquiry).answers)
    elif asked.answers is not None:
        answers = asked.answers
    else:
        return forms.check(told)
    for field, value in told.items():
        if getattr(answers, field) != value:
            sentence = _("The answers say {value}; leave this out, or say the same.")
            said = sentence.format(value=getattr(answers, field))
            raise InvalidInputError([FieldProblem(field, said, FieldCode.CONTRADICTS)])
    return answers


def tell(session: Session, dealer: str, key: str) -> dict[str, Any]:
    """Return how a trial stands, by letter; raises `NotFoundError`."""
    found = standing.standing(session, dealer, key)
    said = found.recommendation
    return {
        "bows": [_bow(bow) for bow in found.bows],
        "recommendation": {"say": said.say, "letters": list(said.letters), "tier": said.tier, "text": said.text},
        "revealed": found.revealed,
        "sheets_in": found.sheets_in,
        "sheets_of": found.sheets_of,
        "basis": found.basis,
        "notes": [note for note in (found.drift, found.repeat, *found.flags) if note],
    }


def _bow(bow: BowStanding) -> dict[str, Any]:
    told = None
    if bow.expected is not None and bow.low is not None and bow.high is not None:
        told = {
            "expected": round(bow.expected, 2),
            "low": round(bow.low, 2),
            "high": round(bow.high, 2),
            "level": LEVEL,
        }
    return {
        "letter": bow.letters[0] if bow.letters else "",
        "letters": list(bow.letters),
        "own": bow.own,
        "plays": bow.plays,
        "fit": told,
        "best": None if bow.best is None else round(bow.best, 3),
        "copy": bow.copy,
    }


def outcome(session: Session, dealer: str, key: str, told: OutcomeIn) -> dict[str, Any]:
    """Record what came of a trial, the same again changing nothing; raises as `service.trials.outcomes.record` does."""
    day = told.date or now().date()
    price = None if told.price is None else round(Decimal(str(told.price)), 2)
    paid = PricePaid(price, told.note or None, sure=True, currency=told.currency)
    try:
        with audit.written_by(audit_events.DEALERS_SERVER):
            row = outcomes.record(session, None, dealer, key, told.outcome, told.copy_, told.reason, day, paid)
    except InvalidInputError as invalid:
        raise _renamed(invalid) from None
    return told_to_servers.outcome(OutcomeRow.of(row, None))


def _renamed(invalid: InvalidInputError) -> InvalidInputError:
    """Return what is wrong by the names that a server uses."""
    return InvalidInputError(each.at("date") if each.path == "on" else each for each in invalid.problems)
