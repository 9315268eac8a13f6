"""The stock by tier and one bow, from what the use cases say of them."""

from collections.abc import Iterable, Iterator, Mapping

from model.domain.vocabulary import EventKind, Instrument
from service.core import formats, phrases
from service.core.language import _
from service.core.paging import Leaf
from service.inventory.sales import OnTrial, Sold
from service.inventory.stock import BenchRow, CopyPage, CopyRow, TierStock
from service.trials import desk_lines, desk_words, list_lines
from service.trials.trial_data import AskView
from service.web.desk_forms import Fact, ListLine, ListPage, address, paged
from service.web.page_data import Tab

SOLD = "sold"
"""In the place of an instrument: bows that are gone."""


def view(tiers: tuple[TierStock, ...], instrument: str) -> ListPage:
    """Return the stock's page, of one instrument where it is asked for."""
    instruments = tuple(dict.fromkeys(tier.instrument for tier in tiers))
    shown = instrument if instrument in instruments else ""
    found = tuple(tier for tier in tiers if not shown or tier.instrument == shown)
    return ListPage(title=_("Stock"), note=_lead(found), tabs=tabs(instruments, shown), lines=found, empty="")


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


def sold(found: Leaf[Sold], *, begins: bool) -> ListPage:
    """Return the list of sold bows: when, and on which trial; whose the trial was stands on the trial's own page."""
    return ListPage(
        title=_("Sold bows"),
        tabs=tabs((), SOLD),
        tabs_label=_("Stock"),
        lines=found.each(_sold),
        empty=_("No bow is sold."),
        **paged(found, f"/desk/stock?show={SOLD}", begins=begins),
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
    told = ", ".join(filter(None, (day, trial, price)))
    return ListLine(row.copy, row.tier_name, told, address("stock", row.copy), _("Show"))


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
    first, other = (keeps, sold_elsewhere) if may_tell else (sold_elsewhere, None)
    return AskView(
        title=_("Who bought {copy}?").format(copy=serial),
        about=bow.tier.name,
        lead=_("It is out on {trial}.").format(trial=name),
        heading="",
        lines=(),
        after=_(
            "A bow that the player keeps is recorded with the trial, so that the advice learns from it and everything else follows."
        ),
        action=first[0],
        fields=first[1],
        button=first[2],
        other=other,
        back=href,
        no=_("It is not sold"),
    )


def _lead(tiers: tuple[TierStock, ...]) -> str:
    copies = sum(len(tier.copies) for tier in tiers)
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
    return tuple(list_lines.trial(row) for row in page.trials)


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
