"""A new version is made ready in a thread beside the requests; until it is, the version before answers them."""

import logging
from collections.abc import Callable
from threading import Lock, Thread

from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.core.database import reader_beside

_log = logging.getLogger(__name__)


class Aside:
    """What one process makes ready, one thing at a time. Safe to share between threads."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._at_work: tuple[str, Thread] | None = None

    def begins(self, key: str, session: Session, make: Callable[[Session], None]) -> bool:
        """Have ``make`` called with a reading session of its own, once for a key at a time; False where the session gives no way to."""
        bind = session.get_bind()
        with self._lock:
            if self._at_work and self._at_work[1].is_alive():
                return True  # one after the other: the next request begins what is still wanted
            if not isinstance(bind, Engine):
                return False
            thread = Thread(target=self._run, args=(reader_beside(bind), make), daemon=True)
            self._at_work = key, thread
            thread.start()
        return True

    def is_at(self, key: str) -> bool:
        """Say whether this is being made ready."""
        at_work = self._at_work
        return at_work is not None and at_work[0] == key and at_work[1].is_alive()

    def wait(self) -> None:
        """Wait until nothing is being made ready."""
        if self._at_work:
            self._at_work[1].join()

    @staticmethod
    def _run(engine: Engine, make: Callable[[Session], None]) -> None:
        try:
            with Session(engine) as session:
                make(session)
        except (ValueError, SQLAlchemyError):  # the request that needs the version meets it too, and says it
            _log.warning("a version of the model could not be made ready aside", exc_info=True)
