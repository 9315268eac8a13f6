"""The outbox as the desk sees it: what waits, what went out, what failed and with which words, and what is done about it."""

import datetime as dt
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from email import policy
from email.message import EmailMessage
from email.parser import Parser
from functools import reduce
from operator import add
from typing import Any, Literal

from sqlalchemy import ColumnElement, Select, func, select, union_all
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from service.core import audit, audit_events, paging, times
from service.core.errors import ConflictError, NotFoundError, existing
from service.core.language import N_, _
from service.core.paging import ALL, Leaf, ListWanted
from service.core.scopes import OneDealer
from service.mail import address_keys, mailboxes, suppression
from service.mail.mail_service import MailService
from service.tables import OutboxItem

EVENT_WORDS = {
    "enquiry_event": N_("message on an enquiry"),
    "outcome_event": N_("message on an outcome"),
    "reopened_event": N_("message on a trial opened again"),
}
"""What is told to a dealer's own system, by its kind; mails have their names of `MailService.kinds`."""
STATES = ("waiting", "failed", "sent")
_MOMENTS = {"waiting": OutboxItem.due_at, "failed": OutboxItem.failed_at, "sent": OutboxItem.sent_at}
"""By state the moment that is shown, and that the list is in the order of."""
_FOR_THE_READER = re.compile(r"/(?:data|erase|mail/[a-z-]+|desk/password|play)/[^\s<>\"')]+")
"""Links that do something in the reader's name, in mails that are shown."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing on its way or gone; ``state``: waiting, failed or sent; ``at`` is the moment of the latter two, and when a waiting one is due."""

    id: int
    kind: str  # in words
    address: str
    state: str
    at: dt.datetime
    attempts: int
    words: str  # what the server said last, empty where nothing went wrong
    closed: str | None  # why no mail goes to the address, None where it does
    is_mail: bool
    may_resend: bool
    has_text: bool


@dataclass(frozen=True, slots=True)
class Text:
    """A mail as it was written to the folder: its headers, its plain text and its HTML.

    Links that do something in the reader's name are left out, whoever looks: what staff may do has its place at the desk.
    """

    title: str
    headers: tuple[tuple[str, str], ...]
    text: str
    html: str


def counts(session: Session, whose: OneDealer) -> dict[str, int]:
    """Return how many there are in each state."""
    found = session.execute(select(*(_counted(whose, _in(state)) for state in STATES))).one()
    return dict(zip(STATES, found, strict=True))


def _counted(whose: OneDealer, *conditions: ColumnElement[bool]) -> ColumnElement[int]:
    """Return how many meet the conditions: the dealer's and those of nobody each by themselves, for so an index tells it."""
    counted = (
        select(func.count()).select_from(OutboxItem).where(of, *conditions).scalar_subquery() for of in _of(whose)
    )
    return reduce(add, counted)


def listing(
    session: Session,
    mail_service: MailService,
    whose: OneDealer,
    state: str,
    *,
    after: str = "",
    wanted: ListWanted = ALL,
    count: int | None = None,
) -> Leaf[Item]:
    """Return a page: what waits by when it is due, else the newest first; the other way where that is wanted; ``count``: how many, where counted already."""
    moment, rising = _MOMENTS[state], (state == "waiting") != wanted.oldest
    theirs = (_in(state), *_narrowed(session, wanted, moment))
    mark = paging.read(after, dt.datetime, int)

    def first(of: Any, *conditions: ColumnElement[bool]) -> Select[Any]:
        order = (getattr(of, moment.key), of.id)
        found = select(of).where(paging.beyond(order, mark, rising=rising), *conditions)
        return found.order_by(*(column if rising else column.desc() for column in order)).limit(wanted.most + 1)

    each = union_all(*(select(first(OutboxItem, of, *theirs).subquery()) for of in _of(whose)))
    rows = session.scalars(first(aliased(OutboxItem, each.subquery()))).all()
    all_of_them = session.scalar(select(_counted(whose, *theirs))) or 0 if count is None else count
    page = paging.leaf(rows, all_of_them, lambda row: (getattr(row, moment.key), row.id), wanted.most)
    closed = suppression.closed(
        session, mail_service, [(row.dealer or whose.slug, row.address) for row in page.rows if row.channel == "mail"]
    )
    return page.of(_item(mail_service, row, closed.get((row.dealer or whose.slug, row.address))) for row in page.rows)


def _narrowed(
    session: Session, wanted: ListWanted, moment: InstrumentedAttribute[Any]
) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that mail is narrowed by; ``to``: a whole address, however it is spelled."""
    if kind := wanted.value("kind"):
        yield OutboxItem.kind == kind
    if to := wanted.value("to"):
        yield OutboxItem.mailbox == address_keys.permanent(session).mailbox(to)
    yield from wanted.within(moment)


def _of(whose: OneDealer) -> list[ColumnElement[bool]]:
    return [OutboxItem.dealer == whose.slug, *([OutboxItem.dealer.is_(None)] if whose.unassigned else [])]


def _in(state: str) -> ColumnElement[bool]:
    return {
        "waiting": OutboxItem.sent_at.is_(None) & OutboxItem.failed_at.is_(None),
        "failed": OutboxItem.failed_at.is_not(None),
        "sent": OutboxItem.sent_at.is_not(None),
    }[state]


def _item(mail_service: MailService, row: OutboxItem, why_closed: str | None) -> Item:
    is_mail = row.channel == "mail"
    why_closed = why_closed if is_mail else None
    state = "sent" if row.sent_at else "failed" if row.failed_at else "waiting"
    kind = _(mail_service.kinds[row.kind].name if is_mail else EVENT_WORDS[row.kind])
    at, words = row.sent_at or row.failed_at or row.due_at, _(row.last_error) if row.last_error else ""
    in_folder = state == "sent" and mail_service.folder is not None
    has_text = in_folder and is_mail and not mail_service.kinds[row.kind].secret
    may_resend = _obstacle(mail_service, row, why_closed) is None
    going = (row.id, kind, row.address, state, at, row.attempts, words)
    return Item(*going, why_closed, is_mail, may_resend, has_text)


def _obstacle(mail_service: MailService, row: OutboxItem, why_closed: str | None) -> str | None:
    """Return why a row cannot be sent again by hand, None where it can."""
    if row.kind == "password" and "secret" not in row.values:
        return _("A link to set a password is not kept once it is sent; make a new one.")
    if why_closed == suppression.BOUNCED:
        return _("This address is marked as bouncing; let mail go there again first.")
    if why_closed == suppression.UNSUBSCRIBED and mail_service.kinds[row.kind].agreed:
        return _("The reader wants no more mail; it takes a new consent first.")
    return None


def _row(session: Session, whose: OneDealer, ident: int) -> OutboxItem:
    mine = select(OutboxItem).where(OutboxItem.id == ident, whose.holds(OutboxItem.dealer))
    return existing(session.scalar(mine.with_for_update()))


def text(session: Session, mail_service: MailService, whose: OneDealer, ident: int) -> Text:
    """Return a mail from the folder; raises `NotFoundError` where there is none."""
    row = session.scalar(select(OutboxItem).where(OutboxItem.id == ident, whose.holds(OutboxItem.dealer)))
    readable = row is not None and row.kind in mail_service.kinds and not mail_service.kinds[row.kind].secret
    source = mail_service.folder.read(row.message_id) if row is not None and readable and mail_service.folder else None
    if row is None or source is None:
        raise NotFoundError
    message = Parser(policy=policy.default).parsestr(source)
    names = ("From", "To", "Reply-To", "Subject", "Date")
    return Text(
        title=_(mail_service.kinds[row.kind].name),
        headers=tuple((name, _header(message, name)) for name in names if message[name]),
        text=_shown(message, "plain"),
        html=_shown(message, "html"),
    )


def _header(message: EmailMessage, name: str) -> str:
    return times.moment(message[name].datetime) if name == "Date" else str(message[name])


def _shown(message: EmailMessage, kind: Literal["plain", "html"]) -> str:
    part = message.get_body((kind,))
    text = part.get_content() if part is not None else ""
    return _FOR_THE_READER.sub(_("/[for the reader only]"), text)


def resend(session: Session, mail_service: MailService, user: int, whose: OneDealer, ident: int) -> None:
    """Send something again, or a waiting one now; raises `NotFoundError`, or `ConflictError` with the obstacle."""
    row = _row(session, whose, ident)
    why_closed = (
        suppression.is_closed(session, mail_service, row.dealer or whose.slug, row.address)
        if row.channel == "mail"
        else None
    )
    obstacle = _obstacle(mail_service, row, why_closed)
    if obstacle:
        raise ConflictError(obstacle)
    if row.sent_at is not None:
        row.message_id = secrets.token_hex(16)  # a new mail: servers would drop one of the same number as a repeat
    row.sent_at = row.failed_at = None
    row.values = {**row.values, **mailboxes.BY_HAND}  # staff answer for it that the address is its reader's
    row.due_at, row.attempts = dt.datetime.now(dt.UTC), 0
    audit.record(session, user, audit_events.SENT_AGAIN, f"outbox {row.id}", dealer=whose.slug, kind=row.kind)


def bounced(session: Session, mail_service: MailService, user: int, whose: OneDealer, ident: int) -> str:
    """Mark the address of a mail as bouncing, so that no more goes there, and return it; raises `NotFoundError`."""
    row = _row(session, whose, ident)
    if row.channel != "mail":
        raise NotFoundError
    suppression.mark_bounced(session, mail_service, user, row.dealer or whose.slug, row.address)
    return row.address
