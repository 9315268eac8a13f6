"""What was really paid for a bow that was kept: read as people write it, and asked about where it is far from what is asked.

It is told before the key is revealed too, so no sentence here says what the bow costs: that would name its tier.
"""

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service.core.errors import FieldCode, FieldProblem, refuse
from service.core.language import _
from service.questionnaire.step_fields import number
from service.tables import Copy, Dealer, Price, Tier

LONGEST_NOTE = 500
_ROUND = re.compile(r"[.,][-\u2013\u2014]{1,2}$")
"""As people write that there are no cents: 2450.–"""
HIGHEST = 1_000_000
FAR = 10
"""More than so many times what is asked, or less than that part of it, is more often a slip of the keyboard than a price."""


@dataclass(frozen=True, slots=True)
class PricePaid:
    """What is told of the money: ``price`` and ``note`` None where nothing is said, ``currency`` None for the dealer's.

    ``sure``: an odd price is right as it is. ``stood``: all of it was on record before, and is not questioned again.
    """

    price: Decimal | None = None
    note: str | None = None
    sure: bool = False
    currency: str | None = None
    stood: bool = False


def read(price: str, note: str, asked_about: str = "") -> PricePaid:
    """Read what was typed; ``asked_about``: the price that was questioned, which is right where it is typed again.

    Raises `InvalidInputError` by field, ``price`` or ``note``.
    """
    problems = []
    value = None
    try:
        value = amount(price) if price else None
    except ValueError as wrong:
        problems.append(FieldProblem("price", str(wrong), FieldCode.WRONG_FORM))
    if len(note) > LONGEST_NOTE:
        sentence = _("Got {count} characters; expected {most} at most.").format(count=len(note), most=LONGEST_NOTE)
        problems.append(FieldProblem("note", sentence, FieldCode.WRONG_LENGTH))
    refuse(problems)
    line = " ".join("".join(" " if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in note).split())
    return PricePaid(value, line or None, sure=bool(price) and price == asked_about)


def amount(text: str) -> Decimal:
    """Read a price as people write it, with either mark for decimals; raises ``ValueError`` with a sentence."""
    value = Decimal(str(number(_ROUND.sub("", text))))
    if not 0 < value <= HIGHEST:
        raise ValueError(_("Expected an amount above 0 and at most 1,000,000, or nothing where it is not known."))
    if value != round(value, 2):
        raise ValueError(_("Expected an amount with at most two decimals."))
    return value


def written(price: Decimal) -> str:
    """Return a price as it stands in its field."""
    return f"{price:.2f}".removesuffix(".00")


def stands(price: Decimal | None, note: str | None) -> str:
    """Return what stands on record, for a form to say what it was typed over."""
    return f"{'' if price is None else written(price)}|{note or ''}"


def problems(session: Session, dealer: str, kind: str, copy: str | None, paid: PricePaid) -> Iterator[FieldProblem]:
    """Yield what is wrong or odd with a price: of no bow that was kept, in another currency or none, or far from what is asked."""
    if paid.price is None or paid.stood:
        return
    if kind != OutcomeKind.KEPT:
        sentence = _("A price is paid only where a bow was kept; leave it out.")
        yield FieldProblem("price", sentence, FieldCode.CONTRADICTS)
        return
    currency = currency_of(session, dealer, PricePaid(paid.price))
    if currency is None:
        sentence = _("This shop has no currency yet; whoever runs the service sets it. Leave the price out until then.")
        yield FieldProblem("price", sentence, FieldCode.CONTRADICTS)
    elif paid.currency not in (None, currency):
        sentence = _("Expected {currency}, the shop’s currency, or leave it out.").format(currency=currency)
        yield FieldProblem("currency", sentence, FieldCode.CONTRADICTS)
    asked = _asked(session, dealer, copy, currency)
    if asked is not None and not paid.sure and not asked / FAR <= paid.price <= asked * FAR:
        sentence = (
            _("This is more than ten times what is asked for this bow. Is that right? If so, say it again.")
            if paid.price > asked
            else _("This is less than a tenth of what is asked for this bow. Is that right? If so, say it again.")
        )
        yield FieldProblem("price", sentence, FieldCode.OUT_OF_RANGE)


def currency_of(session: Session, dealer: str, paid: PricePaid) -> str | None:
    """Return the currency of a price: as it is said, else the dealer's; None without a price."""
    if paid.price is None:
        return None
    return paid.currency or session.scalar(select(Dealer.currency).where(Dealer.slug == dealer))


def _asked(session: Session, dealer: str, copy: str | None, currency: str | None) -> Decimal | None:
    """Return what a bow costs at a dealer; None where it is not known in this currency."""
    found = session.execute(
        select(Tier.price, Tier.currency, Price.price.label("own"), Price.currency.label("in_own"))
        .join(Copy, Copy.tier == Tier.slug)
        .outerjoin(Price, (Price.tier == Tier.slug) & (Price.dealer == dealer))
        .where(Copy.serial == copy)
    ).one_or_none()
    if found is None:
        return None
    asked, of = (found.price, found.currency) if found.own is None else (found.own, found.in_own)
    return asked if of == currency else None
