"""From a row of the outbox to a letter: its texts in the reader's language, text and HTML from one source."""

import datetime as dt
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core import language
from service.mail import addresses, mailboxes, markup, suppression
from service.mail.mail_kinds import MailKind
from service.mail.mail_service import MailService
from service.mail.message import Letter
from service.tables import Dealer, Door, OutboxItem


def write(session: Session, mail_service: MailService, row: OutboxItem, now: dt.datetime) -> Letter:
    """Return the letter of a row; raises `ObsoleteError` where its reason is gone or nobody wants it, `UnusableAddressError`."""
    spoken = language.known(row.language) or language.SOURCE
    # What is wrong is said to the desk, not to the reader: in the source's language until it is shown.
    suppression.check(session, mail_service, row)
    kind, recipient, dealer = mail_service.kinds[row.kind], addresses.parse(row.address), _dealer(session, row.dealer)
    with language.using(spoken):
        reply_to = _reply_to(dealer["notify"]) if kind.agreed else None
        unsubscribe = mail_service.base + suppression.path(session, mail_service, row) if kind.agreed else None
        values = (
            {"own_data": None} | kind.values(session, row) | dealer | kind.links(session, mail_service.signer, row, now)
        )
        values |= {"base": mail_service.base, "unsubscribe": unsubscribe, "can_answer": reply_to is not None}
        values["confirm"] = mailboxes.path(session, mail_service, row)
        subject = " ".join(_text(mail_service, kind, "subject", values).split())
        blocks = markup.parse(_text(mail_service, kind, "body", values))
        return Letter(
            to=recipient,
            sender=mail_service.sender,
            subject=subject,
            text=markup.to_text(blocks),
            html=markup.to_html(mail_service.pages, subject, spoken, blocks),
            language=spoken,
            message_id=row.message_id,
            sender_name=dealer["dealer"] or None,
            reply_to=reply_to,
            unsubscribe=unsubscribe,
            calendar=kind.calendar(session, row, str(reply_to or mail_service.sender)),
        )


def _text(mail_service: MailService, kind: MailKind, part: str, values: dict[str, Any]) -> str:
    return mail_service.templates.get_template(f"{kind.texts}/{part}.txt").render(values)


def _dealer(session: Session, slug: str | None) -> dict[str, Any]:
    """Return what mails say of a dealer: its name, how to book, and where answers go."""
    row = session.execute(
        select(Dealer.name, Door.booking, Door.notify)
        .outerjoin(Door, Door.dealer == Dealer.slug)
        .where(Dealer.slug == slug)
    ).one_or_none()
    name, booking, notify = row or ("", None, None)
    booking = (booking or "").strip()
    is_link = booking.startswith("https://") and len(booking.split()) == 1
    return {"dealer": name, "booking": booking, "booking_is_link": is_link, "notify": notify}


def _reply_to(notify: str | None) -> addresses.Address | None:
    try:
        return addresses.parse(notify) if notify else None
    except addresses.UnusableAddressError:
        return None
