"""What the desk's routes and pages share: forms as they come, and the lines of lists."""

import datetime as dt
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar
from urllib.parse import quote

from sqlalchemy.orm import Session

from service.core import formats, times
from service.core.errors import ConflictError, InvalidInputError
from service.core.formats import capital
from service.core.language import _
from service.core.paging import Leaf
from service.web.list_filters import ListQuery
from service.web.page_data import Fault, Option, Page, Tab
from service.web.permissions import Fields

T = TypeVar("T")
Fact = tuple[str, str]
"""A name and what stands for it."""


@dataclass(frozen=True, slots=True)
class ListLine:
    """One line of a list with its one action. ``urgent``: somebody waits for it."""

    name: str
    facts: str
    state: str
    href: str
    action: str
    urgent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ListPage(Page):
    """A list with tabs, or with a search sent to ``searches``; ``older``, ``newest``: the way on, and back to the beginning, empty at the ends."""

    lines: tuple[Any, ...]  # `ListLine`, or what the list's own template reads
    empty: str
    note: str = ""  # said above the list
    count: str = ""  # how many are shown of how many, empty where all are
    older: str = ""
    newest: str = ""
    tabs: tuple[Tab, ...] = ()
    tabs_label: str = ""
    searches: str = ""
    search: str = ""
    search_label: str = ""
    query: ListQuery | None = None  # what the list can be narrowed by, and is


def paged(found: Leaf[T], address: str, *, begins: bool) -> dict[str, Any]:
    """Return what a list's page says of where it stands: how many there are, and the way on and back to the beginning.

    ``address``: the list's own, with its tab or search. ``begins``: this is the first page.
    """
    if begins and not found.after:
        return {}
    shown = _("{shown} of {all} are shown here.").format(
        shown=formats.number(len(found.rows), 0), all=formats.number(found.count, 0)
    )
    joint = "&" if "?" in address else "?"
    return {
        "count": shown,
        "older": f"{address}{joint}after={found.after}" if found.after else "",
        "newest": "" if begins else address,
    }


def address(*parts: str) -> str:
    """Return the address of something at the desk: keys may hold any letter."""
    return "/".join(["/desk", *(quote(part, safe="") for part in parts)])


def first(fields: Fields, name: str) -> str:
    """Return a field's first value without blanks around it, empty where there is none."""
    return next(iter(fields.get(name, ())), "").strip()


def today() -> dt.date:
    """Return the shop's day."""
    return times.today()


@contextmanager
def all_or_nothing(session: Session) -> Iterator[None]:
    """Undo what a refused verb began, so that its page can be shown again in the same transaction."""
    with session.begin_nested():
        yield


@dataclass(frozen=True, slots=True)
class FormShown:
    """A form as it is shown: what stands in its fields and, where it was refused, why."""

    fields: Fields
    problems: Mapping[str, str] = field(default_factory=dict)
    notice: str = ""
    status: int = 200

    @property
    def told(self) -> dict[str, Any]:
        """What a page's template and its answer are told of that."""
        return {"notice": self.notice, "status": self.status}


def refused(fields: Fields, why: InvalidInputError | ConflictError) -> FormShown:
    """Return a form that was refused as it is shown again: with a sentence at each wrong field, or one at its head."""
    if isinstance(why, InvalidInputError):
        return FormShown(fields, by_field(why), status=422)
    return FormShown(fields, notice=str(why), status=409)


def options(table: Mapping[str, tuple[str, str]]) -> tuple[Option, ...]:
    """Return the choices of a table of words and hints."""
    return tuple(Option(str(value), _(label), _(hint)) for value, (label, hint) in table.items())


def plain_options(table: Mapping[str, str]) -> tuple[Option, ...]:
    """Return the choices of a table of words, each with a capital."""
    return tuple(Option(str(value), capital(_(label))) for value, label in table.items())


def faults(problems: Mapping[str, str], names: Mapping[str, str], anchors: Mapping[str, str]) -> tuple[Fault, ...]:
    """Return the summary at a page's head, a line a field, by its short name of ``names``; ``anchors``: a control's id where it is another."""
    return tuple(_fault(field, sentence, names, anchors) for field, sentence in problems.items())


def _fault(field: str, sentence: str, names: Mapping[str, str], anchors: Mapping[str, str]) -> Fault:
    said = _("{name}: {sentence}").format(name=_(names[field]), sentence=sentence) if field in names else sentence
    return Fault(anchors.get(field, field), said)


def by_field(invalid: InvalidInputError) -> dict[str, str]:
    """Return the first sentence on each field."""
    found: dict[str, str] = {}
    for problem in invalid.problems:
        found.setdefault(problem.path, problem.message)
    return found
