"""What the maker says of the tiers, criterion by criterion: read, and said anew by whoever may change the range."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import CRITERIA, Criterion, Hold, Instrument
from model.preference import PriorSettings, character
from service import tables
from service.core import audit, audit_events, paging
from service.core.errors import ConflictError, existing
from service.core.language import _
from service.core.paging import Leaf, ListWanted
from service.modelling.versions import Fitted

Steps = Mapping[Criterion, int]


@dataclass(frozen=True, slots=True)
class DescribedTier:
    """A tier with what its maker says of it. ``steps``: by criterion, without those of which nothing is said."""

    tier: str
    name: str
    instrument: Instrument
    holds: tuple[Hold, ...]
    grade: int
    note: str
    steps: Steps


class Counts(Enum):
    """From when on a maker's words count in the advice."""

    AT_ONCE = "at once"
    ALREADY = "already"
    FROM_NEXT_FIT = "from the next fit"


def every(session: Session) -> tuple[DescribedTier, ...]:
    """Return all tiers by instrument and grade."""
    tier, said = tables.Tier, tables.TierCharacter
    steps: dict[str, dict[Criterion, int]] = {}
    for row in session.scalars(select(said).where(said.step.is_not(None))):
        steps.setdefault(row.tier, {})[Criterion(row.criterion)] = int(row.step or 0)
    order = list(Instrument)
    rows = sorted(session.scalars(select(tier)), key=lambda row: (order.index(row.instrument), row.grade, row.slug))
    return tuple(_record(row, steps.get(row.slug, {})) for row in rows)


def listing(session: Session, after: str = "", wanted: ListWanted = paging.ALL) -> Leaf[DescribedTier]:
    """Return a page of the tiers by instrument and grade, narrowed by name, instrument, hold and whether anything is said of them."""
    name, instrument, hold, said = map(wanted.value, ("name", "instrument", "hold", "said"))
    found = [
        tier
        for tier in every(session)
        if name.casefold() in tier.name.casefold()
        and instrument in ("", tier.instrument)
        and (not hold or hold in tier.holds)
        and (not said or (said == "yes") == bool(tier.steps))
    ]
    mark = paging.read(after, str)
    begin = next((place + 1 for place, tier in enumerate(found) if mark == (tier.tier,)), 0)
    return paging.leaf(found[begin:], len(found), lambda tier: (tier.tier,), wanted.most)


def one(session: Session, slug: str) -> DescribedTier:
    """Return one tier; raises `NotFoundError` where there is none of this slug."""
    return _read(session, slug, lock=False)


def _read(session: Session, slug: str, *, lock: bool) -> DescribedTier:
    asked = select(tables.Tier).where(tables.Tier.slug == slug)
    row = existing(session.scalars(asked.with_for_update(key_share=True) if lock else asked).one_or_none())
    said = tables.TierCharacter
    found = session.execute(select(said.criterion, said.step).where(said.tier == slug, said.step.is_not(None)))
    return _record(row, {Criterion(criterion): step for criterion, step in found if step is not None})


def _record(row: tables.Tier, steps: Steps) -> DescribedTier:
    in_order = {criterion: steps[criterion] for criterion in CRITERIA if criterion in steps}
    holds = tuple(map(Hold, row.holds.split()))
    return DescribedTier(row.slug, row.name, row.instrument, holds, row.grade, row.note or "", in_order)


def say(session: Session, user: int, slug: str, steps: Steps, seen: str) -> bool:
    """Let the maker's words of a tier be these; return whether they are others than before.

    ``steps``: by criterion; nothing is said of one that is left out. ``seen``: what whoever says it had before them, as
    `written`. Raises `NotFoundError`: there is no tier of this slug; `ConflictError`: somebody else has changed the words since
    they were seen.
    """
    earlier = _read(session, slug, lock=True)
    if written(earlier.steps) == written(steps):
        return False
    if written(earlier.steps) != seen:
        raise ConflictError(
            _(
                "Somebody else has changed what is said of this model since you opened this page. Your own choice stands below and is not kept yet: keep it once more if it is to count."
            )
        )
    said = tables.TierCharacter
    session.execute(delete(said).where(said.tier == slug))
    session.add_all([said(tier=slug, criterion=str(criterion), step=step) for criterion, step in steps.items()])
    session.flush()
    was, now = ({str(criterion): step for criterion, step in each.items()} for each in (earlier.steps, steps))
    audit.record(session, user, audit_events.TIER_DESCRIBED, f"tier {slug}", dealer=None, was=was, now=now)
    return True


def written(steps: Steps) -> str:
    """Return steps as text: the same words, the same text."""
    return ",".join(str(steps.get(criterion, "")) for criterion in CRITERIA)


def worth(fitted: Fitted) -> float:
    """Return as how many ratings each word counts, by the model in use or the starting values."""
    return character.worth(fitted.posterior or PriorSettings())


def counts(fitted: Fitted, tier: str, steps: Steps) -> Counts:
    """Return from when on words count: a model knows those it was made with, and takes those of tiers that came later as they are."""
    known = {each.slug: each.character for each in fitted.posterior.design.tiers} if fitted.posterior else {}
    if tier not in known:
        return Counts.AT_ONCE
    return Counts.ALREADY if written(known[tier]) == written(steps) else Counts.FROM_NEXT_FIT
