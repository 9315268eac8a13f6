"""Where a tier has a hole that players asked for: wishes and marks, against the traits of what is in stock.

Traits are the model's (`model.features.bench_traits`), as deviations from the tier's mean in units of the spread within tiers. All
thresholds are judgements, without source.
"""

import datetime as dt
import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtr
from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.arrays import Floats
from model.domain.vocabulary import Hold
from model.features import bench_traits
from service.bench.tier_picture import TierPicture
from service.core.moments import now
from service.core.scopes import Scope
from service.modelling import catalogue, versions
from service.tables import Composition, Copy, Enquiry, Run, Tier, Trial, newest_run

LOOKED_BACK = dt.timedelta(days=730)
MOST_ENQUIRIES = 2000
ASIDE = 0.5
"""From how far from the tier's mean on a bow lies on one side of a trait."""
FEWEST_WISHES, FEWEST_MARKS, FEWEST_RATED = 5, 10, 3
"""Below so many wishes for one side, marks on either, or bows that have them, nothing is said."""
CHANCE = 0.05
"""At most so often, over all traits together, one side counts as liked better where neither is."""


@dataclass(frozen=True, slots=True)
class WishedSide:
    """One side of a trait, -1 or 1, that ``asked`` of the ``answered`` wished for; ``there`` of ``stock`` bows lie on it."""

    trait: str
    side: int
    asked: int
    answered: int
    there: int
    stock: int

    @property
    def is_hole(self) -> bool:
        """Whether stock has less than half as much of it as was asked for."""
        in_stock = self.there / self.stock if self.stock else 0.0
        return self.asked >= FEWEST_WISHES and in_stock < 0.5 * self.asked / self.answered


@dataclass(frozen=True, slots=True)
class LikedSide:
    """The side of a trait that was marked higher: its mean ``mark`` and the ``other`` side's, of so many ``marks`` together."""

    trait: str
    side: int
    mark: float
    other: float
    marks: int
    there: int
    stock: int

    @property
    def is_hole(self) -> bool:
        """Whether less than a third of stock lies on it."""
        return 3 * self.there < self.stock or not self.stock


@dataclass(frozen=True, slots=True)
class TierGaps:
    """What was wished for and liked of a tier, the sides that stand out most first, and of how many wishes and marks."""

    wished: tuple[WishedSide, ...]
    liked: tuple[LikedSide, ...]
    wishes: int
    marks: int


def read(session: Session, scope: Scope, picture: TierPicture) -> TierGaps:
    """Return what a tier's stock lacks, of what a scope's players wished for in the last two years and of all their marks."""
    traits = _traits(session, picture)
    stock = np.array([traits[copy.serial] for copy in picture.copies if copy.status == "in_stock"])
    stock = stock.reshape(-1, len(bench_traits.TRAITS))
    wished, wishes = [], 0
    asked = _wishes(session, scope, picture)
    for trait, name in bench_traits.WISHES:
        given = [wish[name] for wish in asked if wish[name] is not None]
        wishes += sum(wish != 0 for wish in given)
        for side in (-1, 1):
            there = int((side * stock[:, trait] >= ASIDE).sum())
            wished.append(
                WishedSide(bench_traits.TRAIT_NAMES[trait], side, given.count(side), len(given), there, len(stock))
            )
    marks = _marks(session, scope, picture.tier.slug)
    liked = [
        each for at in range(len(bench_traits.TRAITS)) if (each := liked_side(at, traits, marks, stock)) is not None
    ]
    wished.sort(key=lambda each: -each.asked)
    return TierGaps(tuple(wished), tuple(liked), wishes, sum(map(len, marks.values())))


def _traits(session: Session, picture: TierPicture) -> Mapping[str, Floats]:
    """Return by serial the traits of every copy of the tier that is known; copies are those of whoever looks."""
    now_on_sale = catalogue.current(session)
    design = now_on_sale.view(versions.current(session)).posterior.design
    copies = [copy for copy in now_on_sale.range.copies.values() if copy.tier == picture.tier.slug]
    return dict(zip([copy.serial for copy in copies], design.traits(copies, now_on_sale.range), strict=True))


def _wishes(session: Session, scope: Scope, picture: TierPicture) -> list[Mapping[str, int | None]]:
    """Return what was wished for by those whom the tier suits: with enquiries, and with trials that came of none."""
    since = now() - LOOKED_BACK
    asked = session.scalars(
        select(Enquiry.answers)
        .where(scope.holds(Enquiry.dealer), Enquiry.created_at >= since)
        .where(Enquiry.answers["instrument"].as_string() == picture.tier.instrument)
        .order_by(Enquiry.created_at.desc())
        .limit(MOST_ENQUIRIES)
    )
    found = [_of_answers(answers, picture) for answers in asked if _suits(picture.tier, answers.get("hold"))]
    played = (
        select(Trial.hold, Trial.wish_mass, Trial.wish_tone)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(scope.holds(Trial.dealer), Trial.on >= since.date(), Trial.instrument == picture.tier.instrument)
        .where(Composition.enquiry.is_(None), Composition.previous.is_(None))
    )
    for hold, mass, tone in session.execute(played):
        if _suits(picture.tier, hold):
            found.append({"wish_mass": mass, "wish_tone": tone})
    return found


def _suits(tier: Tier, hold: str | None) -> bool:
    return not tier.holds or hold == Hold.EITHER or hold in tier.holds.split()


def _of_answers(answers: Mapping[str, Any], picture: TierPicture) -> Mapping[str, int | None]:
    """Return the wishes of a questionnaire; one for another mass that any bow of the tier meets is none."""
    wishes = answers.get("wishes") or {}
    mass, own = wishes.get("mass"), (answers.get("own_bow") or {}).get("mass_g")
    spread = picture.spreads.get("mass_g")
    if mass and own and spread and mass * (spread.spread.middle - own) > spread.spread.sd:
        mass = 0
    return {"wish_mass": mass, "wish_tone": wishes.get("tone")}


def _marks(session: Session, scope: Scope, tier: str) -> Mapping[str, list[float]]:
    """Return by serial the marks that players gave, in the scope's own trials whose letters hide nothing any more."""
    rows = session.execute(
        select(Run.copy, Run.overall)
        .join(Trial, Trial.id == Run.trial)
        .join(Copy, Copy.serial == Run.copy)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(Copy.tier == tier, Run.rater == "player", Run.overall.is_not(None), newest_run())
        .where(scope.holds(Trial.dealer) | Trial.dealer.is_(None))
        .where(Composition.trial.is_(None) | Composition.revealed_at.is_not(None))
    )
    found: dict[str, list[float]] = {}
    for serial, mark in rows:
        found.setdefault(str(serial), []).append(float(mark or 0))
    return found


def liked_side(
    at: int, traits: Mapping[str, Floats], marks: Mapping[str, Sequence[float]], stock: Floats
) -> LikedSide | None:
    """Return the side of a trait that was marked higher, None where neither was by enough. A bow counts once, by its mean.

    By Student's t of two means with unequal variances (Welch 1947, Biometrika 34, 28-35), two-sided, at `CHANCE` over the
    number of traits that are looked through (Bonferroni's inequality; Dunn 1961, J. Am. Stat. Assoc. 56, 52-64).
    """
    sides = {
        side: [given for serial, given in marks.items() if serial in traits and side * traits[serial][at] >= ASIDE]
        for side in (-1, 1)
    }
    if any(len(of) < FEWEST_RATED or sum(map(len, of)) < FEWEST_MARKS for of in sides.values()):
        return None
    means = {side: [statistics.fmean(given) for given in of] for side, of in sides.items()}
    mark = {side: statistics.fmean(of) for side, of in means.items()}
    side = max(mark, key=lambda each: mark[each])
    if not _chance_apart(*means.values()) < CHANCE / len(bench_traits.TRAITS):
        return None
    there = int((side * stock[:, at] >= ASIDE).sum())
    count = sum(len(given) for of in sides.values() for given in of)
    return LikedSide(bench_traits.TRAIT_NAMES[at], side, mark[side], mark[-side], count, there, len(stock))


def _chance_apart(one: Sequence[float], other: Sequence[float]) -> float:
    """Return how likely two means of the same world would lie as far apart; NaN where neither side has any spread."""
    first, second = (statistics.variance(of) / len(of) for of in (one, other))
    apart = statistics.fmean(one) - statistics.fmean(other)
    if first + second == 0.0:
        return 0.0 if apart else math.nan
    degrees = (first + second) ** 2 / (first**2 / (len(one) - 1) + second**2 / (len(other) - 1))
    return float(2.0 * stdtr(degrees, -abs(apart) / math.sqrt(first + second)))
