"""What each answer did: the advice without it, beside the advice."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from model.domain.records import Answers, Run
from model.domain.vocabulary import Place
from model.preference import CataloguePosterior, Player
from model.trial.choosing import Choice, Choosing
from model.trial.offer import Offer

NOTICED = 0.03
"""A chance that changes by less is not said to change."""


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


class AdvicePart(StrEnum):
    """What may be another one without an answer."""

    VERDICT = "verdict"
    FIRST_TIER = "first_tier"
    BOWS = "bows"
    CHANCE = "chance"


@dataclass(frozen=True, slots=True)
class Change:
    """What is another one: as it is advised, and as it would be without the answer; of bows their number, which may be the same."""

    what: AdvicePart
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

    def of_one_player(self, other: "_Asked") -> bool:
        """Return whether two questions differ in what is offered alone."""
        return self.answers is other.answers and self.runs is other.runs


def influence(view: CataloguePosterior, answers: Answers, runs: Sequence[Run], offer: Offer) -> tuple[Influence, ...]:
    """Return what every answer given did to the proposal, in the order of `Answer`; raises as `predict.outlook`."""
    asked = _Asked(answers, runs, offer)
    variants = list(_variants(asked))
    others = [other for _, other in variants if not other.of_one_player(asked)]
    player, *players = Player.each(view, [(of.answers, of.runs) for of in (asked, *others)])
    choosing, at = Choosing(player, runs, offer), iter(players)
    advised = choosing.choice()

    def without(other: _Asked) -> Choice:
        if other.of_one_player(asked):
            return Choosing(player, runs, other.offer, joint=choosing.joint).choice()
        return Choosing(next(at), other.runs, offer).choice()

    return tuple(Influence(answer, _changes(advised, without(other))) for answer, other in variants)


def _variants(asked: _Asked) -> Iterator[tuple[Answer, _Asked]]:
    """Give the questions without each answer that was given."""
    answers, bow, offer = asked.answers, asked.answers.own_bow, asked.offer
    less: list[tuple[Answer, bool, dict[str, object]]] = [
        (Answer.SETTINGS, bool(answers.settings), {"settings": frozenset()}),
        (Answer.PRIORITIES, bool(answers.priorities), {"priorities": ()}),
        (Answer.WISH_MASS, bool(answers.wish_mass), {"wish_mass": None}),
        (Answer.WISH_TONE, bool(answers.wish_tone), {"wish_tone": None}),
        (Answer.OWN_BOW, answers.plays_no_bow, {"plays_no_bow": False}),
        (Answer.OWN_BOW_RATINGS, bool(bow and bow.ratings), {"own_bow": bow and replace(bow, ratings={})}),
        (Answer.OWN_BOW_MASS, bool(bow and bow.mass_g), {"own_bow": bow and replace(bow, mass_g=None)}),
    ]
    for answer, given, changes in less:
        if given:
            yield answer, replace(asked, answers=replace(answers, **changes))  # type: ignore[arg-type]
    if asked.runs:
        yield Answer.TRIED, replace(asked, runs=())
    if offer.budget is not None:
        yield Answer.BUDGET, replace(asked, offer=replace(offer, budget=None))
    if offer.minutes is not None:
        yield Answer.MINUTES, replace(asked, offer=replace(offer, minutes=None))
    if offer.place is not Place.SHOP:
        yield Answer.PLACE, replace(asked, offer=replace(offer, place=Place.SHOP))


def _changes(advised: Choice, without: Choice) -> tuple[Change, ...]:
    pairs = zip(_facts(advised).items(), _facts(without).values(), strict=True)
    found = [Change(what, given, other) for (what, given), other in pairs if _differ(given, other)]
    if _bows(advised) != _bows(without):
        found.append(Change(AdvicePart.BOWS, float(_count(advised)), float(_count(without))))
    return tuple(sorted(found, key=lambda change: list(AdvicePart).index(change.what)))


def _facts(of: Choice) -> dict[AdvicePart, str | float]:
    return {
        AdvicePart.VERDICT: str(of.verdict),
        AdvicePart.FIRST_TIER: of.first_tier,
        AdvicePart.CHANCE: round(of.chance, 3),
    }


def _bows(of: Choice) -> tuple[frozenset[str], dict[str, int]]:
    """Return the bows by name, or where no stock is known how many of each tier."""
    return of.bring, {} if of.bring else dict(of.allocation)


def _count(of: Choice) -> int:
    return sum(of.allocation.values())


def _differ(one: str | float, other: str | float) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) >= NOTICED
    return one != other
