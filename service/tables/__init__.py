"""Every table. What must hold for all rows is said as a constraint, so that the database refuses what breaks it.

Lists of words (settings, priorities, criteria that could not be told, flags) are text separated by single blanks.
"""

from service.tables.advice import Draft, Enquiry, ModelVersion
from service.tables.base import (
    BENCH_COLUMNS,
    EVENTS,
    HOLDS,
    HOLDS_PLAYED,
    INSTRUMENTS,
    INSTRUMENTS_USED,
    QUANTITIES,
    RATED,
    RATERS,
    REASONS,
    ROLES,
    STATES,
    STATUSES,
    Base,
)
from service.tables.doors import ApiKey, ClosedAddress, Door, Duty, FollowUp, OutboxItem, Spending
from service.tables.history import Outcome, Player, Run, Trial, newest_outcome, newest_run
from service.tables.range import RANGE, BenchReading, Copy, Dealer, Event, Price, RangeState, Tier
from service.tables.staff import AuditEntry, PasswordLink, StaffSession, Tablet, TabletCode, User
from service.tables.trials import Composition, Contact, HeadToHead, Pair, Seat, Sheet, Slot, TrialCopy

__all__ = [
    "BENCH_COLUMNS",
    "EVENTS",
    "HOLDS",
    "HOLDS_PLAYED",
    "INSTRUMENTS",
    "INSTRUMENTS_USED",
    "QUANTITIES",
    "RANGE",
    "RATED",
    "RATERS",
    "REASONS",
    "ROLES",
    "STATES",
    "STATUSES",
    "ApiKey",
    "AuditEntry",
    "Base",
    "BenchReading",
    "ClosedAddress",
    "Composition",
    "Contact",
    "Copy",
    "Dealer",
    "Door",
    "Draft",
    "Duty",
    "Enquiry",
    "Event",
    "FollowUp",
    "HeadToHead",
    "ModelVersion",
    "OutboxItem",
    "Outcome",
    "Pair",
    "PasswordLink",
    "Player",
    "Price",
    "RangeState",
    "Run",
    "Seat",
    "Sheet",
    "Slot",
    "Spending",
    "StaffSession",
    "Tablet",
    "TabletCode",
    "Tier",
    "Trial",
    "TrialCopy",
    "User",
    "newest_outcome",
    "newest_run",
]
