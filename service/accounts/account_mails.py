"""Mails to the staff about their accounts: each function queues one, in the transaction of the use case that calls it."""

import datetime as dt
import secrets
from collections.abc import Mapping
from contextlib import suppress

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core import times
from service.core.language import N_, _
from service.mail import addresses, outbox
from service.mail.addresses import greeting_name
from service.mail.mail_kinds import MailKind, ObsoleteError, Values
from service.mail.outbox import To
from service.tables import OutboxItem, User


def password(session: Session, user: User, path: str, about: str) -> None:
    """Queue the one-time link by which one of the staff sets the password; it is dropped from the outbox once it has gone."""
    _to_user(session, "password", user, about, {"secret": path})


def reset_link(session: Session, user: User, path: str, about: str) -> None:
    """Queue the one-time link that one of the staff asked for at the sign-in."""
    _to_user(session, "reset_link", user, about, {"secret": path})


def account_notice(session: Session, user: User, what: str, *, once: str | None = None) -> None:
    """Tell one of the staff what happened to the account: one of `ACCOUNT_NEWS`; of those with one ``once`` one goes out."""
    key = f"{user.id}:{what}:{once or secrets.token_hex(8)}"
    _to_user(session, "account_notice", user, key, {"what": what, "at": dt.datetime.now(dt.UTC).isoformat()})


def _to_user(session: Session, kind: str, user: User, about: str, values: dict[str, object]) -> None:
    # An account's name need not be an address that mail can be sent to.
    with suppress(addresses.UnusableAddressError):
        addresses.parse(user.email)
        outbox.queue(session, kind, about, To(user.email, user.language or "en", user.dealer), values)


ACCOUNT_NEWS: Mapping[str, str] = {
    "password": N_("The password of your account has been changed."),
    "factor_set": N_("A second factor has been set up: signing in now asks for a code of an app, too."),
    "factor_replaced": N_(
        "Another app has been set up as the second factor; the one before gives no valid codes any more."
    ),
    "factor_removed": N_("The second factor has been removed: the password alone now opens your account."),
    "factor_reset": N_(
        "Whoever runs the service has removed the second factor of your account, so that you can set up another."
    ),
    "codes_made": N_("New recovery codes have been made; the earlier ones open nothing any more."),
    "code_used": N_("A recovery code has been used in place of a code of the app."),
    "codes_tried": N_("Somebody gave your password and then several wrong codes. Nobody was let in."),
}
"""What is told to one of the staff about the account, by its code."""


def _account_notice(session: Session, row: OutboxItem) -> Values:
    user = session.scalar(select(User).where(User.email == row.address))
    what, moment = str(row.values["what"]), dt.datetime.fromisoformat(row.values["at"])
    news = ACCOUNT_NEWS[what]
    return {
        "name": greeting_name(user.name if user else None),
        "news": _(news),
        "at": times.moment(moment),
        "tried": what == "codes_tried",
    }


def _password(session: Session, row: OutboxItem) -> Values:
    if "secret" not in row.values:
        raise ObsoleteError(N_("The link has been sent and is not kept; make a new one."))
    user = session.scalar(select(User).where(User.email == row.address))
    return {"name": greeting_name(user.name if user else None), "path": row.values["secret"]}


KINDS: Mapping[str, MailKind] = {
    "password": MailKind("accounts/mail/password", N_("link to set a password"), _password, secret=True),
    "reset_link": MailKind("accounts/mail/reset_link", N_("link for a forgotten password"), _password, secret=True),
    "account_notice": MailKind("accounts/mail/account_notice", N_("notice to an account"), _account_notice),
}
"""What accounts send; the texts lie in ``templates/accounts/mail/KIND``."""
