"""The dealer's overview: what came of enquiries and trials in a span, as a page and as a file for a spreadsheet."""

import csv
import datetime as dt
import io
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.core import formats, phrases
from service.core.language import N_, _, ngettext
from service.desk import shop_figures
from service.desk.shop_figures import NeverKept, NotHad, ShopFigures, Span
from service.trials import desk_words
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import Fact, address
from service.web.page_data import Page, Tab
from service.web.permissions import AtDealer, AtDealerNeeds
from service.web.roles import Permission

router = APIRouter(prefix="/desk/overview")
Sees = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.FIGURES_VIEW))]
SPANS = {
    "month": N_("This month"),
    "quarter": N_("This quarter"),
    "year": N_("This year"),
    "all": N_("From the beginning"),
}
FEW = 10
"""Fewer than that are a small number, in which chance speaks loudest."""
BAR = 320
"""Pixels of the longest bar of the picture."""


@router.get("")
async def show(request: Request, staff: Sees, session: Reading, span: str = "month") -> Response:
    """Show the figures of a span."""
    within = shop_figures.span(session, staff.dealer, span, dt.datetime.now(dt.UTC))
    found = shop_figures.of_dealer(session, staff.dealer, within)
    page = Page(title=_("Overview"))
    tabs = tuple(Tab(_(label), f"/desk/overview?span={name}", name == within.name) for name, label in SPANS.items())
    csv = f"/desk/overview/figures.csv?span={within.name}"
    told: dict[str, Any] = {"tabs": tabs, "days": days(within), "csv": csv}
    told |= {"few": few(found.enquiries), "few_trials": few(found.trials)}
    told |= {"way": way(found), "longest": max(found.enquiries, 1), "bar": BAR, "came": came(found)}
    never = tuple((each.serial, address("stock", each.serial), never_kept(each)) for each in found.never_kept)
    told |= {"reasons": reasons(found), "never": never, "too_few": too_few(found)}
    told |= {"not_had": tuple((not_had(each), each.enquiries) for each in found.not_had)}
    told |= {"none_here": tuple(found.none_here.items())}
    return desk_frame.show(request, staff, "desk/figures.html", page, **told)


@router.get("/figures.csv")
async def as_file(staff: Sees, session: Reading, span: str = "month") -> Response:
    """Hand the same out as a file: a line each, of what it tells, of what, and the number."""
    within = shop_figures.span(session, staff.dealer, span, dt.datetime.now(dt.UTC))
    found = shop_figures.of_dealer(session, staff.dealer, within)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(("figure", "of", "number"))
    writer.writerows(shop_figures.lines(found))
    name = f"figures-{within.name}-{within.last.isoformat()}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(text.getvalue(), media_type="text/csv", headers=headers)


# In words


def days(within: Span) -> str:
    """Say from which day to which, by whose clock."""
    told = {"first": formats.day(within.first) if within.first else "", "last": formats.day(within.last)}
    if within.first is None:
        return _("Everything until {last}, by the clock of {zone}.").format(**told, zone=within.zone)
    return _("From {first} to {last}, by the clock of {zone}.").format(**told, zone=within.zone)


def few(count: int) -> str:
    """Say that a number is small, where it is."""
    if not 0 < count < FEW:
        return ""
    return _("These are small numbers: chance alone moves them, so take no trend from them.")


def way(found: ShopFigures) -> tuple[tuple[str, int], ...]:
    """Return how far the enquiries of the span led."""
    return (
        (_("Enquiries"), found.enquiries),
        (_("A trial was composed"), found.composed),
        (_("The trial was played"), found.played),
        (_("A bow was kept"), found.kept),
    )


def came(found: ShopFigures) -> tuple[Fact, ...]:
    """Return what came of the trials of the span."""
    counted = {kind and str(kind): count for kind, count in found.came.items()}
    named = (*desk_words.OUTCOMES.items(), (None, N_("nothing recorded yet")))
    counts = ((formats.capital(_(word)), counted.get(kind, 0)) for kind, word in named)
    return tuple((label, formats.number(count, 0)) for label, count in counts if count)


def reasons(found: ShopFigures) -> tuple[Fact, ...]:
    """Return why nothing was kept, most often first."""
    return tuple(
        (formats.capital(_(desk_words.REASONS[reason]) if reason else _("no reason given")), formats.number(count, 0))
        for reason, count in found.reasons.items()
    )


def never_kept(bow: NeverKept) -> str:
    """Say how a bow did that never suited anybody."""
    return _("{tier}: in {trials}, never kept, marked {points} points below the other bows of its model").format(
        tier=bow.tier_name, trials=formats.trials(bow.trials), points=formats.number(bow.below)
    )


def too_few(found: ShopFigures) -> str:
    """Say of how many bows nothing can be said yet."""
    least = _("Fewer than {count} trials say nothing of a bow.").format(
        count=formats.counted(shop_figures.LEAST_TRIALS)
    )
    if not found.too_few:
        return least
    more = ngettext(
        "{count} bow that nobody kept was tried less often than that.",
        "{count} bows that nobody kept were tried less often than that.",
        found.too_few,
    ).format(count=formats.number(found.too_few, 0))
    return f"{least} {more}"


def not_had(asked: NotHad) -> str:
    """Say what was asked: an instrument and a band of budgets."""
    instrument = formats.capital(_(phrases.INSTRUMENTS[asked.instrument]))
    if asked.most == 0 or not asked.currency:
        return _("{instrument}, no budget told").format(instrument=instrument)
    if asked.most is None:
        amount = formats.money(shop_figures.BANDS[-1], asked.currency)
        return _("{instrument}, over {amount}").format(instrument=instrument, amount=amount)
    least = max((band for band in shop_figures.BANDS if band < asked.most), default=0)
    low, high = formats.money(least, asked.currency), formats.money(asked.most, asked.currency)
    return _("{instrument}, from {low} to {high}").format(instrument=instrument, low=low, high=high)
