"""Rows that somebody types one at a time, taken in by the same readers, checks and statements as whole files."""

from collections.abc import Mapping
from pathlib import Path

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.core.errors import ConflictError, InvalidInputError
from service.core.language import _
from service.inventory.files.folders import Parsed
from service.inventory.files.kinds import FileKind
from service.inventory.files.loading import Report, load
from service.inventory.files.spreadsheets import read_lines


def enter(session: Session, rows: Mapping[FileKind, Mapping[str, str]], *, replace: bool = False) -> Report:
    """Take in one row of each kind, given as its cells by column; a column left out says nothing, an empty cell 'not known'."""
    # Raises `InvalidInputError` by column, in the words that `load` has for it, and `ConflictError` where somebody
    # else entered the same at this moment.
    sheets = {kind.name: read_lines(kind, ((1, [*texts]), (2, [*texts.values()]))) for kind, texts in rows.items()}
    try:
        with session.begin_nested():
            report = load(session, Parsed(Path(), sheets), replace=replace)
    except IntegrityError:
        raise ConflictError(_("Somebody else has just entered the same. Nothing was changed; look again.")) from None
    if report.problems:
        # A form has no cells and no columns: what it lacks is said without them.
        given = {name for texts in rows.values() for name, text in texts.items() if text.strip()}
        needed = {one.name for kind in rows for one in (*kind.shared, *kind.own) if one.required} - given
        raise InvalidInputError(
            (problem.column or "", _("This is needed.") if problem.column in needed else problem.sentence)
            for problem in report.problems
        )
    session.expire_all()
    return report
