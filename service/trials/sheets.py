"""Rating sheets as they come in: each is kept; of each place in the order one counts, and that one is a run of the history.

A place is a position in the order together with the rater. A device draws an id for each of its sheets, and a revision for each
change. The first id that rates a place has it: the highest revision under that id counts, with the strokes that came before it
by another id where it has none. Flags say what is odd:

``conflict``       the same revision came before with other content, or the id belongs to another place
``other_device``   another device's sheet has this place, and rates it or says no less
``unknown_letter`` the trial has no such letter at this place
``late``           the trial, or the link it came by, was closed already
``overdue``        rated when the bows were to be back already
``cancelled``      the trial was given up
``after_reveal``   rated when the key was revealed already
``clock``          the device's clock is off by more than ten minutes
"""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service import tables
from service.core import audit, audit_events
from service.core.errors import ConflictError, NotFoundError, existing
from service.core.language import _
from service.players import player_keys
from service.players.trial_access import claimed
from service.questionnaire.sheet_fields import SheetIn
from service.trials import bow_marks, sheet_statements
from service.trials.screens import for_screen
from service.trials.sheet_statements import SheetTarget, StoredSheet

__all__ = ["FLAGS", "SheetIn", "Stored", "count", "for_screen", "played_at", "record"]

FLAGS = ("conflict", "other_device", "unknown_letter", "late", "overdue", "cancelled", "after_reveal", "clock")
NOT_COUNTED = frozenset({"conflict", "other_device", "unknown_letter", "cancelled", "after_reveal"})
"""With one of these a sheet is kept beside the one that counts, until staff choose."""
LARGEST_ID = 2**31 - 1
"""Of a row; a larger number is nobody's, and no database takes it."""
CLOCK_OFF = dt.timedelta(minutes=10)
_LAST_ZONE = dt.timedelta(hours=12)
"""A day ends last where clocks are so far behind (UTC-12, as ISO 8601 writes it)."""


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

    ``dealer``, ``key``: whose trial, and which.
    ``run``: the id that the sender drew for this sheet.
    ``sender``: by which tablet, link or file it came.
    ``closed``: the link it came by is closed.
    ``at``: when it was received; None: now.

    Raises `NotFoundError`: the dealer has no such trial.
    """
    session.flush()  # what follows goes past the session's objects
    place = existing(sheet_statements.place(session, dealer, key, sheet.position, sheet.letter))
    neighbours = sheet_statements.near(session, place.trial, sheet.position, sheet.rater, run)
    digest = sheet.digest()
    revisions = [known.revision for known in neighbours if known.run == run]
    for known in neighbours:
        if (known.run, known.revision, known.digest) == (run, sheet.revision, digest):
            return Stored(max(revisions), tuple(known.flags.split()))
    arrival = _Arrival(place, neighbours, run, sheet, closed, at or dt.datetime.now(dt.UTC))
    flags = arrival.flags()
    _keep(session, arrival, flags, sender, digest)
    session.expire_all()
    return Stored(max([*revisions, sheet.revision]), flags)


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

    Raises `NotFoundError`: the dealer has no such trial, or the trial no such sheet; `ConflictError`: there is no bow
    behind it, or it was not rated blind.
    """
    _trial, composition = claimed(session, dealer, key)
    chosen = session.get(tables.Sheet, sheet_id) if 0 < sheet_id <= LARGEST_ID else None
    if chosen is None or chosen.trial != composition.trial:
        raise NotFoundError
    place = sheet_statements.place(session, dealer, key, chosen.position, chosen.letter)
    if place is None or place.slot is None:
        raise ConflictError(
            _("This sheet names a letter that is not at its place in the trial; no bow stands behind it.")
        )
    if "after_reveal" in chosen.flags.split():
        raise ConflictError(_("This sheet was filled in after the key was revealed; the blind one counts."))
    if chosen.counts:
        return
    sheet_statements.uncount(session, chosen.trial, chosen.position, chosen.rater)
    session.refresh(chosen)
    chosen.counts = True
    played = chosen.rated_at or chosen.received_at
    sheet_statements.add_run(
        *(session, chosen.trial, chosen.position, chosen.rater, place.bow, chosen.ratings, chosen.note, played),
        strokes=chosen.strokes,
    )
    _count_marks(session, place)
    audit.record(session, user, audit_events.SHEET_CHOSEN, f"trial {key}", dealer=dealer, position=chosen.position)
    session.flush()
    session.expire_all()


@dataclass(frozen=True, slots=True)
class _Arrival:
    """A sheet that is not stored yet, and all that it has to be seen beside."""

    place: SheetTarget
    near: list[StoredSheet]
    run: str
    sheet: SheetIn
    closed: bool
    received: dt.datetime

    @property
    def played(self) -> dt.datetime:
        return played_at(self.sheet, self.received)

    @property
    def counting(self) -> StoredSheet | None:
        """The sheet of its place that counts now."""
        return next((known for known in self.near if known.counts and self._same_place(known)), None)

    def flags(self) -> tuple[str, ...]:
        """Return what is odd, in the order of `FLAGS`."""
        revealed = self.place.revealed_at
        holds = {
            "conflict": any(self._contradicts(known) for known in self.near),
            "other_device": self._is_taken(),
            "unknown_letter": self.place.slot is None,
            "late": self.closed or self.place.state == "closed",
            "overdue": self._is_overdue(),
            "cancelled": self.place.state == "cancelled",
            "after_reveal": revealed is not None and self.played > revealed,
            "clock": self._clock_is_off(),
        }
        return tuple(flag for flag in FLAGS if holds[flag])

    def counts(self, flags: tuple[str, ...]) -> bool:
        """Say whether it takes the place of the sheet that counts now."""
        counting = self.counting
        newer = counting is None or counting.run != self.run or self.sheet.revision > counting.revision
        return newer and NOT_COUNTED.isdisjoint(flags)

    def strokes(self, flags: tuple[str, ...]) -> str | None:
        """Return the strokes to keep: where it counts and has none, those that another id's sheet of strokes alone left there."""
        own, counting = self.sheet.kept_strokes, self.counting
        if own is not None or counting is None or not self.counts(flags):
            return own
        others = (known for known in self.near if known.run != self.run and self._same_place(known))
        left = any(not known.ratings and known.strokes == counting.strokes for known in others)
        return counting.strokes if left else None

    def _is_taken(self) -> bool:
        """Say whether another id has the place; one that holds no ratings makes way for one that does."""
        other = self.counting
        return other is not None and other.run != self.run and bool(other.ratings or not self.sheet.ratings)

    def _same_place(self, known: StoredSheet) -> bool:
        return (known.position, known.rater) == (self.sheet.position, self.sheet.rater)

    def _contradicts(self, known: StoredSheet) -> bool:
        return known.run == self.run and (known.revision == self.sheet.revision or not self._same_place(known))

    def _is_overdue(self) -> bool:
        """Say whether the day by which the bows were due was over when it was played, wherever that was."""
        due = self.place.due_back
        return self.place.place is Place.POST and due is not None and (self.played - _LAST_ZONE).date() > due

    def _clock_is_off(self) -> bool:
        if self.sheet.sent_at is None:
            return self.sheet.rated_at > self.received + CLOCK_OFF
        return abs(self.sheet.sent_at - self.received) > CLOCK_OFF


def _keep(session: Session, arrival: _Arrival, flags: tuple[str, ...], sender: str, digest: str) -> None:
    """Store the sheet; where it counts, it takes the place of the one that did, here and in the history."""
    sheet, counts, trial = arrival.sheet, arrival.counts(flags), arrival.place.trial
    if counts and arrival.counting is not None:
        sheet_statements.uncount(session, trial, sheet.position, sheet.rater)
    if sheet.model_consent is not None and sheet.rater == "player":
        player_keys.said_with_sheet(session, trial, yes=sheet.model_consent)
    strokes = arrival.strokes(flags)
    told = sheet.model_dump(exclude={"sent_at", "model_consent"}) | {"strokes": strokes}
    came = {"trial": trial, "run": arrival.run, "received_at": arrival.received, "sender": sender}
    sheet_statements.add(session, told | came | {"digest": digest, "flags": " ".join(flags), "counts": counts})
    if counts:
        place = (trial, sheet.position, sheet.rater, arrival.place.bow)
        sheet_statements.add_run(session, *place, sheet.ratings, sheet.note, arrival.played, strokes)
        _count_marks(session, arrival.place)


def _count_marks(session: Session, place: SheetTarget) -> None:
    """Count the marks of a sheet's bow anew, where its trial is over or revealed already."""
    if place.bow is not None and (place.state == "closed" or place.revealed_at is not None):
        bow_marks.of_bows(session, [place.bow])
