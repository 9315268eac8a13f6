"""Cells: from text to value and back, in the two ways of separating files."""

import datetime as dt
from decimal import Decimal

import pytest

from service.inventory.files import cells
from service.inventory.files.cells import Decimals
from service.inventory.files.file_problems import CellError


@pytest.mark.parametrize(
    ("text", "value"), [("58.4", 58.4), ("2450", 2450.0), ("+3", 3.0), ("1e-3", 0.001), ("0.0045", 0.0045)]
)
def test_a_number_reads_as_it_is_written(text: str, value: float) -> None:
    assert cells.number()(text, Decimals(",")) == value


@pytest.mark.parametrize("text", ["1,250.50", "1.250,50", "1 250", "1'250", "1\u00a0250", "1_250", "12.345.678"])
@pytest.mark.parametrize("delimiter", [",", ";"])
def test_thousands_marks_are_refused_with_the_remedy(text: str, delimiter: str) -> None:
    with pytest.raises(CellError, match="without thousands marks"):
        cells.number()(text, Decimals(delimiter))


@pytest.mark.parametrize("text", ["NaN", "nan", "inf", "-Infinity", "∞", "#DIV/0!", "#N/A"])
def test_what_is_no_finite_number_is_refused(text: str) -> None:
    with pytest.raises(CellError, match="finite number, or an empty cell"):
        cells.number()(text, Decimals(","))


@pytest.mark.parametrize("text", ["heavy", "58.4 g", "0x10", "1e999", "１２", "--3", "5.", ".5", "1e"])
def test_what_is_no_number_at_all_is_refused(text: str) -> None:
    with pytest.raises(CellError, match="number"):
        cells.number()(text, Decimals(","))


@pytest.mark.parametrize("text", ["0", "-1", "1e9", "1e300"])
def test_a_measure_lies_above_zero_and_within_reason(text: str) -> None:
    with pytest.raises(CellError, match="above 0 and below 1e\\+09"):
        cells.number()(text, Decimals(","))


def test_between_semicolons_the_first_number_settles_the_decimal_mark() -> None:
    decimals = Decimals(";")
    assert cells.number()("58,4", decimals) == 58.4
    with pytest.raises(CellError, match="a decimal comma, as in the cells before"):
        cells.number()("58.4", decimals)


def test_between_commas_a_decimal_comma_is_refused() -> None:
    with pytest.raises(CellError, match="a decimal point"):
        cells.number()("58,4", Decimals(","))


@pytest.mark.parametrize("text", ["0", "8", "4.5", "-1", "five", "1e1", "NaN", "99999999999999999999"])
def test_a_rating_is_a_whole_number_from_1_to_7(text: str) -> None:
    with pytest.raises(CellError, match="a whole number from 1 to 7"):
        cells.rating(1, 7)(text, Decimals(","))


@pytest.mark.parametrize(("text", "value"), [("1", 1), ("7", 7), ("4.0", 4), ("?", "?")])
def test_a_rating_may_carry_an_idle_decimal_or_say_cannot_tell(text: str, value: object) -> None:
    assert cells.rating(1, 7)(text, Decimals(",")) == value


def test_money_is_exact() -> None:
    assert cells.money("1249.10", Decimals(",")) == Decimal("1249.1")
    with pytest.raises(CellError, match="at most two decimals"):
        cells.money("1249.105", Decimals(","))


@pytest.mark.parametrize(
    ("text", "right"),
    [("0", "above 0"), ("-5", "above 0"), ("1e9", "below 1\u202f000\u202f000\u202f000$"), ("1e12", "below 1\u202f000")],
)
def test_an_amount_lies_above_zero_and_within_reason(text: str, right: str) -> None:
    with pytest.raises(CellError, match=f"an amount .*{right}"):
        cells.money(text, Decimals(","))


@pytest.mark.parametrize("text", ["eur", "€", "EURO", "E1R"])
def test_a_currency_has_the_form_of_an_iso_4217_code(text: str) -> None:
    with pytest.raises(CellError, match="ISO 4217"):
        cells.currency(text, Decimals(","))


# ISO 8601 also knows week dates, ordinal dates and the basic format; the files keep to year-month-day.
@pytest.mark.parametrize(
    "text", ["31.03.2026", "3/31/2026", "2026-3-1", "2026-02-30", "20260331", "2026-W14-2", "0001-01-01"]
)
def test_a_date_is_year_month_day(text: str) -> None:
    with pytest.raises(CellError, match="ISO 8601"):
        cells.day(text, Decimals(","))


def test_the_29th_of_february_exists_in_leap_years_only() -> None:
    assert cells.day("2024-02-29", Decimals(",")) == dt.date(2024, 2, 29)
    with pytest.raises(CellError):
        cells.day("2026-02-29", Decimals(","))


@pytest.mark.parametrize(
    "text", ["=1+1", "+49 30", "-", "@sum", "\tx", "'=x", "''=x", "'quoted'", "plain", "a=b", "'", "''"]
)
def test_text_reads_back_as_it_was_whatever_it_begins_with(text: str) -> None:
    assert cells.free_text(cells.written(text), Decimals(",")) == text


@pytest.mark.parametrize("text", ["=1+1", "+49 30", "-", "@sum", "\tx"])
def test_text_that_a_spreadsheet_could_take_for_a_formula_is_guarded_by_an_apostrophe(text: str) -> None:
    assert cells.written(text) == f"'{text}"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (58.4, "58.4"),
        (2450.0, "2450"),
        (0.1 + 0.2, "0.30000000000000004"),
        (5e-05, "5e-05"),
        (Decimal("2450.00"), "2450"),
        (Decimal("1249.50"), "1249.5"),
        (Decimal(100), "100"),
        (-1, "-1"),
        (dt.date(2026, 3, 31), "2026-03-31"),
        (None, ""),
    ],
)
def test_values_are_written_in_the_shortest_form_that_reads_back(value: object, text: str) -> None:
    assert cells.written(value) == text


@pytest.mark.parametrize("text", ["a\x00b", "a\x1bb", "\x7f"])
def test_control_characters_are_refused(text: str) -> None:
    with pytest.raises(CellError, match="control characters"):
        cells.check_characters(text)


def test_a_cell_has_its_limit() -> None:
    cells.check_characters("ü" * cells.LONGEST_TEXT)
    with pytest.raises(CellError, match="at most 10000 characters"):
        cells.check_characters("ü" * (cells.LONGEST_TEXT + 1))


def test_at_most_three_priorities_each_once_in_their_order() -> None:
    read = cells.words("tone", "ease", "clarity", "response", most=3)
    assert read(" tone  ease ", Decimals(",")) == "tone ease"
    for wrong in ("tone tone", "tone ease clarity response", "overall", "tone,ease"):
        with pytest.raises(CellError, match="separated by blanks, at most 3"):
            read(wrong, Decimals(","))


@pytest.mark.parametrize("text", ["kg m2", "kg·m²", "kg*m^2", "kg  m²"])
def test_the_unit_of_a_moment_of_inertia_may_be_written_in_several_ways(text: str) -> None:
    assert cells.unit(text, Decimals(",")) == "kg m2"
