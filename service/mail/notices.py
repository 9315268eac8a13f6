"""Notices to a dealer's mailbox, where one is set up."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.mail import outbox
from service.mail.outbox import To
from service.tables import Dealer, Door, Enquiry

MOST_NOTICES = 300
"""So many notices of a kind go to a dealer's mailbox in a day; the desk, and messages to the dealer's own system, tell of all.
Several times what a busy shop has, and an end to a flood of made-up enquiries."""


def dealer_of(session: Session, enquiry: Enquiry) -> str | None:
    """Return whose enquiry it is: the dealer's on whose page it was made, else the only one's there is."""
    if enquiry.dealer is not None:
        return enquiry.dealer
    only, count = session.execute(select(func.min(Dealer.slug), func.count(Dealer.slug))).one()
    return only if count == 1 else None


def notify(
    session: Session, dealer: str | None, kind: str, about: str, values: dict[str, object] | None = None
) -> None:
    """Queue a notice of a kind to a dealer who wants them; ``about``: one for each."""
    door = session.get(Door, dealer) if dealer else None
    if door is not None and door.notify:
        language = session.scalar(select(Dealer.language).where(Dealer.slug == dealer))
        recipient = To(door.notify, language or "en", dealer)
        if not outbox.too_many(session, kind, recipient, MOST_NOTICES):
            outbox.queue(session, kind, about, recipient, values)
