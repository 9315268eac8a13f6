"""A trial on its way: opened, sent, swapped, moved, taken back, closed, cancelled, revealed. Each raises `NotFoundError` or `ConflictError` with a sentence."""

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from model.domain.vocabulary import Hold, Place
from model.trial import of_named
from service.advice.document import Considered
from service.core import audit_events, formats
from service.core.errors import Code, ConflictError, InvalidInputError, refuse
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_copies, lock_dealer
from service.core.scopes import OneDealer
from service.players import known
from service.players.trial_access import claimed
from service.questionnaire.forms import check
from service.tables import Composition, Copy, Dealer, Seat, Tier, Trial, TrialCopy
from service.trials import bow_marks, composing, materials, ordering, parcel_mails, reservations, trial_mails
from service.trials.shared import carried, noted, require_state
from service.trials.whole_trial import TrialRecord

LONGEST_NOTE = 2_000
A_DAY = dt.timedelta(days=1)
KEPT = "kept"
"""The condition of a bow that does not come back because the player kept it."""


@dataclass(frozen=True, slots=True)
class When:
    """The day of a trial, or on which its parcel leaves; the hour, None where it is open; ``due_back`` None: as long as before."""

    on: dt.date
    hour: dt.time | None = None
    due_back: dt.date | None = None


def open_(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Open a planned trial in the shop: the bows go out. A trial by post is opened by `send`. Open already: nothing changes."""
    trial, composition = claimed(session, dealer, key)
    if composition.state == "open":
        return
    if trial.place is Place.POST:
        raise ConflictError(_("This trial goes by post; it is opened when its parcel is sent."))
    _go_out(session, trial, composition, {})
    trial_mails.begun(session, key)
    noted(session, user, dealer, audit_events.TRIAL_OPENED, f"trial {key}")


def send(session: Session, user: int | None, dealer: str, key: str, condition: Mapping[str, str]) -> None:
    """Send the parcel of a trial by post and open it; ``condition`` by serial, one for every bow. Sent already: nothing changes.

    Raises `InvalidInputError`: a bow without its condition, or a bow that is not in the parcel; `ConflictError`: not by
    post, not planned, materials not confirmed, or a bow that is still out elsewhere.
    """
    trial, composition = claimed(session, dealer, key)
    if trial.place is not Place.POST:
        raise ConflictError(_("This trial is in the shop; there is no parcel to send."))
    if composition.state == "open":
        return
    waiting = to_confirm(session, composition) if composition.materials_confirmed_at is None else ()
    if waiting:
        sentence = _(
            "The parcel waits: confirm first that the materials of {copies} may cross the border, and who says so."
        )
        raise ConflictError(sentence.format(copies=formats.listed(waiting)))
    _check_conditions(condition, [row.copy for row in carried(session, composition.trial)], every=True)
    _go_out(session, trial, composition, condition)
    session.flush()
    parcel_mails.sent(session, user, dealer, key)
    noted(session, user, dealer, audit_events.PARCEL_SENT, f"trial {key}", copies=sorted(condition))


def to_confirm(session: Session, composition: Composition) -> tuple[str, ...]:
    """Return the bows with listed or unknown material in a parcel that crosses a border, by serial."""
    dealer = session.get_one(Dealer, composition.dealer)
    made_of = session.execute(
        select(Copy.serial, Copy.materials)
        .join(TrialCopy, TrialCopy.copy == Copy.serial)
        .where(TrialCopy.trial == composition.trial)
        .order_by(Copy.serial)
    )
    return materials.to_confirm(composition, dealer, [(serial, named) for serial, named in made_of])


def confirm_materials(session: Session, user: int | None, dealer: str, key: str, by: str) -> None:
    """Confirm that the materials may cross the border; ``by``: who says so. Confirmed already: nothing changes.

    Raises `InvalidInputError` without a name.
    """
    trial, composition = claimed(session, dealer, key)
    name = " ".join(by.split())
    if not name or len(name) > 200:
        raise InvalidInputError([("by", _("Say who confirms it, in at most 200 letters."))])
    if trial.place is not Place.POST:
        raise ConflictError(_("This trial is in the shop; nothing crosses a border."))
    require_state(composition, ("planned",), _("The parcel of this trial waits no more."))
    if composition.materials_confirmed_at is not None:
        return
    composition.materials_confirmed_at, composition.materials_confirmed_by = now(), name
    copies = list(to_confirm(session, composition))
    noted(session, user, dealer, audit_events.MATERIALS_CONFIRMED, f"trial {key}", copies=copies)


def swap(session: Session, user: int | None, dealer: str, key: str, out: str | None, in_: str | None) -> None:
    """Exchange, add (``out`` None) or drop (``in_`` None) a bow of a planned trial; letters and order are drawn anew.

    Raises `InvalidInputError`: a bow that is not in the trial, is in it already, is unknown here, or does not suit;
    `ConflictError`: the trial is planned no more, a bow is wanted elsewhere, or none would be left.
    """
    lock_dealer(session, dealer)
    trial, composition = claimed(session, dealer, key)
    require_state(composition, ("planned",), _("The bows of a trial can be changed only while it is planned."))
    earlier = {row.copy: row for row in carried(session, composition.trial)}
    swapped = _swapped(list(earlier), out, in_)
    if set(swapped) == set(earlier):
        return
    # All that can be refused is asked before the first change, so that a refusal leaves the trial as it was.
    lock_copies(session, {*earlier, *swapped})
    if in_ is not None:
        first, last = _days(composition)
        composing.set_aside(session, dealer, [in_], first, reservations.busy_until(last, trial.place))
    answers = check(composition.answers)
    stored = known.of_trial(session, trial, composition, answers)
    considered = composing.consider_answers(session, answers, swapped, stored)
    if out is not None:
        session.delete(earlier[out])
        session.flush()
        release(session, [out])
    if in_ is not None:
        composing.keep_aside(session, composition, [in_])
    _plan_anew(session, composition, considered, swapped)
    noted(session, user, dealer, audit_events.BOWS_CHANGED, f"trial {key}", out=out, into=in_)


def move(session: Session, user: int | None, dealer: str, key: str, when: When) -> None:
    """Move a planned trial. To where it is already: nothing changes.

    Raises `InvalidInputError`: a day that is past, bows back before the trial, or an hour that the shop's clock leaves
    out; `ConflictError`: not planned any more, or bows that are wanted elsewhere in these days, each in a sentence.
    """
    trial, composition = claimed(session, dealer, key)
    require_state(composition, ("planned",), _("Only a planned trial can be moved."))
    last = when.due_back or when.on + ((composition.due_back or trial.on) - trial.on)
    earlier = (trial.on, composition.hour, composition.due_back)
    if earlier == (when.on, when.hour, last):
        return
    _check_days(when, last)
    composing.check_hour(session, dealer, when.on, when.hour)
    rows = carried(session, composition.trial)
    busy = reservations.busy_until(last, trial.place or Place.SHOP)
    composing.set_aside(session, dealer, [row.copy for row in rows], when.on, busy, composition.trial)
    trial.on, composition.hour = when.on, when.hour
    composition.out_from, composition.due_back = when.on, last
    composition.sequence += 1
    for row in rows:
        row.out_from, row.due_back = when.on, last
    session.flush()
    trial_mails.moved(session, key)
    told = {"on": when.on.isoformat(), "hour": when.hour and f"{when.hour:%H:%M}", "was": earlier[0].isoformat()}
    noted(session, user, dealer, audit_events.TRIAL_MOVED, f"trial {key}", **told)


def _check_days(when: When, last: dt.date) -> None:
    problems = []
    # The clock's zone may be a day behind the shop's.
    if when.on < now().date() - A_DAY:
        problems.append(("on", _("This day is past; choose today or a later one.")))
    if last < when.on:
        problems.append(
            ("due_back", _("The bows cannot be back before the trial; expected the same day or a later one."))
        )
    refuse(problems)


def may_come(session: Session, record: TrialRecord) -> tuple[tuple[str, str], ...]:
    """Return serial and tier's name of the dealer's bows that suit a planned trial and can be had on its days, its own apart."""
    trial, composition = record.trial, record.composed()
    first, last = _days(composition)
    today = now().date()
    suits = [Tier.instrument == trial.instrument]
    if trial.hold not in (None, Hold.EITHER):
        suits.append(Copy.hold == trial.hold)
    found = session.execute(
        select(Copy.serial, Copy.status, Tier.name)
        .join(Tier, Tier.slug == Copy.tier)
        .where(Copy.dealer == composition.dealer, *suits)
        .order_by(Tier.grade, Tier.slug, Copy.serial)
    )
    reserved = reservations.of_copies(session, scope=OneDealer(composition.dealer))
    last, own = reservations.busy_until(last, trial.place), {bow.copy for bow in record.case}
    return tuple(
        (serial, name)
        for serial, status, name in found
        if serial not in own
        and reservations.why_not(serial, status, reserved.get(serial, ()), first, last, today) is None
    )


def _swapped(before: list[str], out: str | None, in_: str | None) -> list[str]:
    if out is not None and out not in before:
        raise InvalidInputError([("out", _("The bow {copy} is not in this trial.").format(copy=out))])
    if in_ is not None and in_ in before and in_ != out:
        raise InvalidInputError([("in", _("The bow {copy} is in this trial already.").format(copy=in_))])
    swapped = [copy for copy in before if copy != out] + ([in_] if in_ is not None else [])
    if not swapped:
        raise ConflictError(_("A trial needs one bow at least; cancel it if none is to be played."))
    if len(swapped) > composing.MOST_COPIES:
        sentence = _("That would be {count} bows; at most {most} can be kept apart in one trial.")
        raise ConflictError(sentence.format(count=len(swapped), most=composing.MOST_COPIES))
    return swapped


def _plan_anew(session: Session, composition: Composition, considered: Considered, copies: list[str]) -> None:
    """Work out the promise, the own bow's plays and the order for other bows; a repeat stays where it can be hidden."""
    no_bow, count = considered.questionnaire.plays_no_bow, len(copies)
    composition.repeat = composition.repeat and count + (not no_bow) > 1
    composition.own_plays = ordering.own_plays(count, composition.minutes, composition.repeat, no_bow)
    runs = count + composition.own_plays + composition.repeat
    composition.plan = composing.planned(considered, of_named(considered.player, copies), copies, runs)
    composition.model_version = considered.fitted.version
    composition.materials_confirmed_at = composition.materials_confirmed_by = None  # it was of other bows
    ordering.lay_out(session, composition, copies)


def take_back(session: Session, user: int | None, dealer: str, key: str, copies: Mapping[str, str]) -> None:
    """Take bows back, each with its condition; the others stay out. A bow that is back already stays as it is.

    Raises `InvalidInputError` for a bow that is not out on this trial.
    """
    _trial, composition = claimed(session, dealer, key)
    rows = {row.copy: row for row in carried(session, composition.trial)}
    _check_conditions(copies, [copy for copy, row in rows.items() if row.out_at is not None], every=False)
    come = {copy: note for copy, note in copies.items() if rows[copy].back_at is None}
    for copy, note in come.items():
        rows[copy].back_at, rows[copy].condition_back = now(), note.strip()
    session.flush()
    release(session, come)
    noted(session, user, dealer, audit_events.BOWS_TAKEN_BACK, f"trial {key}", copies=sorted(come))


def close(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Close an open trial; in the shop its bows are back with it, by post they are taken back one by one. Closed: nothing changes."""
    trial, composition = claimed(session, dealer, key)
    if composition.state == "closed":
        return
    require_state(composition, ("open",), _("Only an open trial can be closed."))
    end(session, trial, composition)
    noted(session, user, dealer, audit_events.TRIAL_CLOSED, f"trial {key}")


def end(session: Session, trial: Trial, composition: Composition) -> None:
    """Put an open trial's state to closed, its bows back where it was in the shop, and its links shut."""
    composition.state, composition.closed_at = "closed", now()
    _come_home(session, trial, composition)
    bow_marks.of_trials(session, [trial.id])
    _shut_seats(session, composition)
    trial_mails.after_trial(session, trial.key)


def cancel(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Give a trial up. Its sheets stay; bows not yet out are free again, in the shop those out are back, by post they stay out.

    Cancelled already: nothing changes.
    """
    trial, composition = claimed(session, dealer, key)
    if composition.state == "cancelled":
        return
    require_state(composition, ("planned", "open"), _("Only a planned or an open trial can be cancelled."))
    was, by_post = composition.state, trial.place is Place.POST
    expected = by_post if was == "open" else trial.on >= now().date() - A_DAY
    lock_copies(session, [row.copy for row in carried(session, composition.trial)])
    composition.state, composition.sequence = "cancelled", composition.sequence + 1
    _come_home(session, trial, composition)
    release(session, [row.copy for row in carried(session, composition.trial) if row.out_at is None])
    _shut_seats(session, composition)
    trial_mails.cancelled(session, key, expected=expected)
    noted(session, user, dealer, audit_events.TRIAL_CANCELLED, f"trial {key}", was=was)


def reveal(session: Session, user: int, dealer: str, key: str) -> None:
    """Reveal which letter was which bow, once and for good; sheets that come later are kept but do not count."""
    _trial, composition = claimed(session, dealer, key)
    if composition.revealed_at is not None:
        return
    require_state(
        composition, ("open", "closed", "cancelled"), _("There is nothing to reveal before the first bow is played.")
    )
    composition.revealed_at, composition.revealed_by = now(), user
    bow_marks.of_trials(session, [composition.trial])
    trial_mails.revealed(session, key)
    noted(session, user, dealer, audit_events.LETTERS_REVEALED, f"trial {key}")


# Bows out and back


def _go_out(session: Session, trial: Trial, composition: Composition, condition: Mapping[str, str]) -> None:
    """Let a trial's bows go out and open it. Of two trials that take the same bow the database refuses one."""
    require_state(composition, ("planned",), _("Only a planned trial can be opened."))
    rows = carried(session, composition.trial)
    held = lock_copies(session, [row.copy for row in rows])
    if lost := gone(composition, held.values()):
        raise ConflictError(" ".join([*lost, _("Exchange or drop it first.")]), Code.BOWS_TAKEN)
    try:
        with session.begin_nested():
            for row in rows:
                row.out_at, row.condition_out = now(), condition.get(row.copy, "").strip() or None
            session.flush()
    except IntegrityError:
        raise ConflictError(_out_elsewhere(session, composition, list(held)), Code.BOWS_TAKEN) from None
    for copy in held.values():
        copy.status = "on_trial"
    _on_the_day(trial, composition, rows)
    composition.state, composition.opened_at = "open", now()


def _on_the_day(trial: Trial, composition: Composition, rows: Iterable[TrialCopy]) -> None:
    """Let the trial's days be those on which it is really played; one day off may be the clock's zone and stays."""
    today = now().date()
    first, last = _days(composition)
    if abs((today - trial.on).days) > 1:
        trial.on = today
    if today < first - A_DAY or today > last + A_DAY:
        composition.out_from, composition.due_back = min(first, today), max(last, today)
        for row in rows:
            row.out_from, row.due_back = min(first, today), max(last, today)


def gone(composition: Composition, copies: Collection[Copy]) -> list[str]:
    """Say which bows cannot go out because they were sold, are in repair, or have left the shop since they were set aside."""
    moved = _("{copy} is no more in this shop.")
    statuses = ("in_stock", "reserved", "on_trial")
    said = [reservations.status_sentence(each.serial, each.status) for each in copies if each.status not in statuses]
    return said + [moved.format(copy=each.serial) for each in copies if each.dealer != composition.dealer]


def _out_elsewhere(session: Session, composition: Composition, copies: list[str]) -> str:
    """Name the trials that hold some of these bows."""
    found = [
        _("{copy} is still out on trial {number}.").format(copy=each.copy, number=each.number)
        for reserved in reservations.of_copies(session, copies).values()
        for each in reserved
        if each.out and each.trial != composition.trial
    ]
    return " ".join([*found, _("Take it back there first, or exchange it here.")])


def _come_home(session: Session, trial: Trial, composition: Composition) -> None:
    """Take what is out back, where the trial was in the shop: the bows never left it."""
    if trial.place is Place.POST:
        return
    rows_out = [row for row in carried(session, composition.trial) if row.out_at is not None and row.back_at is None]
    for row in rows_out:
        row.back_at = now()
    session.flush()
    release(session, [row.copy for row in rows_out])


def release(session: Session, copies: Iterable[str]) -> None:
    """Put bows that a trial held back on the shelf: reserved where another trial wants them, else in stock.

    What staff said meanwhile of a bow, that it is sold or in repair, stays.
    """
    rows = lock_copies(session, copies)
    reserved = reservations.of_copies(session, rows)
    for serial, row in rows.items():
        if row.status in ("reserved", "on_trial"):
            wanted = reserved.get(serial, ())
            any_out = any(each.out for each in wanted)
            row.status = "on_trial" if any_out else "reserved" if wanted else "in_stock"
    session.flush()


def _shut_seats(session: Session, composition: Composition) -> None:
    seats = update(Seat).where(Seat.trial == composition.trial, Seat.closed_at.is_(None))
    session.execute(seats.values(closed_at=now()))


def _check_conditions(condition: Mapping[str, str], copies: Iterable[str], *, every: bool) -> None:
    carried_copies = list(copies)
    strange = _("The bow {copy} is not out on this trial.")
    long = _("The condition is longer than {most} letters; say it shorter.")
    missing = (
        _("Say in what condition {copy} leaves, if only ‘as new’.")
        if every
        else _("Say in what condition {copy} came.")
    )
    problems = [(f"condition.{copy}", strange.format(copy=copy)) for copy in condition if copy not in carried_copies]
    problems += [
        (f"condition.{copy}", long.format(most=LONGEST_NOTE))
        for copy, note in condition.items()
        if len(note) > LONGEST_NOTE
    ]
    wanted = carried_copies if every else [copy for copy in condition if copy in carried_copies]
    problems += [
        (f"condition.{copy}", missing.format(copy=copy)) for copy in wanted if not condition.get(copy, "").strip()
    ]
    refuse(problems)


def _days(composition: Composition) -> tuple[dt.date, dt.date]:
    if composition.out_from is None or composition.due_back is None:
        msg = f"trial {composition.trial}: got no days, expected the first and the last"
        raise ValueError(msg)
    return composition.out_from, composition.due_back
