"""Mails with the links to one's own data: each goes to whoever asked for it."""

from collections.abc import Mapping

from sqlalchemy.orm import Session

from service.core.language import N_
from service.mail import outbox
from service.mail.addresses import greeting_name
from service.mail.mail_kinds import MailKind, Values
from service.mail.outbox import To
from service.tables import OutboxItem


def send_data_link(session: Session, to: To, name: str | None, path: str, about: str) -> None:
    """Queue the link to one's own data, to whoever asked for it; ``about``: one for each asking."""
    outbox.queue(session, "data_link", about, to, {"name": name, "path": path})


def send_erasure_link(session: Session, to: To, name: str | None, path: str, about: str) -> None:
    """Queue the link that erases one's data, to whoever asked for it; ``about``: one for each asking."""
    outbox.queue(session, "erasure_link", about, to, {"name": name, "path": path})


def _link(_session: Session, row: OutboxItem) -> Values:
    return {"name": greeting_name(row.values.get("name")), "path": row.values["path"]}


KINDS: Mapping[str, MailKind] = {
    "data_link": MailKind("privacy/mail/data_link", N_("link to one’s data"), _link, secret=True),
    "erasure_link": MailKind("privacy/mail/erasure_link", N_("link to erase one’s data"), _link, secret=True),
}
"""What is sent about one's own data; the texts lie in ``templates/privacy/mail/KIND``."""
