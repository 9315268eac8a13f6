"""What is kept of a person, as one JSON document in plain words: to be read, downloaded and taken elsewhere."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.mail import mailboxes
from service.players.persons import Person, mail_to
from service.tables import (
    RATED,
    Composition,
    Contact,
    Draft,
    Enquiry,
    FollowUp,
    HeadToHead,
    JoinedPlayer,
    OutboxItem,
    Outcome,
    Pair,
    Parcel,
    Player,
    PlayerNote,
    Run,
    Sheet,
    Trial,
    newest_outcome,
    newest_run,
    outcome_order,
)
from service.tables.columns import in_json

Json = dict[str, Any]


def held(session: Session, person: Person) -> Json:
    """Return everything that a dealer keeps of a person; bows are named as the player knew them, by trial and place."""
    confirmed_at = mailboxes.confirmed_at(session, person.email) if person.email else None
    return {
        "contacts": [_contact(row) for row in session.scalars(_here(Contact, Contact.player, person))],
        "enquiries": [_enquiry(row) for row in session.scalars(_of(Enquiry, Enquiry.id, person.enquiries))],
        "notes": [_note(row) for row in session.scalars(_here(PlayerNote, PlayerNote.player, person))],
        "joined": [_joined(row) for row in session.scalars(_here(JoinedPlayer, JoinedPlayer.player, person))],
        "trials": [_trial(session, trial) for trial in session.scalars(_here(Trial, Trial.player, person))],
        "mails": _mails(session, person),
        "address_confirmed": (in_json(confirmed_at) if confirmed_at else None),
        "unfinished_questionnaires": [_draft(row) for row in session.scalars(_of(Draft, Draft.id, person.drafts))],
    }


def hand_out(session: Session, person: Person, user: int | None = None, about: str = "person") -> Json:
    """Return the same to be taken away, which is put on record; ``user``: who of the staff does so, None: the person."""
    audit.record_often(session, user, audit_events.PERSONS_DATA_GIVEN, about, dealer=person.dealer)
    return held(session, person)


def _of(table: Any, column: Any, values: Sequence[Any]) -> Any:
    return select(table).where(column.in_(values)).order_by(column)


def _here(table: Any, column: Any, person: Person) -> Any:
    """Return what a table holds of a person's players at the dealer: by a file a player may be another one's too."""
    return _of(table, column, person.players).where(table.dealer == person.dealer)


def _plain(row: Any, *names: str) -> Json:
    """Return columns of a row under their own names."""
    return {name: getattr(row, name) for name in names}


def _contact(row: Contact) -> Json:
    told = _plain(row, "name", "email", "phone", "language")
    return told | {"may_write": row.mail_consent, "since": in_json(row.created_at)}


def _note(row: PlayerNote) -> Json:
    return {"note": row.text, "changed": in_json(row.at)}


def _joined(row: JoinedPlayer) -> Json:
    return {"found_to_be_the_same_person_on": in_json(row.at)}


def _enquiry(row: Enquiry) -> Json:
    told = _plain(row, "language", "answers", "contact")
    return {"made": in_json(row.created_at), **told, "advice": _advice(row.advice)}


def _advice(document: Json) -> Json:
    """Return what was advised, without the serials that the dealer is to bring: a trial is played blind."""
    trial = document.get("trial")
    told = {key: value for key, value in document.items() if key not in ("answers", "trial", "player")}
    return told | {"trial": trial and {key: value for key, value in trial.items() if key != "bring"}}


def _draft(row: Draft) -> Json:
    return {"begun": in_json(row.created_at), "changed": in_json(row.updated_at), "answers": row.answers.get("typed")}


def _trial(session: Session, trial: Trial) -> Json:
    player = session.get_one(Player, trial.player)
    composed, later = session.get(Composition, trial.id), session.get(FollowUp, trial.id)
    parcel = session.get(Parcel, trial.id)
    return {
        "day": trial.on.isoformat(),
        "instrument": str(trial.instrument),
        "ratings_may_help_others": player.in_model,
        "asked_on": player.asked_at and in_json(player.asked_at),
        "number": composed.number if composed else None,
        "answers": composed.answers if composed else None,
        "country": composed.country if composed else None,
        "parcel": _parcel(parcel) if parcel else None,
        "note": composed.note if composed else None,
        "ratings": [_run(run) for run in session.scalars(_runs(trial.id))],
        "sheets": [_sheet(sheet) for sheet in session.scalars(_of(Sheet, Sheet.trial, [trial.id]))],
        "pairs": [_pair(pair) for pair in session.scalars(_pairs(trial.id))],
        "outcomes": [_outcome(row) for row in session.scalars(_outcomes(trial.id))],
        "still_right": later.still_right if later else None,
    }


def _parcel(row: Parcel) -> Json:
    arrived = row.arrived_at and in_json(row.arrived_at)
    return {"address": row.address, "carrier": row.carrier, "number": row.number, "arrived": arrived}


def _runs(trial: int) -> Any:
    return select(Run).where(Run.trial == trial, newest_run()).order_by(Run.position, Run.rater)


def _pairs(trial: int) -> Any:
    of_trial = select(HeadToHead.id).where(HeadToHead.trial == trial)
    return select(Pair).where(Pair.head_to_head.in_(of_trial)).order_by(Pair.head_to_head, Pair.number)


def _pair(row: Pair) -> Json:
    return {"number": row.number, "preferred": row.preferred, "received": in_json(row.received_at)}


def _outcomes(trial: int) -> Any:
    return select(Outcome).where(Outcome.trial == trial, newest_outcome()).order_by(*outcome_order())


def _run(row: Run) -> Json:
    ratings = {name: mark for name, mark in _plain(row, *RATED).items() if mark is not None}
    told = _plain(row, "position", "rater") | {"own_bow": row.copy is None, "ratings": ratings}
    return told | {"cannot_tell": row.cannot_tell.split(), **_plain(row, "strokes", "clean_strokes", "note")}


def _sheet(row: Sheet) -> Json:
    told = _plain(row, "position", "letter", "rater", "revision", "ratings", "strokes", "note")
    return told | {"rated": row.rated_at and in_json(row.rated_at), "received": in_json(row.received_at)}


def _outcome(row: Outcome) -> Json:
    told = {"day": row.on.isoformat(), "outcome": str(row.outcome), "bow": row.copy, "reason": row.reason}
    price = None if row.price is None else float(row.price)
    return told | {"price_paid": price, "currency": row.currency, "note": row.note}


def _mails(session: Session, person: Person) -> list[Json]:
    to_person = mail_to(person)
    rows = session.scalars(select(OutboxItem).where(to_person, OutboxItem.channel == "mail").order_by(OutboxItem.id))
    return [_mail(row) for row in rows]


def _mail(row: OutboxItem) -> Json:
    sent = row.sent_at and in_json(row.sent_at)
    return {"kind": row.kind, "to": row.address, "queued": in_json(row.queued_at), "sent": sent}
