"""An answer mailed to whoever asks for it on its own page, and what has become of that mail."""

from collections.abc import Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.advice import advice_mails
from service.core import times
from service.core.errors import FieldProblem, InvalidInputError
from service.core.language import _
from service.mail import addresses, outbox
from service.questionnaire.field_types import EMAIL
from service.tables import Enquiry

EMAIL_FIELD, KEEP, WRITE = "email", "consent_advice", "consent_mail"
"""What is asked for: fields of the questionnaire's last step, in the same words."""


def ask(session: Session, address: str, given: Mapping[str, str], client: str | None) -> None:
    """Keep with the answer at an unguessable address whom it goes to, and queue its mail in the same transaction.

    An answer that has somebody to go to already stays as it is, so that a repeat changes nothing. ``client``: which address of
    the network asks, so that none has mail sent to all the world.

    Raises `InvalidInputError`: by field, what is missing or cannot be used, or that no more mail may be asked for
    today.
    """
    email = given[EMAIL_FIELD].strip()
    problems = [FieldProblem(field, fault) for field in given if (fault := _fault(field, given[field], email))]
    if problems:
        raise InvalidInputError(problems)
    enquiry = session.scalar(select(Enquiry).where(Enquiry.address == address).with_for_update())
    if enquiry is None or _has_address(enquiry):
        return
    before, contact = enquiry.contact, dict(enquiry.contact or {})
    consent = {"model": False, **contact.get("consent", {}), "advice": True, "mail": True}
    enquiry.contact = {**contact, "email": email, "consent": consent}
    if not advice_mails.advice(session, enquiry, client):
        enquiry.contact = before
        sentence = _("No more mail can be asked for today. Keep this page’s address, or ask again tomorrow.")
        raise InvalidInputError([FieldProblem(EMAIL_FIELD, sentence)])


def _fault(field: str, value: str, email: str) -> str | None:
    """Say what is wrong with one of the fields; None where nothing is."""
    if field == KEEP and value != "yes":
        return _("Without this consent we keep no address, so no mail can go there.")
    if field == WRITE and value != "yes":
        return _("Without this consent we do not write to you.")
    if field != EMAIL_FIELD:
        return None
    if not EMAIL.fullmatch(email):
        return _("This does not look like an e-mail address; expected one like name@example.org.")
    try:
        addresses.parse(email)
    except addresses.UnusableAddressError as unusable:
        return str(unusable)
    return None


def _has_address(enquiry: Enquiry) -> bool:
    return bool((enquiry.contact or {}).get("email"))


def told(session: Session, enquiry: str, zone: str | None) -> str:
    """Say what became of an answer's mail, its address masked; empty where there is none. ``zone``: of the shop's clock."""
    row = outbox.find(session, "advice", enquiry)
    if row is None:
        return ""
    address = addresses.masked(row.address)
    if row.sent_at is not None:
        sentence = _("This answer was sent to {address} on {moment}.")
        return sentence.format(address=address, moment=times.moment_in(row.sent_at, zone))
    if row.failed_at is not None:
        return _("No mail could be delivered to {address}. Keep this page’s address instead.").format(address=address)
    return _(
        "This answer is on its way to {address}. If an earlier mail from us waits there to be confirmed, confirm it first."
    ).format(address=address)
