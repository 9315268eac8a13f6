"""Emptying the outbox: one row after the other is taken, written, handed over, and noted.

Nothing of the database is held while a server is spoken to. A crash after the hand-over leaves the row leased; when the lease
ends it goes out again under the same Message-ID: twice at worst, never not at all.
"""

import datetime as dt
import logging
import threading
import traceback
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core import logs
from service.core.database import Database
from service.core.language import N_
from service.core.moments import utc_now
from service.mail import addresses, letters, mailboxes, outbox, webhooks
from service.mail.mail_kinds import ObsoleteError
from service.mail.mail_service import MailService
from service.mail.message import make_message
from service.mail.transport import PermanentError, TransientError
from service.tables import OutboxItem

Clock = Callable[[], dt.datetime]
EVERY = 5.0
"""Seconds between two looks into an empty outbox."""
TIDY_EVERY = 720
"""Looks between two tidyings of what the transport keeps: an hour."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Sent:
    """What one emptying of the outbox did: so many sent, put off, given up."""

    sent: int = 0
    put_off: int = 0
    failed: int = 0


def send_waiting(database: Database, mail_service: MailService, clock: Clock = utc_now, most: int = 1000) -> Sent:
    """Send what is due, at most so many; any number of processes may do so at once."""
    done = {"sent": 0, "put_off": 0, "failed": 0}
    for _number in range(most):
        how = send_one(database, mail_service, clock)
        if how is None:
            break
        done[how] += 1
    return Sent(**done)


def send_one(database: Database, mail_service: MailService, clock: Clock = utc_now) -> str | None:
    """Take the row that is due and send it; return what came of it, None where nothing is due."""
    taken = _take(database, mail_service, clock)
    if taken is None or isinstance(taken, str):
        return taken
    try:
        _go_out(database, mail_service, taken, clock)
    except TransientError as trouble:
        return _note(database, outbox.later, taken, clock, str(trouble))
    except (PermanentError, ObsoleteError, addresses.UnusableAddressError) as trouble:
        return _note(database, outbox.failed, taken, clock, str(trouble))
    except Exception as trouble:  # noqa: BLE001 - a mistake of ours in one mail must not hold up the others
        _log.error("outbox row %d could not be made: %s", taken.id, _where(trouble))
        return _note(database, outbox.later, taken, clock, type(trouble).__name__)
    with database.writing() as session:
        outbox.sent(session, taken, clock())
    return "sent"


def _take(database: Database, mail_service: MailService, clock: Clock) -> outbox.Taken | str | None:
    """Take the row that is due; return 'put_off' where it may not go out yet, None where nothing is due."""
    with database.reading() as session:
        if not outbox.is_due(session, clock()):
            return None
    with database.writing() as session:
        row = outbox.claim(session, clock(), mail_service.sender.domain)
        if row is None:
            return None
        held = mailboxes.hold(session, mail_service, row, clock())
        if held is not None:
            outbox.hold(row, held.until, held.words)
            return "put_off"
        return outbox.Taken(row.id, row.attempts)


def _go_out(database: Database, mail_service: MailService, taken: outbox.Taken, clock: Clock) -> None:
    with database.reading() as session:
        row = session.get(OutboxItem, taken.id)
        if row is None:
            raise ObsoleteError(N_("It was taken back."))
        mailboxes.check(session, row, clock())
        if row.channel == "webhook":
            call = webhooks.call_of(session, mail_service.secrets, row, clock())
        else:
            letter = letters.write(session, mail_service, row, clock())
    if row.channel == "webhook":
        mail_service.caller.send(call)
    else:
        mail_service.transport.send(letter, make_message(letter, clock()))


def _note(
    database: Database,
    how: Callable[[Session, outbox.Taken, dt.datetime, str], None],
    taken: outbox.Taken,
    clock: Clock,
    words: str,
) -> str:
    _log.warning("outbox row %d: attempt %d was in vain", taken.id, taken.attempts)
    with database.writing() as session:
        how(session, taken, clock(), words)
        row = session.get(OutboxItem, taken.id)
        return "failed" if row is not None and row.failed_at is not None else "put_off"


def _where(trouble: Exception) -> str:
    """Return what went wrong and where, without the error's own words: they may hold an address."""
    return f"{type(trouble).__name__}\n{''.join(traceback.format_tb(trouble.__traceback__))}"


def tidy(database: Database, mail_service: MailService) -> None:
    """Let the transport forget the mails whose rows are erased."""
    # Looked at before the rows are: what is written meanwhile has a row, and is not taken for one without.
    kept = mail_service.transport.kept()
    if kept:
        with database.reading() as session:
            known_ids = {ident.partition("@")[0] for ident in session.scalars(select(OutboxItem.message_id))}
        mail_service.transport.forget(kept - known_ids)


class Postman:
    """Empties the outbox for as long as a process serves, in a thread of its own: servers may be slow to answer."""

    def __init__(self, database: Database, mail_service: MailService, every: float = EVERY) -> None:
        self._database, self._mail_service, self._every = database, mail_service, every
        self._end = threading.Event()
        # A daemon: a server that hangs does not keep the process from ending; what was under way goes out later.
        self._thread = threading.Thread(target=self._run, name="postman", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, patience: float = 5.0) -> None:
        """Take no more rows, and wait so many seconds for what is under way."""
        self._end.set()
        self._thread.join(patience)

    def _run(self) -> None:
        looks = 0
        while not self._end.is_set():
            try:
                while not self._end.is_set() and send_one(self._database, self._mail_service) is not None:
                    pass
                if looks % TIDY_EVERY == 0:
                    tidy(self._database, self._mail_service)
            except logs.AWAY as trouble:
                logs.away(trouble)
            except Exception as trouble:  # noqa: BLE001 - the loop must outlive whatever befalls one look
                _log.error("the outbox could not be emptied: %s", _where(trouble))
            looks += 1
            self._end.wait(self._every)
