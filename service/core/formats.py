"""Numbers to words: money, masses, lengths, shares, chances, dates, small counts; every one a filter for templates.

English is the source: '€2,450', '1,050 mm', '82 %'; other languages have their own marks and dates, and their own place for the
sign of a currency (Unicode CLDR, by Babel). A value and its unit are held together by a no-break space.
"""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any

from babel.dates import format_date, format_time
from babel.numbers import get_currency_symbol, get_decimal_symbol, get_group_symbol
from jinja2 import Environment

from service.core.language import N_, SOURCE, _, locale, ngettext, pgettext, spoken

NBSP = "\u00a0"
_JOINED = "\u2060"
"""Holds a dash to what follows it: after a dash a line may break even before a no-break space (UAX 14, LB12a)."""
Real = int | float | Decimal
DAYS_KEPT = 4096
"""So many days are kept as they are written: the same few stand in every list."""

_COUNTS = (
    N_("one"),
    N_("two"),
    N_("three"),
    N_("four"),
    N_("five"),
    N_("six"),
    N_("seven"),
    N_("eight"),
    N_("nine"),
    N_("ten"),
)


def number(value: Real, decimals: int = 1) -> str:
    """Return a number with so many decimals: '5.0', in German '5,0'."""
    text, code = f"{value:,.{decimals}f}", spoken()
    return text if code == SOURCE else text.translate(_marks(code))


@cache
def _marks(code: str) -> dict[int, str]:
    """Return what stands for the marks of thousands and decimals in a language (Unicode CLDR)."""
    spoken_locale = locale(code)
    return {ord(","): get_group_symbol(spoken_locale), ord("."): get_decimal_symbol(spoken_locale)}


def mark(value: float) -> str:
    """Return a mark from 1 to 7, a mean of several with one decimal: '4', '4.5'."""
    return number(value, 0 if float(value).is_integer() else 1)


def interval(low: Real, high: Real) -> str:
    """Return both ends with one decimal, of whole marks without: '3.3 – 6.7', '3 – 6'."""
    decimals = 0 if float(low).is_integer() and float(high).is_integer() else 1
    return f"{number(low, decimals)}{NBSP}–{_JOINED}{NBSP}{number(high, decimals)}"


def money(amount: Real, currency: str) -> str:
    """Return an amount in its currency, cents only where there are any: '€2,450', '€1,249.50', 'CHF 2,450', German '2.450 €'."""
    text = number(amount, 0 if round(100 * float(amount)) % 100 == 0 else 2)
    return _money(spoken(), currency).format(amount=text)


@cache
def _money(code: str, currency: str) -> str:
    """Return where a language writes a currency's sign, and which sign (Unicode CLDR)."""
    spoken_locale = locale(code)
    # 'GB' is added to the pound in French, to tell it from others that nobody asks for here.
    sign = "£" if currency == "GBP" else get_currency_symbol(currency, spoken_locale)
    if spoken_locale.currency_formats["standard"].prefix[0].startswith("¤"):
        return f"{sign}{NBSP if sign[-1].isalpha() else ''}{{amount}}"
    return f"{{amount}}{NBSP}{sign}"


def _measure(value: Real, unit: str) -> str:
    return f"{number(value, 0 if round(10 * float(value)) % 10 == 0 else 1)}{NBSP}{unit}"


def grams(mass_g: Real) -> str:
    """Return a mass in grams: '134 g', '60.5 g'."""
    return _measure(mass_g, "g")


def millimetres(length_mm: Real) -> str:
    """Return a length in millimetres: '1,050 mm'."""
    return _measure(length_mm, "mm")


def quantity(value: Real, unit: str) -> str:
    """Return a value with a unit that every language writes alike: '60 m/s', '1.5 Hz'."""
    return _measure(value, unit)


def percent(share: Real) -> str:
    """Return a share from 0 to 1 in whole percent: '82 %'; a chance short of certain is never shown as 0 or 100."""
    figure = round(100 * float(share))
    if figure == 0 and share > 0:
        return _("under {figure}").format(figure=_hundredths(1))
    if figure == 100 and share < 1:
        return _("over {figure}").format(figure=_hundredths(99))
    return _hundredths(figure)


def _hundredths(figure: int) -> str:
    # Italian writes no space before the sign; the other three do (Unicode CLDR, and ISO 80000-1 for English).
    return f"{figure}{'' if spoken() == 'it' else NBSP}%"


_LESS_LIKELY, _AS_LIKELY = 44, 55
_CHANCE_WORDS = (
    (9, N_("very unlikely")),
    (32, N_("unlikely")),
    (_LESS_LIKELY, N_("less likely than not")),
    (_AS_LIKELY, N_("about as likely as not")),
    (66, N_("more likely than not")),
    (90, N_("likely")),
    (100, N_("very likely")),
)
"""The word of a chance up to so many percent; each stands after 'it is'."""


def chance_word(chance: Real) -> str:
    """Return a chance in words, by the figure that `percent` shows, so that the two never disagree."""
    figure = round(100 * float(chance))
    return _(next(word for most, word in _CHANCE_WORDS if figure <= most))


def odds(chance: Real) -> int:
    """Return whether something is likelier than not (1), as likely (0) or less likely (-1), where `chance_word` says so."""
    figure = round(100 * float(chance))
    return -1 if figure <= _LESS_LIKELY else 0 if figure <= _AS_LIKELY else 1


def chance(chance: Real) -> str:
    """Return a chance in words with the figure behind it: 'likely (82 %)'."""
    return f"{chance_word(chance)} ({percent(chance)})"


def day(value: dt.date | str) -> str:
    """Return a date, or the date of an ISO 8601 moment, as '24 November 2026'."""
    if isinstance(value, str):
        value = dt.datetime.fromisoformat(value)
    return _day(value.year, value.month, value.day, spoken())


@lru_cache(DAYS_KEPT)
def _day(year: int, month: int, day_: int, code: str) -> str:
    text = format_date(dt.date(year, month, day_), "long", locale(code))
    # The first of a month is an ordinal in French, for which the data of the languages have no pattern.
    return f"1er{text[1:]}" if code == "fr" and day_ == 1 else text


def hour(value: dt.time) -> str:
    """Return a time of the day as the language writes it: '15:30'."""
    return format_time(value, "short", locale=locale(spoken()))


def day_and_hour(value: dt.date, at: dt.time | None) -> str:
    """Return a day, with the hour where it is known: '24 November 2026, 15:30'."""
    return day(value) if at is None else _("{day}, {time}").format(day=day(value), time=hour(at))


def enquiry_number(ident: str) -> str:
    """Return the number by which an enquiry is asked for at a desk: the first eight digits of its id, in capitals."""
    return ident.partition("-")[0][:8].upper()


def minutes(count: int) -> str:
    """Return a time: '40 minutes'."""
    return ngettext("{count} minute", "{count} minutes", count).format(count=count).replace(" ", NBSP)


def counted(count: int) -> str:
    """Return a small count in words, a larger one in figures: 'four', '12'."""
    if count == 0:
        return pgettext("a count of nothing", "no")
    return _(_COUNTS[count - 1]) if 0 < count <= len(_COUNTS) else number(count, 0)


def bows(count: int) -> str:
    """Return a number of bows: 'four bows'."""
    return ngettext("{count} bow", "{count} bows", count).format(count=counted(count))


def trials(count: int) -> str:
    """Return a number of trials: '142 trials', 'no trials'."""
    if count == 0:
        return _("no trials")
    return ngettext("{count} trial", "{count} trials", count).format(count=number(count, 0))


def listed(parts: Sequence[str]) -> str:
    """Return parts as a list in a sentence: 'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return _("{parts} and {last}").format(parts=", ".join(parts[:-1]), last=parts[-1])


def capital(text: str) -> str:
    """Return the text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def labelled(name: str, text: str) -> str:
    """Return a text under its name: 'Tone: exactly my sound'; French parts them by a space."""
    return _("{name}: {text}").format(name=name, text=text)


def within(text: str) -> str:
    """Return a name as it stands inside a sentence: with a small letter, which German keeps for other words than nouns."""
    return text if spoken() == "de" else text[:1].lower() + text[1:]


_FILTERS = (
    *(number, money, grams, millimetres, percent, chance, chance_word, day, day_and_hour),
    *(minutes, counted, bows, trials, listed, enquiry_number, capital, within),
)
FILTERS: Mapping[str, Callable[..., Any]] = {each.__name__: each for each in _FILTERS}


def install(environment: Environment) -> None:
    """Give templates every filter of this module; ``interval`` takes two values and is a function."""
    environment.filters.update(FILTERS)
    environment.globals["interval"] = interval
