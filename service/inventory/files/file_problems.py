"""What is wrong with a file, said so that the person at the spreadsheet finds the cell and knows what to put there."""

from dataclasses import dataclass

SHOWN = 60
"""Characters of a cell that a problem repeats."""


@dataclass(frozen=True, slots=True)
class FileProblem:
    """One thing that keeps a folder from being loaded.

    Attributes
    ----------
    file : name of the file; the folder's where no file is meant.
    line : line of the file, 1 is the header; None where the whole file is meant.
    column : name of the column; None where the whole line is meant.
    got, expected : what stands there, and what would be right.
    """

    file: str
    line: int | None
    column: str | None
    got: str
    expected: str

    def __str__(self) -> str:
        place = [self.file]
        if self.line is not None:
            place.append(f"line {self.line}")
        if self.column is not None:
            place.append(self.column)
        return f"{', '.join(place)}: got {self.got}, expected {self.expected}"


class CellError(ValueError):
    """A cell that cannot be read; ``expected`` says what would be right, ``got`` what stands there if not the cell itself."""

    def __init__(self, expected: str, got: str | None = None) -> None:
        super().__init__(expected)
        self.expected = expected
        self.got = got


class SheetError(ValueError):
    """A file that cannot be read at all."""

    def __init__(self, got: str, expected: str, line: int | None = None) -> None:
        super().__init__(f"got {got}, expected {expected}")
        self.got = got
        self.expected = expected
        self.line = line


def shown(cell: object) -> str:
    """Return a cell as a problem repeats it: quoted, on one line, not too long."""
    if cell is None or cell == "":
        return "nothing"
    text = str(cell)
    return repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}…")
