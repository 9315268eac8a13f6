"""Mails of an advice, to the player and to the dealer: queued in the transaction that keeps the enquiry."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Hold, Instrument
from service.advice import words
from service.core import formats, phrases
from service.core.language import N_, _
from service.core.prepared import prepared
from service.dealers import shop_card
from service.mail import mailboxes, notices, outbox, webhooks
from service.mail.addresses import greeting_name
from service.mail.mail_kinds import MailKind, ObsoleteError, Values
from service.mail.notices import dealer_of
from service.mail.outbox import To
from service.mail.suppression import agreed_in
from service.players import data_links
from service.tables import Dealer, Door, Enquiry, OutboxItem


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
    recipient = _player_of_enquiry(enquiry, shop.dealer if shop else None)
    told = _told_before(session, recipient, shop.dealer if shop else None)
    going = []
    if recipient is not None and told.advices < outbox.MOST_A_DAY and mailboxes.may_ask(session, client):
        going.append(outbox.going(session, "advice", enquiry.id, recipient))
    if shop is not None:
        going += _to_shop(session, enquiry, shop, told)
    outbox.add(session, going)


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
    mailbox = outbox.mailbox_of(session, to) if to else None
    return _Told(*session.execute(*_asked(dealer, mailbox, outbox.a_day_ago())).one())


@prepared
def _asked(dealer: str | None, mailbox: str | None, since: dt.datetime) -> Select[Any]:
    notify = select(Door.notify).where(Door.dealer == dealer).scalar_subquery()
    notices = outbox.of_kind("enquiry_notice", since).where(OutboxItem.dealer == dealer, OutboxItem.address == notify)
    advices = outbox.of_kind("advice", since).where(OutboxItem.mailbox == mailbox)
    webhook = select(Door.webhook).where(Door.dealer == dealer).scalar_subquery()
    return select(notify, webhook, advices.scalar_subquery(), notices.scalar_subquery())


def _to_shop(session: Session, enquiry: Enquiry, shop: Shop, told: _Told) -> list[dict[str, Any]]:
    going = []
    if told.notify and told.notices < notices.MOST_NOTICES:
        recipient = To(told.notify, shop.language or "en", shop.dealer, enquiry=enquiry.id)
        going.append(outbox.going(session, "enquiry_notice", enquiry.id, recipient))
    if told.webhook:
        going.append(webhooks.going(session, told.webhook, shop.dealer, "enquiry", enquiry.id, {"enquiry": enquiry.id}))
    return going


def _player_of_enquiry(enquiry: Enquiry, dealer: str | None) -> To | None:
    """Return whom the shortlist goes to, None where the player gave no address or has not agreed to mail."""
    address = (enquiry.contact or {}).get("email")
    if not address or not agreed_in(enquiry):
        return None
    return To(address, enquiry.language, dealer, enquiry=enquiry.id)


def advice(session: Session, enquiry: Enquiry, client: str | None = None) -> bool:
    """Queue the shortlist with a link back to it, to a player who agreed to mail; return whether it is. See `enquiry`."""
    recipient = _player_of_enquiry(enquiry, dealer_of(session, enquiry))
    if recipient is None or outbox.too_many(session, "advice", recipient) or not mailboxes.may_ask(session, client):
        return False
    outbox.add(session, [outbox.going(session, "advice", enquiry.id, recipient)])
    return True


def enquiry_notice(session: Session, enquiry: Enquiry) -> None:
    """Tell the dealer of a new enquiry, by mail and in its own system."""
    dealer = dealer_of(session, enquiry)
    if dealer is not None:
        shop = Shop(dealer, session.scalar(select(Dealer.language).where(Dealer.slug == dealer)))
        outbox.add(session, _to_shop(session, enquiry, shop, _told_before(session, None, dealer)))


_IN_THE_ADVICE = ("estimate", "shipping", "personal_data")
"""Cautions of the first mail; those about playing come with the one before the trial."""


def _advice(session: Session, row: OutboxItem) -> Values:
    enquiry = session.get(Enquiry, row.enquiry)
    if enquiry is None:
        raise ObsoleteError(N_("The enquiry is no longer kept."))
    doc = enquiry.advice
    return {
        "name": greeting_name((enquiry.contact or {}).get("name")),
        "title": words.headline(doc),
        "lead": words.lead(doc),
        "tiers": [_tier(entry, why, doc) for entry, why in zip(doc["shortlist"], words.whys(doc), strict=True)],
        "recommendation": "" if words.verdict_code(doc) == "ask" else words.recommendation(doc),
        "model_is": words.model_is(),
        "sureness": words.sureness(doc) if doc["shortlist"] else "",
        "verdict": words.verdict_code(doc),
        "cautions": [_(phrases.CAUTIONS[code]) for code in doc["cautions"] if code in _IN_THE_ADVICE],
        "path": f"/advice/{enquiry.address}",
        "number": formats.enquiry_number(enquiry.id),
        "shop": shop_card.read(session, row.dealer),
    }


def _tier(entry: Mapping[str, Any], why: Sequence[str], doc: words.Document) -> str:
    """Return one tier of the shortlist in a line."""
    return _("{name}, {price}. {role}. {bring} {reason}").format(
        name=entry["name"],
        price=formats.money(entry["price"], entry["currency"]),
        role=words.role_words(entry, doc),
        bring=words.bring_words(entry, doc),
        reason=" ".join((*why, *words.tried_here(entry, doc))),
    )


def _enquiry_notice(session: Session, row: OutboxItem) -> Values:
    enquiry = session.get(Enquiry, row.enquiry)
    if enquiry is None:
        raise ObsoleteError(N_("The enquiry is no longer kept."))
    return {
        "player": player_words(enquiry.answers),
        "budget": budget_words(enquiry.answers),
        "title": words.headline(enquiry.advice),
        "hears_back": bool(enquiry.contact),
        "path": f"/desk/enquiries/{enquiry.id}",
    }


def player_words(answers: Mapping[str, Any]) -> str:
    """Return whose enquiry it is, without saying who: 'double bass, German hold'."""
    instrument = _(phrases.INSTRUMENTS[Instrument(answers["instrument"])])
    hold = answers.get("hold")
    return f"{instrument}, {_(phrases.HOLDS[Hold(hold)])}" if hold else instrument


def budget_words(answers: Mapping[str, Any]) -> str:
    """Return the budget, empty where none was given."""
    budget = answers.get("budget")
    return formats.money(budget["amount"], budget["currency"]) if budget else ""


KINDS: Mapping[str, MailKind] = MappingProxyType(
    {
        "advice": MailKind("advice/mail/advice", N_("shortlist"), _advice, agreed=True, links=data_links.in_mail),
        "enquiry_notice": MailKind("advice/mail/enquiry_notice", N_("notice of an enquiry"), _enquiry_notice),
    }
)
"""What an advice sends; the texts lie in ``templates/advice/mail/KIND``."""
