"""What the desk is shown of trials, players and enquiries, as frozen records. Copies stand where the desk alone looks."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from model.domain.vocabulary import Blinding, Hold, Instrument, OutcomeKind, Place
from service import tables
from service.core.paging import Leaf
from service.players.enquiry_access import Agreed
from service.players.joining import Joined
from service.players.overview import Overview
from service.players.tastes import Tastes

NO_OUTCOME = "nothing"


@dataclass(frozen=True, slots=True)
class EnquiryRow:
    """One enquiry in a list. ``trials``: (key, number) of those composed from it."""

    id: str
    created_at: dt.datetime
    name: str | None
    instrument: Instrument
    hold: Hold | None
    budget: float | None
    currency: str | None
    place: Place
    copies: int
    trials: tuple[tuple[str, int], ...]
    settled_at: dt.datetime | None


@dataclass(frozen=True, slots=True)
class EnquiryPage:
    """One enquiry.

    ``answers``: the questionnaire's body; ``contact``: name, email, phone, consent; ``document``: the advice; ``nobodys``: it is
    no dealer's yet.
    """

    row: EnquiryRow
    address: str
    language: str
    answers: Mapping[str, Any]
    contact: Mapping[str, Any] | None
    document: Mapping[str, Any]
    player: str | None
    nobodys: bool


@dataclass(frozen=True, slots=True)
class PlayerRow:
    """One player as the dealer knows them. ``key`` is the link; ``name`` None: not given. ``last`` trial's day."""

    key: str
    name: str | None
    email: str | None
    phone: str | None
    instruments: tuple[Instrument, ...]
    trials: int
    last: dt.date | None
    in_model: bool


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """What came of a trial; ``copy`` and ``tier_name`` None where none is named. ``revision`` above 1: corrected.

    ``price``: what was paid for the bow kept, None where it is not known.
    """

    on: dt.date
    outcome: OutcomeKind
    copy: str | None
    tier_name: str | None
    reason: str | None
    revision: int
    price: Decimal | None = None
    currency: str | None = None
    note: str | None = None

    @classmethod
    def of(cls, row: tables.Outcome, tier_name: str | None) -> "OutcomeRow":
        """Return what is stored, with the tier of its bow."""
        return cls(
            *(row.on, row.outcome, row.copy, tier_name, row.reason, row.revision), row.price, row.currency, row.note
        )


@dataclass(frozen=True, slots=True)
class TrialRow:
    """One trial in a list.

    ``number``: the dealer's running number; None for a trial that was read from a file.
    ``state``: planned, open, closed, cancelled; 'closed' for one from a file.
    ``who``: the player's name; None where it is not known. ``player``: the key.
    ``sheets_in``, ``sheets_of``: the player's own sheets that count, and the places in the order.
    ``outcome``: the newest; None where none is recorded.
    ``overdue``: copies are out after the day they were due.
    """

    key: str
    number: int | None
    state: str
    on: dt.date
    hour: dt.time | None
    due_back: dt.date | None
    instrument: Instrument
    hold: Hold | None
    player: str
    who: str | None
    place: Place
    blinding: Blinding
    copies: int
    sheets_in: int
    sheets_of: int
    outcome: OutcomeKind | None
    revealed: bool
    overdue: bool


@dataclass(frozen=True, slots=True)
class SlotRow:
    """One place in the order. ``letter`` '' is the own bow. ``copy`` None: the own bow, or not revealed. ``on``: a later sitting's day."""

    position: int
    letter: str
    own: bool
    copy: str | None = None
    tier_name: str | None = None
    sitting: int = 1
    on: dt.date | None = None


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One bow in the case, by serial, so that the list tells nothing of the letters. ``status``: the copy's now.

    ``currency``: of the price as this dealer's players pay it. ``out_at``, ``back_at``: when it left and came back.
    """

    copy: str
    tier: str
    tier_name: str
    currency: str | None
    insured_value: float | None
    materials: str | None
    status: str | None
    out_at: dt.datetime | None
    back_at: dt.datetime | None
    condition_out: str | None
    condition_back: str | None

    @property
    def is_out(self) -> bool:
        """Say whether it has left and is not back."""
        return self.out_at is not None and self.back_at is None


SheetRow = tables.Sheet
"""One sheet as it was kept, by letter: ``flags``, codes with blanks between; ``counts``, the fit reads it."""


@dataclass(frozen=True, slots=True)
class Materials:
    """Whether a parcel must wait. ``needed``: it crosses a border with listed or unknown material; ``waits``: and nobody confirmed."""

    needed: bool
    waits: bool
    copies: tuple[str, ...]
    confirmed_at: dt.datetime | None
    confirmed_by: str | None


@dataclass(frozen=True, slots=True)
class TrialPage:
    """One trial at the desk.

    ``row``: as in the list.
    ``slots``: the order by letter; copies only once revealed. ``later``: the places of later sittings, likewise.
    ``case``: the bows, by serial.
    ``sheets``: every sheet kept, by place and arrival, the player's and the listener's.
    ``flags``: sentences on what staff should know: a bow sold meanwhile, sheets that came late, two sheets for one place.
    ``may``: what can be done now: open, send, confirm, swap, close, cancel, reveal, take_back, outcome, follow_up.
    ``plan``: chance, gain, copies, runs, minutes as promised when it was composed.
    ``follow_ups``: (key, number) of the trials composed from this one; ``previous`` likewise the one before.
    """

    row: TrialRow
    dealer_name: str
    player: PlayerRow
    answers: Mapping[str, Any]
    plan: Mapping[str, Any]
    minutes: int
    own_plays: int
    repeat: bool
    country: str | None
    enquiry: str | None
    previous: tuple[str, int] | None
    follow_ups: tuple[tuple[str, int], ...]
    created_at: dt.datetime | None
    made_by: str | None
    closed_at: dt.datetime | None
    revealed_at: dt.datetime | None
    revealed_by: str | None
    materials: Materials
    slots: tuple[SlotRow, ...]
    case: tuple[CaseRow, ...]
    sheets: tuple[SheetRow, ...]
    outcomes: tuple[OutcomeRow, ...]
    flags: tuple[str, ...]
    may: frozenset[str]
    note: str | None
    later: tuple[SlotRow, ...] = ()


@dataclass(frozen=True, slots=True)
class PlayerPage:
    """One player: contact, trials newest first, and what came of them by trial.

    ``outcomes``: what came of a trial, with the trial's key, newest first.
    ``agreed``: what was agreed to, newest first. ``since``: when a contact was first kept. ``asked_at``: when it was last said
        what ratings may serve.
    ``joined``: the keys that staff found to be theirs too. ``alike``: other players of the same name or address.
    ``overview``: what they made of bows; ``tastes``: what that tells of them; ``lasting``: the answers that hold from visit to
        visit.
    """

    row: PlayerRow
    language: str | None
    mail_consent: bool
    trials: tuple[TrialRow, ...]
    enquiries: tuple[EnquiryRow, ...]
    joined: tuple[Joined, ...]
    alike: tuple[PlayerRow, ...]
    overview: Overview
    tastes: Tastes
    lasting: Mapping[str, Any]
    outcomes: tuple[tuple[str, OutcomeRow], ...]
    agreed: tuple[Agreed, ...]
    since: dt.datetime | None
    asked_at: dt.datetime | None
    note: str


@dataclass(frozen=True, slots=True)
class Overdue:
    """Copies that should be back. ``days``: since the day they were due."""

    trial: TrialRow
    copies: tuple[str, ...]
    days: int


@dataclass(frozen=True, slots=True)
class Home:
    """What waits at the desk today, the first of each group; ``counts``: how many there are in all, by the group's name.

    ``without_outcome``: closed and nothing recorded; ``flagged``: sheets that staff should look at; ``given_back``: a player said
    by mail that the bow kept is not the right one any more, and it is not back yet.
    """

    new_enquiries: Leaf[EnquiryRow]
    overdue: tuple[Overdue, ...]
    counts: Mapping[str, int]
    today: tuple[TrialRow, ...] = ()
    open: tuple[TrialRow, ...] = ()
    coming: tuple[TrialRow, ...] = ()
    without_outcome: tuple[TrialRow, ...] = ()
    parcels_waiting: tuple[TrialRow, ...] = ()
    flagged: tuple[TrialRow, ...] = ()
    given_back: tuple[TrialRow, ...] = ()
