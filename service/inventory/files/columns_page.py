"""The page of the files' columns, written from the kinds that read them.

``python -m service.inventory.files.columns_page`` writes it anew; a test holds the page to what is written here.
"""

from collections.abc import Iterator
from pathlib import Path

from service.inventory.files.kinds import KINDS, Column, FileKind

PAGE = Path(__file__).resolve().parents[2] / "docs" / "files.md"
BEGINS = "## The columns\n"
"""The heading below which the page is written by this module; what stands above it is written by hand."""


def described() -> str:
    """Return the part of the page that this module writes: each file, what a row of it is, its columns."""
    return "\n".join([BEGINS, *(_file(kind) for kind in KINDS)])


def write(page: Path = PAGE) -> None:
    """Write that part of the page anew and leave the rest as it is."""
    by_hand, _heading, _old = page.read_text(encoding="utf-8").partition(BEGINS)
    page.write_text(by_hand + described(), encoding="utf-8")


def _file(kind: FileKind) -> str:
    keys = ", ".join(f"`{name}`" for name in kind.key)
    lines = [
        f"### {kind.name}\n",
        f"{kind.about} Rows with the same {keys} are the same thing.\n",
        "| column | says | a cell holds |",
        "| --- | --- | --- |",
        *_rows(kind),
    ]
    return "\n".join(lines) + "\n"


def _rows(kind: FileKind) -> Iterator[str]:
    for column in kind.shared + kind.own:
        needed = " **(required)**" if column.required else ""
        yield f"| `{column.name}`{needed} | {column.about} | {_holds(column)} |"


def _holds(column: Column) -> str:
    empty = f"; empty means {column.default}" if column.default else ""
    return f"{column.read.holds}{empty}"


if __name__ == "__main__":
    write()
