"""Players and enquiries as lists of the desk."""

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from model.vocabulary import Hold, Instrument, Place
from service import tables
from service.errors import NotHere
from service.trials import enquiring, rows
from service.trials.players import of_dealer
from service.trials.shown import EnquiryPage, EnquiryRow, PlayerPage, PlayerRow

MOST_LISTED = 500
"""So many are listed at once; whoever looks for one among more searches."""


def enquiry_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[EnquiryRow, ...]:
    """Return the dealer's enquiries that meet the conditions, newest first."""
    return _enquiry_rows(session, dealer, enquiring.of_dealer(dealer), *conditions)


def nobodys_rows(session: Session, dealer: str) -> tuple[EnquiryRow, ...]:
    """Return the enquiries that are no dealer's yet, newest first, for whoever may take them for a dealer."""
    return _enquiry_rows(session, dealer, enquiring.of_nobody(), tables.Enquiry.settled_at.is_(None))


def _enquiry_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[EnquiryRow, ...]:
    of = tables.Enquiry
    asked = select(of).where(*conditions)
    found = session.scalars(asked.order_by(of.created_at.desc(), of.id).limit(MOST_LISTED)).all()
    trials = _trials_of(session, dealer, [row.id for row in found])
    return tuple(_enquiry_row(row, trials.get(row.id, [])) for row in found)


def is_new() -> ColumnElement[bool]:
    """Return the condition that an enquiry waits: neither settled nor with a trial that was not given up."""
    composed = select(tables.Composition.trial).where(
        tables.Composition.enquiry == tables.Enquiry.id, tables.Composition.state != "cancelled"
    )
    return tables.Enquiry.settled_at.is_(None) & ~composed.exists()


def _trials_of(session: Session, dealer: str, enquiries: Sequence[str]) -> dict[str, list[tuple[str, int]]]:
    of = tables.Composition
    found: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for enquiry, key, number in session.execute(
        select(of.enquiry, tables.Trial.key, of.number)
        .join(tables.Trial, tables.Trial.id == of.trial)
        .where(of.dealer == dealer, of.enquiry.in_(enquiries))
        .order_by(of.number)
    ):
        found[str(enquiry)].append((key, number))
    return found


def _enquiry_row(row: tables.Enquiry, trials: Sequence[tuple[str, int]]) -> EnquiryRow:
    answers: dict[str, Any] = row.answers
    budget, hold = answers.get("budget") or {}, answers.get("hold")
    trial = row.advice.get("trial") or {}
    return EnquiryRow(
        id=row.id,
        created_at=row.created_at,
        name=(row.contact or {}).get("name"),
        instrument=Instrument(answers["instrument"]),
        hold=Hold(hold) if hold else None,
        budget=budget.get("amount"),
        currency=budget.get("currency"),
        place=Place((answers.get("trial") or {}).get("place", "shop")),
        copies=trial.get("copies", 0),
        trials=tuple(trials),
        settled_at=row.settled_at,
    )


def enquiry_page(session: Session, dealer: str, id_: str, *, any_dealer: bool = False) -> EnquiryPage:
    """Return one enquiry; ``any_dealer``: one that is no dealer's yet too. Raises `NotHere`."""
    nobodys = enquiring.nobodys(session, id_) if any_dealer else None
    row = nobodys or enquiring.own(session, dealer, id_)
    return EnquiryPage(
        row=_enquiry_row(row, _trials_of(session, dealer, [id_]).get(id_, [])),
        address=row.address,
        language=row.language,
        answers=row.answers,
        contact=row.contact,
        document=row.advice,
        player=enquiring.player_key(session, row),
        nobodys=nobodys is not None,
    )


# Players


def player_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[PlayerRow, ...]:
    """Return the dealer's players that meet the conditions, latest trial first."""
    player, contact, trial = tables.Player, tables.Contact, tables.Trial
    last = func.max(trial.on)
    statement = (
        select(player.id, player.key, player.in_model, contact.name, contact.email, contact.phone)
        .add_columns(func.count(trial.id).label("trials"), last.label("last"))
        .outerjoin(contact, and_(contact.player == player.id, contact.dealer == dealer))
        .outerjoin(trial, and_(trial.player == player.id, trial.dealer == dealer))
        .where(of_dealer(dealer), *conditions)
        .group_by(player.id, player.key, player.in_model, contact.name, contact.email, contact.phone)
        .order_by(func.coalesce(last, dt.date.max).desc(), player.id.desc())
        .limit(MOST_LISTED)
    )
    found = session.execute(statement).all()
    played = _instruments(session, dealer, [row.id for row in found])
    return tuple(
        PlayerRow(
            key=row.key,
            name=row.name,
            email=row.email,
            phone=row.phone,
            instruments=tuple(played.get(row.id, ())),
            trials=row.trials,
            last=row.last,
            in_model=row.in_model,
        )
        for row in found
    )


def _instruments(session: Session, dealer: str, players: Sequence[int]) -> dict[int, list[Instrument]]:
    trial = tables.Trial
    found: dict[int, list[Instrument]] = defaultdict(list)
    for player, instrument in session.execute(
        select(trial.player, trial.instrument)
        .where(trial.dealer == dealer, trial.player.in_(players))
        .distinct()
        .order_by(trial.player, trial.instrument)
    ):
        found[player].append(instrument)
    return found


def search_for(text: str) -> ColumnElement[bool]:
    """Return the condition that a player's name, address or key holds a text."""
    contact = tables.Contact
    columns = (contact.name, contact.email, contact.phone, tables.Player.key)
    return or_(*(column.icontains(text.strip(), autoescape=True) for column in columns))


def player_row(session: Session, dealer: str, key: str) -> PlayerRow:
    """Return one player; raises `NotHere`."""
    found = player_rows(session, dealer, tables.Player.key == key)
    if not found:
        raise NotHere
    return found[0]


def player_page(session: Session, dealer: str, key: str) -> PlayerPage:
    """Return one player with every trial and enquiry; raises `NotHere`."""
    row = player_row(session, dealer, key)
    id_ = session.scalars(select(tables.Player.id).where(tables.Player.key == key)).one()
    contact = session.get(tables.Contact, id_)
    of_here = contact if contact is not None and contact.dealer == dealer else None
    return PlayerPage(
        row=row,
        language=of_here.language if of_here else None,
        mail_consent=of_here.mail_consent if of_here else False,
        trials=rows.trial_rows(session, dealer, tables.Trial.player == id_, files=True),
        enquiries=enquiry_rows(session, dealer, tables.Enquiry.player == id_),
    )
