"""Players and enquiries as lists of the desk."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, case, exists, func, literal, or_, select, union
from sqlalchemy.orm import Session, aliased

from model.domain.vocabulary import Hold, Instrument, Place
from service import tables
from service.core import paging
from service.core.paging import ALL, Leaf, ListWanted
from service.core.prepared import prepared
from service.players import enquiry_access, joining, overview, player_notes, same_person, searching, tastes
from service.players.player_keys import known, of_dealer
from service.tables.columns import begins
from service.tables.folding import plain
from service.trials import trial_rows
from service.trials.desk_records import EnquiryPage, EnquiryRow, OutcomeRow, PlayerPage, PlayerRow

_KIND = tables.Enquiry
_SHOWN = (_KIND.id, _KIND.created_at, _KIND.contact, _KIND.answers, _KIND.settled_at)
_COPIES = _KIND.told[("trial", "copies")].as_integer().label("copies")
"""Of the advice alone what a list shows; the whole of it is a hundred times as long."""
_ORDER = (tables.Enquiry.created_at, tables.Enquiry.id)
_NEWEST = tuple(column.desc() for column in _ORDER)


def enquiry_rows(session: Session, dealer: str, *conditions: ColumnElement[bool]) -> tuple[EnquiryRow, ...]:
    """Return every one of the dealer's enquiries that meets the conditions, newest first."""
    return _in_full(session.execute(_shown(dealer).where(enquiry_access.of_dealer(dealer), *conditions)))


def enquiries(
    session: Session, dealer: str, after: str, *conditions: ColumnElement[bool], wanted: ListWanted = ALL
) -> Leaf[EnquiryRow]:
    """Return a page of the dealer's enquiries that meet the conditions, newest first unless the other way is wanted."""
    return _enquiries(session, dealer, after, wanted, enquiry_access.of_dealer(dealer), *conditions)


def nobodys(session: Session, dealer: str, after: str = "", wanted: ListWanted = ALL) -> Leaf[EnquiryRow]:
    """Return a page of the enquiries that are no dealer's yet, newest first, for whoever may take them for a dealer."""
    return _enquiries(session, dealer, after, wanted, *_waiting_for_one())


def _enquiries(
    session: Session, dealer: str, after: str, wanted: ListWanted, *conditions: ColumnElement[bool]
) -> Leaf[EnquiryRow]:
    conditions = (*conditions, *_narrowed(dealer, wanted))
    further = paging.beyond(_ORDER, paging.read(after, dt.datetime, str), rising=wanted.oldest)
    asked = select(*_ORDER).where(*conditions, further).order_by(*wanted.ordered(_ORDER)).limit(wanted.most + 1)
    # The ids alone are put in order; the answers and the advice of all would take a hundred times the memory.
    found = session.execute(asked).all()
    count = session.scalar(select(func.count()).select_from(tables.Enquiry).where(*conditions)) or 0
    page = paging.leaf(found, count, tuple, wanted.most)
    rows = enquiries_that(session, dealer, [row.id for row in page.rows])
    return page.of(reversed(rows) if wanted.oldest else rows)


def first_new(session: Session, dealer: str, most: int) -> Leaf[EnquiryRow]:
    """Return the newest of the dealer's enquiries that wait, and how many do."""
    return _first(session, dealer, most, session.execute(*_first_new(dealer, most + 1)).all())


def first_nobodys(session: Session, dealer: str, most: int) -> Leaf[EnquiryRow]:
    """Return the newest of the enquiries that are no dealer's yet, and how many there are."""
    return _first(session, dealer, most, session.execute(*_first_nobodys(most + 1)).all())


def _first(session: Session, dealer: str, most: int, found: Sequence[Any]) -> Leaf[EnquiryRow]:
    page = paging.leaf(found, found[0].whole if found else 0, lambda row: row[:2], most)
    return page.of(enquiries_that(session, dealer, [row.id for row in page.rows]))


@prepared
def _first_new(dealer: str, most: int) -> Select[*tuple[Any, ...]]:
    return _counted(enquiry_access.of_dealer(dealer), is_new()).order_by(*_NEWEST).limit(most)


@prepared
def _first_nobodys(most: int) -> Select[*tuple[Any, ...]]:
    return _counted(*_waiting_for_one()).order_by(*_NEWEST).limit(most)


def _waiting_for_one() -> tuple[ColumnElement[bool], ...]:
    return enquiry_access.of_nobody(), tables.Enquiry.settled_at.is_(None)


def _counted(*conditions: ColumnElement[bool]) -> Select[*tuple[Any, ...]]:
    """Ask by what enquiries are put in order, and beside each row how many there are."""
    theirs = select(tables.Enquiry.id).where(*conditions).subquery()
    whole = select(func.count()).select_from(theirs).scalar_subquery()
    return select(*_ORDER, whole.label("whole")).where(*conditions)


def _narrowed(dealer: str, wanted: ListWanted) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that enquiries are narrowed by."""
    kind = tables.Enquiry
    if wanted.value("search"):
        named = searching.found(tables.SearchWord.enquiry, (dealer, tables.NOBODYS), wanted.value("search"))
        yield or_(kind.id.in_(named), kind.number == plain(wanted.value("search")).upper())
    if wanted.value("instrument"):
        yield kind.answers["instrument"].as_string() == wanted.value("instrument")
    if wanted.value("place"):
        yield func.coalesce(kind.answers[("trial", "place")].as_string(), str(Place.SHOP)) == wanted.value("place")
    yield from wanted.within(kind.created_at)


def enquiry_counts(session: Session, dealer: str) -> tuple[int, int]:
    """Return how many enquiries the dealer has, and how many of them are new."""
    counted = select(func.count(), func.count().filter(is_new())).select_from(tables.Enquiry)
    whole, new = session.execute(counted.where(enquiry_access.of_dealer(dealer))).one()
    return whole, new


def enquiries_that(session: Session, dealer: str, ids: Sequence[str]) -> tuple[EnquiryRow, ...]:
    """Return the enquiries of some ids, whoever's they are, newest first, with what the dealer composed from them."""
    return _in_full(session.execute(*_those(dealer, ids))) if ids else ()


@prepared
def _those(dealer: str, ids: Sequence[str]) -> Select[*tuple[Any, ...]]:
    return _shown(dealer).where(tables.Enquiry.id.in_(ids))


def _shown(dealer: str) -> Select[*tuple[Any, ...]]:
    """Ask for enquiries, newest first: a row for each trial that the dealer composed from one, at least one row."""
    kind, trial = tables.Composition, tables.Trial
    composed = (kind.enquiry == tables.Enquiry.id) & (kind.dealer == dealer)
    asked = select(*_SHOWN, _COPIES, trial.key.label("trial"), kind.number).outerjoin(kind, composed)
    return asked.outerjoin(trial, trial.id == kind.trial).order_by(*_NEWEST, kind.number)


def _in_full(found: Iterable[Any]) -> tuple[EnquiryRow, ...]:
    of_each: dict[str, list[Any]] = {}
    for row in found:
        of_each.setdefault(row.id, []).append(row)
    return tuple(
        _enquiry_row(rows[0], rows[0].copies or 0, [(row.trial, row.number) for row in rows if row.trial is not None])
        for rows in of_each.values()
    )


def is_new() -> ColumnElement[bool]:
    """Return the condition that an enquiry waits: neither settled nor with a trial that was not given up."""
    composed = select(tables.Composition.trial).where(
        tables.Composition.enquiry == tables.Enquiry.id, tables.Composition.state != "cancelled"
    )
    return tables.Enquiry.settled_at.is_(None) & ~composed.exists()


def _trials_of(session: Session, dealer: str, enquiries: Sequence[str]) -> dict[str, list[tuple[str, int]]]:
    found: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for enquiry, key, number in session.execute(*_composed(dealer, enquiries)):
        found[str(enquiry)].append((key, number))
    return found


@prepared
def _composed(dealer: str, enquiries: Sequence[str]) -> Select[*tuple[Any, ...]]:
    kind = tables.Composition
    asked = select(kind.enquiry, tables.Trial.key, kind.number).join(tables.Trial, tables.Trial.id == kind.trial)
    return asked.where(kind.dealer == dealer, kind.enquiry.in_(enquiries)).order_by(kind.number)


def _enquiry_row(row: Any, copies: int, trials: Sequence[tuple[str, int]]) -> EnquiryRow:
    answers: dict[str, Any] = row.answers
    budget, hold = answers.get("budget") or {}, answers.get("hold")
    return EnquiryRow(
        id=row.id,
        created_at=row.created_at,
        name=(row.contact or {}).get("name"),
        instrument=Instrument(answers["instrument"]),
        hold=Hold(hold) if hold else None,
        budget=budget.get("amount"),
        currency=budget.get("currency"),
        place=Place((answers.get("trial") or {}).get("place", "shop")),
        copies=copies,
        trials=tuple(trials),
        settled_at=row.settled_at,
    )


def enquiry_page(session: Session, dealer: str, id_: str, *, any_dealer: bool = False) -> EnquiryPage:
    """Return one enquiry; ``any_dealer``: one that is no dealer's yet too. Raises `NotFoundError`."""
    nobodys = enquiry_access.nobodys(session, id_) if any_dealer else None
    row = nobodys or enquiry_access.own(session, dealer, id_)
    copies = (row.told.get("trial") or {}).get("copies", 0)
    return EnquiryPage(
        row=_enquiry_row(row, copies, _trials_of(session, dealer, [id_]).get(id_, [])),
        address=row.address,
        language=row.language,
        answers=row.answers,
        contact=row.contact,
        document=row.advice,
        player=enquiry_access.player_key(session, row),
        nobodys=nobodys is not None,
    )


# Players


def players(session: Session, dealer: str, after: str, wanted: ListWanted = ALL) -> Leaf[PlayerRow]:
    """Return the same of all players, or of those who had a trial of an instrument, found in their order.

    Those without a trial are found among the contacts, the others by their last trial among the trials: none is gone through
    further than the page.
    """
    instrument, most = wanted.value("instrument"), wanted.most + 1
    mark = paging.read(after, dt.date, int) or (dt.date.max, _LAST_ID)
    found: list[tuple[dt.date, int, int]] = []
    if mark[0] == dt.date.max and not instrument:
        of_those = _without_trial(dealer).where(tables.Contact.player < mark[1]).order_by(tables.Contact.player.desc())
        found += [(dt.date.max, each, each) for each in session.scalars(of_those.limit(most))]
    if len(found) < most:
        last = _last_trials(dealer, instrument).where(paging.beyond((tables.Trial.on, tables.Trial.id), mark))
        rows = session.execute(last.order_by(tables.Trial.on.desc(), tables.Trial.id.desc()).limit(most - len(found)))
        found += [(row.on, row.id, row.stands) for row in rows]
    page = paging.leaf(found, _persons(session, dealer, instrument), lambda row: row[:2], wanted.most)
    return page.of(player_rows(session, dealer, [stands for _on, _id, stands in page.rows]))


_LAST_ID = 2**31 - 1


def _without_trial(dealer: str) -> Select[int]:
    """Ask who is known by name and had no trial, under no key."""
    contact, trial, joined, other = (
        tables.Contact,
        aliased(tables.Trial),
        tables.JoinedPlayer,
        aliased(tables.JoinedPlayer),
    )
    own = exists().where(trial.player == contact.player, trial.dealer == dealer)
    of_other = exists().where(
        other.dealer == dealer, other.head == contact.player, trial.player == other.player, trial.dealer == dealer
    )
    stands = select(contact.player).outerjoin(joined, same_person.joined_at(dealer, contact.player))
    return stands.where(contact.dealer == dealer, joined.player.is_(None), ~own, ~of_other)


def _last_trials(dealer: str, instrument: str) -> Select[*tuple[Any, ...]]:
    """Ask for the last trial of each person, of those who had one of an instrument."""
    trial, joined = tables.Trial, tables.JoinedPlayer
    stands = same_person.head(trial.player)
    later = aliased(tables.Trial)
    is_later = or_(later.on > trial.on, and_(later.on == trial.on, later.id > trial.id))
    found = select(trial.on, trial.id, stands.label("stands"))
    found = found.outerjoin(joined, same_person.joined_at(dealer, trial.player)).where(trial.dealer == dealer)
    found = found.where(*(~each.exists() for each in _theirs(dealer, stands, later, is_later)))
    if instrument:
        of_it = aliased(tables.Trial)
        # A value and no EXISTS, which PostgreSQL would answer by going through all trials for the few of a page.
        first = (
            each.limit(1).scalar_subquery() for each in _theirs(dealer, stands, of_it, of_it.instrument == instrument)
        )
        found = found.where(func.coalesce(*first, 0) != 0)
    return found


def _theirs(
    dealer: str, stands: ColumnElement[int], trial: type[tables.Trial], condition: ColumnElement[bool]
) -> tuple[Select[int], ...]:
    """Ask for the trials of a person of which something holds: under the key that stands for them, and under another."""
    other = aliased(tables.JoinedPlayer)
    found = select(trial.id).where(trial.dealer == dealer, condition)
    of_other = found.where(other.dealer == dealer, other.head == stands, trial.player == other.player)
    return found.where(trial.player == stands), of_other


def _persons(session: Session, dealer: str, instrument: str) -> int:
    """Return how many persons a dealer knows, or how many of them had a trial of an instrument."""
    trial, contact, joined = tables.Trial, tables.Contact, tables.JoinedPlayer
    stands = same_person.head(trial.player)
    of_trials = select(func.count(stands.distinct())).select_from(trial)
    of_trials = of_trials.outerjoin(joined, same_person.joined_at(dealer, trial.player)).where(trial.dealer == dealer)
    if instrument:
        return session.scalar(of_trials.where(trial.instrument == instrument)) or 0
    named = select(func.count()).select_from(contact)
    named = named.outerjoin(joined, same_person.joined_at(dealer, contact.player)).where(contact.dealer == dealer)
    by_name = session.scalar(named.where(joined.player.is_(None))) or 0
    known_by_name = exists().where(contact.player == stands, contact.dealer == dealer)
    return by_name + (session.scalar(of_trials.where(~known_by_name)) or 0)


def players_found(session: Session, dealer: str, search: str, after: str, wanted: ListWanted = ALL) -> Leaf[PlayerRow]:
    """Return a page of those who are found by a text (`players.searching`) or whose key begins with it, in the same order.

    A key is drawn, and somewhere in its midst holds many a short name: 'Ada', 'Abe'.
    """
    player, joined, trial = tables.Player, tables.JoinedPlayer, aliased(tables.Trial)
    named = searching.found(tables.SearchWord.player, (dealer,), search)
    of_key = select(player.id).where(begins(player.key, search.strip()), of_dealer(dealer))
    of_text = union(named, of_key).subquery()
    key = of_text.c[0]
    whole = select(same_person.head(key).label("id")).select_from(of_text)
    whole = whole.outerjoin(joined, same_person.joined_at(dealer, key))
    if instrument := wanted.value("instrument"):
        played = select(trial.id).where(trial.player == key, trial.dealer == dealer, trial.instrument == instrument)
        whole = whole.where(played.limit(1).correlate(of_text).scalar_subquery().is_not(None))
    persons = whole.distinct().subquery()
    ordered = select(_last_day(dealer, persons.c.id).label("last"), persons.c.id).subquery()
    order = (ordered.c.last, ordered.c.id)
    asked = select(*order).where(paging.beyond(order, paging.read(after, dt.date, int)))
    found = session.execute(asked.order_by(*(column.desc() for column in order)).limit(wanted.most + 1)).all()
    count = session.scalar(select(func.count()).select_from(persons)) or 0
    page = paging.leaf(found, count, tuple, wanted.most)
    return page.of(player_rows(session, dealer, [row.id for row in page.rows]))


def _last_day(dealer: str, stands: ColumnElement[int]) -> ColumnElement[dt.date]:
    """Return the day of a person's last trial, `dt.date.max` where there was none: under the key that stands for them, and under another."""
    trial, other = aliased(tables.Trial), aliased(tables.JoinedPlayer)
    last = select(func.max(trial.on)).where(trial.dealer == dealer)
    own = last.where(trial.player == stands).correlate(stands.table)
    of_other = last.where(other.dealer == dealer, other.head == stands, trial.player == other.player)
    first = literal(dt.date.min)
    days = [func.coalesce(each.scalar_subquery(), first) for each in (own, of_other.correlate(stands.table))]
    newest = case((days[0] >= days[1], days[0]), else_=days[1])
    return case((newest == first, literal(dt.date.max)), else_=newest)


def player_rows(session: Session, dealer: str, stand: Sequence[int]) -> tuple[PlayerRow, ...]:
    """Return players by who stands for them, those without a trial first, then the latest trial; what is known of any key is theirs."""
    whole: dict[int, list[Row[*tuple[Any, ...]]]] = defaultdict(list)
    for row in session.execute(*_of_persons(dealer, stand)):
        whole[row.stands].append(row)
    players = {each: _player_row(group) for each, group in whole.items()}
    order = sorted(players, key=lambda each: (players[each].last or dt.date.max, each), reverse=True)
    return tuple(players[each] for each in order)


@prepared
def _of_persons(dealer: str, stand: Sequence[int]) -> Select[*tuple[Any, ...]]:
    """Ask for all that is known of persons: a row for each of their keys and instruments, who stands for them first."""
    player, contact, trial, joined = tables.Player, tables.Contact, tables.Trial, tables.JoinedPlayer
    stands, is_other = same_person.head(player.id), joined.player.is_not(None)
    other, each = aliased(joined), aliased(player)
    of_others = select(other.player).where(other.dealer == dealer, other.head.in_(stand))
    whole = select(each.id).where(each.id.in_(stand)).union_all(of_others)
    said = (player.key, player.in_model, player.asked_at, contact.name, contact.email, contact.phone)
    return (
        select(player.id, *said, stands.label("stands"), trial.instrument)
        .add_columns(func.count(trial.id).label("trials"), func.max(trial.on).label("last"))
        .outerjoin(joined, same_person.joined_at(dealer, player.id))
        .outerjoin(contact, and_(contact.player == player.id, contact.dealer == dealer))
        .outerjoin(trial, and_(trial.player == player.id, trial.dealer == dealer))
        .where(player.id.in_(whole))
        .group_by(player.id, *said, stands, joined.player, joined.at, trial.instrument)
        .order_by(is_other, joined.at, player.id, trial.instrument)
    )


def _player_row(group: Sequence[Row[*tuple[Any, ...]]]) -> PlayerRow:
    """Return one person from the rows of `_of_persons`."""

    def known(column: str) -> str | None:
        return next((value for each in group if (value := getattr(each, column))), None)

    return PlayerRow(
        key=group[0].key,
        name=known("name"),
        email=known("email"),
        phone=known("phone"),
        instruments=tuple(dict.fromkeys(each.instrument for each in group if each.instrument is not None)),
        trials=sum(each.trials for each in group),
        last=max((each.last for each in group if each.last is not None), default=None),
        in_model=same_person.agreed(group),
    )


def player_page(session: Session, dealer: str, key: str) -> PlayerPage:
    """Return one player with every trial and enquiry; raises `NotFoundError`."""
    stands = known(session, dealer, key).id
    row, whole = player_rows(session, dealer, [stands])[0], same_person.by_head(session, dealer, [stands])[stands]
    of_whom = tables.Contact.player.in_(whole) & (tables.Contact.dealer == dealer)
    contacts = session.scalars(select(tables.Contact).where(of_whom).order_by(tables.Contact.player != stands)).all()
    of_here = next(iter(contacts), None)
    names, emails = ([value for each in contacts if (value := getattr(each, kind))] for kind in ("name", "email"))
    made = overview.of_player(session, dealer, stands)
    asked = select(func.max(tables.Player.asked_at)).where(tables.Player.id.in_(whole))
    return PlayerPage(
        row=row,
        language=of_here.language if of_here else None,
        mail_consent=of_here.mail_consent if of_here else False,
        trials=trial_rows.trial_rows(session, dealer, tables.Trial.player.in_(whole), files=True),
        enquiries=enquiry_rows(session, dealer, tables.Enquiry.player.in_(whole)),
        joined=joining.joined(session, dealer, stands),
        alike=_alike(session, dealer, names, emails, whole),
        overview=made,
        tastes=tastes.of_player(session, whole, made),
        lasting=overview.lasting_answers(session, dealer, row.key),
        outcomes=_outcomes_of(session, dealer, whole),
        agreed=enquiry_access.agreed(session, dealer, whole),
        since=min((each.created_at for each in contacts), default=None),
        asked_at=session.scalar(asked),
        note=player_notes.of_players(session, dealer, whole),
    )


def _outcomes_of(session: Session, dealer: str, whole: Sequence[int]) -> tuple[tuple[str, OutcomeRow], ...]:
    """Return what came of somebody's trials at the dealer, newest first, each with the trial's key."""
    told, trial, copy, tier = tables.Outcome, tables.Trial, tables.Copy, tables.Tier
    rows = session.execute(
        select(trial.key, told, tier.name)
        .join(trial, trial.id == told.trial)
        .outerjoin(copy, copy.serial == told.copy)
        .outerjoin(tier, tier.slug == copy.tier)
        .where(trial.player.in_(whole), trial.dealer == dealer, tables.newest_outcome())
        .order_by(*(column.desc() for column in tables.outcome_order()))
    )
    return tuple((key, OutcomeRow.of(row, name)) for key, row, name in rows)


def alike_of_enquiry(session: Session, dealer: str, enquiry: str) -> tuple[PlayerRow, ...]:
    """Return the players of the name or the address that an enquiry gave; raises `NotFoundError`."""
    contact = enquiry_access.own(session, dealer, enquiry).contact or {}
    names, emails = ([value] if (value := contact.get(kind)) else [] for kind in ("name", "email"))
    return _alike(session, dealer, names, emails, ())


def _alike(
    session: Session, dealer: str, names: Sequence[str], emails: Sequence[str], but: Sequence[int]
) -> tuple[PlayerRow, ...]:
    found = joining.alike(session, dealer, names, emails, but)
    return player_rows(session, dealer, sorted({same_person.head_of(session, dealer, each) for each in found}))
