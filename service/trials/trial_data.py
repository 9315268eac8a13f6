"""What the page of one trial is told; built by `service.trials.trial_page`."""

from dataclasses import dataclass

from service.advice.interval_pictures import LikingPicture
from service.trials.desk_records import CaseRow, SheetRow
from service.trials.standing import BowStanding, ListenerRow
from service.web.desk_forms import Fact, Line
from service.web.page_data import Fault, Option, Page, Typed


@dataclass(frozen=True, slots=True)
class ConditionField:
    """The condition of one bow, to be typed; ``name`` of the field, ``serial`` its label."""

    name: str
    serial: str


@dataclass(frozen=True, slots=True)
class NextStep:
    """The one next step. ``conditions``: asked of each bow; ``asks_who``: who confirms is asked; ``action`` '' is an anchor."""

    name: str
    why: str
    button: str
    action: str
    conditions: tuple[ConditionField, ...]
    asks_who: bool


@dataclass(frozen=True, slots=True)
class StandingPart:
    """How the bows stand; ``alone``: only one of them is rated. ``heard_by``: the criteria that listeners rated."""

    progress: str
    text: str
    picture: LikingPicture | None
    bows: tuple[BowStanding, ...]
    alone: bool
    remarks: tuple[str, ...]
    heard_by: tuple[str, ...]
    heard: tuple[ListenerRow, ...]
    revealed: bool


@dataclass(frozen=True, slots=True)
class SlotLine:
    """One place in the order. ``done``: rated; ``here``: the next one; ``revealed``: serial and tier."""

    position: int
    name: str
    done: bool
    here: bool
    revealed: str


@dataclass(frozen=True, slots=True)
class SeatPart:
    """The link for one rater. ``address`` '' while there is none; ``code`` is the path of its QR code of ``size`` modules."""

    rater: str
    title: str
    why: str
    address: str
    code: str
    size: int


@dataclass(frozen=True, slots=True)
class HandingPart:
    """A head-to-head: what to hand over next, and what the pairs say. ``letters`` to choose two from while none goes on."""

    bows: tuple[Option, ...]
    title: str
    next: str
    ahead: str
    count: str
    verdict: str
    going_on: bool


@dataclass(frozen=True, slots=True)
class OutcomePart:
    """What came of the trial: what is recorded, and the taps that record it; ``asked``: it is time to.

    A tap's value is outcome, reason and bow, with a dash for what is not given; a bow is named by its letter until the key
    is revealed.
    """

    asked: bool
    recorded: tuple[str, ...]
    kept: tuple[Option, ...]
    none: tuple[Option, ...]
    returned: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class SwapPart:
    """Bows that may be taken out of a planned trial, and those that may come in."""

    out: tuple[Option, ...]
    into: tuple[Option, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialView(Page):
    """The page of one trial. ``live``: it is asked for anew while it is looked at."""

    key: str
    facts: str
    state: str
    notice: str
    remarks: tuple[str, ...]
    typed: Typed
    faults: tuple[Fault, ...]
    step: NextStep | None
    live: bool
    order: tuple[SlotLine, ...]
    handover: str
    standing: StandingPart | None
    sheets: tuple[SheetRow, ...]
    case: tuple[CaseRow, ...]
    about: tuple[Fact, ...]
    seats: tuple[SeatPart, ...]
    handing: HandingPart | None
    outcome: OutcomePart | None
    swap: SwapPart | None
    related: tuple[Line, ...]
    prints: tuple[Option, ...]
    may_reveal: bool
    may_cancel: bool
    may_follow_up: bool
    may_reopen: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RevealView(Page):
    """Asks whether the key is to be revealed. ``left``: how many sheets are still to come, in words."""

    key: str
    left: str


@dataclass(frozen=True, slots=True)
class Other:
    """Another answer than the first one: where it is posted, with which fields, and its words."""

    action: str
    fields: tuple[tuple[str, str], ...]
    button: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AskView(Page):
    """Asks before a step that is not taken lightly.

    Attributes
    ----------
    lead : what is about to be done. lines : what is missing or will change, one each; ``heading`` stands above them.
    after : said below them.
    action : where the answer 'yes' is posted, with ``fields`` (name, value). button : its words.
    other : another answer. back : where 'no' leads. no : its words.
    """

    about: str
    lead: str
    heading: str
    lines: tuple[str, ...]
    after: str
    action: str
    fields: tuple[tuple[str, str], ...]
    button: str
    back: str
    no: str
    other: Other | None = None
