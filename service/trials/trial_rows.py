"""Trials as rows of a list: a handful of queries however many there are."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, ScalarSelect, Select, and_, exists, func, literal, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from model.domain.vocabulary import Blinding, Place
from service import tables
from service.core import paging
from service.core.moments import now
from service.core.paging import ALL, Leaf, ListWanted
from service.players import same_person, searching
from service.trials.desk_records import NO_OUTCOME, TrialRow
from service.trials.shared import out_now

_STANDS = aliased(tables.Contact)
"""What is known of who stands for a player that was joined to another."""
FROM_FILE = "closed"
"""Where a trial stands that was read from a file."""


def trial_rows(
    session: Session, dealer: str, *conditions: ColumnElement[bool], today: dt.date | None = None, files: bool = False
) -> tuple[TrialRow, ...]:
    """Return the dealer's trials that meet the conditions, newest first; with ``files`` those read from a file too."""
    day = today or now().date()
    return tuple(map(row_of, session.execute(statement(dealer, day, files=files).where(*conditions))))


def grouped(
    dealer: str, groups: Mapping[str, tuple[ColumnElement[bool], Sequence[Any]]], today: dt.date, most: int
) -> Select[*tuple[Any, ...]]:
    """Return what asks for the first of the dealer's trials composed here that meet each condition, and how many meet it: see `by_group`.

    Each group is found by itself, so that none goes through the trials of all years; then the rows of all are read at once.
    """
    trial, composition = tables.Trial, tables.Composition
    asked = []
    for name, (condition, order) in groups.items():
        place, whole = func.row_number().over(order_by=order).label("nth"), func.count().over().label("whole")
        of_group = select(literal(name).label("group"), trial.id, place, whole)
        of_group = of_group.join(composition, composition.trial == trial.id)
        asked.append(
            select(of_group.where(composition.dealer == dealer, condition).order_by(*order).limit(most).subquery())
        )
    first = union_all(*asked).subquery()
    rows = statement(dealer, today, files=False).add_columns(first.c.group, first.c.nth, first.c.whole)
    return rows.join(first, first.c.id == trial.id)


def by_group(found: Sequence[Any]) -> tuple[dict[str, tuple[TrialRow, ...]], dict[str, int]]:
    """Return the trials of each group of `grouped` that has any, in its order, and how many there are."""
    of_each: dict[str, list[TrialRow]] = {}
    for row in sorted(found, key=lambda row: int(row.nth)):
        of_each.setdefault(row.group, []).append(row_of(row))
    return {name: tuple(rows) for name, rows in of_each.items()}, {row.group: row.whole for row in found}


def trials(
    session: Session,
    dealer: str,
    after: str,
    *conditions: ColumnElement[bool],
    today: dt.date | None = None,
    files: bool = False,
    wanted: ListWanted = ALL,
) -> Leaf[TrialRow]:
    """Return a page of the same, the other way round where that is wanted."""
    trial, composition = tables.Trial, tables.Composition
    order = (trial.on, trial.id)
    theirs = select(trial.id).outerjoin(composition, composition.trial == trial.id)
    # Of the trial's own dealer too, as a composed one's is: by that the list is found in its order.
    theirs = theirs.where(trial.dealer == dealer, _of_dealer(dealer, files), *conditions, *_narrowed(dealer, wanted))
    # First which ones, then what is counted of each: so that only the page's own are counted.
    found = session.execute(
        theirs.with_only_columns(*order, maintain_column_froms=True)
        .where(paging.beyond(order, paging.read(after, dt.date, int), rising=wanted.oldest))
        .order_by(*wanted.ordered(order))
        .limit(wanted.most + 1)
    ).all()
    count = session.scalar(select(func.count()).select_from(theirs.subquery())) or 0
    page = paging.leaf(found, count, tuple, wanted.most)
    ids = [row.id for row in page.rows]
    rows = trial_rows(session, dealer, trial.id.in_(ids), today=today, files=files)
    return page.of(reversed(rows) if wanted.oldest else rows)


def _narrowed(dealer: str, wanted: ListWanted) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that trials are narrowed by."""
    trial, joined = tables.Trial, tables.JoinedPlayer
    if wanted.value("search"):
        named = searching.found(tables.SearchWord.player, (dealer,), wanted.value("search"))
        with_them = select(joined.player).where(joined.dealer == dealer, joined.head.in_(named))
        yield or_(trial.player.in_(named), trial.player.in_(with_them))
    if wanted.value("instrument"):
        yield trial.instrument == wanted.value("instrument")
    if wanted.value("place"):
        yield func.coalesce(trial.place, Place.SHOP) == wanted.value("place")
    if wanted.value("outcome") == NO_OUTCOME:
        yield trial.came.is_(None)
    elif wanted.value("outcome"):
        yield trial.came == wanted.value("outcome")
    if wanted.since:
        yield trial.on >= wanted.since
    if wanted.until:
        yield trial.on <= wanted.until


def counts(session: Session, dealer: str) -> dict[str, int]:
    """Return how many trials composed here stand in each state."""
    composition = tables.Composition
    counted = select(composition.state, func.count()).where(composition.dealer == dealer).group_by(composition.state)
    return {row.state: row[1] for row in session.execute(counted)}


def _of_dealer(dealer: str, files: bool) -> ColumnElement[bool]:
    trial, composition = tables.Trial, tables.Composition
    from_file = and_(composition.trial.is_(None), trial.dealer == dealer)
    return or_(composition.dealer == dealer, from_file) if files else composition.dealer == dealer


def statement(dealer: str, today: dt.date, *, files: bool) -> Select[*tuple[Any, ...]]:
    """Return what asks for a dealer's trials, one row each for `row_of`; with ``files`` those read from a file too."""
    trial, composition, contact, kept = tables.Trial, tables.Composition, tables.Contact, tables.TrialCopy
    return (
        select(
            *(trial.id, trial.key, trial.on, trial.instrument, trial.hold, trial.place, trial.blinding),
            *(composition.number, composition.state, composition.hour, composition.due_back, composition.revealed_at),
            tables.Player.key.label("player"),
            func.coalesce(contact.name, _STANDS.name).label("who"),
            _count(kept.id, kept.trial == trial.id).label("copies"),
            _count(tables.Slot.id, tables.Slot.trial == trial.id).label("slots"),
            _count(tables.Run.position.distinct(), and_(tables.Run.trial == trial.id, _rated())).label("sheets"),
            exists()
            .where(kept.trial == trial.id, kept.out_at.is_not(None), kept.back_at.is_(None), kept.due_back < today)
            .label("overdue"),
            trial.came.label("outcome"),
        )
        .outerjoin(tables.JoinedPlayer, same_person.joined_at(dealer, trial.player))
        .join(tables.Player, tables.Player.id == same_person.head(trial.player))
        .outerjoin(composition, composition.trial == trial.id)
        .outerjoin(contact, and_(contact.player == trial.player, contact.dealer == dealer))
        .outerjoin(_STANDS, and_(_STANDS.player == tables.Player.id, _STANDS.dealer == dealer))
        .where(_of_dealer(dealer, files))
        .order_by(trial.on.desc(), trial.id.desc())
    )


def _rated() -> ColumnElement[bool]:
    """Return the condition that the player rated a run; strokes alone rate nothing."""
    run = tables.Run
    told = or_(run.cannot_tell != "", *(getattr(run, name).is_not(None) for name in tables.RATED))
    return and_(run.rater == "player", told)


def _count(of: Any, where: ColumnElement[bool]) -> ScalarSelect[int]:
    return select(func.count(of)).where(where).correlate(tables.Trial).scalar_subquery()


def row_of(row: Row[*tuple[Any, ...]]) -> TrialRow:
    """Return a trial from a row of `statement`."""
    from_file = row.number is None
    same = ("key", "number", "on", "hour", "due_back", "instrument", "hold", "player", "who", "copies", "outcome")
    return TrialRow(
        **{name: getattr(row, name) for name in same},
        state=row.state or FROM_FILE,
        place=row.place or Place.SHOP,
        blinding=row.blinding or Blinding.BLIND,
        sheets_in=row.sheets,
        sheets_of=row.sheets if from_file else row.slots,
        revealed=from_file or row.revealed_at is not None,
        overdue=bool(row.overdue),
    )


def copies_out(session: Session, keys: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return by trial's key the bows that are out, by serial."""
    kept = tables.TrialCopy
    found: dict[str, tuple[str, ...]] = {}
    for key, copy in session.execute(
        select(tables.Trial.key, kept.copy)
        .join(tables.Trial, tables.Trial.id == kept.trial)
        .where(tables.Trial.key.in_(list(keys)), out_now())
        .order_by(kept.copy)
    ):
        found[key] = (*found.get(key, ()), copy)
    return found


def has_flagged_sheets() -> ColumnElement[bool]:
    """Return the condition that two sheets claim one place, or one came that fits none, in a trial not given up."""
    sheet = tables.Sheet
    odd = or_(*(sheet.flags.contains(flag) for flag in ("conflict", "other_device", "unknown_letter")))
    return (tables.Composition.state != "cancelled") & exists().where(sheet.trial == tables.Trial.id, odd)
