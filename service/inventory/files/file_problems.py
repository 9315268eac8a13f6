"""What is wrong with a file, said so that the person at the spreadsheet finds the cell and knows what to put there."""

from dataclasses import dataclass

from service.core.language import _

SHOWN = 60
"""Characters of a cell that a problem repeats."""


class FileWords:
    """Words on a file that are put into the reader's language when they are read; ``values`` stand in their braces."""

    def __init__(self, text: str, **values: object) -> None:
        self.text, self.values = text, values

    def __str__(self) -> str:
        return _(self.text).format(**self.values)


@dataclass(frozen=True, slots=True)
class FileProblem:
    """One thing that keeps a folder from being loaded; ``got``, ``expected``: what stands there, and what would be right."""

    file: str  # name of the file; the folder's where no file is meant
    line: int | None  # line of the file, 1 is the header; None where the whole file is meant
    column: str | None  # name of the column; None where the whole line is meant
    got: str
    expected: str

    @property
    def place(self) -> str:
        """Where it stands: 'copies.csv, line 3, hold'."""
        line = None if self.line is None else _("line {number}").format(number=self.line)
        return ", ".join(part for part in (self.file, line, self.column) if part is not None)

    @property
    def sentence(self) -> str:
        """What stands there, and what would be right."""
        return _("Got {got}; expected {expected}.").format(got=self.got, expected=self.expected)

    def __str__(self) -> str:
        return _("{place}: got {got}, expected {expected}").format(
            place=self.place, got=self.got, expected=self.expected
        )


class CellError(ValueError):
    """A cell that cannot be read; ``expected`` says what would be right, ``got`` what stands there if not the cell itself."""

    def __init__(self, expected: str | FileWords, got: str | None = None) -> None:
        super().__init__(str(expected))
        self.expected = str(expected)
        self.got = got


class SheetError(ValueError):
    """A file that cannot be read at all."""

    def __init__(self, got: str, expected: str, line: int | None = None) -> None:
        super().__init__(got, expected)
        self.got = got
        self.expected = expected
        self.line = line


def shown(cell: object) -> str:
    """Return a cell as a problem repeats it: quoted, on one line, not too long."""
    if cell is None or cell == "":
        return _("nothing")
    text = str(cell)
    return repr(text if len(text) <= SHOWN else f"{text[:SHOWN]}…")
