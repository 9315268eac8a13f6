"""A network of dealers as large as asked: the demo's range, trials and what came of them many times over, marks drawn anew.

Every dealer has copies of the demo's models, under serials of its own, and players who answer what the demo's answer, try as
many bows of the same models, and leave out the criteria that those leave out.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from model.choice import Offer
from model.domain.arrays import Floats
from model.domain.records import Copy, Event, Outcome, Range, Run, Trial
from model.domain.vocabulary import CRITERIA, HIGHEST, LOWEST, Hold
from model.evaluation import TrialHistory

DEALERS, COPIES, TRIALS = 50, 10_000, 60_000
"""Of the whole network."""
PLAYER_SD, COPY_SD, MATCH_SD, NOISE = 0.7, 0.4, 0.35, 0.7
"""Of the marks, in points."""
TASTE_SD, OF_GRADE, MIDDLE = 0.15, 0.2, 5.0
"""What a grade adds, for one player and for all, and the grade at which it adds nothing."""
SHARED = 0.6
"""What criteria have in common, of every variance."""
SEED = 60_000

Generator = np.random.Generator
Kind = tuple[str, Hold | None]


@dataclass(frozen=True)
class _Dealer:
    """A dealer's copies: by kind (tier and hold) their serials, and by the demo's serial that of its like here."""

    copies: Mapping[str, Copy]
    by_kind: Mapping[Kind, Sequence[str]]
    like: Mapping[str, str]

    @classmethod
    def of(cls, rng: Generator, number: int, demo: Range) -> "_Dealer":
        """Draw as many of the demo's copies as a dealer has, some of every kind."""
        every = list(demo.copies.values())
        drawn = [every[place] for place in rng.permutation(len(every)).tolist()]
        by_kind = defaultdict(list)
        for copy in drawn:
            by_kind[copy.tier, copy.hold].append(copy)
        first = [copy for kind in by_kind.values() for copy in kind[:5]]
        taken = dict.fromkeys([copy.serial for copy in first] + [copy.serial for copy in drawn])
        like = {serial: f"{number:02d}-{serial}" for serial in list(taken)[: COPIES // DEALERS]}
        own = {like[serial]: replace(demo.copies[serial], serial=like[serial]) for serial in like}
        kinds = {kind: [like[copy.serial] for copy in of if copy.serial in like] for kind, of in by_kind.items()}
        return cls(own, kinds, like)

    def events(self, demo: Sequence[Event]) -> Iterator[Event]:
        """Give what was done to the copies."""
        return (replace(event, copy=self.like[event.copy]) for event in demo if event.copy in self.like)

    def brought(self, rng: Generator, trial: Trial, demo: Range) -> dict[str, str]:
        """Return by serial of the demo's trial another bow of its kind, as far as there are enough."""
        found: dict[str, str] = {}
        for serial in dict.fromkeys(run.copy for run in trial.runs if run.copy):
            copy = demo.copies[serial]
            free = [one for one in self.by_kind[copy.tier, copy.hold] if one not in found.values()]
            if free:
                found[serial] = free[int(rng.integers(len(free)))]
        return found


class _Marks:
    """Draws marks of players and copies."""

    def __init__(self, rng: Generator, copies: Mapping[str, Copy], demo: Range) -> None:
        self.rng = rng
        self.copies = {
            serial: (demo.tiers[copy.tier].grade - MIDDLE, self.drawn(COPY_SD)) for serial, copy in copies.items()
        }
        self.players: dict[str, tuple[Floats, Floats]] = {}

    def drawn(self, sd: float) -> Floats:
        """Return (C,) deviates of all criteria, with a part in common."""
        both = self.rng.normal(size=len(CRITERIA) + 1)
        return np.asarray(sd * (np.sqrt(SHARED) * both[0] + np.sqrt(1.0 - SHARED) * both[1:]))

    def run(self, player: str, run: Run, copy: str | None, match: Floats) -> Run:
        """Return the run as this player marks it, on the criteria that were marked in it."""
        if player not in self.players:
            self.players[player] = self.drawn(PLAYER_SD), self.drawn(TASTE_SD)
        level, taste = self.players[player]
        grade, effect = self.copies[copy] if copy else (0.0, np.zeros(len(CRITERIA)))
        liking = 4.5 + level + (OF_GRADE + taste) * grade + effect + match
        marks = np.clip(np.rint(liking + self.drawn(NOISE)), LOWEST, HIGHEST)
        ratings = {c: float(mark) for c, mark in zip(CRITERIA, marks, strict=True) if c in run.ratings}
        return replace(run, copy=copy, ratings=ratings)


def network(demo: TrialHistory, share: float = 1.0) -> TrialHistory:
    """Return such a part of the network: fewer dealers, each as large as ever."""
    rng = np.random.default_rng(SEED)
    dealers = [_Dealer.of(rng, number, demo.range) for number in range(max(1, round(DEALERS * share)))]
    copies = {serial: copy for dealer in dealers for serial, copy in dealer.copies.items()}
    marks, wanted, turn = _Marks(rng, copies, demo.range), round(TRIALS * share), 0
    trials: list[Trial] = []
    outcomes: list[Outcome] = []
    offers: dict[str, Offer] = {}
    came = {outcome.trial: outcome for outcome in demo.outcomes}
    while len(trials) < wanted:
        dealer = dealers[turn % len(dealers)]
        for trial in demo.trials[: wanted - len(trials)]:
            player, key, brought = (
                f"{turn}-{trial.player}",
                f"{turn}-{trial.key}",
                dealer.brought(rng, trial, demo.range),
            )
            match = {serial: marks.drawn(MATCH_SD) for serial in [None, *brought]}
            runs = [
                marks.run(player, run, brought[run.copy] if run.copy else None, match[run.copy])
                for run in trial.runs
                if run.copy is None or run.copy in brought
            ]
            trials.append(replace(trial, key=key, player=player, runs=tuple(runs)))
            if trial.key in came and came[trial.key].copy in match:
                kept = came[trial.key].copy
                outcomes.append(replace(came[trial.key], trial=key, copy=brought[kept] if kept else None))
            if trial.key in demo.offers:
                offers[key] = replace(demo.offers[trial.key], paid={})
        turn += 1
    events = tuple(event for dealer in dealers for event in dealer.events(demo.events))
    return TrialHistory(Range(demo.range.tiers, copies), tuple(trials), events, tuple(outcomes), offers)
