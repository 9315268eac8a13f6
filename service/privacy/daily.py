"""The thread that sees to retention for as long as a process serves, and each hour to the forms that were kept for one."""

import datetime as dt
import logging
import threading

from service.core import audit, audit_events
from service.core.database import Database
from service.mail import mailboxes
from service.privacy import remains
from service.privacy.retention import sweep_if_due
from service.web import kept_forms

LOOK_EVERY = 3600.0
"""Seconds between two looks whether the day's sweep is due."""
FIRST_LOOK = 60.0
"""Seconds from the start: a service that has just come up has other things to do."""
_log = logging.getLogger(__name__)


class RetentionWorker:
    """Looks every hour whether the day's sweep is due, and does it where no other process has; kept forms go in any case."""

    def __init__(self, database: Database, first: float = FIRST_LOOK, every: float = LOOK_EVERY) -> None:
        self._database, self._first, self._every = database, first, every
        self._end = threading.Event()
        # A daemon: it does not keep the process from ending; each person is erased whole or not at all.
        self._thread = threading.Thread(target=self._run, name="retention", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, patience: float = 5.0) -> None:
        """Look no more, and wait so many seconds for what is under way."""
        self._end.set()
        self._thread.join(patience)

    def _run(self) -> None:
        wait = self._first
        while not self._end.wait(wait):
            wait = self._every
            try:
                now = dt.datetime.now(dt.UTC)
                # At worst, under a wrong clock, something is typed once more, or one mail more goes to a new address.
                with self._database.writing() as session:
                    mailboxes.drop_counts(session, now)
                    if kept_forms.drop_spent(session, now):
                        remains.note(session)
                remains.clear(self._database, dt.datetime.now(dt.UTC))
                with audit.written_by(audit_events.SERVICE):
                    swept = sweep_if_due(self._database, dt.datetime.now(dt.UTC))
            except Exception as trouble:  # noqa: BLE001 - the database may be away for a while; the loop must outlive that
                # Without the error's own words: they may hold what it was about.
                _log.error("retention did not run: %s", type(trouble).__name__)
            else:
                if swept is not None:
                    _log.info("retention: %s", swept.counts())
