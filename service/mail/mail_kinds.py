"""Kinds of mail: what a room says of each mail that it sends. The wiring gathers them; nothing here knows a room."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.core.signed_links import Signer
from service.tables import OutboxItem

Values = dict[str, Any]


class ObsoleteError(Exception):
    """The reason for the mail is gone; the text is one sentence for the desk, translated where it is shown."""


def no_links(_session: Session, _signer: Signer, _row: OutboxItem, _now: dt.datetime) -> Values:
    """Return no signed links: most mails have none of their own."""
    return {}


def no_calendar(_session: Session, _row: OutboxItem, _organizer: str) -> bytes | None:
    """Return no file for the reader's calendar: most mails set no day."""
    return None


@dataclass(frozen=True, slots=True)
class MailKind:
    """One kind of mail.

    ``values``: what it tells, read from the database when it goes out: so it says what is true then, not when it was queued.
    ``calendar``: the day that it sets, as a file for the reader's calendar (RFC 5545); told whose address sets it. ``links``:
    its signed links; ``own_data`` leads to what is kept of its reader.
    """

    texts: str  # the folder of its subject and body below `templates/`
    name: str  # what the desk calls it, as English source
    values: Callable[[Session, OutboxItem], Values]
    agreed: bool = False  # it goes only to whoever agreed to mail, and can be ended by its reader
    secret: bool = False  # the desk does not show its text, since whoever reads its link can use it in another's place
    calendar: Callable[[Session, OutboxItem, str], bytes | None] = no_calendar
    links: Callable[[Session, Signer, OutboxItem, dt.datetime], Values] = no_links
