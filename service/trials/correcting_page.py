"""What was recorded of a trial by mistake, and what is right instead; the mistake is kept in the record of what was done."""

import datetime as dt
from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import N_, _
from service.questionnaire.parsing import shown
from service.trials import desk_lines, desk_reads, desk_words, outcomes, trial_page, trial_words
from service.trials.desk_records import OutcomeRow, TrialPage
from service.trials.trial_view import AtTrial, Stepped, ToRun
from service.web import desk_frame, list_filters
from service.web.desk_forms import FormShown, all_or_nothing, faults, first, refused, today
from service.web.page_data import FormPage, Option, Typed

router = APIRouter(prefix="/desk/trials")

_NAMES = {
    "wrong": N_("Which entry is wrong?"),
    "what": N_("What came of it"),
    "reason": N_("Because of"),
    "on": N_("Day"),
}
_FIELDS = {"outcome": "what", "copy": "what"}
"""By a use case's name of what is wrong: the page's field."""


@router.get("/{key}/correct")
async def ask(at: ToRun) -> Response:
    """Ask what is right instead of what was recorded."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if not trial.outcomes or "outcome" not in trial.may:
        return at.show(notice=_("Nothing is recorded here that could be corrected."), status=409)
    value, last = list(_by_value(trial))[-1]
    form = {"wrong": [value], "reason": [last.reason or ""], "on": [last.on.isoformat()]}
    return _show(at, trial, FormShown(form))


@router.post("/{key}/correct")
async def correct(at: Stepped) -> Response:
    """Put what is right in the place of a mistake."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    try:
        with all_or_nothing(at.session):
            _correct(at, trial)
    except (InvalidInputError, ConflictError) as why:
        return _show(at, trial, refused(at.form, why))
    return desk_frame.see(at.request, f"/desk/trials/{at.key}#outcome-title", _("Corrected."))


def _correct(at: AtTrial, trial: TrialPage) -> None:
    found = next((row for value, row in _by_value(trial) if value == first(at.form, "wrong")), None)
    if found is None:
        raise InvalidInputError([("wrong", _("Choose one of the entries; somebody may have changed them meanwhile."))])
    mistaken = found
    what, serial = (*first(at.form, "what").split(" ", 1), "", "")[:2]
    if what not in desk_words.OUTCOMES:
        raise InvalidInputError([("what", _("Choose what came of it."))])
    of_trial, wrong = (at.staff.dealer, at.key), (str(mistaken.outcome), mistaken.copy, mistaken.on)
    bow, reason = bow_named(at.session, *of_trial, serial), first(at.form, "reason") or None
    day = _day(first(at.form, "on"))
    outcomes.correct(at.session, at.staff.user, *of_trial, wrong, what, bow, reason, day)


def _by_value(trial: TrialPage) -> Iterator[tuple[str, OutcomeRow]]:
    for row in trial.outcomes:
        yield f"{row.outcome}.{row.on}.{row.revision}.{row.copy or ''}", row


def bow_named(session: Session, dealer: str, key: str, name: str) -> str | None:
    """Return the serial of a bow that was named by it, or by its letter; None where none was named."""
    if not name.startswith(trial_page.BY_LETTER):
        return name or None
    letter = name.removeprefix(trial_page.BY_LETTER)
    slots = desk_reads.key_sheet(session, dealer, key)
    found = next((slot.copy for slot in slots if slot.letter == letter and not slot.own), None)
    if found is None:
        raise ConflictError(_("There is no bow {letter} in this trial.").format(letter=letter))
    return found


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InvalidInputError(
            [("on", _("Got {text}; expected a day, as 2026-11-30.").format(text=shown(text)))]
        ) from None


def _show(at: AtTrial, trial: TrialPage, form: FormShown) -> Response:
    wrong = {_FIELDS.get(field, field): sentence for field, sentence in form.problems.items()}
    typed, summary = Typed(form.fields, wrong), faults(wrong, _NAMES, {})
    page = FormPage(title=_("Correct what was recorded"), typed=typed, faults=summary)
    recorded = tuple(Option(value, trial_words.outcome(row)) for value, row in _by_value(trial))
    reasons = (Option("", _("none given")), *list_filters.options(desk_words.REASONS))
    choices = {"recorded": recorded, "outcomes": tuple(_outcomes(trial)), "reasons": reasons}
    parts: dict[str, Any] = {"key": at.key, "trial": desk_lines.trial_title(trial.row), **choices, **form.told}
    return desk_frame.show(at.request, at.staff, "trials/correct.html", page, **parts)


def _outcomes(trial: TrialPage) -> Iterator[Option]:
    """Yield what may have come of it: each bow kept, by its letter until the key is revealed; more, none; one brought back."""
    yield Option("", _("choose"))
    part = trial_page.outcome(trial)
    for tap in part.kept if part else ():
        yield Option(f"kept {tap.value.removeprefix('kept - ')}", _of_bow("kept", tap.label))
    yield Option("more_asked", _word("more_asked"))
    yield Option("none", _word("none"))
    for serial in sorted({row.copy for row in trial.outcomes if row.copy}):
        yield Option(f"returned {serial}", _of_bow("returned", serial))


def _of_bow(outcome: str, bow: str) -> str:
    return _("{outcome}: {bow}").format(outcome=_word(outcome), bow=bow)


def _word(outcome: str) -> str:
    return formats.capital(_(desk_words.OUTCOMES[outcome]))
