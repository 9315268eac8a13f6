"""A trial composed: bows set aside for its days, letters and order drawn, who plays it known by a key."""

import datetime as dt
import secrets
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.trial import CaseValue, of_named
from service import tables
from service.advice import advise
from service.advice.document import Considered
from service.core import audit_events, formats, zones
from service.core.errors import Code, ConflictError, FieldCode, InvalidInputError, NotFoundError, refuse
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_copies, lock_dealer
from service.dealers import site
from service.players import enquiry_access, known, player_keys
from service.players.known import Marks
from service.players.trial_access import composed
from service.questionnaire.composing_fields import MOST_COPIES
from service.questionnaire.forms import Composing, Questionnaire
from service.questionnaire.questions import HISTORY
from service.trials import ordering, reservations, trial_mails
from service.trials.proposing import BowChoice, ByCopies, Proposal, check_chosen, propose
from service.trials.shared import noted

__all__ = ["MOST_COPIES", "BowChoice", "ByCopies", "Composing", "Proposal", "compose", "propose"]

SEEDS = 2**31 - 1
FARTHEST = dt.timedelta(days=3653)


def compose(session: Session, user: int | None, dealer: str, request: Composing) -> str:
    """Compose a trial, set its bows aside, and return its key; a repeat with the same id returns the same trial.

    Raises `NotFoundError`: an enquiry, player or earlier trial that is not this dealer's; `ConflictError`: a bow is
    reserved for another trial in these days, or cannot be had; the sentence names trial and days; `InvalidInputError`:
    a bow that is unknown here or does not suit the instrument.
    """
    lock_dealer(session, dealer)
    key = str(request.id)
    if _is_there(session, dealer, key):
        return key
    enquiry = enquiry_access.own(session, dealer, request.enquiry) if request.enquiry else None
    previous = composed(session, dealer, request.previous)[0].id if request.previous else None
    answers = request.plan_answers(dealer)
    stored = known.gathered(
        session, dealer, answers, player=request.player, enquiry=request.enquiry, previous=request.previous
    )
    considered = consider_answers(session, answers, request.copies, stored)
    check_hour(session, dealer, request.on, request.hour)
    last = reservations.busy_until(request.due_back or request.on, request.place)
    set_aside(session, dealer, request.copies, request.on, last)
    trial = _trial(session, dealer, request, enquiry)
    session.add(trial)
    session.flush()
    composition = _composition(session, user, dealer, request, considered)
    composition.trial, composition.previous = trial.id, previous
    session.add(composition)
    session.flush()
    keep_aside(session, composition, request.copies)
    ordering.lay_out(session, composition, request.copies)
    if enquiry is not None:
        enquiry.player = trial.player
    trial_mails.trial_set(session, key)
    told = {"number": composition.number, "copies": sorted(request.copies)}
    noted(session, user, dealer, audit_events.TRIAL_COMPOSED, f"trial {key}", **told)
    return key


def _is_there(session: Session, dealer: str, key: str) -> bool:
    """Say whether the trial was composed already; raises `ConflictError` where the id is another one's."""
    if session.scalar(select(tables.Trial.id).where(tables.Trial.key == key)) is None:
        return False
    try:
        composed(session, dealer, key)
    except NotFoundError:
        raise ConflictError(_("This id is taken; draw a new one for a new trial."), Code.ID_TAKEN) from None
    return True


def check_hour(session: Session, dealer: str, on: dt.date, hour: dt.time | None) -> None:
    """Raise `InvalidInputError` for an hour that the shop's clock leaves out on that day, or a day that is years ahead."""
    if on > now().date() + FARTHEST:
        raise InvalidInputError([("on", _("This day is more than ten years ahead; look at the year."))])
    zone = site.zone(session, dealer)
    if hour is not None and zone is not None and not zones.is_there(on, hour, zone):
        sentence = _("On {day} the clocks go forward: {hour} does not come. Choose another hour.")
        raise InvalidInputError([("hour", sentence.format(day=formats.day(on), hour=formats.hour(hour)))])


def consider_answers(
    session: Session, questionnaire: Questionnaire, copies: Sequence[str], stored: Marks
) -> Considered:
    """Return the advice for a trial's answers and its player's stored marks, with exactly its bows at hand.

    Raises `InvalidInputError` with the form's paths.
    """
    try:
        considered = advise.consider(session, questionnaire, copies, stored)
    except InvalidInputError as invalid:
        raise InvalidInputError(each.at(f"answers.{each.path}") for each in invalid.problems) from None
    check_chosen(copies, considered.outlook.stock.serials, considered.now_on_sale.range.copies)
    return considered


def set_aside(
    session: Session, dealer: str, copies: Sequence[str], first: dt.date, last: dt.date, but: int | None = None
) -> None:
    """Hold the rows of bows for this transaction and make sure that they can be had from the first day to the last.

    Raises `InvalidInputError`: a bow that is not in the dealer's stock; `ConflictError`: bows that are wanted
    elsewhere, each in a sentence.
    """
    rows = lock_copies(session, copies)
    unknown = _("There is no bow {copy} in your stock; look at its serial again.")
    elsewhere = [
        (f"copies.{place}", unknown.format(copy=serial), FieldCode.NOT_HERE)
        for place, serial in enumerate(copies)
        if serial not in rows or rows[serial].dealer != dealer
    ]
    refuse(elsewhere)
    reserved, today = reservations.of_copies(session, copies), now().date()
    reasons = [
        reservations.why_not(serial, rows[serial].status, reserved.get(serial, ()), first, last, today, but)
        for serial in copies
    ]
    if any(reasons):
        raise ConflictError(" ".join(reason for reason in reasons if reason), Code.BOWS_TAKEN)


def keep_aside(session: Session, composition: tables.Composition, copies: Sequence[str]) -> None:
    """Reserve bows for a trial's days; they are locked by `set_aside`."""
    if composition.out_from is None or composition.due_back is None:
        msg = f"trial {composition.trial}: got no days, expected the first and the last"
        raise ValueError(msg)
    for row in lock_copies(session, copies).values():
        session.add(
            tables.TrialCopy(
                trial=composition.trial, copy=row.serial, out_from=composition.out_from, due_back=composition.due_back
            )
        )
        if row.status == "in_stock":
            row.status = "reserved"
    session.flush()


def _trial(session: Session, dealer: str, request: Composing, enquiry: tables.Enquiry | None) -> tables.Trial:
    """Return the row of the history, the answers' columns filled."""
    contact = request.contact or player_keys.contact_of(enquiry.contact if enquiry else None)
    key = request.player or enquiry_access.player_key(session, enquiry)
    language = enquiry.language if enquiry else request.answers.language
    player = player_keys.found_or_made(session, dealer, key, contact, language, _said(request, enquiry))
    set_up = {"on": request.on, "place": request.place, "blinding": request.blinding}
    columns = answer_columns(request.answers)
    return tables.Trial(key=str(request.id), player=player.id, dealer=dealer, **set_up, **columns)


def _said(request: Composing, enquiry: tables.Enquiry | None) -> player_keys.Said | None:
    """Return whether the ratings may help others, as it was said now, else with the enquiry; None: nobody asked."""
    consent = request.contact.consent if request.contact else None
    if consent is not None and "model" in consent.model_fields_set:
        return player_keys.Said(consent.model, now())
    if request.model_consent is not None:
        return player_keys.Said(request.model_consent, now())
    kept = player_keys.contact_of(enquiry.contact) if enquiry else None
    return player_keys.Said(kept.consent.model, enquiry.created_at) if enquiry and kept else None


def answer_columns(answers: Questionnaire) -> dict[str, Any]:
    """Return the answers as the history's columns."""
    return {kept.column: kept.value(question.given(answers)) for question, kept in HISTORY}


def _composition(
    session: Session, user: int | None, dealer: str, request: Composing, considered: Considered
) -> tables.Composition:
    number = ordering.next_number(session, dealer)
    no_bow, count = request.answers.plays_no_bow, len(request.copies)
    repeat = _hides_repeat(session, dealer, request)
    own = ordering.own_plays(count, request.minutes, repeat, no_bow)
    days = {"out_from": request.on, "due_back": request.due_back or request.on, "hour": request.hour}
    asked = {"enquiry": request.enquiry, "minutes": request.minutes, "country": request.country}
    drawn = {"number": number, "seed": secrets.randbelow(SEEDS), "own_plays": own, "repeat": repeat}
    made = {"dealer": dealer, "state": "planned", "created_at": now(), "made_by": user}
    promised = of_named(considered.player, request.copies)
    return tables.Composition(
        **(days | asked | drawn | made),
        answers=request.plan_answers(dealer).body(),
        plan=planned(considered, promised, request.copies, count + own + repeat),
        model_version=considered.fitted.version,
    )


def _hides_repeat(session: Session, dealer: str, request: Composing) -> bool:
    """Say whether a bow is to be played twice unannounced: as the adviser says, else by the rule."""
    no_bow, count = request.answers.plays_no_bow, len(request.copies)
    if request.repeat is not None:
        return request.repeat and count + (not no_bow) > 1
    wanted = ordering.wants_repeat(session, dealer, request.place, request.blinding)
    return wanted and ordering.repeat_fits(count, request.minutes, no_bow)


def planned(considered: Considered, case: CaseValue, copies: Sequence[str], runs: int) -> dict[str, Any]:
    """Return what the case promised when it was put together, as it is kept."""
    return {
        "copies": sorted(copies),
        "chance": round(case.chance, 3),
        "gain": round(case.gain, 3),
        "runs": runs,
        "minutes": ordering.minutes_of(runs),
        "basis": considered.document["model"]["basis"],
    }
