"""The life of one bow in words and as places on one picture, which templates/inventory/bow_life.html draws.

Places along the width are percentages of it, heights are in CSS pixels.
"""

import datetime as dt
from collections.abc import Iterator

from model.domain.vocabulary import HIGHEST, LOWEST
from service.core import formats
from service.core.language import _, ngettext
from service.inventory import stock_page
from service.inventory.bow_life import AmongTier, BowLife, MarkGiven
from service.trials import desk_lines, desk_words

_LEFT, _RIGHT, _TOP, _STEP, _FOOT = 8.0, 97.0, 26, 26, 24
"""Per cent of the width between which days lie; pixels above mark 7, from mark to mark, and below mark 1."""
HEIGHT = _TOP + _STEP * (HIGHEST - LOWEST) + _FOOT

MARKS = range(LOWEST, HIGHEST + 1)


def span(life: BowLife) -> tuple[dt.date, dt.date]:
    """Return the first and the last day of the picture: of its marks, and of what was done between them or since."""
    days = [each.on for each in life.marks]
    days += [day for day, _what in life.worked_on if day >= days[0]]
    return min(days), max(*days, min(days) + dt.timedelta(days=30))


def x(life: BowLife, day: dt.date) -> str:
    """Return where a day lies along the width; one before or after the picture at its end."""
    first, last = span(life)
    share = (min(max(day, first), last) - first).days / max((last - first).days, 1)
    return f"{_LEFT + share * (_RIGHT - _LEFT):.2f}%"


def y(mark: float) -> float:
    """Return how far below the picture's upper edge a mark lies."""
    return round(_TOP + _STEP * (HIGHEST - mark), 1)


def work(life: BowLife) -> list[str]:
    """Return where the days lie on which something was done to the bow."""
    first, last = span(life)
    return [x(life, day) for day, _what in life.worked_on if first <= day <= last]


def of_tier(life: BowLife) -> list[tuple[str, str, float]]:
    """Return of each year of the picture where it begins and ends, and how high the tier's mean lies."""
    first, last = span(life)
    return [
        (x(life, dt.date(year, 1, 1)), x(life, dt.date(year, 12, 31)), y(mean))
        for year, mean, _count in life.years
        if first.year <= year <= last.year
    ]


def described(life: BowLife) -> str:
    """Say in words what the picture shows."""
    own = sum(each.mark for each in life.marks) / len(life.marks)
    said = ngettext(
        "One mark, {mean}.",
        "{count} marks, {mean} on average.",
        len(life.marks),
    ).format(count=formats.capital(formats.counted(len(life.marks))), mean=formats.number(own, 1))
    count = sum(number for _year, _mean, number in life.years)
    if not count:
        return said
    mean = sum(mean * number for _year, mean, number in life.years) / count
    beside = _("The other bows of its model have {mean} on average, from {count} marks.")
    return f"{said} {beside.format(mean=formats.number(mean, 1), count=formats.number(count, 0))}"


def trial_of(mark: MarkGiven) -> str:
    """Name the trial of a mark; a dash where it is not the looking dealer's."""
    return desk_lines.trial_number(mark.trial[1], mark.trial[0]) if mark.trial else "–"


def tier_mean(mark: MarkGiven) -> str:
    """Return the mean mark of the tier's other bows in the year of a mark."""
    return formats.number(mark.of_tier, 1) if mark.of_tier is not None else "–"


def elsewhere(life: BowLife) -> str:
    """Say in how many trials of other dealers the bow was rated; empty for none."""
    if not life.elsewhere:
        return ""
    return _("It was rated elsewhere too, in {trials}.").format(trials=formats.trials(life.elsewhere))


def since_hair(life: BowLife, today: dt.date) -> str:
    """Say how old a bow's hair is; empty where it is not known."""
    if life.haired is None:
        return ""
    days = (today - life.haired).days
    if days < 1:
        return _("Rehaired today.")
    return ngettext("Rehaired one day ago.", "Rehaired {count} days ago.", days).format(count=formats.number(days, 0))


def among(life: BowLife) -> Iterator[tuple[str, AmongTier, str, str]]:
    """Yield of each quantity its name, its place among the tier, that in words, and how far along the tier's span it lies."""
    for each in life.among:
        span = each.high - each.low
        share = (each.value - each.low) / span if span else 0.5
        rank = _("{place} of {count} from the lowest").format(place=each.place, count=each.of)
        yield _(desk_words.QUANTITIES[each.quantity]), each, rank, f"{4 + 92 * share:.1f}%"


def value(quantity: str, number: float) -> str:
    """Return a value of a quantity with its unit."""
    return stock_page.with_unit(number, desk_words.UNITS[quantity])
