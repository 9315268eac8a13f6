"""What came of a trial, and the next one composed from it.

A bow that was kept is sold and leaves the stock; in the shop the others are back on the shelf with it. Outcomes follow each other
as days do: one may ask for more and keep a bow later, or bring one back. What contradicts an earlier one is refused with a
sentence; an entry made by mistake is mended by `correct`, and the record of what was done keeps how it stood.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Blinding, OutcomeKind, Place
from service.core import audit_events, formats
from service.core.errors import Code, ConflictError, FieldCode, FieldProblem, existing, refuse
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_copies, require_unchanged
from service.players import same_person
from service.players.trial_access import claimed, composed
from service.tables import REASONS, Composition, Outcome, Player, Trial, newest_outcome, outcome_order
from service.trials import lifecycle, prices_paid, trial_mails
from service.trials.desk_records import OutcomeRow
from service.trials.prices_paid import PricePaid
from service.trials.shared import carried, noted, require_state

NAMES_COPY = (OutcomeKind.KEPT, OutcomeKind.RETURNED)
_NOTHING_SAID = PricePaid()
Told = TypeVar("Told", Outcome, OutcomeRow)


def record(
    session: Session,
    user: int | None,
    dealer: str,
    key: str,
    outcome: str,
    copy: str | None,
    reason: str | None,
    on: dt.date,
    paid: PricePaid = _NOTHING_SAID,
) -> Outcome:
    """Record what came of a trial and return it as it stands: kept, more_asked, none, returned; ``reason``: price, sound, handling, undecided, other.

    The same again changes nothing; with another reason, price or note it is a new revision, which keeps the price and the
    note before where nothing is said of them. An open trial is closed by it.

    Raises `NotFoundError`: the dealer has no such trial; `InvalidInputError`: a word that is none of these, a bow that was not
    in the trial, a day before the trial or to come, a price that cannot be or (unless sure) is odd; `ConflictError`: the trial
    was not played, or the outcome contradicts an earlier one.
    """
    trial, composition = claimed(session, dealer, key)
    require_state(composition, ("open", "closed"), _("There is no outcome to record."))
    kind = _checked(session, trial, outcome, copy, reason, on, paid)
    row = Outcome(trial=trial.id, on=on, outcome=kind, copy=copy, reason=reason)
    earlier = told(session, trial.id)
    same = next((each for each in earlier if _is(each) == _is(row)), None)
    _complete(session, trial, row, paid, same)
    if same is not None and _says(same) == _says(row):
        return same
    if same is None:
        _refuse_contradiction(earlier, row)
    lock_copies(session, [row.copy for row in carried(session, trial.id)])
    session.add(row)
    session.flush()
    if composition.state == "open":
        if kind is OutcomeKind.KEPT and copy is not None:
            _stays_away(session, composition, copy)
        lifecycle.end(session, trial, composition)
    if same is None:
        _move(session, composition, kind, copy, on)
    trial_mails.outcome(session, key, row)
    noted(session, user, dealer, audit_events.OUTCOME_RECORDED, f"trial {key}", **stood(row), revision=row.revision)
    return row


def pay(session: Session, user: int | None, dealer: str, key: str, copy: str, paid: PricePaid, seen: str) -> None:
    """Record what was paid for a bow that was kept, and the note, just as they are said: nothing said takes back what was.

    ``seen``: what stood there when this was typed, as `prices_paid.stands` writes it.

    Raises as `record` does; `ConflictError`: the bow was not kept, or was brought back; somebody else changed this since ``seen``.
    """
    trial, _composition = claimed(session, dealer, key)
    same = held(told(session, trial.id)).get(copy)
    if same is None:
        raise ConflictError(
            _("{copy} is not on record as kept on this trial.").format(copy=copy), Code.CONTRADICTS_RECORD
        )
    problems = list(prices_paid.problems(session, dealer, OutcomeKind.KEPT, copy, paid))
    refuse(problems)
    row = Outcome(trial=trial.id, on=same.on, outcome=OutcomeKind.KEPT, copy=copy, reason=same.reason)
    _complete(session, trial, row, paid)
    if _says(same) == _says(row):
        return
    require_unchanged(prices_paid.stands(same.price, same.note), seen)
    session.add(row)
    session.flush()
    trial_mails.outcome_event(session, key, row)
    noted(session, user, dealer, audit_events.OUTCOME_RECORDED, f"trial {key}", **stood(row), revision=row.revision)


def _complete(session: Session, trial: Trial, row: Outcome, paid: PricePaid, same: Outcome | None = None) -> None:
    """Make a row the next revision of its outcome, with the price and the note of ``same`` where nothing is said of them."""
    row.price, row.currency = paid.price, prices_paid.currency_of(session, str(trial.dealer), paid)
    row.note = paid.note or (same.note if same is not None else None)
    if same is not None and paid.price is None:
        row.price, row.currency = same.price, same.currency
    row.revision = (session.scalar(select(func.max(Outcome.revision)).where(_same_as(row))) or 0) + 1


def _is(row: Outcome) -> tuple[OutcomeKind, str | None, dt.date]:
    """Return what an outcome is told apart by; each revision has the same."""
    return row.outcome, row.copy, row.on


def _says(row: Outcome) -> tuple[object, ...]:
    return row.reason, row.price, row.currency, row.note


def stood(row: Outcome) -> dict[str, object]:
    """Return how an outcome stands, for the record of what was done; not its note, which may name somebody."""
    was: dict[str, object] = {"outcome": str(row.outcome), "copy": row.copy}
    was |= {"reason": row.reason, "on": row.on.isoformat()}
    return was if row.price is None else was | {"price": prices_paid.written(row.price), "currency": row.currency}


def correct(
    session: Session,
    user: int | None,
    dealer: str,
    key: str,
    wrong: tuple[str, str | None, dt.date],
    outcome: str,
    copy: str | None,
    reason: str | None,
    on: dt.date,
) -> None:
    """Put an outcome in place of one that was recorded by mistake, ``wrong``: its outcome, copy and day.

    The new one is the next revision of the old, with its note and, of a bow that was kept, its price; how the old one stood is
    kept in the record of what was done.
    Raises `NotFoundError` where there is no such outcome, else as `record` does.
    """
    trial, composition = claimed(session, dealer, key)
    mistaken = existing(
        next((row for row in told(session, trial.id) if (str(row.outcome), row.copy, row.on) == wrong), None)
    )
    lock_copies(session, [row.copy for row in carried(session, trial.id)])
    was, revision = stood(mistaken), mistaken.revision + 1
    paid = PricePaid(note=mistaken.note)
    if outcome == OutcomeKind.KEPT:
        paid = PricePaid(mistaken.price, mistaken.note, currency=mistaken.currency, stood=True)
    with session.begin_nested():  # what is refused in the new one leaves the old one as it was
        trial_mails.mistaken(session, key, mistaken)
        take_out(session, composition, mistaken)
        newest = record(session, user, dealer, key, outcome, copy, reason, on, paid)
        newest.revision = max(newest.revision, revision)
    if (was["outcome"], was["copy"]) != (outcome, copy):
        trial_mails.revealed(session, key, corrected=True)
    noted(session, user, dealer, audit_events.OUTCOME_CORRECTED, f"trial {key}", was=was, revision=revision)


def take_out(session: Session, composition: Composition, mistaken: Outcome) -> None:
    """Take an outcome out with every revision of it, and undo what it did to the stock."""
    kind, copy, day = mistaken.outcome, mistaken.copy, mistaken.on
    for row in session.scalars(select(Outcome).where(_same_as(mistaken))):
        session.delete(row)
    session.flush()
    if copy is not None and kind is OutcomeKind.KEPT:
        _into_stock(session, copy)
    elif copy is not None and kind is OutcomeKind.RETURNED:
        _move(session, composition, OutcomeKind.KEPT, copy, kept_since(told(session, composition.trial)).get(copy, day))


def _checked(
    session: Session, trial: Trial, outcome: str, copy: str | None, reason: str | None, on: dt.date, paid: PricePaid
) -> OutcomeKind:
    problems: list[FieldProblem] = []
    if outcome not in tuple(OutcomeKind):
        sentence = _("Say what came of it: kept, more_asked, none or returned.")
        problems.append(FieldProblem("outcome", sentence, FieldCode.NOT_ONE_OF))
    if reason is not None and reason not in REASONS:
        words = ", ".join(REASONS)
        sentence = _("Give one of these reasons, or none: {words}.").format(words=words)
        problems.append(FieldProblem("reason", sentence, FieldCode.NOT_ONE_OF))
    if on < trial.on:
        sentence = _("This is before the trial, {day}.").format(day=formats.day(trial.on))
        problems.append(FieldProblem("on", sentence, FieldCode.CONTRADICTS))
    if on > now().date() + dt.timedelta(days=1):  # a day more, for those east of here
        problems.append(FieldProblem("on", _("This day is still to come."), FieldCode.OUT_OF_RANGE))
    problems += _copy_problems(session, trial, outcome, copy)
    problems += prices_paid.problems(session, str(trial.dealer), outcome, copy, paid)
    refuse(problems)
    return OutcomeKind(outcome)


def _copy_problems(session: Session, trial: Trial, outcome: str, copy: str | None) -> list[FieldProblem]:
    if copy is None:
        needed = outcome in tuple(map(str, NAMES_COPY))
        sentence = _("Say which bow was kept or brought back.")
        return [FieldProblem("copy", sentence, FieldCode.MISSING)] if needed else []
    if outcome not in tuple(map(str, NAMES_COPY)):
        sentence = _("A bow is named only where it was kept or brought back; leave it out.")
        return [FieldProblem("copy", sentence, FieldCode.CONTRADICTS)]
    if copy not in [row.copy for row in carried(session, trial.id)]:
        sentence = _("The bow {copy} was not in this trial.").format(copy=copy)
        return [FieldProblem("copy", sentence, FieldCode.NOT_HERE)]
    return []


def told(session: Session, trial: int) -> list[Outcome]:
    """Return what was told of a trial so far, in its order, the highest revision of each."""
    newest = select(Outcome).where(Outcome.trial == trial, newest_outcome())
    return list(session.scalars(newest.order_by(*outcome_order())))


def _same_as(row: Outcome) -> ColumnElement[bool]:
    """Return the condition that a row is a revision of an outcome."""
    same_copy = func.coalesce(Outcome.copy, "") == (row.copy or "")
    return (Outcome.trial == row.trial) & (Outcome.outcome == row.outcome) & (Outcome.on == row.on) & same_copy


def held(outcomes: Sequence[Told]) -> dict[str, Told]:
    """Return the bows that were kept and not brought back, each with the outcome that it was kept by."""
    kept: dict[str, Told] = {}
    for row in sorted(outcomes, key=lambda each: (each.on, each.outcome is OutcomeKind.RETURNED)):
        if row.outcome is OutcomeKind.KEPT and row.copy is not None:
            kept.setdefault(row.copy, row)
        elif row.outcome is OutcomeKind.RETURNED and row.copy is not None:
            kept.pop(row.copy, None)
    return kept


def kept_since(outcomes: Sequence[Outcome]) -> dict[str, dt.date]:
    """Return the bows that were kept and not brought back, with the day."""
    return {copy: row.on for copy, row in held(outcomes).items()}


def _refuse_contradiction(before: Sequence[Outcome], row: Outcome) -> None:
    (kind, copy, on), kept = _is(row), kept_since(before)
    if kind is OutcomeKind.KEPT and copy in kept:
        sentence = _("{copy} was recorded as kept on {day} already; correct that entry if the day is wrong.")
        raise ConflictError(sentence.format(copy=copy, day=formats.day(kept[copy])), Code.CONTRADICTS_RECORD)
    if kind is OutcomeKind.RETURNED and (copy not in kept or kept[copy] > on):
        raise ConflictError(
            _("{copy} was not kept before that day, so it cannot have been brought back.").format(copy=copy),
            Code.CONTRADICTS_RECORD,
        )
    if kind in (OutcomeKind.NONE, OutcomeKind.MORE_ASKED) and kept:
        one, start = next(iter(kept.items()))
        sentence = _(
            "{copy} was kept on {day}. Record it as brought back first, or correct that entry if it was a mistake."
        )
        raise ConflictError(sentence.format(copy=one, day=formats.day(start)), Code.CONTRADICTS_RECORD)
    _refuse_kept_before_none(before, kind, on)


def _refuse_kept_before_none(before: Sequence[Outcome], kind: OutcomeKind, on: dt.date) -> None:
    none = [row.on for row in before if row.outcome is OutcomeKind.NONE and row.on >= on]
    if kind is OutcomeKind.KEPT and none:
        sentence = _("On {day} it was recorded that none was kept; correct that entry instead.")
        raise ConflictError(sentence.format(day=formats.day(max(none))), Code.CONTRADICTS_RECORD)


def _stays_away(session: Session, composition: Composition, copy: str) -> None:
    row = next(row for row in carried(session, composition.trial) if row.copy == copy)
    if row.out_at is not None and row.back_at is None:
        row.back_at, row.condition_back = now(), lifecycle.KEPT
        session.flush()


def _move(session: Session, composition: Composition, kind: OutcomeKind, copy: str | None, on: dt.date) -> None:
    """Let the stock follow: a bow kept is sold, one brought back is in the shop again."""
    if copy is None:
        return
    if kind is OutcomeKind.KEPT:
        _stays_away(session, composition, copy)
        row = lock_copies(session, [copy])[copy]
        row.status, row.sold_on = "sold", on
    elif kind is OutcomeKind.RETURNED:
        _into_stock(session, copy)
    session.flush()


def _into_stock(session: Session, copy: str) -> None:
    row = lock_copies(session, [copy])[copy]
    if row.status == "sold":
        # Where another trial waits for it, `release` says reserved.
        row.status, row.sold_on = "reserved", None
        session.flush()
        lifecycle.release(session, [copy])


# The next trial


@dataclass(frozen=True, slots=True)
class Before:
    """What a trial leaves to the next one: the rows it is kept in, and who played it; the marks are `service.players.known`'."""

    trial: Trial
    composition: Composition
    player: str

    @property
    def place(self) -> Place:
        """Where it was."""
        return self.trial.place or Place.SHOP

    @property
    def blinding(self) -> Blinding:
        """What the player knew of the bows."""
        return self.trial.blinding or Blinding.BLIND


def before_next(session: Session, dealer: str, key: str) -> Before:
    """Return what a trial leaves to the next one; raises `NotFoundError`, or `ConflictError` where it is still to be played."""
    trial, composition = composed(session, dealer, key)
    require_state(composition, ("open", "closed"), _("Nothing was learnt from this trial yet."))
    stands = same_person.head_of(session, dealer, trial.player)
    return Before(trial, composition, session.get_one(Player, stands).key)
