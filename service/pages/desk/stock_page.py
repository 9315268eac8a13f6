"""The stock by tier and one bow, from what the use cases say of them."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service import formats
from service.language import _
from service.pages.contexts import Fault, Page, Typed
from service.pages.desk import rows
from service.pages.desk.common import Fact, Line, Tab, address
from service.pages.questions import Option
from service.stock import BenchRow, CopyPage, CopyRow, EventRow, TierStock
from service.words import desk, desk_lines, phrases


@dataclass(frozen=True, slots=True)
class CopyLine:
    """One bow in the list. ``last``: what was done to it last, ``last_on`` when."""

    serial: str
    href: str
    hold: str
    where: str
    trial: str
    trial_href: str
    due: str
    overdue: bool
    mass: str
    tried: int
    last: str
    last_on: str


@dataclass(frozen=True, slots=True)
class TierPart:
    """One tier with its bows."""

    anchor: str
    name: str
    facts: str
    copies: tuple[CopyLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StockView(Page):
    """The stock; ``tabs`` narrow it to one instrument."""

    lead: str
    tabs: tuple[Tab, ...]
    tiers: tuple[TierPart, ...]


@dataclass(frozen=True, slots=True)
class EventLine:
    """What was done to a bow, and what that does to older ratings."""

    name: str
    day: str
    note: str
    effect: str


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """One bench reading."""

    day: str
    quantity: str
    value: str
    method: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyView(Page):
    """One bow. ``statuses``, ``places``: what it may be changed to, empty where nothing may.

    ``caution``: what to mind at the bench, for those who work there.
    """

    href: str
    facts: str
    where: str
    notice: str
    typed: Typed
    faults: tuple[Fault, ...]
    about: tuple[Fact, ...]
    bench: tuple[Fact, ...]
    caution: str
    readings: tuple[ReadingLine, ...]
    events: tuple[EventLine, ...]
    event_options: tuple[Option, ...]
    trials: tuple[Line, ...] | None
    statuses: tuple[Option, ...]
    places: tuple[Option, ...]


def view(tiers: tuple[TierStock, ...], instrument: str, *, trials: bool) -> StockView:
    """Return the stock's page, of one instrument where it is asked for; ``trials``: with the way to them."""
    there = tuple(dict.fromkeys(tier.instrument for tier in tiers))
    shown = instrument if instrument in there else ""
    found = [tier for tier in tiers if not shown or tier.instrument == shown]
    tabs = (
        Tab(formats.capital(_(phrases.INSTRUMENTS[name])), f"/desk/stock?instrument={name}", name == shown)
        for name in there
    )
    return StockView(
        title=_("Stock"),
        lead=_lead(found),
        tabs=(Tab(_("All"), "/desk/stock", not shown), *tabs) if len(there) > 1 else (),
        tiers=tuple(_tier(tier, trials=trials) for tier in found),
    )


def _lead(tiers: list[TierStock]) -> str:
    copies = sum(len(tier.copies) for tier in tiers)
    at_hand = sum(tier.at_hand for tier in tiers)
    return _("{bows} here, {free} of them free today.").format(
        bows=formats.capital(formats.bows(copies)), free=formats.counted(at_hand)
    )


def _tier(tier: TierStock, *, trials: bool) -> TierPart:
    copies = tuple(_copy(row, trials=trials) for row in tier.copies)
    return TierPart(f"tier-{tier.tier}", tier.name, desk_lines.tier_at_hand(tier), copies)


def _copy(row: CopyRow, *, trials: bool) -> CopyLine:
    return CopyLine(
        serial=row.copy,
        href=address("stock", row.copy),
        hold=_(phrases.HOLDS[row.hold]) if row.hold else "",
        where=row.where,
        trial=desk_lines.trial_number(row.trial[1], row.trial[0]) if row.trial else "",
        trial_href=address("trials", row.trial[0]) if row.trial and trials else "",
        due=formats.day(row.due_back) if row.due_back else "–",
        overdue=row.overdue,
        mass=formats.grams(row.mass_g) if row.mass_g else "–",
        tried=row.tried,
        last=formats.capital(_(desk.EVENTS[row.event])) if row.event else "–",
        last_on=formats.day(row.event_on) if row.event_on else "",
    )


def about(page: CopyPage) -> tuple[Fact, ...]:
    """Return what is known of a bow."""
    return tuple(Fact(label, value) for label, value in _about(page) if value)


def _about(page: CopyPage) -> Iterator[tuple[str, str]]:
    row, currency = page.row, page.tier.currency
    yield _("Tier"), page.tier.name
    yield _("Hold"), _(phrases.HOLDS[row.hold]) if row.hold else ""
    yield _("At"), row.dealer_name or _("the workshop")
    yield _("Status"), desk.word(desk.STATUSES, row.status)
    yield _("Materials"), row.materials or _("not known")
    if row.insured_value is not None:
        money = formats.money(row.insured_value, currency) if currency else formats.number(row.insured_value, 2)
        yield _("Insured value"), money
    yield _("Rated in"), formats.trials(row.tried)


def bench(values: Mapping[str, float]) -> tuple[Fact, ...]:
    """Return the latest value of each quantity."""
    return tuple(Fact(_(desk.QUANTITIES[name]), _measured(value, desk.UNITS[name])) for name, value in values.items())


def _measured(value: float, unit: str) -> str:
    said = formats.number(value, next(places for places in range(6) if places == 5 or round(value, places) == value))
    return said if unit == "1" else f"{said}{formats.NBSP}{unit}"


def readings(found: tuple[BenchRow, ...]) -> tuple[ReadingLine, ...]:
    """Return every reading."""
    return tuple(
        ReadingLine(
            day=formats.day(row.on),
            quantity=_(desk.QUANTITIES[row.quantity]),
            value=_measured(row.value, desk.UNITS[row.quantity]),
            method=row.method,
            by=row.by or "",
        )
        for row in found
    )


def events(found: tuple[EventRow, ...]) -> tuple[EventLine, ...]:
    """Return what was done to a bow."""
    return tuple(
        EventLine(formats.capital(_(desk.EVENTS[row.event])), formats.day(row.on), row.note or "", row.effect)
        for row in found
    )


def trials(page: CopyPage) -> tuple[Line, ...]:
    """Return the trials that a bow was in."""
    return tuple(rows.trial(row) for row in page.trials)
