"""Numbers to words, and the reader's language."""

import datetime as dt
from decimal import Decimal
from gettext import NullTranslations

import pytest
from jinja2 import Environment

from service.core import formats, language, times
from tests.service.spoken import translated_by

NBSP = "\u00a0"


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        (2450, "EUR", "€2,450"),
        (1249.5, "EUR", "€1,249.50"),
        (Decimal("1249.50"), "CHF", f"CHF{NBSP}1,249.50"),
        (2450, "USD", "US$2,450"),
        (999.999, "GBP", "£1,000"),
        (1_000_000, "JPY", "JP¥1,000,000"),
    ],
)
def test_money_stands_with_its_currency_and_cents_only_where_there_are_any(
    amount: formats.Real, currency: str, text: str
) -> None:
    assert formats.money(amount, currency) == text


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (0, "0 %"),
        (0.001, "under 1 %"),
        (0.006, "1 %"),
        (0.824, "82 %"),
        (0.994, "99 %"),
        (0.9996, "over 99 %"),
        (1, "100 %"),
    ],
)
def test_a_chance_short_of_certain_is_never_shown_as_certain(chance: float, text: str) -> None:
    assert formats.percent(chance).replace(NBSP, " ") == text


@pytest.mark.parametrize(
    ("chance", "word"),
    [
        (0, "very unlikely"),
        (0.09, "very unlikely"),
        (0.10, "unlikely"),
        (0.324, "unlikely"),
        (0.33, "less likely than not"),
        (0.44, "less likely than not"),
        (0.45, "about as likely as not"),
        (0.55, "about as likely as not"),
        (0.56, "more likely than not"),
        (0.66, "more likely than not"),
        (0.67, "likely"),
        (0.90, "likely"),
        (0.91, "very likely"),
        (1, "very likely"),
    ],
)
def test_a_chance_has_its_word(chance: float, word: str) -> None:
    assert formats.chance_word(chance) == word


def test_word_and_figure_of_a_chance_never_disagree() -> None:
    words = {figure: formats.chance_word(figure / 100) for figure in range(101)}
    for thousandth in range(1001):
        figure = round(thousandth / 10)
        assert formats.chance_word(thousandth / 1000) == words[figure]


def test_a_chance_stands_with_the_figure_behind_it() -> None:
    assert formats.chance(0.82) == f"likely (82{NBSP}%)"


def test_measures_stand_with_their_units() -> None:
    assert formats.grams(134.0) == f"134{NBSP}g"
    assert formats.grams(60.54) == f"60.5{NBSP}g"
    assert formats.millimetres(1050) == f"1,050{NBSP}mm"


def test_an_interval_has_one_decimal_at_both_ends_and_stays_on_one_line() -> None:
    # After a dash a line may break even before a no-break space, but not before a word joiner (UAX 14, LB11 and LB12a).
    assert formats.interval(2.54, 7) == f"2.5{NBSP}–\u2060{NBSP}7.0"


@pytest.mark.parametrize(
    "value", [dt.date(2026, 11, 4), "2026-11-04", "2026-11-04T23:59:00Z", dt.datetime(2026, 11, 4, tzinfo=dt.UTC)]
)
def test_a_day_is_written_out(value: dt.date | str) -> None:
    assert formats.day(value) == "4 November 2026"


@pytest.mark.parametrize(
    ("made", "text"),
    [
        (formats.bows(1), "one bow"),
        (formats.bows(4), "four bows"),
        (formats.trials(1), "1 trial"),
        (formats.trials(1420), "1,420 trials"),
        (formats.minutes(1), f"1{NBSP}minute"),
        (formats.minutes(40), f"40{NBSP}minutes"),
        (formats.counted(0), "no"),
        (formats.counted(12), "12"),
    ],
)
def test_one_and_many_are_told_apart(made: str, text: str) -> None:
    assert made == text


@pytest.mark.parametrize(
    ("parts", "text"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_parts_are_listed_as_in_a_sentence(parts: list[str], text: str) -> None:
    assert formats.listed(parts) == text


def test_templates_have_every_filter() -> None:
    environment = Environment(autoescape=True)
    formats.install(environment)
    made = environment.from_string("{{ 0.82 | chance }}; {{ 2450 | money('EUR') }}; {{ interval(1, 2.5) }}").render()
    assert made == f"likely (82{NBSP}%); €2,450; 1.0{NBSP}–\u2060{NBSP}2.5"


class Shouting(NullTranslations):
    def gettext(self, message: str) -> str:
        return message.upper()

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return (msgid1 if n == 1 else msgid2).upper().replace("{COUNT}", "{count}")


def test_texts_are_spoken_in_the_language_in_use_and_only_there() -> None:
    with translated_by(Shouting()):
        assert formats.chance_word(0.8) == "LIKELY"
        assert formats.bows(20) == "20 BOWS"
    assert formats.chance_word(0.8) == "likely"


def test_templates_speak_the_language_in_use() -> None:
    environment = Environment(autoescape=True)
    language.install(environment)
    template = environment.from_string("{{ _('one bow') }}")
    counting = environment.from_string("{% trans n=2 %}{{ n }} bow{% pluralize %}{{ n }} bows{% endtrans %}")
    assert (template.render(), counting.render()) == ("one bow", "2 bows")
    with translated_by(Shouting()):
        assert template.render() == "ONE BOW"


@pytest.mark.parametrize(
    ("moment", "zone", "text"),
    [
        # IANA's database: Vienna is two hours ahead of UTC in summer and one in winter.
        (dt.datetime(2027, 7, 1, 22, 30, tzinfo=dt.UTC), "Europe/Vienna", "2 July 2027, 00:30"),
        (dt.datetime(2027, 1, 1, 22, 30, tzinfo=dt.UTC), "Europe/Vienna", "1 January 2027, 23:30"),
        (dt.datetime(2027, 1, 1, 22, 30, tzinfo=dt.UTC), None, "1 January 2027, 22:30 UTC"),
    ],
)
def test_a_moment_is_told_by_the_shops_clock(moment: dt.datetime, zone: str | None, text: str) -> None:
    assert times.moment_in(moment, zone) == text
