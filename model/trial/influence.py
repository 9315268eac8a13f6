"""What each answer did: the advice without it, beside the advice."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from model.domain.records import Answers, Run
from model.domain.vocabulary import Place, Role
from model.preference import predict
from model.preference.catalogue import View
from model.preference.player import Player
from model.trial.offer import Offer, Proposal
from model.trial.proposal import propose

NOTICED = 0.03
"""A chance that changes by less is not said to change."""


LEADING_ROLES = (Role.BEST_FIT, Role.MOST_LIKED)
"""The first tier of a list: what fits best, or without a budget what is liked most."""


class Answer(StrEnum):
    """The answers that the advice reads, and that can be left out of it."""

    SETTINGS = "settings"
    PRIORITIES = "priorities"
    WISH_MASS = "wish_mass"
    WISH_TONE = "wish_tone"
    OWN_BOW = "own_bow"
    OWN_BOW_RATINGS = "own_bow_ratings"
    OWN_BOW_MASS = "own_bow_mass"
    TRIED = "tried"
    BUDGET = "budget"
    MINUTES = "minutes"
    PLACE = "place"


class What(StrEnum):
    """What may be another one without an answer."""

    VERDICT = "verdict"
    FIRST_TIER = "first_tier"
    BOWS = "bows"
    CHANCE = "chance"


@dataclass(frozen=True, slots=True)
class Change:
    """What is another one: as it is advised, and as it would be without the answer; of bows their number, which may be the same."""

    what: What
    given: str | float
    without: str | float


@dataclass(frozen=True, slots=True)
class Influence:
    """What one answer changed; nothing where past trials do not show that it matters."""

    answer: Answer
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class _Asked:
    answers: Answers
    runs: Sequence[Run]
    offer: Offer


def influence(view: View, answers: Answers, runs: Sequence[Run], offer: Offer) -> tuple[Influence, ...]:
    """Return what every answer given did to the proposal, in the order of `Answer`; raises as `predict.outlook` and `propose`."""
    asked = _Asked(answers, runs, offer)
    player = Player(view, answers, runs)
    outlook = predict.of_player(player)
    advised = propose(player, outlook, runs, offer, explained=False)

    def proposal(of: _Asked) -> Proposal:
        if of.answers is answers and of.runs is runs:  # another offer to the same player
            return propose(player, outlook, runs, of.offer, explained=False)
        other = Player(view, of.answers, of.runs)
        return propose(other, predict.of_player(other), of.runs, of.offer, explained=False)

    return tuple(Influence(answer, _changes(advised, proposal(without))) for answer, without in _variants(asked))


def _variants(asked: _Asked) -> Iterator[tuple[Answer, _Asked]]:
    """Give the questions without each answer that was given."""
    answers, bow = asked.answers, asked.answers.own_bow

    def told(**changes: object) -> _Asked:
        return replace(asked, answers=replace(answers, **changes))  # type: ignore[arg-type]

    given: list[tuple[Answer, bool, Callable[[], _Asked]]] = [
        (Answer.SETTINGS, bool(answers.settings), lambda: told(settings=frozenset())),
        (Answer.PRIORITIES, bool(answers.priorities), lambda: told(priorities=())),
        (Answer.WISH_MASS, bool(answers.wish_mass), lambda: told(wish_mass=None)),
        (Answer.WISH_TONE, bool(answers.wish_tone), lambda: told(wish_tone=None)),
        (Answer.OWN_BOW, answers.plays_no_bow, lambda: told(plays_no_bow=False)),
        (Answer.OWN_BOW_RATINGS, bool(bow and bow.ratings), lambda: told(own_bow=bow and replace(bow, ratings={}))),
        (Answer.OWN_BOW_MASS, bool(bow and bow.mass_g), lambda: told(own_bow=bow and replace(bow, mass_g=None))),
        (Answer.TRIED, bool(asked.runs), lambda: replace(asked, runs=())),
        (Answer.BUDGET, asked.offer.budget is not None, lambda: _offered(asked, budget=None)),
        (Answer.MINUTES, asked.offer.minutes is not None, lambda: _offered(asked, minutes=None)),
        (Answer.PLACE, asked.offer.place is not Place.SHOP, lambda: _offered(asked, place=Place.SHOP)),
    ]
    yield from ((answer, without()) for answer, was_given, without in given if was_given)


def _offered(asked: _Asked, **changes: object) -> _Asked:
    return replace(asked, offer=replace(asked.offer, **changes))  # type: ignore[arg-type]


def _changes(advised: Proposal, without: Proposal) -> tuple[Change, ...]:
    pairs = zip(_facts(advised).items(), _facts(without).values(), strict=True)
    found = [Change(what, given, other) for (what, given), other in pairs if _differ(given, other)]
    if _bows(advised) != _bows(without):
        found.append(Change(What.BOWS, float(_count(advised)), float(_count(without))))
    return tuple(sorted(found, key=lambda change: list(What).index(change.what)))


def _facts(of: Proposal) -> dict[What, str | float]:
    return {
        What.VERDICT: str(of.verdict.code),
        What.FIRST_TIER: next((entry.tier for entry in of.entries if entry.role in LEADING_ROLES), ""),
        What.CHANCE: round(of.case.row.chance, 3) if of.case else 0.0,
    }


def _bows(of: Proposal) -> tuple[frozenset[str], dict[str, int]]:
    """Return the bows by name, or where no stock is known how many of each tier."""
    return frozenset(of.bring), {} if of.bring else dict(of.allocation)


def _count(of: Proposal) -> int:
    return sum(of.allocation.values())


def _differ(one: str | float, other: str | float) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) >= NOTICED
    return one != other
