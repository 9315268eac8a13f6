"""Whether the clock stands before the last sign of work: what is written meanwhile is marked, since its moments are wrong.

The mark is set at the insert itself, so that nobody has to guess afterwards which rows of those days were written then.
`service.privacy.clock` notes the signs of work, and dates what is marked once the clock is believed again.
"""

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.tables import Duty

WATCH = "clock"
"""The duty whose row says when the service was last seen at work under a clock that was believed."""
TOLERANCE = dt.timedelta(hours=1)
"""So far a moment may lie in the future: machines that share a database differ by less."""
BEHIND = TOLERANCE
"""So far the clock may stand before the last sign of work, and a moment in the future: a clock is set back by less."""


def is_behind(session: Session, now: dt.datetime) -> bool:
    """Say whether ``now`` lies before the last noted sign of work; False where none is noted yet."""
    return lies_behind(session.scalar(select(Duty.begun_at).where(Duty.name == WATCH)), now)


def lies_behind(noted: dt.datetime | None, now: dt.datetime) -> bool:
    """Say whether ``now`` lies before a sign of work; None: none is noted yet."""
    return noted is not None and noted - now > BEHIND
