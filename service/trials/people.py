"""Players and enquiries as lists of the desk."""

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from model.vocabulary import Hold, Instrument, Place
from service import paging, tables
from service.errors import NotHere
from service.paging import Leaf
from service.trials import enquiring, rows
from service.trials.players import of_dealer
from service.trials.shown import EnquiryPage, EnquiryRow, PlayerPage, PlayerRow


def enquiry_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[EnquiryRow, ...]:
    """Return every one of the dealer's enquiries that meets the conditions, newest first."""
    return _enquiry_rows(session, dealer, enquiring.of_dealer(dealer), *conditions)


def enquiries(session: Session, dealer: str, after: str, *conditions: ColumnElement[bool]) -> Leaf[EnquiryRow]:
    """Return a page of the dealer's enquiries that meet the conditions, newest first."""
    return _enquiries(session, dealer, after, enquiring.of_dealer(dealer), *conditions)


def nobodys(session: Session, dealer: str, after: str) -> Leaf[EnquiryRow]:
    """Return a page of the enquiries that are no dealer's yet, newest first, for whoever may take them for a dealer."""
    return _enquiries(session, dealer, after, enquiring.of_nobody(), tables.Enquiry.settled_at.is_(None))


def _enquiries(session: Session, dealer: str, after: str, *conditions: ColumnElement[bool]) -> Leaf[EnquiryRow]:
    of = tables.Enquiry
    order = (of.created_at, of.id)
    # The ids alone are put in order; the answers and the advice of all would take a hundred times the memory.
    found = session.execute(
        select(of.created_at, of.id)
        .where(*conditions, paging.beyond(order, paging.read(after, dt.datetime, str)))
        .order_by(*(column.desc() for column in order))
        .limit(paging.A_PAGE + 1)
    ).all()
    count = session.scalar(select(func.count()).select_from(of).where(*conditions)) or 0
    page = paging.leaf(found, count, tuple)
    return page.of(_enquiry_rows(session, dealer, of.id.in_([row.id for row in page.rows])))


def _enquiry_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[EnquiryRow, ...]:
    of = tables.Enquiry
    found = session.scalars(select(of).where(*conditions).order_by(of.created_at.desc(), of.id.desc())).all()
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


def players(session: Session, dealer: str, after: str, *conditions: ColumnElement[bool]) -> Leaf[PlayerRow]:
    """Return a page of the dealer's players that meet the conditions, those without a trial first, then the latest trial."""
    player, contact, trial = tables.Player, tables.Contact, tables.Trial
    last = func.coalesce(func.max(trial.on), dt.date.max, type_=trial.on.type)
    theirs = select(player.id).outerjoin(contact, and_(contact.player == player.id, contact.dealer == dealer))
    theirs = theirs.where(of_dealer(dealer), *conditions)
    found = session.execute(
        theirs.with_only_columns(last.label("last"), player.id, maintain_column_froms=True)
        .outerjoin(trial, and_(trial.player == player.id, trial.dealer == dealer))
        .group_by(player.id)
        .having(paging.beyond((last, player.id), paging.read(after, dt.date, int)))
        .order_by(last.desc(), player.id.desc())
        .limit(paging.A_PAGE + 1)
    ).all()
    page = paging.leaf(found, session.scalar(select(func.count()).select_from(theirs.subquery())) or 0, tuple)
    return page.of(player_rows(session, dealer, player.id.in_([row.id for row in page.rows])))


def player_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[PlayerRow, ...]:
    """Return the dealer's players that meet the conditions, those without a trial first, then the latest trial."""
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
    """Return the condition that a player's name, address or telephone holds a text, or that the key begins with it.

    A key is drawn, and somewhere in its midst holds many a short name: 'Ada', 'Abe'.
    """
    contact, wanted = tables.Contact, text.strip()
    holds = (column.icontains(wanted, autoescape=True) for column in (contact.name, contact.email, contact.phone))
    return or_(*holds, tables.Player.key.istartswith(wanted, autoescape=True))


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
