"""Trials counted for the maker: how often tiers, copies and players come up in them, and what was kept."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from model.domain.records import Outcome, Range, Trial
from model.domain.vocabulary import OutcomeKind

DECIDED = frozenset({OutcomeKind.KEPT, OutcomeKind.NONE, OutcomeKind.RETURNED})
"""Outcomes after which it is known what was kept and what was not."""


@dataclass(frozen=True, slots=True)
class RatingCounts:
    """How often something was rated: trials, different players, and (of a tier) different copies."""

    trials: int = 0
    players: int = 0
    copies: int = 0


@dataclass(frozen=True, slots=True)
class PurchaseCounts:
    """Of a copy: trials it was rated in and whose outcome is known, and how many of these kept it."""

    decided: int = 0
    kept: int = 0


@dataclass(frozen=True, slots=True)
class HistorySummary:
    """Trials counted: those in which at least one copy was rated.

    Attributes
    ----------
    trials : how many.
    repeats : how often a player rated the same copy more than once in a trial; only there match and repeat are told apart.
    tiers, copies : counts by slug and by serial; what was never rated is left out.
    kept : by serial, of the copies in trials whose outcome is known.
    bows_of_players : of every player the number of different copies rated, in ascending order.
    """

    trials: int
    repeats: int
    tiers: Mapping[str, RatingCounts]
    copies: Mapping[str, RatingCounts]
    kept: Mapping[str, PurchaseCounts]
    bows_of_players: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One trial: its player, the copies rated in it, and how many of them more than once."""

    player: str
    copies: frozenset[str]
    repeats: int


def summarise_history(range_: Range, trials: Iterable[Trial], outcomes: Iterable[Outcome] = ()) -> HistorySummary:
    """Count what was rated, by whom, and what of it was kept; a run without a rating does not count."""
    sheets = {trial.key: _sheet(trial) for trial in trials}
    sheets = {key: sheet for key, sheet in sheets.items() if sheet.copies}
    bows: dict[str, set[str]] = defaultdict(set)
    for sheet in sheets.values():
        bows[sheet.player] |= sheet.copies
    return HistorySummary(
        trials=len(sheets),
        repeats=sum(sheet.repeats for sheet in sheets.values()),
        tiers=_counts(sheets, lambda copy: range_.copies[copy].tier),
        copies=_counts(sheets, lambda copy: copy),
        kept=_kept(sheets, outcomes),
        bows_of_players=tuple(sorted(map(len, bows.values()))),
    )


def _sheet(trial: Trial) -> _Sheet:
    played = Counter(run.copy for run in trial.runs if run.copy is not None and run.ratings)
    return _Sheet(trial.player, frozenset(played), sum(times > 1 for times in played.values()))


def _counts(sheets: Mapping[str, _Sheet], of: Callable[[str], str]) -> dict[str, RatingCounts]:
    """Count trials, players and copies by what ``of`` makes of a copy."""
    seen: dict[str, tuple[set[str], set[str], set[str]]] = defaultdict(lambda: (set(), set(), set()))
    for key, sheet in sheets.items():
        for copy in sheet.copies:
            for found, value in zip(seen[of(copy)], (key, sheet.player, copy), strict=True):
                found.add(value)
    return {name: RatingCounts(*map(len, found)) for name, found in seen.items()}


def _kept(sheets: Mapping[str, _Sheet], outcomes: Iterable[Outcome]) -> dict[str, PurchaseCounts]:
    """Count for each copy the trials whose outcome is known, and those after which it was kept (brought back or not)."""
    decided: dict[str, set[str]] = defaultdict(set)
    for outcome in outcomes:
        if outcome.kind in DECIDED and outcome.trial in sheets:
            decided[outcome.trial] |= {outcome.copy} if outcome.kind is OutcomeKind.KEPT and outcome.copy else set()
    played = Counter(copy for key in decided for copy in sheets[key].copies)
    kept = Counter(copy for key, of in decided.items() for copy in of & sheets[key].copies)
    return {copy: PurchaseCounts(count, kept[copy]) for copy, count in played.items()}
