"""A list's filters: what may be asked for, what was, in words, and the address that keeps it from page to page."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from service.core import formats, typed_text
from service.core.language import _
from service.core.paging import A_PAGE, ListWanted
from service.web.page_data import Option

AT_ONCE = 500
"""So many rows of a list that is saved are read at once."""

YEARS = range(1900, 3000)
"""In which a day can be that is looked for."""


@dataclass(frozen=True, slots=True)
class ListFilter:
    """One thing that a list can be narrowed by: one of some options, a day, or a text."""

    name: str
    label: str
    options: tuple[Option, ...] = ()
    is_day: bool = False


@dataclass(frozen=True, slots=True)
class ListQuery:
    """What was asked of a list."""

    here: str  # the list's path
    filters: tuple[ListFilter, ...]
    kept: Mapping[str, str]  # its tab
    values: Mapping[str, str]  # what it is narrowed by
    faults: tuple[str, ...]  # what could not be used
    as_file: bool

    def value(self, name: str) -> str:
        """Return what was asked for by a filter, empty for nothing."""
        return self.values.get(name, "")

    @property
    def wanted(self) -> ListWanted:
        """What the list is narrowed to."""
        since, until = (dt.date.fromisoformat(day) if (day := self.value(name)) else None for name in _DAYS)
        oldest = self.value("order") == "oldest"
        return ListWanted({**self.kept, **self.values}, since, until, oldest, AT_ONCE if self.as_file else A_PAGE)

    @property
    def href(self) -> str:
        """The address of the list as it is shown."""
        return _address(self.here, {**self.kept, **self.values})

    @property
    def everything(self) -> str:
        """The address of the list with nothing left out."""
        return _address(self.here, self.kept)

    @property
    def file(self) -> str:
        """The address of what is shown as a file."""
        return _address(self.here, {**self.kept, **self.values, "as": "csv"})

    @property
    def words(self) -> str:
        """What the list is narrowed by, in words; empty for nothing."""
        return "; ".join(
            formats.labelled(each.label, _shown(each, self.values[each.name]))
            for each in self.filters
            if each.name in self.values
        )


def options(words: Mapping[Any, str]) -> tuple[Option, ...]:
    """Return the choices of a table of words, each with a capital."""
    return tuple(Option(str(value), formats.capital(_(label))) for value, label in words.items())


def days() -> tuple[ListFilter, ListFilter]:
    """From one day to another."""
    since, until = _DAYS
    return ListFilter(since, _("From"), is_day=True), ListFilter(until, _("Up to"), is_day=True)


def order() -> ListFilter:
    """In which order."""
    return ListFilter("order", _("Order"), (Option("oldest", _("The oldest first")),))


_DAYS = ("since", "until")


def read(asked: Mapping[str, str], here: str, filters: Sequence[ListFilter], **kept: str) -> ListQuery:
    """Return what the query of an address asks of a list; ``kept``: its tab, where one is chosen."""
    values: dict[str, str] = {}
    faults = []
    for each in filters:
        text = typed_text.cleaned(asked.get(each.name, ""))[: typed_text.LONGEST]
        fault = _fault(each, text)
        if fault:
            faults.append(fault)
        elif text:
            values[each.name] = text
    kept = {name: value for name, value in kept.items() if value}
    return ListQuery(here, tuple(filters), kept, values, tuple(faults), asked.get("as") == "csv")


def _is_day(text: str) -> bool:
    """Say whether a text is a day that may be looked for: at the calendar's ends a zone's hours would be no moments any more."""
    try:
        return dt.date.fromisoformat(text).year in YEARS
    except ValueError:
        return False


def _fault(asked: ListFilter, text: str) -> str:
    if not text or (asked.options and text in {option.value for option in asked.options}):
        return ""
    if asked.options:
        return _("{name}: ‘{text}’ is none of the list, so it was left out.").format(name=asked.label, text=text[:40])
    if asked.is_day and not _is_day(text):
        return _("{name}: ‘{text}’ is no day; write it as 2026-11-30.").format(name=asked.label, text=text[:40])
    return ""


def _shown(asked: ListFilter, value: str) -> str:
    if asked.is_day:
        return formats.day(dt.date.fromisoformat(value))
    return next((option.label for option in asked.options if option.value == value), f"‘{value}’")


def _address(here: str, query: Mapping[str, str]) -> str:
    return f"{here}?{urlencode(query)}" if query else here
