"""The thread that finishes what a killed load has left, for as long as a process serves."""

import logging
import threading

from service.core.database import Database
from service.inventory.files import finish

LOOK_SECONDS = 60.0
_log = logging.getLogger(__name__)


class Finisher:
    """Looks every minute whether a killed load has left something to be finished."""

    def __init__(self, database: Database, every: float = LOOK_SECONDS) -> None:
        self._database, self._every, self._end = database, every, threading.Event()
        self._thread = threading.Thread(target=self._run, name="loads", daemon=True)
        self.start = self._thread.start

    def stop(self, patience: float = 5.0) -> None:
        """Look no more, and wait so many seconds for the step under way."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join(patience)

    def _run(self) -> None:
        while not self._end.wait(self._every):
            try:
                finish(self._database, self._end)
            except Exception as trouble:  # noqa: BLE001 - the database may be away for a while; the loop must outlive that
                _log.error("a load could not be finished: %s", type(trouble).__name__)
