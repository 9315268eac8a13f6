"""What a dealer's own server reads of enquiries and trials: what the ids in messages stand for, in the order in which they came.

By letter, and which bow a letter is only once the key is revealed; the bows of a trial by serial apart from that, since the
server may have named them itself.
"""

import datetime as dt
from collections.abc import Iterable
from itertools import groupby
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.advice.reply import reply
from service.core import paging
from service.core.errors import NotFoundError
from service.core.paging import Batch
from service.players import enquiry_access, same_person
from service.tables import Composition, Enquiry, JoinedPlayer, Player, Trial
from service.trials import people, trial_record, trial_rows
from service.trials.desk_records import EnquiryRow, OutcomeRow, SlotRow, TrialRow

Told = dict[str, Any]


def enquiries(session: Session, dealer: str, after: str) -> Batch[Told]:
    """Return a page of the dealer's enquiries, the oldest first; raises `NotFoundError` for a mark of another list."""
    order = (Enquiry.created_at, Enquiry.id)
    found = session.execute(
        select(*order)
        .where(
            enquiry_access.of_dealer(dealer), paging.beyond(order, paging.read(after, dt.datetime, str), rising=True)
        )
        .order_by(*order)
        .limit(paging.A_PAGE + 1)
    ).all()
    batch = paging.batch(found, tuple)
    ids = [row.id for row in batch.rows]
    read = {row.id: row for row in people.enquiry_rows(session, dealer, Enquiry.id.in_(ids))}
    # Of whom enquiries are known to be, or who stands for them.
    statement = (
        select(Enquiry.id, Player.key)
        .outerjoin(JoinedPlayer, same_person.joined_at(dealer, Enquiry.player))
        .join(Player, Player.id == same_person.head(Enquiry.player))
        .where(Enquiry.id.in_(ids))
    )
    players = dict(session.execute(statement).all())
    return batch.of(_enquiry(read[each], players.get(each)) for each in ids)


def enquiry(session: Session, dealer: str, id_: str) -> Told:
    """Return one enquiry with its answers, its contact and the advice that was given; raises `NotFoundError`."""
    found = people.enquiry_page(session, dealer, id_)
    return _enquiry(found.row, found.player) | {
        "language": found.language,
        "answers": dict(found.answers),
        "contact": None if found.contact is None else dict(found.contact),
        "advice": reply(dict(found.document), operator=True),
    }


def _enquiry(row: EnquiryRow, player: str | None) -> Told:
    return {
        "id": row.id,
        "created_at": row.created_at.astimezone(dt.UTC).isoformat().replace("+00:00", "Z"),
        "instrument": str(row.instrument),
        "hold": None if row.hold is None else str(row.hold),
        "player": player,
        "trials": [key for key, _number in row.trials],
        "settled": row.settled_at is not None,
    }


def trials(session: Session, dealer: str, after: str) -> Batch[Told]:
    """Return a page of the trials composed here, in the order in which they were; raises `NotFoundError` for a mark of another list."""
    order = (Composition.number,)
    found = session.execute(
        select(Composition.number, Composition.trial, Composition.enquiry)
        .where(Composition.dealer == dealer, paging.beyond(order, paging.read(after, int), rising=True))
        .order_by(*order)
        .limit(paging.A_PAGE + 1)
    ).all()
    batch = paging.batch(found, lambda row: (row.number,))
    read = trial_rows.trial_rows(session, dealer, Trial.id.in_([row.trial for row in batch.rows]))
    of_number = {row.number: row for row in read}
    return batch.of(_trial(of_number[row.number], row.enquiry) for row in batch.rows)


def trial(session: Session, dealer: str, key: str) -> Told:
    """Return one trial composed here: its order by letter, its bows by serial, what came of it; raises `NotFoundError`."""
    found = trial_record.trial(session, dealer, key)
    if found.row.number is None:
        raise NotFoundError
    return _trial(found.row, found.enquiry) | {
        "minutes": found.minutes,
        "runs": _places(found.slots),
        "later_sittings": [
            {"sitting": number, "date": places[0].on and places[0].on.isoformat(), "runs": _places(places)}
            for number, group in groupby(found.later, key=lambda slot: slot.sitting)
            if (places := list(group))
        ],
        "copies": [bow.copy for bow in found.case],
        "outcomes": [outcome(each) for each in found.outcomes],
    }


def _places(slots: Iterable[SlotRow]) -> list[Told]:
    return [{"position": s.position, "letter": s.letter, "own": s.own, "copy": s.copy} for s in slots]


def outcome(row: OutcomeRow) -> Told:
    """Return what came of a trial; the price as the player paid it, null where it is not known."""
    return {
        "outcome": str(row.outcome),
        "copy": row.copy,
        "reason": row.reason,
        "date": row.on.isoformat(),
        "price": None if row.price is None else float(row.price),
        "currency": row.currency,
    }


def _trial(row: TrialRow, enquiry: str | None) -> Told:
    return {
        "id": row.key,
        "number": row.number,
        "state": row.state,
        "date": row.on.isoformat(),
        "hour": None if row.hour is None else f"{row.hour:%H:%M}",
        "due_back": None if row.due_back is None else row.due_back.isoformat(),
        "instrument": str(row.instrument),
        "hold": None if row.hold is None else str(row.hold),
        "place": str(row.place),
        "blinding": str(row.blinding),
        "enquiry": enquiry,
        "player": row.player,
        "sheets_in": row.sheets_in,
        "sheets_of": row.sheets_of,
        "revealed": row.revealed,
        "outcome": None if row.outcome is None else str(row.outcome),
    }
