"""The stock by tier and one bow, from what the use cases say of them."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby, starmap

from model.domain.vocabulary import EventKind, Instrument
from service.core import formats, phrases
from service.core.language import _
from service.core.paging import Leaf
from service.inventory.sales import OnTrial, Sold
from service.inventory.stock import BY_SERIAL, BenchRow, CopyPage, CopyRow, TierStock
from service.trials import desk_lines, desk_words
from service.trials.trial_data import AskView
from service.web import list_filters
from service.web.desk_forms import Fact, ListLine, ListPage, address, paged
from service.web.list_filters import ListFilter, ListQuery
from service.web.page_data import Option, Tab

SOLD = "sold"
"""In the place of an instrument: bows that are gone."""

Part = tuple[TierStock | None, tuple[CopyRow, ...]]
"""Bows of one tier under its heading; None: of any."""


def instrument(shelf: tuple[TierStock, ...], asked: str) -> str:
    """Return the instrument that the stock is narrowed to, empty for none or for one of which there is no bow."""
    return asked if asked in {tier.instrument for tier in shelf} else ""


def filters(tiers: Iterable[tuple[str, str]], places: Iterable[Option]) -> tuple[ListFilter, ...]:
    """Return what the stock is narrowed by; ``places``: where bows may be, none where all are in one place."""
    states = {name: label for name, label in desk_words.STATUSES.items() if name not in ("sold", "withdrawn")}
    order = ListFilter("order", _("Order"), (Option(BY_SERIAL, _("By serial")),))
    status = ListFilter("status", _("Status"), list_filters.options(states))
    at = ListFilter("at", _("At"), tuple(places))
    return _serial(), _of_tier(tiers), status, *([at] if at.options else []), order


def _serial() -> ListFilter:
    return ListFilter("serial", _("Serial"))


def _of_tier(tiers: Iterable[tuple[str, str]]) -> ListFilter:
    return ListFilter("tier", _("Model"), tuple(starmap(Option, tiers)))


def sold_filters(tiers: Iterable[tuple[str, str]]) -> tuple[ListFilter, ...]:
    """Return what sold bows are narrowed by."""
    return _serial(), _of_tier(tiers), *list_filters.days(), list_filters.order()


def view(found: Leaf[CopyRow], shelf: tuple[TierStock, ...], query: ListQuery, *, begins: bool) -> ListPage:
    """Return a page of the stock: under its tiers, or by serial."""
    shown, by_slug = query.kept.get("instrument", ""), {tier.tier: tier for tier in shelf}
    parts: tuple[Part, ...] = tuple(
        (by_slug[slug], tuple(rows)) for slug, rows in groupby(found.rows, key=lambda row: row.tier)
    )
    if query.value("order") == BY_SERIAL:
        parts = ((None, found.rows),) if found.rows else ()
    return ListPage(
        title=_("Stock"),
        note=_lead([tier for tier in shelf if not shown or tier.instrument == shown]),
        tabs=tabs(dict.fromkeys(tier.instrument for tier in shelf), shown),
        query=query,
        lines=parts,
        empty=_("There is no bow like that in the stock.") if query.values else _("There is no bow in the stock."),
        **paged(found, query.href, begins=begins),
    )


def head() -> tuple[str, ...]:
    """Return the columns of the stock as a file."""
    named = (_("Serial"), _("Model"), _("Hold"), _("At"), _("Where it is"), _("Trial"), _("Due back"), _("Mass (g)"))
    return *named, _("Trials so far"), _("Last done"), _("Day")


def cells(row: CopyRow) -> tuple[str, ...]:
    """Return a bow's cells."""
    at = row.dealer_name or _("the workshop")
    back = row.due_back.isoformat() if row.due_back else ""
    mass = "" if row.mass_g is None else f"{row.mass_g:g}"
    done_on = row.event_on.isoformat() if row.event_on else ""
    named = (row.copy, row.tier_name, hold(row), at, row.where, trial_name(row), back, mass)
    return *named, str(row.tried), done(row.event) if row.event else "", done_on


def sold_head() -> tuple[str, ...]:
    """Return the columns of sold bows."""
    asked = _("The model’s price"), _("Currency")
    return _("Serial"), _("Model"), _("Sold"), _("Trial"), *asked, _("Price paid"), _("Currency it was paid in")


def sold_cells(row: Sold) -> tuple[str, ...]:
    """Return a sold bow's cells."""
    price = "" if row.price is None else f"{row.price:.2f}"
    day, trial = row.on.isoformat() if row.on else "", row.trial.name if row.trial else ""
    told = (
        ("", "") if row.trial is None or row.trial.paid is None else (f"{row.trial.paid:.2f}", row.trial.currency or "")
    )
    return row.copy, row.tier_name, day, trial, price, row.currency or "", *told


def tabs(tiers: Iterable[Instrument], shown: str) -> tuple[Tab, ...]:
    """Return the ways to narrow the stock: to one instrument, or to what is sold."""
    offered = [
        (name, formats.capital(_(phrases.INSTRUMENTS[name])), f"/desk/stock?instrument={name}") for name in tiers
    ]
    return (
        Tab(_("All"), "/desk/stock", not shown),
        *(Tab(label, href, name == shown) for name, label, href in (offered if len(offered) > 1 else ())),
        Tab(_("Sold"), f"/desk/stock?show={SOLD}", shown == SOLD),
    )


def sold(found: Leaf[Sold], query: ListQuery, *, begins: bool) -> ListPage:
    """Return the list of sold bows: when, and on which trial; whose the trial was stands on the trial's own page."""
    return ListPage(
        title=_("Sold bows"),
        tabs=tabs((), SOLD),
        tabs_label=_("Stock"),
        query=query,
        note=_("Sold bows: {count}.").format(count=formats.number(found.count, 0)),
        lines=found.each(_sold),
        empty=_("No bow like that is sold.") if query.values else _("No bow is sold."),
        **paged(found, query.href, begins=begins),
    )


def _sold(row: Sold) -> ListLine:
    day = _("Sold on {day}").format(day=formats.day(row.on)) if row.on else _("Sold; the day is not known")
    trial = (
        _("kept on {trial}").format(trial=desk_lines.trial_number(row.trial.number, row.trial.key)) if row.trial else ""
    )
    price = (
        _("the model’s price: {price}").format(price=formats.money(row.price, row.currency))
        if row.price and row.currency
        else ""
    )
    money = paid(row.trial) if row.trial else ""
    said = ", ".join(filter(None, (day, trial, money and _("paid: {price}").format(price=money), price)))
    return ListLine(row.copy, row.tier_name, said, address("stock", row.copy), _("Show"))


def paid(sale: OnTrial) -> str:
    """Return what was paid for a bow that was kept; empty where it is not known."""
    if sale.paid is None or sale.currency is None:
        return ""
    return formats.money(sale.paid, sale.currency)


def undo(sale: OnTrial) -> str:
    """Say how a sale by a trial is undone."""
    why = _(
        "It was kept on {trial}. If it came back or that was a mistake, the trial says so, and the bow is free again."
    )
    return why.format(trial=desk_lines.trial_number(sale.number, sale.key))


def sold_while_out(bow: CopyPage, trial: OnTrial, *, leads: bool) -> AskView:
    """Ask who bought a bow that is out on a trial; ``leads``: whoever asks may record what comes of that trial."""
    href, serial = address("stock", bow.row.copy), bow.row.copy
    name = desk_lines.trial_number(trial.number, trial.key)
    sold_elsewhere = (f"{href}/status", (("status", "sold"), ("sure", "yes")), _("Somebody else bought it"))
    may_tell = leads and trial.plays
    keeps = (
        f"{address('trials', trial.key)}/outcome",
        (("what", f"kept - {serial}"),),
        _("Its player keeps it: record that on {trial}").format(trial=name),
    )
    (action, fields, button), other = (keeps, sold_elsewhere) if may_tell else (sold_elsewhere, None)
    return AskView(
        title=_("Who bought {copy}?").format(copy=serial),
        about=bow.tier.name,
        lead=_("It is out on {trial}.").format(trial=name),
        after=_(
            "A bow that the player keeps is recorded with the trial, so that the advice learns from it and everything else follows."
        ),
        action=action,
        fields=fields,
        button=button,
        other=other,
        back=href,
        no=_("It is not sold"),
    )


def _lead(tiers: Iterable[TierStock]) -> str:
    tiers = tuple(tiers)
    copies = sum(tier.here for tier in tiers)
    at_hand = sum(tier.at_hand for tier in tiers)
    return _("{bows} here, {free} of them free today.").format(
        bows=formats.capital(formats.bows(copies)), free=formats.counted(at_hand)
    )


# Words that the templates ask for, of one bow, reading or event


def hold(row: CopyRow) -> str:
    """Name the hold that a bow is for; empty where there are not two."""
    return _(phrases.HOLDS[row.hold]) if row.hold else ""


def trial_name(row: CopyRow) -> str:
    """Name the trial that a bow is out on or reserved for; empty for none."""
    return desk_lines.trial_number(row.trial[1], row.trial[0]) if row.trial else ""


def due(row: CopyRow) -> str:
    """Return when a bow is due back."""
    return formats.day(row.due_back) if row.due_back else "–"


def mass(row: CopyRow) -> str:
    """Return what a bow weighs."""
    return formats.grams(row.mass_g) if row.mass_g else "–"


def done(event: EventKind | None) -> str:
    """Say what was done to a bow."""
    return formats.capital(_(desk_words.EVENTS[event])) if event else "–"


def quantity(row: BenchRow) -> str:
    """Name what was measured."""
    return _(desk_words.QUANTITIES[row.quantity])


def measured(row: BenchRow) -> str:
    """Return a reading with its unit."""
    return with_unit(row.value, desk_words.UNITS[row.quantity])


def about(page: CopyPage) -> tuple[Fact, ...]:
    """Return what is known of a bow."""
    return tuple((label, value) for label, value in _about(page) if value)


def _about(page: CopyPage) -> Iterator[tuple[str, str]]:
    row, currency = page.row, page.tier.currency
    yield _("Model"), page.tier.name
    yield _("The maker’s words for it"), page.tier.note
    yield _("Hold"), _(phrases.HOLDS[row.hold]) if row.hold else ""
    yield _("At"), row.dealer_name or _("the workshop")
    yield _("Status"), desk_words.word(desk_words.STATUSES, row.status)
    yield _("Materials"), row.materials or _("not known")
    if row.insured_value is not None:
        money = formats.money(row.insured_value, currency) if currency else formats.number(row.insured_value, 2)
        yield _("Insured value"), money
    yield _("Rated in"), formats.trials(row.tried)


def bench(values: Mapping[str, float]) -> tuple[Fact, ...]:
    """Return the latest value of each quantity."""
    return tuple(
        (_(desk_words.QUANTITIES[name]), with_unit(value, desk_words.UNITS[name])) for name, value in values.items()
    )


def with_unit(value: float, unit: str) -> str:
    """Return a number with its unit, to at most five places."""
    said = formats.number(value, next(places for places in range(6) if places == 5 or round(value, places) == value))
    return said if unit == "1" else f"{said}{formats.NBSP}{unit}"


def trials(page: CopyPage) -> tuple[ListLine, ...]:
    """Return the trials that a bow was in."""
    return tuple(desk_lines.trial_line(row) for row in page.trials)


def tier_facts(tier: TierStock) -> str:
    """Return a tier's instrument, holds, grade and price."""
    parts = [_(phrases.INSTRUMENTS[tier.instrument])]
    parts += [_(phrases.HOLDS[hold]) for hold in tier.holds]
    parts.append(_("grade {number}").format(number=tier.grade))
    if tier.price is not None and tier.currency is not None:
        parts.append(formats.money(tier.price, tier.currency))
    return formats.capital(f"{formats.NBSP}· ".join(parts))


def named(tier: TierStock) -> str:
    """Return a tier's name before its facts."""
    return formats.labelled(tier.name, tier_facts(tier))


def tier_at_hand(tier: TierStock) -> str:
    """Return a tier's facts, and how many of its bows are at hand."""
    at_hand = _("{bows} at hand").format(bows=formats.bows(tier.at_hand))
    return f"{tier_facts(tier)}{formats.NBSP}· {at_hand}"
