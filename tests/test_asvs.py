"""The table of ASVS 5.0 level 2: every requirement once, and every test that it names is there."""

import re
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TABLE = ROOT / "service" / "docs" / "asvs.md"
REASONS = ROOT / "service" / "docs" / "security.md"
# How many requirements of levels 1 and 2 each section has, from the standard's own list of 5.0.0 (OWASP, May 2025). Within a
# section those of level 3 have the last numbers, so a count names them all. 70 of level 1 and 183 of level 2.
SECTIONS = {
    "1.1": 2,
    "1.2": 9,
    "1.3": 11,
    "1.4": 3,
    "1.5": 2,
    "2.1": 3,
    "2.2": 3,
    "2.3": 4,
    "2.4": 1,
    "3.2": 2,
    "3.3": 4,
    "3.4": 6,
    "3.5": 5,
    "3.7": 2,
    "4.1": 3,
    "4.2": 1,
    "4.3": 2,
    "4.4": 4,
    "5.1": 1,
    "5.2": 3,
    "5.3": 2,
    "5.4": 3,
    "6.1": 3,
    "6.2": 12,
    "6.3": 4,
    "6.4": 4,
    "6.5": 5,
    "6.6": 3,
    "6.8": 4,
    "7.1": 3,
    "7.2": 4,
    "7.3": 2,
    "7.4": 5,
    "7.5": 2,
    "7.6": 2,
    "8.1": 2,
    "8.2": 3,
    "8.3": 1,
    "8.4": 1,
    "9.1": 3,
    "9.2": 4,
    "10.1": 2,
    "10.2": 2,
    "10.3": 4,
    "10.4": 11,
    "10.5": 5,
    "10.6": 2,
    "10.7": 3,
    "11.1": 2,
    "11.2": 3,
    "11.3": 3,
    "11.4": 4,
    "11.5": 1,
    "11.6": 1,
    "12.1": 3,
    "12.2": 2,
    "12.3": 4,
    "13.1": 1,
    "13.2": 5,
    "13.3": 2,
    "13.4": 5,
    "14.1": 2,
    "14.2": 4,
    "14.3": 3,
    "15.1": 3,
    "15.2": 3,
    "15.3": 7,
    "16.1": 1,
    "16.2": 5,
    "16.3": 4,
    "16.4": 3,
    "16.5": 3,
    "17.1": 1,
    "17.2": 4,
    "17.3": 2,
}
STATES = {"met", "part", "not", "n/a", "operator"}


def rows() -> list[list[str]]:
    lines = (line for line in TABLE.read_text(encoding="utf-8").splitlines() if re.match(r"\| \d", line))
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def numbers(cell: str) -> Iterator[str]:
    """Yield the requirements of a row: '10.1.1–10.1.2' is both."""
    first, _dash, last = cell.partition("–")
    section, _dot, begin = first.rpartition(".")
    for number in range(int(begin), int((last or first).rpartition(".")[2]) + 1):
        yield f"{section}.{number}"


@cache
def known_tests() -> frozenset[str]:
    files = (ROOT / "tests").rglob("test_*.py")
    return frozenset(
        f"{file.stem}::{name}"
        for file in files
        for name in re.findall(r"def (test_\w+)", file.read_text(encoding="utf-8"))
    )


def test_the_standard_has_253_requirements_of_its_first_two_levels() -> None:
    assert sum(SECTIONS.values()) == 70 + 183


def test_every_requirement_of_level_2_stands_in_the_table_once() -> None:
    expected = {f"{section}.{number}" for section, count in SECTIONS.items() for number in range(1, count + 1)}
    counted = Counter(number for row in rows() for number in numbers(row[0]))
    assert sorted(expected - set(counted)) == []
    assert sorted(set(counted) - expected) == []
    assert [number for number, count in counted.items() if count > 1] == []


def test_every_row_has_a_known_state_and_says_how_or_why() -> None:
    for row in rows():
        assert len(row) == 5, row
        assert row[2] in STATES, row
        assert row[3], row


def test_every_test_that_the_table_names_is_there() -> None:
    named = [name for row in rows() for name in re.findall(r"test_\w+::\w+", row[4])]
    assert len(named) > 100
    assert sorted(set(named) - known_tests()) == []


def test_every_part_of_the_other_document_that_the_table_names_is_there() -> None:
    heads = set(re.findall(r"^## (.+)$", REASONS.read_text(encoding="utf-8"), re.MULTILINE))
    named = {name for row in rows() for name in re.findall(r"security\.md, \*([^*]+)\*", row[3])}
    assert named
    assert named <= heads
