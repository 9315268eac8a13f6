"""What the use cases of a trial share: its bows, what state it must be in, and what is said of its days."""

from collections.abc import Sequence

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit
from service.core.audit_events import AuditEvent
from service.core.errors import Code, ConflictError
from service.core.language import _


def carried(session: Session, trial: int) -> list[tables.TrialCopy]:
    """Return the bows set aside for a trial, by serial."""
    statement = select(tables.TrialCopy).where(tables.TrialCopy.trial == trial).order_by(tables.TrialCopy.copy)
    return list(session.scalars(statement))


def out_now() -> ColumnElement[bool]:
    """Return the condition that a copy set aside is out."""
    return tables.TrialCopy.out_at.is_not(None) & tables.TrialCopy.back_at.is_(None)


def still_wanted() -> ColumnElement[bool]:
    """Return the condition, of copies joined with compositions, that a copy is out or set aside for a trial to come."""
    waits = tables.Composition.state.in_(("planned", "open")) & tables.TrialCopy.back_at.is_(None)
    return waits | out_now()


def require_state(composition: tables.Composition, states: Sequence[str], otherwise: str) -> None:
    """Raise `ConflictError` unless the trial is in one of the states: with a sentence on where it stands, and ``otherwise``."""
    if composition.state not in states:
        raise ConflictError(f"{_where_it_stands(composition)} {otherwise}", Code.WRONG_STATE)


def _where_it_stands(composition: tables.Composition) -> str:
    sentence = {
        "planned": _("Trial {number} has not been opened yet."),
        "open": _("Trial {number} is open."),
        "closed": _("Trial {number} is closed."),
        "cancelled": _("Trial {number} has been cancelled."),
    }[composition.state]
    return sentence.format(number=composition.number)


def noted(
    session: Session, user: int | None, dealer: str | None, did: AuditEvent, about: str, **detail: object
) -> None:
    """Write down what was done, by whom, to what."""
    audit.record(session, user, did, about, dealer=dealer, **detail)
