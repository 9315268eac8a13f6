"""A bow found by what a scanner reads from its label, put into a trial's case and taken out of it again."""

from dataclasses import dataclass
from urllib.parse import quote, unquote

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core import formats
from service.core.errors import ConflictError
from service.core.language import _
from service.core.scopes import OneDealer, Scope
from service.core.typed_text import cleaned
from service.players.trial_access import composed
from service.tables import Composition, Copy, Tier, Trial, TrialCopy
from service.trials import lifecycle
from service.trials.shared import carried

PLACE = "/desk/stock/"
"""Where a bow's page is; what stands behind it in a label's address is the serial."""
MOST_LABELS = 400
LONGEST_CODE = 500


@dataclass(frozen=True, slots=True)
class BowInCase:
    """A bow of a trial. ``out``: it has left; ``back``: it is back."""

    copy: str
    out: bool
    back: bool


@dataclass(frozen=True, slots=True)
class PlannedTrial:
    """A trial that a bow may be put into."""

    key: str
    number: int


def address_of(serial: str) -> str:
    """Return the path that a label's code leads to."""
    return PLACE + quote(serial, safe="")


def find(session: Session, scope: Scope, code: str) -> str:
    """Return the serial that a code stands for, a label's address or the serial in any case; `ConflictError` where the scope has no such bow."""
    serial = cleaned(unquote(code.partition(PLACE)[2].partition("?")[0]) if PLACE in code else code)
    same = select(Copy.serial, Copy.dealer).where(func.lower(Copy.serial) == serial[:LONGEST_CODE].lower())
    found = [each for each, dealer in session.execute(same) if scope.covers(dealer)]
    if serial in found or len(found) == 1:
        return serial if serial in found else found[0]
    sentence = _("No bow with the code {code} is here. Look at the label, or type the serial.")
    raise ConflictError(sentence.format(code=code[:60] or "–"))


def labelled(session: Session, scope: Scope, serials: list[str], tier: str) -> tuple[str, ...]:
    """Return the serials of a selection, or of a tier, that lie within a scope, in order; those that are gone are left out."""
    wanted = Copy.serial.in_(serials) if serials else Copy.tier == tier
    there = select(Copy.serial).where(wanted, scope.holds(Copy.dealer)).order_by(Copy.serial).limit(MOST_LABELS)
    gone = func.coalesce(Copy.status.in_(("sold", "withdrawn")), False)
    return tuple(session.scalars(there if serials else there.where(~gone)))


def case(session: Session, dealer: str, key: str) -> tuple[int, tuple[BowInCase, ...]]:
    """Return the number of a dealer's trial, and its bows; raises `NotFoundError` for another's."""
    _trial, composition = composed(session, dealer, key)
    rows = carried(session, composition.trial)
    return composition.number, tuple(
        BowInCase(row.copy, row.out_at is not None, row.back_at is not None) for row in rows
    )


def planned(session: Session, dealer: str, serial: str, most: int = 5) -> tuple[PlannedTrial, ...]:
    """Return the next planned trials of a dealer on a bow's instrument, without those that it is in."""
    instrument = select(Tier.instrument).join(Copy, Copy.tier == Tier.slug).where(Copy.serial == serial)
    found = session.execute(
        select(Trial.key, Composition.number)
        .join(Composition, Composition.trial == Trial.id)
        .where(Composition.dealer == dealer, Composition.state == "planned")
        .where(Trial.instrument == instrument.scalar_subquery())
        .where(Trial.id.not_in(select(TrialCopy.trial).where(TrialCopy.copy == serial)))
        .order_by(Trial.on, Composition.number)
        .limit(most)
    )
    return tuple(PlannedTrial(key, number) for key, number in found)


def put_in(session: Session, user: int, dealer: str, key: str, code: str) -> str:
    """Put a scanned bow into the case of a planned trial and say so; raises `ConflictError`, `InvalidInputError` as `lifecycle.swap`."""
    serial = find(session, OneDealer(dealer), code)
    if any(row.copy == serial and not row.back for row in case(session, dealer, key)[1]):
        raise ConflictError(_("{copy} is in the case already.").format(copy=serial))
    lifecycle.swap(session, user, dealer, key, None, serial)
    return _("{copy} is in the case; print the papers again.").format(copy=serial)


def take_out(session: Session, user: int, dealer: str, key: str, code: str, condition: str) -> str:
    """Take a scanned bow out of a planned trial's case, or back from one that it is out on, in a condition; say so."""
    serial = find(session, OneDealer(dealer), code)
    row = next((row for row in case(session, dealer, key)[1] if row.copy == serial), None)
    if row is None:
        raise ConflictError(_("{copy} is not in this case.").format(copy=serial))
    if row.back:
        raise ConflictError(_("{copy} is back already.").format(copy=serial))
    if row.out:
        lifecycle.take_back(session, user, dealer, key, {serial: condition})
    else:
        lifecycle.swap(session, user, dealer, key, serial, None)
    left = sum(not each.back for each in case(session, dealer, key)[1])
    said = _("{copy} is out of the case; {bows} left in it.")
    return said.format(copy=serial, bows=formats.bows(left))
