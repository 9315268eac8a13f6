"""One trial read whole: what its page, its standing and its papers ask of the database, in a handful of statements."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, ScalarSelect, Select, case, func, select
from sqlalchemy.orm import Session, aliased

from service import tables
from service.core.errors import NotFoundError
from service.core.moments import now
from service.core.prepared import prepared
from service.modelling import present
from service.modelling.present import Present
from service.trials import paired_comparison, people, trial_rows
from service.trials.desk_records import CaseRow, PlayerRow, SlotRow, TrialRow
from service.trials.paired_comparison import Round


@dataclass(frozen=True, slots=True)
class TrialRecord:
    """One trial.

    ``composition``: None for a trial that was read from a file.
    ``made_by``, ``revealed_by``: names of the staff.
    ``previous``, ``follow_ups``: (key, number) of the trial before and of those after.
    ``parcel``: what was told of it, None for nothing.
    ``seats``: by rater the id of the link that is open.
    ``slots``: the order with every bow, revealed or not; ``later``: the places of later sittings.
    ``runs``: the newest revision of each sheet that counts with its bow's tier, the player's and the listener's, by place.
    ``rounds``: the head-to-heads with their pairs.
    ``present``: the range's marks and the model's version at the same moment.
    """

    row: TrialRow
    trial: tables.Trial
    composition: tables.Composition | None
    shop: tables.Dealer
    player: PlayerRow
    made_by: str | None
    revealed_by: str | None
    previous: tuple[str, int] | None
    follow_ups: tuple[tuple[str, int], ...]
    parcel: tables.Parcel | None
    seats: Mapping[str, str]
    case: tuple[CaseRow, ...]
    outcomes: tuple[tuple[tables.Outcome, str | None], ...]
    sheets: tuple[tables.Sheet, ...]
    slots: tuple[SlotRow, ...]
    later: tuple[SlotRow, ...]
    runs: tuple[tuple[tables.Run, str | None], ...]
    rounds: tuple[Round, ...]
    present: Present

    def composed(self) -> tables.Composition:
        """Return its composition; raises `NotFoundError` where it was read from a file."""
        if self.composition is None:
            raise NotFoundError
        return self.composition

    def first_letters(self) -> dict[str | None, str]:
        """Return by copy the letter under which it is first played."""
        return {slot.copy: slot.letter for slot in reversed(self.slots)}


def read(
    session: Session, dealer: str, key: str, today: dt.date | None = None, *, is_played: bool = False
) -> TrialRecord:
    """Return one trial, composed here or read from a file; raises `NotFoundError`.

    ``is_played``: only how it is played is asked for, so that its case and what came of it are not read and stay empty.
    """
    found = session.execute(*_statement(dealer, key, today or now().date(), now())).all()
    if not found:
        raise NotFoundError
    first, trial = found[0], found[0].Trial
    composition: tables.Composition | None = first.Composition
    planned, from_file = first.state == "planned", composition is None
    places = () if from_file else every_slot(session, trial.id)
    (player,) = people.player_rows(session, dealer, [first.stands])
    later_trials = {(each.after_key, each.after_number) for each in found if each.after_key is not None}
    return TrialRecord(
        row=trial_rows.row_of(first),
        trial=trial,
        composition=composition,
        shop=first.Dealer,
        player=player,
        made_by=first.made_by,
        revealed_by=first.revealed_by,
        previous=None if first.before_key is None else (first.before_key, first.before_number),
        follow_ups=tuple(sorted(later_trials, key=lambda each: each[1])),
        parcel=first.Parcel,
        seats={rater: seat for rater in tables.RATERS if (seat := getattr(first, f"seat_{rater}"))},
        case=() if from_file or is_played else _case(session, dealer, trial.id),
        outcomes=() if is_played else tuple((row, name) for row, name in session.execute(*_outcomes_of(trial.id))),
        sheets=() if from_file else tuple(session.scalars(*_sheets_of(trial.id))),
        slots=tuple(slot for slot in places if slot.sitting == 1),
        later=tuple(slot for slot in places if slot.sitting > 1),
        runs=() if planned else tuple((row, name) for row, name in session.execute(*_runs_of(trial.id))),
        rounds=() if planned or from_file else paired_comparison.rounds(session, trial.id),
        present=present.of(first),
    )


@prepared
def _statement(dealer: str, key: str, today: dt.date, moment: dt.datetime) -> Any:
    trial, composition = tables.Trial, tables.Composition
    (earlier, before_trial), (later, after_trial) = ((aliased(composition), aliased(trial)) for _side in range(2))
    seats = (_open_seat(rater, moment).label(f"seat_{rater}") for rater in tables.RATERS)
    statement = (
        trial_rows.statement(dealer, today, files=True)
        .add_columns(trial, composition, tables.Parcel, tables.Dealer, tables.Player.id.label("stands"), *seats)
        .add_columns(_name(composition.made_by).label("made_by"), _name(composition.revealed_by).label("revealed_by"))
        .add_columns(before_trial.key.label("before_key"), earlier.number.label("before_number"))
        .add_columns(after_trial.key.label("after_key"), later.number.label("after_number"))
        .join(tables.Dealer, tables.Dealer.slug == dealer)
        .outerjoin(tables.Parcel, tables.Parcel.trial == trial.id)
        .outerjoin(earlier, earlier.trial == composition.previous)
        .outerjoin(before_trial, before_trial.id == earlier.trial)
        .outerjoin(later, later.previous == trial.id)
        .outerjoin(after_trial, after_trial.id == later.trial)
        .where(trial.key == key)
    )
    return present.beside(statement)


def _open_seat(rater: str, moment: dt.datetime) -> ScalarSelect[str]:
    seat = tables.Seat
    open_ = (seat.trial == tables.Trial.id, seat.rater == rater, seat.closed_at.is_(None), seat.expires_at > moment)
    newest = select(seat.id).where(*open_).order_by(seat.made_at.desc()).limit(1)
    return newest.correlate(tables.Trial).scalar_subquery()


def _name(user: Any) -> ColumnElement[str]:
    user_table = tables.User
    name = select(func.coalesce(func.nullif(user_table.name, ""), user_table.email)).where(user_table.id == user)
    return name.correlate(tables.Composition).scalar_subquery()


@prepared
def _case_of(dealer: str, trial: int) -> Any:
    held, copy, tier, price = tables.TrialCopy, tables.Copy, tables.Tier, tables.Price
    currency = func.coalesce(price.currency, case((tier.price.is_not(None), tier.currency)))
    return (
        select(copy.serial, tier.slug, tier.name, currency, copy.insured_value, copy.materials)
        .add_columns(copy.status, held.out_at, held.back_at, held.condition_out, held.condition_back)
        .join(copy, copy.serial == held.copy)
        .join(tier, tier.slug == copy.tier)
        .outerjoin(price, (price.tier == tier.slug) & (price.dealer == dealer))
        .where(held.trial == trial)
        .order_by(copy.serial)
    )


def _case(session: Session, dealer: str, trial: int) -> tuple[CaseRow, ...]:
    return tuple(
        CaseRow(serial, slug, name, used, None if worth is None else float(worth), *rest)
        for serial, slug, name, used, worth, *rest in session.execute(*_case_of(dealer, trial))
    )


@prepared
def _outcomes_of(trial: int) -> Any:
    outcome = tables.Outcome
    told = _with_tier(select(outcome, tables.Tier.name), outcome.copy)
    return told.where(outcome.trial == trial, tables.newest_outcome()).order_by(*tables.outcome_order())


@prepared
def _sheets_of(trial: int) -> Select[tables.Sheet]:
    sheet = tables.Sheet
    order = (sheet.rater.desc(), sheet.position, sheet.received_at, sheet.id)
    return select(sheet).where(sheet.trial == trial).order_by(*order)


@prepared
def _runs_of(trial: int) -> Any:
    run = tables.Run
    rated = _with_tier(select(run, tables.Tier.name), run.copy).where(run.trial == trial, tables.newest_run())
    return rated.order_by(run.position)


def slots(session: Session, trial: int) -> tuple[SlotRow, ...]:
    """Return the order by letter, with every bow: of the first sitting, which every later one repeats."""
    return tuple(slot for slot in every_slot(session, trial) if slot.sitting == 1)


def every_slot(session: Session, trial: int) -> tuple[SlotRow, ...]:
    """Return the places of every sitting, likewise."""
    return tuple(
        SlotRow(position, letter, copy is None, copy, name, sitting, on)
        for position, letter, copy, name, sitting, on in session.execute(*_slots_of(trial))
    )


@prepared
def _slots_of(trial: int) -> Any:
    slot = tables.Slot
    asked = (slot.position, slot.letter, slot.copy, tables.Tier.name, slot.sitting, slot.on)
    return _with_tier(select(*asked), slot.copy).where(slot.trial == trial).order_by(slot.position)


def _with_tier(statement: Any, serial: Any) -> Any:
    joined = statement.outerjoin(tables.Copy, tables.Copy.serial == serial)
    return joined.outerjoin(tables.Tier, tables.Tier.slug == tables.Copy.tier)
