"""A copy between two events: each stretch is a level of its own in the fit, tied to the one before.

After a rehair a bow is another bow, but not quite: for the new stretch the copy's effect has mean rho a and variance
rho^2 v + (1 - rho^2) sigma_a^2 from the stretch before (rho below: a judgement, no source), updated by later ratings.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from model.domain.arrays import Floats
from model.domain.records import Event
from model.domain.vocabulary import EventKind

Level = tuple[str, int]
"""A copy's serial and the number of its stretch, counted from 0."""

AUTOCORRELATION: dict[EventKind, float] = {
    EventKind.REHAIRED: 0.7,
    EventKind.RECAMBERED: 0.5,
    EventKind.REPAIRED: 0.5,
    EventKind.MOVED: 1.0,
}


@dataclass(frozen=True, slots=True)
class ServiceIntervals:
    """The days on which a new stretch of each copy began, in order, with the share rho that was kept."""

    of: Mapping[str, tuple[tuple[date, float], ...]]

    @classmethod
    def from_events(cls, events: Iterable[Event]) -> "ServiceIntervals":
        """Sort the events by copy and day; a move begins no new stretch."""
        found: dict[str, list[tuple[date, float]]] = defaultdict(list)
        for event in events:
            if AUTOCORRELATION[event.kind] < 1.0:
                found[event.copy].append((event.on, AUTOCORRELATION[event.kind]))
        return cls({copy: tuple(sorted(days)) for copy, days in found.items()})

    def level(self, copy: str, on: date) -> Level:
        """Return the level that a rating of ``copy`` on the day ``on`` belongs to (an event of that day came before)."""
        return copy, sum(day <= on for day, _ in self.of.get(copy, ()))

    def kept(self, copy: str) -> tuple[float, ...]:
        """Return rho for each step from one stretch to the next."""
        return tuple(rho for _, rho in self.of.get(copy, ()))


@dataclass(frozen=True, slots=True)
class FilteredEffect:
    """A copy's present effect, from those of its stretches in the fit.

    Attributes
    ----------
    levels : (S,) places of the levels in the fit.
    weights : (C, S) weights of their effects in the present one, one row a criterion.
    variance : (C,) of the present effect, in points squared.
    """

    levels: tuple[int, ...]
    weights: Floats
    variance: Floats


def filter_effect(
    places: Sequence[int | None], kept: Sequence[float], variance: Floats, prior: Floats
) -> FilteredEffect:
    """Follow a copy through its stretches.

    Parameters
    ----------
    places : (stretches,) place of each stretch among the fitted levels, None where it was never rated.
    kept : (stretches - 1,) rho of each step.
    variance : (C, K) posterior variances of the fitted levels, each under the prior N(0, ``prior``).
    prior : (C,) variance sigma_a^2 of a copy's effect.

    Returns
    -------
    The present effect: a Gaussian filter along the stretches (Kalman 1960, J. Basic Eng. 82: 35), each level's own data
    entering once.
    """
    used: list[int] = []
    weights: list[Floats] = []
    ahead = prior.copy()
    total = prior.copy()
    for step, place in enumerate(places):
        if step:
            rho = kept[step - 1]
            weights = [weight * rho for weight in weights]
            ahead = rho**2 * total + (1.0 - rho**2) * prior
        total = ahead
        if place is not None:
            alone = np.minimum(variance[:, place], prior)
            told = np.maximum(1.0 / alone - 1.0 / prior, 0.0)
            total = 1.0 / (1.0 / ahead + told)
            weights = [weight * total / ahead for weight in weights] + [total / alone]
            used.append(place)
    stacked = np.column_stack(weights) if weights else np.zeros((len(prior), 0))
    return FilteredEffect(tuple(used), stacked, total)
