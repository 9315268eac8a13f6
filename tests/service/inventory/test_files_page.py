"""The page of the files' columns says what the code reads: nothing is stale, and what it says of a cell holds."""

import re
from pathlib import Path

import pytest

from service.inventory.files import columns_page
from service.inventory.files.cells import Decimals
from service.inventory.files.file_problems import CellError
from service.inventory.files.kinds import KINDS, Column

PAGE = columns_page.PAGE.read_text(encoding="utf-8")
COLUMNS = [(kind.name, column) for kind in KINDS for column in kind.shared + kind.own]
LISTS = [(file, column) for file, column in COLUMNS if re.match(r"one of|different words of", str(column.read.holds))]


def test_the_page_is_as_the_code_that_reads_the_files_says() -> None:
    _by_hand, begins, described = PAGE.partition(columns_page.BEGINS)
    assert begins + described == columns_page.described(), "stale: run python -m service.inventory.files.columns_page"


def test_every_file_and_column_stands_on_the_page_in_its_order() -> None:
    for kind in KINDS:
        part = PAGE.split(f"### {kind.name}\n")[1].split("\n### ")[0]
        assert tuple(re.findall(r"^\| `(\w+)`", part, re.MULTILINE)) == kind.order


@pytest.mark.parametrize(("file", "column"), LISTS, ids=[f"{file}:{column.name}" for file, column in LISTS])
def test_each_word_that_the_page_lists_is_taken_and_no_other(file: str, column: Column) -> None:
    row = next(line for line in PAGE.split(f"### {file}\n")[1].splitlines() if line.startswith(f"| `{column.name}`"))
    listed = re.search(
        r"(?:one of|different words of) ([a-z_0-9]+(?:, [a-z_0-9]+)*)", row.split("|")[3].split(", separated")[0]
    )
    assert listed is not None
    for word in listed[1].split(", "):
        assert column.read(word, Decimals(",")) == word
    with pytest.raises(CellError):
        column.read("nonsense", Decimals(","))


@pytest.mark.parametrize(("file", "column"), COLUMNS, ids=[f"{file}:{column.name}" for file, column in COLUMNS])
def test_what_stands_as_an_example_is_taken(file: str, column: Column) -> None:
    examples = re.findall(r"such as ([\w.-]+)", str(column.read.holds))
    for example in examples:
        assert column.read(example, Decimals(",")) is not None
    within = re.search(r"whole number from (-?\d+) to (-?\d+)", str(column.read.holds))
    for end, beyond in ((1, -1), (2, 1)) if within else ():
        number = int(within[end]) if within else 0
        assert column.read(str(number), Decimals(",")) == number
        with pytest.raises(CellError):
            column.read(str(number + beyond), Decimals(","))


def test_writing_the_page_anew_leaves_what_is_written_by_hand(tmp_path: Path) -> None:
    page = tmp_path / "files.md"
    page.write_text("# By hand\n\n" + columns_page.BEGINS + "\nstale\n", encoding="utf-8")
    columns_page.write(page)
    assert page.read_text(encoding="utf-8") == "# By hand\n\n" + columns_page.described()
