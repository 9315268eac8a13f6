"""Mail that anybody can have sent, by typing an address into a form: one goes to a mailbox until its reader has confirmed it.

The first mail carries the link that confirms; a button behind it does. A later one waits for that for a week, and the desk,
which sees it wait, can send it by hand. Beside the one that an enquiry causes goes one with the link to what is kept, since that
is everybody's right whether or not the other arrived. Whom staff composed a trial for is known to them, and needs to confirm
nothing. Mail to staff and dealers, who set their addresses themselves, is not held either.

Nothing here holds an address: all is kept under keyed digests (`address_keys`), of what spellings of one mailbox share.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import delete, exists, func, literal, or_, select, union_all
from sqlalchemy.orm import Session

from service.core import clock_watch, upsert
from service.core.language import N_
from service.core.limits import networks
from service.mail import address_keys, outbox, suppression
from service.mail.mail_kinds import ObsoleteError
from service.mail.mail_service import MailService
from service.tables import ConfirmedAddress, Contact, FirstMail, MailCount, OutboxItem

CAUSES: Mapping[str, str] = {"advice": "enquiry", "data_link": "data"}
"""The kinds of mail that anybody can have sent, with what causes them."""
CONFIRM = "confirm"
"""What the link is signed for."""
BY_HAND: Mapping[str, bool] = {"by_hand": True}
"""What a row holds that staff sent themselves."""
WAITS = dt.timedelta(days=7)
"""For so long a mail waits for its reader to confirm."""
ANEW = dt.timedelta(days=30)
"""After so long without a confirmation nothing is known of a mailbox any more, and one mail may go again."""
MOST_OF_DEALER, MOST_OF_CLIENT = 200, 100
"""Mails a day to mailboxes that nobody has confirmed, in a dealer's name of one cause and asked for from one address of the
network: several times what a busy shop has enquiries, all of which may come from its own tablets. Each cause of a dealer counts
by itself, so that a flood of links to their own data keeps no new customer waiting."""
AN_HOUR = dt.timedelta(hours=1)

UNCONFIRMED = N_(
    "Waits for its reader to confirm the address, by the link in the first mail; after a week it is given up. If you know "
    "that the address is theirs, send it now."
)
NOT_CONFIRMED = N_("Nobody confirmed the address within a week.")
MUCH = N_("Waits: unusually much mail to new addresses has gone out today.")


class Names(NamedTuple):
    """What an address is confirmed under, and what its mailbox is counted by."""

    address: str
    mailbox: str


@dataclass(frozen=True, slots=True)
class Held:
    """Why a mail does not go out yet, in the source's language, and when that is to be asked again."""

    words: str
    until: dt.datetime


def names(session: Session, address: str) -> Names:
    """Return what an address is known by here."""
    keys = address_keys.of(session)
    return Names(keys.confirmed(address), keys.mailbox(address))


def hold(session: Session, mail_service: MailService, row: OutboxItem, now: dt.datetime) -> Held | None:
    """Return why a row that was just taken may not go out yet, None where it may; which is noted in the same transaction."""
    if not _is_anybodys(row) or _is_closed(session, mail_service, row) or _has_waited(row, now):
        return None
    called = names(session, row.address)
    if _is_known(session, row.address, called):
        return None
    known = select(FirstMail).where(FirstMail.mailbox == called.mailbox, FirstMail.cause == CAUSES[row.kind])
    first = session.scalar(known.with_for_update())
    if first is not None and first.mail == _left(row):
        return None
    if first is not None and _is_recent(first, now) and not _has_failed(session, first):
        return Held(UNCONFIRMED, row.queued_at + WAITS)
    of_dealer = address_keys.of(session).of("dealer", f"{row.dealer or ''}:{CAUSES[row.kind]}")
    if not _counted(session, {of_dealer: MOST_OF_DEALER}, now):
        return Held(MUCH, min(now + AN_HOUR, row.queued_at + WAITS))
    return None if _note(session, first, called.mailbox, row, now) else Held(UNCONFIRMED, row.queued_at + WAITS)


def check(session: Session, row: OutboxItem, now: dt.datetime) -> None:
    """Raise `ObsoleteError` where a row has waited for its reader's confirmation in vain."""
    if _is_anybodys(row) and _has_waited(row, now):
        called = names(session, row.address)
        if not _is_known(session, row.address, called):
            raise ObsoleteError(NOT_CONFIRMED)


def _is_known(session: Session, address: str, called: Names) -> bool:
    """Say whether the reader confirmed an address, or staff made a trial for whom it belongs to."""
    if session.get(ConfirmedAddress, called.address) is not None:
        return True
    return bool(session.scalar(select(exists().where(func.lower(Contact.email) == address.lower()))))


def _is_anybodys(row: OutboxItem) -> bool:
    return row.kind in CAUSES and not BY_HAND.items() <= row.values.items()


def _has_waited(row: OutboxItem, now: dt.datetime) -> bool:
    """Say whether a row's time to wait is over; one that no sender looked at before was held by nothing, however old it is."""
    return now >= row.queued_at + WAITS and row.last_error in (UNCONFIRMED, MUCH)


def _is_closed(session: Session, mail_service: MailService, row: OutboxItem) -> bool:
    """Say whether no mail may go there anyway: whoever writes it says why."""
    try:
        suppression.check(session, mail_service, row)
    except ObsoleteError:
        return True
    return False


def _is_recent(first: FirstMail, now: dt.datetime) -> bool:
    """Say whether the one mail went so lately that no other may; a moment to come was written by a clock that was wrong."""
    return -clock_watch.TOLERANCE <= now - first.at < ANEW


def _has_failed(session: Session, first: FirstMail) -> bool:
    """Say whether the one mail was given up: nobody has it, so another may go in its place."""
    named = OutboxItem.message_id.startswith(first.mail, autoescape=True)
    return session.scalar(select(OutboxItem.failed_at).where(named)) is not None


def _left(row: OutboxItem) -> str:
    return row.message_id.partition("@")[0]


def _note(session: Session, first: FirstMail | None, mailbox: str, row: OutboxItem, now: dt.datetime) -> bool:
    """Note a mail as the one; return False where another was at the same moment."""
    if first is not None:
        first.mail, first.at = _left(row), now
        return True
    session.execute(delete(FirstMail).where(FirstMail.at < now - ANEW))
    return upsert.added(session, FirstMail(mailbox=mailbox, cause=CAUSES[row.kind], mail=_left(row), at=now))


# Counts a day


def may_ask(session: Session, client: str | None, now: dt.datetime | None = None) -> bool:
    """Count a mail that a client of the network asks for; return False, and count nothing, where it has asked for too many today."""
    if client is None:
        return True
    keys = address_keys.permanent(session)
    most = {keys.of("client", network): MOST_OF_CLIENT * share for network, share in networks(client)}
    return _counted(session, most, now or dt.datetime.now(dt.UTC))


def _counted(session: Session, most: Mapping[str, int], now: dt.datetime) -> bool:
    """Count one more for each of some, in one statement; return False, and count nothing, where one has as many as it may."""
    day = now.astimezone(dt.UTC).date()
    full = or_(*((MailCount.of == counter) & (MailCount.count >= number) for counter, number in most.items()))
    room = ~exists().where(MailCount.day == day, full)
    more = union_all(*(select(literal(counter), literal(day), literal(1)).where(room) for counter in most))
    insert = upsert.into(session, MailCount).from_select(["of", "day", "count"], more)
    added = insert.on_conflict_do_update(index_elements=["of", "day"], set_={"count": MailCount.count + 1})
    return session.execute(added.returning(MailCount.of)).first() is not None


def drop_counts(session: Session, now: dt.datetime) -> None:
    """Forget the counts of days before yesterday."""
    session.execute(delete(MailCount).where(MailCount.day < now.astimezone(dt.UTC).date() - dt.timedelta(days=1)))


# The link that confirms


def path(session: Session, mail_service: MailService, row: OutboxItem) -> str | None:
    """Return where the reader of a mail confirms the address; None where that was done, or the mail is not a player's."""
    if row.kind not in CAUSES and not mail_service.kinds[row.kind].agreed:
        return None
    called = names(session, row.address)
    if _is_known(session, row.address, called):
        return None
    return f"/mail/confirm/{mail_service.signer.make(CONFIRM, '.'.join(called))}"


def read(mail_service: MailService, token: str) -> Names | None:
    """Return what a link confirms, None for any other text."""
    address, dot, mailbox = (mail_service.signer.read(CONFIRM, token) or "").partition(".")
    return Names(address, mailbox) if dot else None


def confirm(session: Session, address: str, mailbox: str, now: dt.datetime) -> None:
    """Take an address as confirmed by its reader, and let what waited for that go out; a repeat changes nothing."""
    is_new = session.get(ConfirmedAddress, address) is None
    if is_new and upsert.added(session, ConfirmedAddress(digest=address, at=now)):
        outbox.release(session, mailbox, now)


def confirmed_at(session: Session, address: str) -> dt.datetime | None:
    """Return when the reader confirmed an address, None where nobody did."""
    row = session.get(ConfirmedAddress, names(session, address).address)
    return row.at if row is not None else None


def forget(session: Session, address: str) -> None:
    """Forget that an address was confirmed and written to: its reader is erased. The day's counts stay, and are nobody's."""
    called = names(session, address)
    session.execute(delete(ConfirmedAddress).where(ConfirmedAddress.digest == called.address))
    session.execute(delete(FirstMail).where(FirstMail.mailbox == called.mailbox))
