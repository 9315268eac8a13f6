"""The bows that somebody played already, as fields of a page: a serial and marks for each, as many rows as there are."""

import re
from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from model.domain.vocabulary import CRITERIA, Criterion
from service.core.errors import InvalidInputError
from service.core.language import _
from service.questionnaire.parsing import check
from service.questionnaire.step_fields import Answers, Errors, Form, FormStep, Reading, first

MOST = 20
"""So many bows can be named, as in the API."""
_FIELD = re.compile(r"tried_(\d{1,2})_(copy|" + "|".join(CRITERIA) + ")")


def field(row: int, what: str) -> str:
    """Return the name of a row's field; ``what``: copy, or a criterion."""
    return f"tried_{row}_{what}"


def parts(name: str) -> tuple[int, str] | None:
    """Return the row and what a field is of; None for a field that is none of these."""
    found = _FIELD.fullmatch(name)
    return (int(found[1]), found[2]) if found and 1 <= int(found[1]) <= MOST else None


def rows(form: Form) -> tuple[int, ...]:
    """Return the numbers of the rows that a form has, whether anything stands in them or not."""
    return tuple(sorted({found[0] for name in form if (found := parts(name))}))


def is_blank(form: Form, row: int) -> bool:
    """Say whether nothing was answered in a row."""
    return not any(first(form, field(row, what)) for what in ("copy", *CRITERIA))


def only(form: Form) -> dict[str, list[str]]:
    """Return the fields of these rows among all of a form's."""
    return {name: list(values) for name, values in form.items() if parts(name)}


def laid_out(form: Form, *, without: int | None = None, blank: bool = False) -> dict[str, list[str]]:
    """Return the rows that say something, numbered from one on; ``without``: one that is taken out; ``blank``: with an empty one after them."""
    kept = [row for row in rows(form) if row != without and not is_blank(form, row)][:MOST]
    found = {
        field(number, what): list(form[field(row, what)])
        for number, row in enumerate(kept, 1)
        for what in ("copy", *CRITERIA)
        if field(row, what) in form
    }
    return found | ({field(len(kept) + 1, "copy"): [""]} if blank and len(kept) < MOST else {})


def parse(form: Form) -> tuple[list[Answers], list[int], Errors]:
    """Return the usable bows, the row of each, and one sentence for each field that cannot be used."""
    found: dict[int, Answers] = {}
    errors: Errors = {}
    for row in rows(form):
        if is_blank(form, row):
            continue
        bow, wrong = _row(form, row)
        if not wrong and bow["copy"] in [each["copy"] for each in found.values()]:
            wrong = {field(row, "copy"): _("This bow stands above already; mark it once.")}
        if not wrong:
            found[row] = bow
        errors |= wrong
    for row, sentence in _refused(found).items():
        errors[field(row, "copy")] = sentence
        del found[row]
    return list(found.values()), list(found), errors


def usable(form: Form, errors: Errors) -> list[int]:
    """Return the rows of the bows that `parse` returns, by what it says is wrong."""
    wrong = {found[0] for name in errors if (found := parts(name))}
    return [row for row in rows(form) if row not in wrong and not is_blank(form, row)]


def _refused(bows: Mapping[int, Answers]) -> dict[int, str]:
    """Return by row why a bow cannot be used, after one check of all of them."""
    try:
        if bows:
            check({"instrument": "violin", "tried": list(bows.values())})
    except InvalidInputError as invalid:
        numbers = list(bows)
        return {numbers[int(problem.path.split(".")[1])]: problem.message for problem in invalid.problems}
    return {}


def filled(bows: Iterator[Mapping[str, Any]] | list[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Return the fields of bows with their marks: the inverse of `parse`."""
    fields: dict[str, list[str]] = {}
    for row, bow in zip(range(1, MOST + 1), bows, strict=False):
        fields[field(row, "copy")] = [str(bow["copy"])]
        fields |= {field(row, criterion): [str(mark)] for criterion, mark in bow.get("ratings", {}).items()}
    return fields


def _row(form: Form, row: int) -> tuple[Answers, Errors]:
    given = {criterion: first(form, field(row, criterion)) for criterion in CRITERIA}
    ratings = {str(criterion): int(mark) for criterion, mark in given.items() if mark in set("1234567")}
    errors = {
        field(row, criterion): _("Choose one of the answers.")
        for criterion, mark in given.items()
        if mark and str(criterion) not in ratings
    }
    serial = first(form, field(row, "copy"))
    if not serial:
        errors[field(row, "copy")] = _("Give this bow’s number, or take it out.")
    elif not ratings and not errors:
        errors[field(row, Criterion.OVERALL)] = _("Say how you like it, from 1 to 7.")
    return {"copy": serial, "ratings": ratings}, errors


class TriedStep(FormStep):
    """Fields ``tried_<row>_copy`` and ``tried_<row>_<criterion>``."""

    name = "tried"
    most_fields: ClassVar[int] = MOST * (1 + len(CRITERIA))

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """See `FormStep.read`; whether there is such a bow only the range can tell."""
        del beside
        found, _rows, errors = parse(form)
        return Reading({"tried": found} if found else {}, errors)

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `FormStep.fill`."""
        return filled(list(answers.get("tried", ())))
