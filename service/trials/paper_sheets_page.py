"""The screen on which paper sheets are typed in: one for each rater, every letter a line, every mark one key."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response

from model.domain.vocabulary import CARRYING, LEADING, Criterion
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import _, ngettext
from service.questionnaire.sheet_fields import CANNOT_TELL
from service.trials import compose_form, desk_lines, desk_reads, desk_words, paper_sheets, sittings, trial_words
from service.trials.desk_records import SheetRow, SlotRow, TrialPage
from service.trials.paper_sheets import PaperLine
from service.trials.trial_view import AtTrial, Stepped, ToRun
from service.web import desk_frame
from service.web.desk_forms import FormShown, address, all_or_nothing, faults, first, refused, today
from service.web.page_data import FormPage, Tab, Typed

router = APIRouter(prefix="/desk/trials")
OTHER = "other"
"""The line of a letter that is not in the trial: it is kept, beside those that are."""


@router.get("/{key}/paper")
async def ask(at: ToRun, rater: str = "player", sitting: str = "1") -> Response:
    """Show what paper sheets were typed in so far, to be typed on or corrected; ``sitting``: a later one at home."""
    rater = rater if rater in desk_words.RATERS else "player"
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if trial.row.state == "planned" or not trial.slots or trial.row.number is None:
        return at.show(notice=_("Nothing was played in this trial yet."), status=409)
    slots = _places(trial, rater, sitting)
    return _show(at, trial, rater, slots, FormShown(dict(_filled(trial, rater, slots))))


@router.post("/{key}/paper")
async def enter(at: Stepped) -> Response:
    """Keep what was typed; where anything of it is no mark, nothing, and the page shows it all again."""
    rater = first(at.form, "rater") if first(at.form, "rater") in desk_words.RATERS else "player"
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    slots = _places(trial, rater, first(at.form, "sitting") or "1") if trial.slots else ()
    try:
        with all_or_nothing(at.session):
            lines = list(_lines(at.form, trial, slots, rater))
            paper_sheets.require_letters({slot.position: slot.letter for slot in slots}, lines)
            day = compose_form.when(at.form).on
            if slots and slots[0].sitting > 1 and any(line.note or any(line.marks.values()) for line in lines):
                number = slots[0].sitting
                sittings.require_before(trial, number)
                sittings.begin(at.session, at.staff.dealer, at.key, sittings.AT_THE_DESK, number=number, on=day)
            count, flags = paper_sheets.enter(
                at.session, at.staff.user, at.staff.dealer, at.key, rater, day, lines, at.staff.name
            )
    except (InvalidInputError, ConflictError) as why:
        return _show(at, trial, rater, slots, refused(at.form, why))
    return desk_frame.see(at.request, f"{address('trials', at.key)}#sheets-title", _said(count, flags))


def _said(count: int, flags: frozenset[str]) -> str:
    """Say how many sheets were kept, and what is to be looked at."""
    if not count:
        return _("Nothing new was typed: all of it is there already.")
    kept = ngettext("One sheet of paper is kept.", "{count} sheets of paper are kept.", count).format(count=count)
    return " ".join([kept, *(_(desk_words.FLAGS[flag]) for flag in sorted(flags))])


def criteria(trial: TrialPage, rater: str) -> tuple[str, ...]:
    """Return what the paper form asks, in its order; a listener is asked what is heard across the room."""
    if rater == "listener":
        return (Criterion.OVERALL, Criterion.TONE, Criterion.CLARITY, CARRYING)
    return tuple(map(str, (Criterion.OVERALL, *LEADING[trial.row.instrument])))


def _places(trial: TrialPage, rater: str, sitting: str) -> tuple[SlotRow, ...]:
    """Return the places of a sitting: of the first for a listener, and where there is no such sitting."""
    last = sittings.upcoming(trial)
    there = [str(number) for number in range(1, (last or 1) + 1)]
    return sittings.places(trial, int(sitting) if rater == "player" and sitting in there else 1)


def _beyond(trial: TrialPage) -> int:
    """Return the place of a letter that is not in the trial: after those of every sitting that there can be."""
    last = sittings.MOST if sittings.upcoming(trial) else 1
    return sittings.places(trial, last)[-1].position + 1


def _lines(
    form: Mapping[str, list[str]], trial: TrialPage, slots: Sequence[SlotRow], rater: str
) -> Iterator[PaperLine]:
    """Give what was typed line by line; a letter typed by hand that is in the trial is that bow's line."""
    beyond = _beyond(trial)
    for slot in slots:
        if f"letter.{slot.position}" not in form:
            continue
        yield _line(form, str(slot.position), slot.position, first(form, f"letter.{slot.position}"), trial, rater)
    letter = first(form, f"letter.{OTHER}").upper()
    other = _line(form, OTHER, beyond, letter, trial, rater)
    if letter in {slot.letter for slot in trial.slots if slot.letter}:
        sentence = _("Bow {letter} is in this trial: type its marks in its own line.")
        raise InvalidInputError([(f"letter.{OTHER}", sentence.format(letter=letter))])
    if letter:
        yield other
    elif any(other.marks.values()) or other.note:
        raise InvalidInputError([(f"letter.{OTHER}", _("Say which letter stands on this sheet."))])


def _line(
    form: Mapping[str, list[str]], name: str, position: int, letter: str, trial: TrialPage, rater: str
) -> PaperLine:
    marks = {criterion: first(form, f"{name}.{criterion}") for criterion in criteria(trial, rater)}
    return PaperLine(position, letter, marks, first(form, f"{name}.note"), " ".join(form.get(f"{name}.strokes", ())))


def _filled(trial: TrialPage, rater: str, slots: Sequence[SlotRow]) -> Iterator[tuple[str, list[str]]]:
    """Give the fields as the paper sheets typed in so far have them."""
    yield "on", [(slots[0].on or trial.row.on).isoformat() if slots[0].on or slots[0].sitting == 1 else ""]
    for slot in slots:
        here = [each for each in _of_place(trial, rater, slot.position) if each.letter == slot.letter]
        of_paper = [each for each in here if each.sender.startswith(paper_sheets.SENDER)]
        sheet = max(of_paper, key=lambda each: (each.revision, each.id), default=None)
        if sheet:
            yield "on", [(sheet.rated_at or sheet.received_at).date().isoformat()]
            yield f"{slot.position}.note", [sheet.note or ""]
            typed = paper_sheets.printed(sheet.strokes, trial.row.key, slot.position, slot.letter)
            yield f"{slot.position}.strokes", [typed]
            for name, mark in sheet.ratings.items():
                yield f"{slot.position}.{name}", ["?" if mark == CANNOT_TELL else str(mark)]


def _of_place(trial: TrialPage, rater: str, position: int) -> list[SheetRow]:
    return [each for each in trial.sheets if (each.rater, each.position) == (rater, position)]


def _sent(trial: TrialPage, rater: str, position: int) -> str:
    """Say what a screen sent for a place; empty where none did."""
    of_screen = [e for e in _of_place(trial, rater, position) if not e.sender.startswith(paper_sheets.SENDER)]
    if not of_screen:
        return ""
    mark = trial_words.rating(of_screen[-1].ratings.get("overall"))
    return _("A screen sent this one too, overall {mark}.").format(mark=mark)


def _show(at: AtTrial, trial: TrialPage, rater: str, slots: Sequence[SlotRow], form: FormShown) -> Response:
    columns = criteria(trial, rater)
    lines = [
        (str(s.position), s.letter, trial_words.bow_name((s.letter,), s.own), _sent(trial, rater, s.position))
        for s in slots
    ]
    beyond = str(_beyond(trial))
    wrong = {
        name.replace(f"{beyond}.", f"{OTHER}.", 1) if name.startswith(f"{beyond}.") else name: said
        for name, said in form.problems.items()
    }
    names = {
        f"{name}.{c}": f"{bow}, {trial_words.criterion(c)}" for name, _letter, bow, _said_ in lines for c in columns
    }
    names |= {f"{name}.strokes": _("{bow}, strokes").format(bow=bow) for name, _letter, bow, _said_ in lines}
    names |= {f"{OTHER}.{c}": trial_words.criterion(c) for c in columns}
    names |= {"on": _("Day"), f"letter.{OTHER}": _("Another letter")}
    page = FormPage(
        title=_("Paper sheets of {trial}").format(trial=desk_lines.trial_number(trial.row.number, at.key)),
        typed=Typed(form.fields, wrong),
        faults=faults(wrong, names, {}),
    )
    own = address("trials", at.key)
    more: dict[str, Any] = {
        "key": at.key,
        "about": desk_lines.trial_title(trial.row),
        "rater": rater,
        "sitting": slots[0].sitting,
        "raters": [
            *_sittings(trial, f"{own}/paper", slots[0].sitting if rater == "player" else 0),
            Tab(_("A listener’s"), f"{own}/paper?rater=listener", rater == "listener"),
        ],
        "criteria": [(name, trial_words.criterion(name)) for name in columns],
        "lines": lines,
        "other": OTHER,
        "plays": rater == "player",
        "cancelled": trial.row.state == "cancelled",
    }
    return desk_frame.show(at.request, at.staff, "trials/paper_sheets.html", page, **more, **form.told)


def _sittings(trial: TrialPage, address: str, here: int) -> Iterator[Tab]:
    """Give the ways to the player's sheets of each sitting; ``here``: the one that is shown, 0 for none."""
    last = sittings.upcoming(trial)
    if last is None:
        yield Tab(_("The player’s"), address, here == 1)
        return
    for number in range(1, last + 1):
        label = _("The player’s, sitting {number}").format(number=number)
        yield Tab(label, f"{address}?sitting={number}", number == here)
