"""What a fit is made of: trials as arrays, and what people keep; gathered once for all fits to the same trials."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from model.choice import Offer, PurchaseModel, fit_purchase_model
from model.domain.arrays import Flags, Floats
from model.domain.records import Event, Outcome, Range, Run, Trial
from model.domain.vocabulary import CRITERIA, OWN
from model.features.copy_history import Level, ServiceIntervals
from model.features.design import Design, history_rows, own_rows, player_columns
from model.features.profile import emphasis


@dataclass(frozen=True, slots=True)
class RatingsTable:
    """Trials as arrays: X (n, p), Z (n, Q), Y (n, C) with NaN where not rated, labels (n,); own bows' runs apart.

    ``emphasis`` (n, C) is what the players care about, as `model.features.profile` has it; own bows have none.
    """

    X: Floats
    Z: Floats
    Y: Floats
    player: NDArray[np.object_]
    level: NDArray[np.object_]
    emphasis: Floats
    own_X: Floats
    own_Z: Floats
    own_Y: Floats
    own_player: NDArray[np.object_]
    own_level: NDArray[np.object_]

    def whole(self) -> "RatingsTable":
        """Return the history with the own bows' runs among the others."""
        pairs = (("X", "own_X"), ("Z", "own_Z"), ("Y", "own_Y"), ("player", "own_player"), ("level", "own_level"))
        joined = {name: _joined(getattr(self, name), getattr(self, own)) for name, own in pairs}
        joined["emphasis"] = np.concatenate([self.emphasis, np.zeros((len(self.own_X), len(CRITERIA)))])
        return replace(self, **joined)

    def without(self, columns: Sequence[int], own: Sequence[int]) -> "RatingsTable":
        """Return the history with zeros in some columns of X and some of Z."""
        X, Z, own_Z = self.X.copy(), self.Z.copy(), self.own_Z.copy()
        X[:, columns], Z[:, own], own_Z[:, own] = 0.0, 0.0, 0.0
        return replace(self, X=X, Z=Z, own_Z=own_Z)

    def at(self, rows: Flags, own: Flags) -> "RatingsTable":
        """Return some of the rows (n,) and of the own bows' runs (own,); what own bows have in common is told anew."""
        picked = {name: getattr(self, name)[rows] for name in ("Y", "player", "level", "emphasis")}
        picked |= {name: getattr(self, name)[own] for name in ("own_Y", "own_player")}
        picked["X"], picked["own_X"] = _side_by_side((self.X, rows), (self.own_X, own))
        picked["Z"], picked["own_Z"] = _side_by_side((self.Z, rows), (self.own_Z, own))
        common = _own_levels(picked["player"].tolist(), picked["level"].tolist(), picked["own_player"].tolist())
        return replace(self, **picked, own_level=_labels(common))


@dataclass(frozen=True, slots=True)
class TrainingData:
    """The trials of a fit, gathered.

    Attributes
    ----------
    design : of the range.
    keeping : what people keep.
    """

    trials: Sequence[Trial]
    stretches: ServiceIntervals
    design: Design
    history: RatingsTable
    keeping: PurchaseModel

    @classmethod
    def of(
        cls,
        range_: Range,
        trials: Sequence[Trial],
        events: Iterable[Event] = (),
        outcomes: Iterable[Outcome] = (),
        offers: Mapping[str, Offer] | None = None,
    ) -> Self:
        """Gather; the parameters are those of `PreferenceModel.fit`.

        Raises
        ------
        ValueError
            A run of a copy that is not in the range.
        """
        stretches, design = ServiceIntervals.from_events(events), Design.from_range(range_)
        history = build_ratings_table(design, trials, range_, stretches)
        return cls(trials, stretches, design, history, fit_purchase_model(trials, outcomes, offers or {}, range_))


def _side_by_side(*parts: tuple[Floats, Flags]) -> tuple[Floats, Floats]:
    """Return some rows of two tables as the beginning and the end of one, which `_joined` need not copy."""
    sizes = [int(np.count_nonzero(rows)) for _, rows in parts]
    both = np.empty((sum(sizes), parts[0][0].shape[1]))
    first, last = both[: sizes[0]], both[sizes[0] :]
    for (table, rows), out in zip(parts, (first, last), strict=True):
        np.compress(rows, table, axis=0, out=out)
    return first, last


def _joined(first: NDArray[Any], last: NDArray[Any]) -> NDArray[Any]:
    """Return both one after the other: the table that they are the two parts of, where they are."""
    both = first.base
    if both is not None and both is last.base and both.shape == (len(first) + len(last), *first.shape[1:]):
        return both
    return np.concatenate([first, last])


def _table(runs: Sequence[Run]) -> Floats:
    """Return (n, C) of the runs' ratings, NaN where not rated."""
    marks = [[run.ratings.get(criterion, np.nan) for criterion in CRITERIA] for run in runs]
    return np.array(marks, dtype=np.float64).reshape(-1, len(CRITERIA))


def _labels(labels: Sequence[object]) -> NDArray[np.object_]:
    out = np.empty(len(labels), dtype=object)
    out[:] = labels
    return out


def build_ratings_table(
    design: Design, trials: Sequence[Trial], range_: Range, stretches: ServiceIntervals
) -> RatingsTable:
    """Turn trials into arrays.

    Raises
    ------
    ValueError
        A run of a copy that the range does not hold.
    """
    copies = [(trial, run) for trial in trials for run in trial.runs if run.copy is not None]
    for trial, run in copies:
        if run.copy not in range_.copies:
            msg = f"trial {trial.key}, run {run.position}: got the copy {run.copy!r}, expected one of the range"
            raise ValueError(msg)
    own = [(trial, run) for trial in trials for run in trial.runs if run.copy is None]
    levels: list[Level] = [stretches.level(str(run.copy), trial.on) for trial, run in copies]
    rows = history_rows(design, trials, range_)
    of_own = own_rows([trial.answers for trial, _ in own], [run.position for _, run in own])
    every = np.ones(len(copies), dtype=bool), np.ones(len(own), dtype=bool)
    X, own_X = _side_by_side((design.matrix(rows), every[0]), (design.matrix(of_own, own=True), every[1]))
    Z, own_Z = _side_by_side((player_columns(rows), every[0]), (player_columns(of_own, own=True), every[1]))
    return RatingsTable(
        X=X,
        Z=Z,
        Y=_table([run for _, run in copies]),
        player=_labels([trial.player for trial, _ in copies]),
        level=_labels(levels),
        emphasis=np.array([emphasis(trial.answers) for trial, _ in copies]).reshape(-1, len(CRITERIA)),
        own_X=own_X,
        own_Z=own_Z,
        own_Y=_table([run for _, run in own]),
        own_player=_labels([trial.player for trial, _ in own]),
        own_level=_labels(_own_levels([t.player for t, _ in copies], levels, [t.player for t, _ in own])),
    )


def _own_levels(players: Sequence[str], levels: Sequence[Level], owners: Sequence[str]) -> list[Level]:
    """Return the level of each own bow's run: one for all players whose trials hang together by copies.

    An own bow has no effect for everybody; the one level that each component needs takes up what own bows have in common
    there, and joins no components that copies do not join.
    """
    of_player = {name: place for place, name in enumerate(dict.fromkeys([*players, *owners]))}
    of_level = {level: len(of_player) + place for place, level in enumerate(dict.fromkeys(levels))}
    size = len(of_player) + len(of_level)
    if not size:
        return []
    edges = ([of_player[player] for player in players], [of_level[level] for level in levels])
    _, component = connected_components(coo_array((np.ones(len(levels)), edges), shape=(size, size)), directed=False)
    return [(OWN, int(component[of_player[owner]])) for owner in owners]
