"""Every mail by its name: each function queues one, in the transaction of the use case that calls it.

What a mail tells stands in `contents`, its words in ``templates/mail/NAME``. Nothing is queued for who has not agreed.
"""

import datetime as dt
import secrets
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service.mail import addresses, mailboxes, outbox, webhooks
from service.mail.outbox import To
from service.mail.suppression import agreed_in
from service.tables import Composition, Contact, Dealer, Door, Enquiry, OutboxItem, Trial, User

STILL_RIGHT_AFTER = dt.timedelta(days=42)
"""When, after a bow was kept, it is asked whether it is still the right one: once a player knows it (a judgement)."""
BEFORE = dt.timedelta(days=1)
BY_ITSELF = dt.timedelta(days=1)
"""So long after a trial its mail waits for what was kept to be recorded."""
MOST_NOTICES = 300
"""So many notices of a kind go to a dealer's mailbox in a day; the desk, and messages to the dealer's own system, tell of all.
Several times what a busy shop has, and an end to a flood of made-up enquiries."""
MORNING = dt.time(8, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class Shop:
    """A dealer who is told of what happens, and the language of what is told; None: none is known."""

    dealer: str
    language: str | None


def enquiry(session: Session, enquiry: Enquiry, shop: Shop | None, client: str | None = None) -> None:
    """Queue all that follows from a new enquiry, in as few statements as it takes: to the player, and to its dealer.

    ``client``: which address of the network it was asked from, so that none has mail sent to all the world; None: a dealer's
    own server.
    """
    to = _player_of_enquiry(enquiry, shop.dealer if shop else None)
    told = _told_before(session, to, shop.dealer if shop else None)
    going = []
    if to is not None and told.advices < outbox.MOST_A_DAY and mailboxes.may_ask(session, client):
        going.append(outbox.going(session, "advice", enquiry.id, to))
    if shop is not None:
        going += _to_shop(session, enquiry, shop, told)
    outbox.add(session, going)


def advice(session: Session, enquiry: Enquiry, client: str | None = None) -> None:
    """Queue the shortlist with a link back to it, to a player who agreed to mail; see `enquiry`."""
    to = _player_of_enquiry(enquiry, dealer_of(session, enquiry))
    if to is not None and not outbox.too_many(session, "advice", to) and mailboxes.may_ask(session, client):
        outbox.add(session, [outbox.going(session, "advice", enquiry.id, to)])


def enquiry_notice(session: Session, enquiry: Enquiry) -> None:
    """Tell the dealer of a new enquiry, by mail and in its own system."""
    dealer = dealer_of(session, enquiry)
    if dealer is not None:
        shop = Shop(dealer, session.scalar(select(Dealer.language).where(Dealer.slug == dealer)))
        outbox.add(session, _to_shop(session, enquiry, shop, _told_before(session, None, dealer)))


@dataclass(frozen=True, slots=True)
class _Told:
    """Where a dealer is told of things, and how many mails of today's went to the player and to the dealer already."""

    notify: str | None = None
    webhook: str | None = None
    advices: int = 0
    notices: int = 0


def _told_before(session: Session, to: To | None, dealer: str | None) -> _Told:
    """Return it all in one statement; ``to``: the player, None: no mail goes there."""
    if to is None and dealer is None:
        return _Told()
    notify = select(Door.notify).where(Door.dealer == dealer).scalar_subquery()
    notices = outbox.of_today("enquiry_notice").where(OutboxItem.dealer == dealer, OutboxItem.address == notify)
    advices = outbox.of_today("advice").where(OutboxItem.mailbox == (outbox.mailbox_of(session, to) if to else None))
    webhook = select(Door.webhook).where(Door.dealer == dealer).scalar_subquery()
    return _Told(*session.execute(select(notify, webhook, advices.scalar_subquery(), notices.scalar_subquery())).one())


def _to_shop(session: Session, enquiry: Enquiry, shop: Shop, told: _Told) -> list[dict[str, Any]]:
    going = []
    if told.notify and told.notices < MOST_NOTICES:
        to = To(told.notify, shop.language or "en", shop.dealer, enquiry=enquiry.id)
        going.append(outbox.going(session, "enquiry_notice", enquiry.id, to))
    if told.webhook:
        going.append(webhooks.going(session, told.webhook, shop.dealer, "enquiry", enquiry.id, {"enquiry": enquiry.id}))
    return going


def _player_of_enquiry(enquiry: Enquiry, dealer: str | None) -> To | None:
    """Return whom the shortlist goes to, None where the player gave no address or has not agreed to mail."""
    address = (enquiry.contact or {}).get("email")
    if not address or not agreed_in(enquiry):
        return None
    return To(address, enquiry.language, dealer, enquiry=enquiry.id)


def before_trial(session: Session, key: str) -> None:
    """Queue what to bring, the day before a trial."""
    found = _player_of(session, key)
    if found:
        trial, to = found
        due = dt.datetime.combine(trial.on, MORNING) - BEFORE
        outbox.queue(session, "before_trial", key, to, due=due)


def begun(session: Session, key: str) -> None:
    """Take back what was to be said before a trial that has begun."""
    outbox.withdraw(session, "before_trial", key)


def after_trial(session: Session, key: str, *, at_once: bool = False) -> None:
    """Queue what the ratings said and what was kept: a day after a trial, or at once where it is known what was kept."""
    found = _player_of(session, key)
    if found:
        due = _now() if at_once else _now() + BY_ITSELF
        outbox.queue(session, "after_trial", key, found[1], due=due)


def follow_up(session: Session, key: str) -> None:
    """Queue the question, weeks after a bow was kept and once, whether it is still the right one."""
    found = _player_of(session, key)
    if found:
        outbox.queue(session, "follow_up", key, found[1], due=_now() + STILL_RIGHT_AFTER)


def no_trial(session: Session, key: str) -> None:
    """Take back what was to come before and after a trial that is given up."""
    for kind in ("before_trial", "after_trial", "follow_up"):
        outbox.withdraw(session, kind, key)


def reopened(session: Session, key: str) -> None:
    """Take back what followed from the end of a trial that goes on; the next end is told anew.

    A dealer's own system that was told what came of it is told that this does not stand any more.
    """
    for kind in ("after_trial", "follow_up"):
        outbox.withdraw(session, kind, key)
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == key))
    for kind in ("outcome_notice", "outcome_event"):
        stood = outbox.undo(session, kind, f"{key}:")
        if stood and kind == "outcome_event":
            webhooks.queue(session, dealer, "reopened", f"{key}:{max(stood)}", {"trial": key})


def outcome(session: Session, key: str, kind: str, copy: str | None, on: dt.date, reason: str | None) -> None:
    """Queue all that follows from what came of a trial: to the player, and to the dealer."""
    outcome_notice(session, key, kind, copy, on, reason=reason)
    if kind == OutcomeKind.RETURNED:
        outbox.withdraw(session, "follow_up", key)
    else:
        after_trial(session, key, at_once=True)
    if kind == OutcomeKind.KEPT:
        follow_up(session, key)


def outcome_notice(
    session: Session,
    key: str,
    outcome: str,
    copy: str | None,
    on: dt.date,
    *,
    reason: str | None = None,
    by_player: bool = False,
) -> None:
    """Tell the dealer what came of a trial, by mail and in its own system."""
    dealer = session.scalar(select(Trial.dealer).where(Trial.key == key))
    about = f"{key}:{outcome}:{copy or ''}:{on.isoformat()}"
    told = {"trial": key, "outcome": outcome, "copy": copy}
    _notify(session, dealer, "outcome_notice", about, values=told | {"by_player": by_player})
    webhooks.queue(session, dealer, "outcome", about, told | {"reason": reason, "date": on.isoformat()})


def send_data_link(session: Session, to: To, name: str | None, path: str, about: str) -> None:
    """Queue the link to one's own data, to whoever asked for it; ``about``: one for each asking."""
    outbox.queue(session, "data_link", about, to, {"name": name, "path": path})


def send_erasure_link(session: Session, to: To, name: str | None, path: str, about: str) -> None:
    """Queue the link that erases one's data, to whoever asked for it; ``about``: one for each asking."""
    outbox.queue(session, "erasure_link", about, to, {"name": name, "path": path})


def password(session: Session, user: User, path: str, about: str) -> None:
    """Queue the one-time link by which one of the staff sets the password; it is dropped from the outbox once it has gone."""
    _to_user(session, "password", user, about, {"secret": path})


def reset_link(session: Session, user: User, path: str, about: str) -> None:
    """Queue the one-time link that one of the staff asked for at the sign-in."""
    _to_user(session, "reset_link", user, about, {"secret": path})


def account_notice(session: Session, user: User, what: str, *, once: str | None = None) -> None:
    """Tell one of the staff what happened to the account: one of `contents.ACCOUNT_NEWS`; of those with one ``once`` one goes out."""
    about = f"{user.id}:{what}:{once or secrets.token_hex(8)}"
    _to_user(session, "account_notice", user, about, {"what": what, "at": _now().isoformat()})


def _to_user(session: Session, kind: str, user: User, about: str, values: dict[str, object]) -> None:
    # An account's name need not be an address that mail can be sent to.
    with suppress(addresses.Unusable):
        addresses.parse(user.email)
        outbox.queue(session, kind, about, To(user.email, user.language or "en", user.dealer), values)


def dealer_of(session: Session, enquiry: Enquiry) -> str | None:
    """Return whose enquiry it is: the dealer's on whose page it was made, else the only one's there is."""
    if enquiry.dealer is not None:
        return enquiry.dealer
    only, count = session.execute(select(func.min(Dealer.slug), func.count(Dealer.slug))).one()
    return only if count == 1 else None


def _player_of(session: Session, key: str) -> tuple[Trial, To] | None:
    """Return a trial and its player's address, None where the player has none or has not agreed to mail."""
    row = session.execute(
        select(Trial, Contact, Composition.enquiry, Dealer.language)
        .join(Contact, Contact.player == Trial.player)
        .join(Composition, Composition.trial == Trial.id)
        .join(Dealer, Dealer.slug == Composition.dealer)
        .where(Trial.key == key)
    ).one_or_none()
    if row is None:
        return None
    trial, contact, enquiry, language = row
    if not contact.mail_consent or not contact.email:
        return None
    to = To(contact.email, contact.language or language or "en", trial.dealer, trial.player, enquiry)
    return trial, to


def _notify(
    session: Session,
    dealer: str | None,
    kind: str,
    about: str,
    values: dict[str, object] | None = None,
) -> None:
    door = session.get(Door, dealer) if dealer else None
    if door is not None and door.notify:
        language = session.scalar(select(Dealer.language).where(Dealer.slug == dealer))
        to = To(door.notify, language or "en", dealer)
        if not outbox.too_many(session, kind, to, MOST_NOTICES):
            outbox.queue(session, kind, about, to, values)


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
