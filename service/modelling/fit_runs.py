"""A fit that was asked for, at the desk or by the command: in a process of its own, one at a time, and what became of it.

The row of `Duty` named `FIT` tells of the latest. The process says every few seconds that it is at work; one that has not for
`STALE` is gone, whatever ended it.
"""

import datetime as dt
import logging
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from threading import Event, Thread
from typing import Any

from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from service.core import audit, audit_events, tokens
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.language import N_, _
from service.core.moments import now
from service.modelling import fits
from service.tables import Duty, User

FIT = "fit"
BEAT, STALE = dt.timedelta(seconds=5), dt.timedelta(seconds=60)
ENDED = N_("Its process was ended from outside, perhaps for want of memory or by a restart. The version in use stays.")
BROKEN = N_("Something went wrong in it; the service’s log says what. The version in use stays.")
Launch = Callable[[Database, str], None]


@dataclass(frozen=True, slots=True)
class FitRun:
    """The latest fit asked for. ``by``: whose account, None where it is gone or a command asked; ``failed``: why there is no version; ``done`` of ``steps``."""

    begun_at: dt.datetime
    ended_at: dt.datetime | None
    by: str | None
    done: int
    steps: int
    version: int | None
    adopted: bool
    failed: str

    @property
    def goes_on(self) -> bool:
        """Whether it is at work."""
        return self.ended_at is None


def latest(session: Session) -> FitRun | None:
    """Return the latest fit asked for, None before the first; one whose process is gone has failed."""
    row = session.get(Duty, FIT)
    if row is None:
        return None
    told, gone = row.counts, row.ended_at is None and not _at_work(row)
    user = session.get(User, told["user"]) if told["user"] is not None else None
    return FitRun(
        begun_at=row.begun_at,
        ended_at=dt.datetime.fromisoformat(told["seen"]) if gone else row.ended_at,
        by=user.email if user else None,
        done=told.get("done", 0),
        steps=told.get("steps", 0),
        version=told.get("version"),
        adopted=told.get("adopted", False),
        failed=_(ENDED) if gone else _(told.get("failed", "")) if told.get("failed") else "",
    )


def _at_work(row: Duty) -> bool:
    return abs(now() - dt.datetime.fromisoformat(row.counts["seen"])) < STALE


def begin(session: Session, user: int | None) -> str:
    """Take down that a fit is asked for and return the token it is known by; raises `ConflictError` where one goes on.

    ``user``: one of the staff; None: a command, which no record tells of.
    """
    already = _("A fit is going on already; wait for its end.")
    row = session.get(Duty, FIT, with_for_update=True, populate_existing=True)
    if row is not None and row.ended_at is None and _at_work(row):
        raise ConflictError(already)
    token = tokens.secret()
    told = {"user": user, "token": tokens.digest(token), "seen": now().isoformat()}
    try:
        with session.begin_nested():
            if row is None:
                session.add(Duty(name=FIT, begun_at=now(), counts=told))
            else:
                row.begun_at, row.ended_at, row.counts = now(), None, told
            session.flush()
    except IntegrityError:
        raise ConflictError(already) from None
    if user is not None:
        audit.record(session, user, audit_events.FIT_ASKED, "model", dealer=None)
    return token


def _tell(database: Database, token: str, *, ends: bool = False, **told: Any) -> None:
    """Take down how the fit of a token stands; of one that has ended, or after which another was asked for, nothing."""
    with database.writing() as session:
        row = session.get(Duty, FIT, with_for_update=True, populate_existing=True)
        if row is not None and row.counts.get("token") == tokens.digest(token) and row.ended_at is None:
            row.counts = row.counts | {"seen": now().isoformat()} | told
            row.ended_at = now() if ends else None


def run(database: Database, token: str | None, watch: fits.Progress | None = None) -> fits.FitResult:
    """Do the fit of a token, None: one of a command's own; take down while it goes on that it does, and at last what became of it.

    Raises `ConflictError` where another goes on, or nothing can be fitted.
    """
    if token is None:
        with database.writing() as session:
            token = begin(session, None)
    return _done(database, token, watch)


def _done(database: Database, token: str, watch: fits.Progress | None) -> fits.FitResult:
    over = Event()
    steps: dict[str, Any] = {"done": 0, "steps": 0}

    def beat() -> None:
        while not over.wait(BEAT.total_seconds()):
            try:
                _tell(database, token, **steps)
            except DBAPIError as away:  # the fit may well go on; the next beat says so
                logging.getLogger(__name__).warning("fit: how it stands cannot be taken down: %s", type(away).__name__)

    def progress(done: int, all_steps: int) -> None:
        steps.update(done=done, steps=all_steps)
        if watch:
            watch(done, all_steps)

    beating = Thread(target=beat, daemon=True)
    beating.start()
    try:
        result = fits.fit(database, progress)
    except ConflictError as refused:
        _tell(database, token, ends=True, failed=str(refused))
        raise
    except Exception:
        _tell(database, token, ends=True, failed=BROKEN)
        raise
    except BaseException:  # whoever began it at a terminal ended it there
        _tell(database, token, ends=True, failed=ENDED)
        raise
    finally:
        over.set()
        beating.join()
    _tell(database, token, ends=True, version=result.version_id, adopted=result.adopted)
    return result


def launcher(
    environment: Mapping[str, str], command: Sequence[str] = (sys.executable, "-m", "service", "fit")
) -> Launch:
    """Return what starts the process of a fit; it outlives the request, and the service if that ends."""
    # Its token goes by the environment: a command's words are seen by everybody on the machine.

    def launch(database: Database, token: str) -> None:
        nowhere, own = subprocess.DEVNULL, {**environment, TOKEN: token}
        # What goes wrong in it is told where the service tells what goes wrong: nobody else would read it.
        process = subprocess.Popen(  # noqa: S603 - words of our own
            command, env=own, stdin=nowhere, stdout=nowhere, start_new_session=True
        )

        def wait() -> None:
            process.wait()
            _tell(database, token, ends=True, failed=ENDED)

        Thread(target=wait, daemon=True).start()

    return launch


TOKEN = "FIT_TOKEN"  # noqa: S105 - a name, no secret
"""In the environment of a fit that was asked for at the desk: what it is known by."""
