"""Rating sheets as they come in: each is kept; of each place in the order one counts, and that one is a run of the history.

A place is a position in the order together with the rater. A device draws an id for each of its sheets, and a revision for each
change. The first id that comes for a place has it: the highest revision under that id counts. Flags say what is odd:

``conflict``       the same revision came before with other content, or the id belongs to another place
``other_device``   another device's sheet has this place
``unknown_letter`` the trial has no such letter at this place
``late``           the trial, or the link it came by, was closed already
``cancelled``      the trial was given up
``after_reveal``   rated when the key was revealed already
``clock``          the device's clock is off by more than ten minutes
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service import tables
from service.access import audit
from service.errors import NotHere, Refused
from service.forms.sheet import CANNOT_TELL, SheetIn
from service.language import N_, _
from service.trials.screens import for_screen

__all__ = ["FLAGS", "SheetIn", "Stored", "count", "for_screen", "played_at", "record"]

FLAGS = ("conflict", "other_device", "unknown_letter", "late", "cancelled", "after_reveal", "clock")
NOT_COUNTED = frozenset({"conflict", "other_device", "unknown_letter", "cancelled", "after_reveal"})
"""With one of these a sheet is kept beside the one that counts, until staff choose."""
NEVER_COUNTED = frozenset({"unknown_letter", "after_reveal"})
"""With one of these not even staff can make a sheet count: there is no bow behind it, or it was not rated blind."""
CLOCK_OFF = dt.timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of a sheet: the highest revision now stored under its id, and its flags."""

    stored_revision: int
    flags: tuple[str, ...]


def record(
    session: Session,
    dealer: str,
    key: str,
    run: str,
    sheet: SheetIn,
    sender: str,
    *,
    closed: bool = False,
    at: dt.datetime | None = None,
) -> Stored:
    """Keep a sheet; the same one again changes nothing.

    Parameters
    ----------
    dealer, key : whose trial, and which.
    run : the id that the sender drew for this sheet.
    sender : by which tablet, link or file it came.
    closed : the link it came by is closed.
    at : when it was received; None: now.

    Raises
    ------
    NotHere : the dealer has no such trial.
    """
    composition = _locked(session, dealer, key)
    near = _near(session, composition.trial, run, sheet)
    digest = sheet.digest()
    same = next((known for known in near if _is(known, run, sheet.revision) and known.digest == digest), None)
    if same is None:
        received = at or dt.datetime.now(dt.UTC)
        same = _new(composition, run, sheet, sender, received)
        same.digest = digest
        flags = _flags(session, composition, near, same, sheet, closed=closed)
        same.flags = " ".join(flags)
        _keep(session, near, same, played_at(sheet, received))
        near = [*near, same]
    highest = max(known.revision for known in near if known.run == run)
    return Stored(highest, tuple(same.flags.split()))


def played_at(sheet: SheetIn, received: dt.datetime) -> dt.datetime:
    """Return when a sheet was filled in by our own clock: the device's error is taken off where it told its time on sending."""
    if sheet.sent_at is None:
        return min(sheet.rated_at, received)
    try:
        return min(received - (sheet.sent_at - sheet.rated_at), received)
    except OverflowError:
        return received


def count(session: Session, user: int | None, dealer: str, key: str, sheet_id: int) -> None:
    """Let a sheet count in place of the one that does, because staff chose it.

    Raises
    ------
    NotHere : the dealer has no such trial, or the trial no such sheet.
    Refused : there is no bow behind it, or it was not rated blind.
    """
    composition = _locked(session, dealer, key)
    chosen = session.get(tables.Sheet, sheet_id)
    if chosen is None or chosen.trial != composition.trial:
        raise NotHere
    flags = set(chosen.flags.split())
    if "unknown_letter" in flags:
        raise Refused(_("This sheet names a letter that is not at its place in the trial; no bow stands behind it."))
    if "after_reveal" in flags:
        raise Refused(_("This sheet was filled in after the key was revealed; the blind one counts."))
    if chosen.counts:
        return
    place = select(tables.Sheet).where(
        tables.Sheet.trial == chosen.trial,
        tables.Sheet.position == chosen.position,
        tables.Sheet.rater == chosen.rater,
    )
    _let_count(session, session.scalars(place).all(), chosen, chosen.rated_at or chosen.received_at)
    audit.record(session, user, N_("chose a sheet"), f"trial {key}", dealer=dealer, position=chosen.position)


def _locked(session: Session, dealer: str, key: str) -> tables.Composition:
    """Return the dealer's composition, held until the end of the transaction so that two sheets come one after the other."""
    found = session.scalar(
        select(tables.Composition)
        .join(tables.Trial, tables.Composition.trial == tables.Trial.id)
        .where(tables.Trial.key == key, tables.Composition.dealer == dealer)
        .with_for_update(of=tables.Composition)
    )
    if found is None:
        raise NotHere
    return found


def _near(session: Session, trial: int, run: str, sheet: SheetIn) -> list[tables.Sheet]:
    """Return the sheets of the same place, and all of the same id."""
    kept = tables.Sheet
    same_place = (kept.position == sheet.position) & (kept.rater == sheet.rater)
    return list(session.scalars(select(kept).where(kept.trial == trial, or_(same_place, kept.run == run))))


def _is(known: tables.Sheet, run: str, revision: int) -> bool:
    return known.run == run and known.revision == revision


def _new(composition: tables.Composition, run: str, sheet: SheetIn, sender: str, received: dt.datetime) -> tables.Sheet:
    return tables.Sheet(
        trial=composition.trial,
        run=run,
        position=sheet.position,
        letter=sheet.letter,
        rater=sheet.rater,
        revision=sheet.revision,
        ratings=dict(sheet.ratings),
        note=sheet.note,
        rated_at=sheet.rated_at,
        received_at=received,
        sender=sender,
        counts=False,
    )


def _flags(
    session: Session,
    composition: tables.Composition,
    near: list[tables.Sheet],
    new: tables.Sheet,
    sheet: SheetIn,
    *,
    closed: bool,
) -> list[str]:
    revealed, played = composition.revealed_at, played_at(sheet, new.received_at)
    holds = {
        "conflict": any(_contradicts(known, new) for known in near),
        "other_device": any(known.counts and _same_place(known, new) and known.run != new.run for known in near),
        "unknown_letter": _slot(session, new) is None,
        "late": closed or composition.state == "closed",
        "cancelled": composition.state == "cancelled",
        "after_reveal": revealed is not None and played > revealed,
        "clock": _clock_is_off(sheet, new.received_at),
    }
    return [flag for flag in FLAGS if holds[flag]]


def _contradicts(known: tables.Sheet, new: tables.Sheet) -> bool:
    return known.run == new.run and (known.revision == new.revision or not _same_place(known, new))


def _same_place(one: tables.Sheet, other: tables.Sheet) -> bool:
    return (one.position, one.rater) == (other.position, other.rater)


def _clock_is_off(sheet: SheetIn, received: dt.datetime) -> bool:
    if sheet.sent_at is None:
        return sheet.rated_at > received + CLOCK_OFF
    return abs(sheet.sent_at - received) > CLOCK_OFF


def _slot(session: Session, sheet: tables.Sheet) -> tables.Slot | None:
    slot = tables.Slot
    return session.scalar(
        select(slot).where(slot.trial == sheet.trial, slot.position == sheet.position, slot.letter == sheet.letter)
    )


def _keep(session: Session, near: list[tables.Sheet], new: tables.Sheet, played: dt.datetime) -> None:
    session.add(new)
    place = [known for known in near if _same_place(known, new)]
    counting = next((known for known in place if known.counts), None)
    if NOT_COUNTED.isdisjoint(new.flags.split()) and (counting is None or new.revision > counting.revision):
        _let_count(session, place, new, played)
    session.flush()


def _let_count(session: Session, place: Iterable[tables.Sheet], new: tables.Sheet, played: dt.datetime) -> None:
    """Make ``new`` the sheet of its place that counts, and a run of the history that takes the place of the one before."""
    for known in place:
        known.counts = False
    new.counts = True
    session.add(_run(session, new, played))
    session.flush()


def _run(session: Session, sheet: tables.Sheet, played: dt.datetime) -> tables.Run:
    run, slot = tables.Run, _slot(session, sheet)
    earlier = session.scalar(
        select(func.max(run.revision)).where(
            run.trial == sheet.trial, run.position == sheet.position, run.rater == sheet.rater
        )
    )
    told = {name: value for name, value in sheet.ratings.items() if value != CANNOT_TELL}
    return tables.Run(
        trial=sheet.trial,
        position=sheet.position,
        rater=sheet.rater,
        revision=(earlier or 0) + 1,
        copy=slot.copy if slot else None,
        cannot_tell=" ".join(sorted(set(sheet.ratings) - set(told))),
        note=" ".join(sheet.note.split()) if sheet.note else None,
        rated_at=played,
        **told,
    )
