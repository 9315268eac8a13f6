"""How often each answer changes the advice: the players on record asked again, with each of their answers left out in turn."""

from collections import Counter
from collections.abc import Mapping, Sequence

from model.choice import Offer as Purse
from model.domain.records import Trial
from model.preference import CataloguePosterior, with_own_ratings
from model.trial import Offer, influence

MOST_ASKED = 40
"""So many trials are looked at, evenly over all: each takes as long as ten answers."""
GIVEN, ANYTHING = "given", "anything"


def ablation(
    view: CataloguePosterior, trials: Sequence[Trial], purses: Mapping[str, Purse]
) -> dict[str, dict[str, int]]:
    """Return by answer how many gave it, and for how many of them what is another one without it, by `model.trial.influence`.

    Players are taken as before their trial, with what they could pay and any bow to be had; trials without a price are left out.
    """
    priced = [trial for trial in trials if trial.key in purses and purses[trial.key].prices]
    found: dict[str, Counter[str]] = {}
    for trial in priced[:: max(1, -(-len(priced) // MOST_ASKED))]:
        purse = purses[trial.key]
        for each in influence(view, with_own_ratings(trial), (), Offer(prices=purse.prices, budget=purse.budget)):
            count = found.setdefault(str(each.answer), Counter())
            changed = {str(change.what) for change in each.changes}
            count.update({GIVEN, *changed} | ({ANYTHING} if changed else set()))
    return {answer: dict(count) for answer, count in found.items()}
