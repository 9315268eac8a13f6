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
    STATES,
    STATUSES,
    Base,
)
from service.tables.doors import (
    AddressKey,
    ApiKey,
    Calendar,
    ClosedAddress,
    ConfirmedAddress,
    Door,
    Duty,
    FirstMail,
    FollowUp,
    LoadStep,
    MailCount,
    OutboxItem,
    Sandbox,
    Spending,
)
from service.tables.found import NOBODYS, SearchWord
from service.tables.history import (
    BowMarks,
    Outcome,
    Player,
    Run,
    Trial,
    newest_outcome,
    newest_run,
    outcome_order,
    write_what_came,
)
from service.tables.range import RANGE, BenchReading, Copy, Dealer, Event, Price, RangeState, Tier, TierCharacter
from service.tables.staff import (
    AuditEntry,
    HalfSignIn,
    KeptForm,
    KnownBrowser,
    PasswordLink,
    RecoveryCode,
    SecondFactor,
    SignInTries,
    StaffSession,
    Tablet,
    TabletCode,
    User,
)
from service.tables.trials import (
    Composition,
    Contact,
    HeadToHead,
    JoinedPlayer,
    Pair,
    Parcel,
    PlayerNote,
    Seat,
    Sheet,
    Slot,
    TrialCopy,
)
