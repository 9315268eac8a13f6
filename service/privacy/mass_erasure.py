"""More persons at once than is usual: none of them is erased before an owner has said so.

One row of `duties` for each dealer, so that all processes agree. A wrong clock that is not wrong enough to be noticed, or a
number of months typed wrongly, comes to light here before it does harm.
"""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, delete, func, select
from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.prepared import prepared
from service.core.scopes import AllDealers, Scope
from service.tables import Duty

MOST_A_DAY = 20
"""So many persons of one dealer are erased in a day without a question: ten times what a busy shop meets in one."""
_NAME = "erase:"
"""Begins the names of these duties; the dealer's slug follows, nothing where it is nobody's in particular."""


@dataclass(frozen=True, slots=True)
class ErasureQuestion:
    """What an owner is asked."""

    dealer: str | None  # slug; None for enquiries of nobody in particular
    persons: int  # how many have had their time
    since: dt.datetime  # when it was asked first
    allowed: bool  # whether somebody said yes; they go with the next sweep


def may_erase(session: Session, dealer: str | None, persons: int, now: dt.datetime) -> bool:
    """Say whether so many persons of a dealer may be erased, by a yes for as many and those of a day more; else an owner is asked from now on."""
    row = session.get(Duty, _name(dealer), with_for_update=True)
    if persons <= MOST_A_DAY or (row is not None and persons <= row.counts.get("allowed", 0) + MOST_A_DAY):
        if row is not None:
            session.delete(row)
        return True
    if row is None:
        session.add(Duty(name=_name(dealer), begun_at=now, counts={"persons": persons}))
    else:
        row.ended_at, row.counts = None, {"persons": persons}
    return False


def questions(session: Session, scope: Scope) -> list[ErasureQuestion]:
    """Return what is asked within a scope, by dealer."""
    return [each for each in map(_question, session.execute(*_asked())) if scope.covers(each.dealer)]


@prepared
def _asked() -> Select[*tuple[Any, ...]]:
    told = (Duty.name, Duty.begun_at, Duty.ended_at, Duty.counts)
    return select(*told).where(Duty.name.startswith(_NAME, autoescape=True)).order_by(Duty.name)


def allow(session: Session, user: int | None, question: ErasureQuestion, now: dt.datetime) -> bool:
    """Say yes to a question as it was read, for the next look of any process to sweep; False where it is asked no longer, or of more persons."""
    row = session.get(Duty, _name(question.dealer), with_for_update=True, populate_existing=True)
    if row is None or row.ended_at is not None or row.counts.get("persons", 0) > question.persons:
        return False
    row.ended_at, row.counts = now, {**row.counts, "allowed": row.counts.get("persons", 0)}
    audit.record(
        session, user, audit_events.ERASING_ALLOWED, "persons", dealer=question.dealer, persons=row.counts["persons"]
    )
    return True


def answered_at(session: Session) -> dt.datetime | None:
    """Return when the last yes was given that waits to be carried out; None where none does."""
    mine = Duty.name.startswith(_NAME, autoescape=True)
    return session.scalar(select(func.max(Duty.ended_at)).where(mine))


def drop(session: Session, dealers: set[str | None]) -> None:
    """Drop questions of dealers of whom nobody has had their time any more: all but those of ``dealers``."""
    gone = [_name(each.dealer) for each in questions(session, AllDealers()) if each.dealer not in dealers]
    session.execute(delete(Duty).where(Duty.name.in_(gone)))


def findings(session: Session) -> Iterator[tuple[str, bool]]:
    """Give one line for each question that waits for an answer."""
    for each in questions(session, AllDealers()):
        whose = each.dealer or "no dealer"
        said = f"retention: {each.persons} persons of {whose} have had their time, more than {MOST_A_DAY} a day"
        if each.allowed:
            yield f"{said}; allowed, erased with the next run", True
        else:
            yield f"{said}; an owner is asked at the desk, or `retention --erase` lets them go", False


def _question(row: Any) -> ErasureQuestion:
    dealer = row.name.removeprefix(_NAME) or None
    return ErasureQuestion(dealer, int(row.counts.get("persons", 0)), row.begun_at, row.ended_at is not None)


def _name(dealer: str | None) -> str:
    return f"{_NAME}{dealer or ''}"
