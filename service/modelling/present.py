"""What every advice depends on besides the answers, read in one statement: the range's marks, the version in use, the last sign of work."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session

from service.core import clock_watch
from service.core.prepared import prepared
from service.tables import Duty, ModelVersion, RangeState


@dataclass(frozen=True, slots=True)
class Present:
    """How things stood at one moment.

    ``facts``, ``mark``: the range's marks, see `model_records.range_mark`. ``adopted``: id, moment of the fit and digest of its
    data of the version in use, None where none is.
    """

    facts: str
    mark: str
    adopted: tuple[int, dt.datetime, str] | None
    seen_at: dt.datetime | None  # the last noted sign of work, None where none is noted yet

    def is_behind(self, now: dt.datetime) -> bool:
        """Say whether ``now`` lies before the last noted sign of work."""
        return clock_watch.lies_behind(self.seen_at, now)


def read(session: Session) -> Present:
    """Return how things stand."""
    return of(session.execute(*_asked()).one())


@prepared
def _asked() -> Select[Any]:
    return beside(select())


def beside(statement: Select[Any]) -> Select[Any]:
    """Return a statement that reads the columns of `of` after its own, in the same row."""
    version = ModelVersion
    adopted = [select(column).where(version.adopted) for column in (version.id, version.fitted_at, version.data_digest)]
    seen_at = select(Duty.begun_at).where(Duty.name == clock_watch.WATCH)
    return statement.add_columns(*(each.scalar_subquery() for each in (select(RangeState.mark), *adopted, seen_at)))


def of(row: Row[Any]) -> Present:
    """Return how things stand from the last columns of a row that `beside` asked for."""
    written, version, fitted_at, digest, seen_at = tuple(row)[-5:]
    facts, _, mark = written.partition(".")
    return Present(facts, mark, None if version is None else (version, fitted_at, digest), seen_at)
