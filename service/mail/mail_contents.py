"""What each mail tells, read from the database when it goes out: so it says what is true then, not when it was queued."""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind, Place
from service.advice import words
from service.core import formats, phrases, times
from service.core.language import N_, _
from service.mail import trial_texts
from service.mail.addresses import greeting_name
from service.tables import Composition, Contact, Enquiry, OutboxItem, Trial, User

Values = dict[str, Any]
_IN_THE_ADVICE = ("estimate", "shipping", "personal_data")
"""Cautions of the first mail; those about playing come with the one before the trial."""


class Needless(Exception):  # noqa: N818 - reads as what it says of the mail
    """The reason for the mail is gone; the text is one sentence for the desk, translated where it is shown."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of mail: ``agreed``, it goes only to whoever agreed to mail, and can be ended by its reader."""

    values: Callable[[Session, OutboxItem], Values]
    agreed: bool = False


def _advice(session: Session, row: OutboxItem) -> Values:
    enquiry = session.get(Enquiry, row.enquiry)
    if enquiry is None:
        raise Needless(N_("The enquiry is no longer kept."))
    doc = enquiry.advice
    return {
        "name": greeting_name((enquiry.contact or {}).get("name")),
        "title": words.headline(doc),
        "lead": words.lead(doc),
        "tiers": [_tier(entry, doc) for entry in doc["shortlist"]],
        "recommendation": words.recommendation(doc),
        "sureness": words.sureness(doc) if doc["shortlist"] else "",
        "verdict": words.verdict_code(doc),
        "cautions": [_(phrases.CAUTIONS[code]) for code in doc["cautions"] if code in _IN_THE_ADVICE],
        "path": f"/advice/{enquiry.address}",
    }


def _tier(entry: Mapping[str, Any], doc: words.Document) -> str:
    """Return one tier of the shortlist in a line."""
    return _("{name}, {price}. {role}: {bring}. {reason}").format(
        name=entry["name"],
        price=formats.money(entry["price"], entry["currency"]),
        role=words.role_words(entry, doc),
        bring=words.bring_words(entry, doc),
        reason=" ".join((words.why(entry, doc), *words.tried_here(entry, doc))),
    )


def _composed(session: Session, row: OutboxItem) -> tuple[Trial, Composition, Contact | None]:
    """Return the trial that a mail is about; raises `Needless` where it is gone or was cancelled."""
    trial = session.scalar(select(Trial).where(Trial.key == row.about))
    composition = session.get(Composition, trial.id) if trial else None
    if trial is None or composition is None or composition.state == "cancelled":
        raise Needless(N_("The trial was cancelled, or is no longer kept."))
    return trial, composition, session.get(Contact, trial.player)


def _of_trial(trial: Trial, composition: Composition, contact: Contact | None) -> Values:
    return {
        "name": greeting_name(contact.name if contact else None),
        "number": composition.number,
        "on": trial.on,
        "by_post": trial.place is Place.POST,
    }


def _before_trial(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = _composed(session, row)
    # A parcel is sent, and by that its trial open, before the day from which the bows may be played.
    if composition.state == "closed" or (composition.state == "open" and trial.place is not Place.POST):
        raise Needless(N_("The trial has begun already."))
    if trial.on < dt.datetime.now(dt.UTC).date():
        raise Needless(N_("The day of the trial is past."))
    cautions = ["pain", "bow_care", *(["shipping"] if trial.place is Place.POST else [])]
    return _of_trial(trial, composition, contact) | {
        "minutes": composition.minutes,
        "due_back": composition.due_back,
        # What to bring has a list of its own; at home there is the room to speak of too.
        "advice": words.how_to_try()[0 if trial.place is Place.POST else 1 :],
        "plays": words.what_to_play(trial.instrument, trial.settings.split()),
        "cautions": [_(phrases.CAUTIONS[code]) for code in cautions],
    }


def _after_trial(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = _composed(session, row)
    revealed = composition.revealed_at is not None
    return _of_trial(trial, composition, contact) | {
        "ratings": trial_texts.ratings(session, trial, revealed=revealed),
        "kept": trial_texts.kept(session, trial),
    }


def _follow_up(session: Session, row: OutboxItem) -> Values:
    trial, composition, contact = _composed(session, row)
    outcome = trial_texts.newest_outcome(session, trial)
    if outcome is None or outcome.outcome != OutcomeKind.KEPT:
        raise Needless(N_("The bow is no longer with the player."))
    return _of_trial(trial, composition, contact) | {
        "bow": trial_texts.tier_name(session, outcome.copy),
        "kept_on": outcome.on,
    }


def _enquiry_notice(session: Session, row: OutboxItem) -> Values:
    enquiry = session.get(Enquiry, row.enquiry)
    if enquiry is None:
        raise Needless(N_("The enquiry is no longer kept."))
    return {
        "player": trial_texts.player_words(enquiry.answers),
        "budget": trial_texts.budget_words(enquiry.answers),
        "title": words.headline(enquiry.advice),
        "hears_back": bool(enquiry.contact),
        "path": f"/desk/enquiries/{enquiry.id}",
    }


def _outcome_notice(session: Session, row: OutboxItem) -> Values:
    trial = session.scalar(select(Trial).where(Trial.key == row.values["trial"]))
    composition = session.get(Composition, trial.id) if trial else None
    if trial is None or composition is None:
        raise Needless(N_("The trial is no longer kept."))
    return {
        "number": composition.number,
        "outcome": trial_texts.outcome_words(row.values["outcome"]),
        "copy": row.values.get("copy"),
        "by_player": bool(row.values.get("by_player")),
        "returned": row.values["outcome"] == OutcomeKind.RETURNED,
        "path": f"/desk/trials/{trial.key}",
    }


def _link(_session: Session, row: OutboxItem) -> Values:
    return {"name": greeting_name(row.values.get("name")), "path": row.values["path"]}


ACCOUNT_NEWS: Mapping[str, str] = MappingProxyType(
    {
        "password": N_("The password of your account has been changed."),
        "factor_set": N_("A second factor has been set up: signing in now asks for a code of an app, too."),
        "factor_replaced": N_(
            "Another app has been set up as the second factor; the one before gives no valid codes any more."
        ),
        "factor_removed": N_("The second factor has been removed: the password alone now opens your account."),
        "factor_reset": N_(
            "Whoever runs the service has removed the second factor of your account, so that you can set up another."
        ),
        "codes_made": N_("New recovery codes have been made; the earlier ones open nothing any more."),
        "code_used": N_("A recovery code has been used in place of a code of the app."),
        "codes_tried": N_("Somebody gave your password and then several wrong codes. Nobody was let in."),
    }
)
"""What is told to one of the staff about the account, by its code."""


def _account_notice(session: Session, row: OutboxItem) -> Values:
    user = session.scalar(select(User).where(User.email == row.address))
    what, at = str(row.values["what"]), dt.datetime.fromisoformat(row.values["at"])
    news = ACCOUNT_NEWS[what]
    return {
        "name": greeting_name(user.name if user else None),
        "news": _(news),
        "at": times.moment(at),
        "tried": what == "codes_tried",
    }


def _password(session: Session, row: OutboxItem) -> Values:
    if "secret" not in row.values:
        raise Needless(N_("The link has been sent and is not kept; make a new one."))
    user = session.scalar(select(User).where(User.email == row.address))
    return {"name": greeting_name(user.name if user else None), "path": row.values["secret"]}


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "advice": Kind(_advice, agreed=True),
        "before_trial": Kind(_before_trial, agreed=True),
        "after_trial": Kind(_after_trial, agreed=True),
        "follow_up": Kind(_follow_up, agreed=True),
        "enquiry_notice": Kind(_enquiry_notice),
        "outcome_notice": Kind(_outcome_notice),
        "data_link": Kind(_link),
        "erasure_link": Kind(_link),
        "password": Kind(_password),
        "reset_link": Kind(_password),
        "account_notice": Kind(_account_notice),
    }
)
"""Every kind of mail; its texts lie in ``templates/mail/KIND``."""
