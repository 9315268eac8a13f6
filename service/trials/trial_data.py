"""What the page of one trial is told besides its record, and the page that asks before a step."""

from dataclasses import dataclass

from service.web.page_data import Option, Page


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
class OutcomePart:
    """What came of the trial: what is recorded, and the taps that record it; ``asked``: it is time to.

    A tap's value is outcome, reason and bow, with a dash for what is not given; a bow is named by its letter until the key
    is revealed. ``held``: the bows kept and not brought back, for the price paid. ``currency``: of that price, '' where the
    shop has none.
    """

    asked: bool
    recorded: tuple[str, ...]
    kept: tuple[Option, ...]
    none: tuple[Option, ...]
    returned: tuple[Option, ...]
    held: tuple[str, ...] = ()
    currency: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskView(Page):
    """Asks before a step that is not taken lightly.

    ``lead``: what is about to be done. ``lines``: what is missing or will change, one each; ``heading`` stands above them.
    ``after``: said below them.
    ``action``: where the answer 'yes' is posted, with ``fields`` (name, value). ``button``: its words.
    ``other``: another answer: where it is posted, with which fields, and its words. ``back``: where 'no' leads. ``no``: its words.
    """

    about: str = ""
    lead: str
    heading: str = ""
    lines: tuple[str, ...] = ()
    after: str
    action: str
    fields: tuple[tuple[str, str], ...] = ()
    button: str
    back: str
    no: str
    other: tuple[str, tuple[tuple[str, str], ...], str] | None = None
