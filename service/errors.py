"""What can go wrong through no fault of the program, each with its words for the person who caused it."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice

MOST_TOLD = 50
"""Problems of one request: nobody mends more at once, and a refusal stays small."""


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """One unusable field: ``path`` names it (``tried.0.copy``), ``message`` is a plain sentence with the remedy."""

    path: str
    message: str


class Invalid(Exception):  # noqa: N818 - reads as what it says of the input
    """Input that cannot be used, field by field.

    Parameters
    ----------
    problems : at least one; pairs (path, message) or `FieldProblem` records. The first `MOST_TOLD` are taken, no more is asked for.
    """

    def __init__(self, problems: Iterable[FieldProblem | tuple[str, str]]) -> None:
        self.problems: tuple[FieldProblem, ...] = tuple(
            problem if isinstance(problem, FieldProblem) else FieldProblem(*problem)
            for problem in islice(problems, MOST_TOLD)
        )
        super().__init__("; ".join(f"{problem.path}: {problem.message}" for problem in self.problems))


class Refused(Exception):  # noqa: N818 - reads as what it says of the request
    """A request that cannot be met as things stand; its text is one plain sentence for the person who asked."""


class NotHere(Exception):  # noqa: N818 - reads as what it says of the thing
    """Nothing of this id is here for the one who asks: unknown, or another dealer's; the two are told apart by nobody."""


class NotAllowed(Exception):  # noqa: N818 - reads as what it says of the person who asked
    """Something that is there, but not for the role of the person who asked; its text is a plain sentence, or empty."""
