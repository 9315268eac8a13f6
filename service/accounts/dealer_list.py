"""Dealers as whoever runs the service keeps them."""

import re
from dataclasses import dataclass

from babel.numbers import list_currencies
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit, audit_events, language
from service.core.countries import is_country
from service.core.errors import FieldProblem, existing, refuse
from service.core.language import _
from service.core.scopes import Scope
from service.web import staff_sessions

_SLUG = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST = 120


@dataclass(frozen=True, slots=True)
class DealerInfo:
    """A dealer; ``carry_cost`` is what carrying one more bow costs, in points of liking."""

    slug: str
    name: str
    currency: str | None = None
    language: str | None = None
    country: str | None = None
    carry_cost: float | None = None


def add(session: Session, given: DealerInfo) -> bool:
    """Make a dealer, or complete a known one; return whether it is new. Raises `InvalidInputError`, each unusable value named."""
    problems = [FieldProblem(*problem) for problem in _problems(given)]
    refuse(problems)
    dealer = session.get(tables.Dealer, given.slug)
    new = dealer is None
    if dealer is None:
        dealer = tables.Dealer(slug=given.slug, name=given.name)
        session.add(dealer)
    dealer.name, dealer.currency, dealer.language = given.name.strip(), given.currency, given.language
    dealer.country = given.country
    if given.carry_cost is not None:
        dealer.carry_cost = given.carry_cost
    session.flush()
    did = audit_events.DEALER_MADE if new else audit_events.DEALER_COMPLETED
    audit.record(session, None, did, f"dealer {given.slug}", dealer=given.slug)
    return new


def listed(session: Session, scope: Scope) -> list[DealerInfo]:
    """Return the dealers of a scope by slug."""
    asked = select(tables.Dealer).where(scope.holds(tables.Dealer.slug)).order_by(tables.Dealer.slug)
    return [
        DealerInfo(row.slug, row.name, row.currency, row.language, row.country, row.carry_cost)
        for row in session.scalars(asked)
    ]


def act_for(session: Session, staff_session: str, scope: Scope, slug: str) -> DealerInfo:
    """Let a session act for a dealer and return it; raises `NotFoundError` for one unknown, or beyond the account's scope."""
    found = existing(next((dealer for dealer in listed(session, scope) if dealer.slug == slug), None))
    staff_sessions.act_for(session, staff_session, slug)
    return found


def _problems(given: DealerInfo) -> list[tuple[str, str]]:
    right = {
        "slug": _SLUG.fullmatch(given.slug) and len(given.slug) <= _LONGEST,
        "name": 0 < len(given.name.strip()) <= _LONGEST,
        "currency": given.currency is None or given.currency in list_currencies(),
        "language": given.language is None or given.language in language.NAMES,
        "country": given.country is None or is_country(given.country),
        "carry-cost": given.carry_cost is None or 0 <= given.carry_cost < 7,
    }
    expected = {
        "slug": _("Expected a slug of small letters, digits and single hyphens, such as ‘harbour-strings’."),
        "name": _("Expected a name of 1 to 120 characters."),
        "currency": _("Expected a currency by its ISO 4217 code, such as EUR."),
        "language": _("Expected one of the languages {codes}.").format(codes=", ".join(language.NAMES)),
        "country": _("Expected a country by its two letters (ISO 3166-1), such as AT."),
        "carry-cost": _("Expected the cost of carrying one more bow, in points of liking from 0 to below 7."),
    }
    return [(field, sentence) for field, sentence in expected.items() if not right[field]]
