"""Sheets of paper typed in at the desk: the same checks and rules as a screen's, each with who typed it, and correctable.

A paper sheet has an id of its own for each rater and place, so that typing it again is its next revision. It has a day and no
hour: it counts as filled in before the key was revealed on that day. Where a screen's sheet has the place already, both are
kept and staff choose (`service.trials.sheets.count`); where the screen said the same, there is nothing to keep.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.bench import playable_range
from model.domain.vocabulary import STROKES
from service.core import audit_events, formats
from service.core.errors import ConflictError, FieldProblem, InvalidInputError, refuse
from service.core.language import _
from service.core.moments import now
from service.players.trial_access import claimed
from service.questionnaire import sheet_fields
from service.questionnaire.parsing import shown
from service.questionnaire.sheet_fields import CANNOT_TELL, SheetIn
from service.tables import Sheet, Slot
from service.trials import sheets
from service.trials.shared import noted, require_state
from service.trials.strokes import order

SENDER = "paper: "
"""Before the name of who typed a sheet in, in the place of the screen that sent it."""
_UNTELLABLE = ("?", "？")


@dataclass(frozen=True, slots=True)
class PaperLine:
    """One bow's line of a paper sheet as it was typed; ``position`` names its fields, ``letter`` '' is the own bow.

    ``strokes``: a sign for each stroke, in the order in which the bow's are printed.
    """

    position: int
    letter: str
    marks: Mapping[str, str]
    note: str
    strokes: str = ""


def run_of(rater: str, position: int) -> str:
    """Return the id of the paper sheet of a place."""
    return f"paper-{rater}-{position}"


def enter(
    session: Session, user: int, dealer: str, key: str, rater: str, on: dt.date, lines: Sequence[PaperLine], name: str
) -> tuple[int, frozenset[str]]:
    """Keep what was typed; return how many sheets are new or changed, and all that is odd about them.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: it was not begun yet; `InvalidInputError`: a
    mark that is none, by ``position.criterion``; a day before the trial or to come. Nothing is kept then.
    """
    trial, composition = claimed(session, dealer, key)
    require_state(composition, ("open", "closed", "cancelled"), _("Nothing was played in this trial yet."))
    if on < trial.on:
        raise InvalidInputError([("on", _("This is before the trial, {day}.").format(day=formats.day(trial.on)))])
    if on > now().date() + dt.timedelta(days=1):  # a day more, for those east of here
        raise InvalidInputError([("on", _("This day is still to come."))])
    kept = list(session.scalars(select(Sheet).where(Sheet.trial == trial.id, Sheet.rater == rater)))
    moved = rater == "player" and _move_sitting(session, trial.id, on, [line.position for line in lines])
    found = _checked(kept, key, rater, on, lines, moved=moved)
    flags: set[str] = set()
    for sheet in found:
        run = run_of(rater, sheet.position)
        stored = sheets.record(session, dealer, key, run, sheet, f"{SENDER}{name}")
        if stored.flags == ("other_device",) and _adds_strokes(kept, sheet):
            # What counts stays as it is, and the strokes come to it: there is nothing for staff to choose.
            of_run = select(Sheet.id).where(Sheet.trial == trial.id, Sheet.run == run, Sheet.revision == sheet.revision)
            sheets.count(session, user, dealer, key, session.scalars(of_run.order_by(Sheet.id.desc()).limit(1)).one())
        else:
            flags |= set(stored.flags)
    if found:
        places = [sheet.position for sheet in found]
        noted(session, user, dealer, audit_events.SHEETS_TYPED, f"trial {key}", rater=rater, places=places)
    return len(found), frozenset(flags)


def _move_sitting(session: Session, trial: int, on: dt.date, positions: Sequence[int]) -> bool:
    """Let a later sitting that is known from paper alone be of the day that was typed; say whether it was of another."""
    of_trial = session.scalars(select(Slot).where(Slot.trial == trial, Slot.sitting > 1)).all()
    numbers = {each.sitting for each in of_trial if each.position in positions}
    sitting = [each for each in of_trial if each.sitting in numbers and each.on != on]
    of_screens = select(Sheet.position).where(Sheet.trial == trial, ~Sheet.sender.startswith(SENDER, autoescape=True))
    if {each.position for each in sitting} & set(session.scalars(of_screens)):
        return False
    for each in sitting:
        each.on = on
    return bool(sitting)


def _adds_strokes(kept: Sequence[Sheet], sheet: SheetIn) -> bool:
    """Say whether a typed sheet says the same as the one that counts at its place, and strokes besides."""
    said = (sheet.letter, sheet.ratings, sheet.note)
    counting = (each for each in kept if each.counts and each.position == sheet.position and each.strokes is None)
    return any((each.letter, each.ratings, each.note) == said for each in counting)


def _checked(
    kept: Sequence[Sheet], key: str, rater: str, on: dt.date, lines: Sequence[PaperLine], *, moved: bool
) -> list[SheetIn]:
    """Return the sheets that say something new, where their day was ``moved`` all; raises `InvalidInputError` with every mark that is none."""
    found, wrong = [], []
    for line in lines:
        before = newest(kept, run_of(rater, line.position))
        try:
            sheet = _sheet(line, key, rater, on, before.revision + 1 if before else 1)
            if sheet.kept_strokes and not sheet.ratings:
                sheet = _with_what_counts(kept, sheet)
        except InvalidInputError as invalid:
            wrong += [_wrong(line, each) for each in invalid.problems]
            continue
        is_blank = not sheet.ratings and not sheet.note and not sheet.kept_strokes
        is_known = _is_known(kept, sheet, before) and not (moved and before is not None)
        if not (is_blank and before is None) and not is_known:
            found.append(sheet)
    refuse(wrong)
    return found


def _wrong(line: PaperLine, problem: FieldProblem) -> tuple[str, str]:
    """Return the field of a problem and its sentence; of a mark in the words of this page."""
    name = problem.path.removeprefix("ratings.")
    if name == problem.path:
        return f"{line.position}.{name}", problem.message
    said = _("Got {value}; expected 1 to 7, or ? where it could not be told.").format(value=line.marks[name])
    return f"{line.position}.{name}", said


def _with_what_counts(kept: Sequence[Sheet], sheet: SheetIn) -> SheetIn:
    """Return a sheet of strokes alone with the marks and the note of the one that counts at its place."""
    counting = next((each for each in kept if each.counts and each.position == sheet.position), None)
    if counting is None or counting.letter != sheet.letter:
        return sheet
    return sheet.model_copy(update={"ratings": dict(counting.ratings), "note": sheet.note or counting.note})


def _sheet(line: PaperLine, key: str, rater: str, on: dt.date, revision: int) -> SheetIn:
    of = {"revision": revision, "position": line.position, "letter": line.letter, "rater": rater}
    ratings = {name: _mark(text) for name, text in line.marks.items() if text}
    said = {"ratings": ratings, "strokes": _strokes(line, key) if line.strokes else None, "note": line.note or None}
    return sheet_fields.check_sheet({**of, **said, "rated_at": f"{on.isoformat()}T00:00:00Z"})


def _strokes(line: PaperLine, key: str) -> list[str | None]:
    """Return the strokes of a line in the design's order; raises `InvalidInputError` by ``strokes``."""
    signs = line.strokes.replace(",", " ").split()
    signs = signs if len(signs) > 1 else list("".join(signs))
    if len(signs) > STROKES:
        many = _("Got {count} marks; there are eight strokes, each with one mark.").format(count=len(signs))
        raise InvalidInputError([("strokes", many)])
    named = {"0": playable_range.MARKS[0], "1": playable_range.MARKS[1], "2": playable_range.MARKS[2]} | dict.fromkeys(
        _UNTELLABLE
    )
    unknown = next((sign for sign in signs if sign not in named), None)
    if unknown is not None:
        sentence = _("Got {sign}; expected 0 clean, 1 noisy, 2 broken, or ? where it was not played.")
        raise InvalidInputError([("strokes", sentence.format(sign=shown(unknown)))])
    found: list[str | None] = [None] * STROKES
    for place, sign in zip(order(key, line.position, line.letter), signs, strict=False):
        found[place] = named[sign]
    return found


def printed(strokes: str | None, key: str, position: int, letter: str) -> str:
    """Return kept strokes as they are typed, in the order in which the bow's are printed; empty where there are none."""
    marks = playable_range.from_text(strokes)
    signs = (_UNTELLABLE[0] if marks[place] is None else str(marks[place]) for place in order(key, position, letter))
    return "".join(signs) if strokes else ""


def _mark(text: str) -> int | str:
    if text in _UNTELLABLE:
        return CANNOT_TELL
    return int(text) if text.isascii() and text.isdigit() and len(text) == 1 else text


def newest(kept: Sequence[Sheet], run: str) -> Sheet | None:
    """Return the newest revision under an id."""
    return max((each for each in kept if each.run == run), key=lambda each: (each.revision, each.id), default=None)


def _is_known(kept: Sequence[Sheet], sheet: SheetIn, before: Sheet | None) -> bool:
    """Say whether the same was typed before, or a screen's sheet that counts says it already."""
    if before is not None:
        said = (before.letter, before.ratings, before.note, before.strokes)
        return said == (sheet.letter, sheet.ratings, sheet.note, sheet.kept_strokes)
    counting = next((each for each in kept if each.counts and each.position == sheet.position), None)
    if counting is None or counting.letter != sheet.letter or (sheet.note and sheet.note != counting.note):
        return False
    if sheet.kept_strokes not in (None, counting.strokes):
        return False
    return all(counting.ratings.get(name) == mark for name, mark in sheet.ratings.items())


def require_letters(letters: Mapping[int, str], typed: Sequence[PaperLine]) -> None:
    """Raise `ConflictError` where the letters changed since the page was made: a sheet would be another bow's."""
    if any(letters.get(line.position, line.letter) != line.letter for line in typed):
        raise ConflictError(
            _("The case was changed since, and the letters with it. Nothing was kept: look at the letters again.")
        )
