"""Whether files are being taken in step by step: what they bring is settled by then, and not all of it is there yet."""

from sqlalchemy.orm import Session

from service.core.errors import ConflictError
from service.core.language import _
from service.tables import Duty

LOAD = "load"
"""Under this name `Duty` tells of the latest large load that was settled."""


def under_way(session: Session) -> bool:
    """Say whether a load is settled and not done."""
    row = session.get(Duty, LOAD)
    return row is not None and row.ended_at is None


def wait_for(session: Session) -> None:
    """Raise `ConflictError` where a load is settled and not done: for what must see all of it, or nothing."""
    if under_way(session):
        raise ConflictError(_("Files are being taken in. Nothing was changed; begin again when that is done."))
