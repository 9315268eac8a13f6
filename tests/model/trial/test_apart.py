"""Copies of one tier that are chosen to differ, and what is said of it."""

from dataclasses import replace

import pytest

from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Tier
from model.domain.vocabulary import Criterion, Instrument
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.trial import Offer, Proposal, proposal_for
from model.trial.apart import apart

V = Instrument.VIOLIN
PLAYER = Answers(V, own_bow=OwnBow(ratings={Criterion.OVERALL: 4.0}))
BEHIND = "a5"
"""The last in every order, which nothing but its bench record can put forward."""


def bows(bench: Bench | None = None, error: float = 0.1) -> Range:
    """Six copies of a tier that weigh the same but for the last, or that the bench has not seen."""
    odd = replace(bench or Bench(mass_g=60.0), sd={"mass_g": error})
    same = [Copy(f"a{n}", "a", bench=Bench(mass_g=60.0, sd={"mass_g": error})) for n in range(5)]
    return Range({"a": Tier("a", V, 1)}, {copy.serial: copy for copy in (*same, Copy(BEHIND, "a", bench=odd))})


def proposed(range_: Range, answers: Answers = PLAYER) -> Proposal:
    """What is proposed before the first trial where there is time for two bows."""
    view = PreferenceModel(range_).fit([]).view_
    return proposal_for(view, answers, (), Offer(prices={"a": 900.0}, at_hand=frozenset(range_.copies), minutes=30.0))


def test_two_copies_of_a_tier_are_chosen_to_differ_in_what_players_have_a_taste_for() -> None:
    assert len(proposed(bows()).bring) == 2
    assert BEHIND not in proposed(bows()).bring
    found = proposed(bows(Bench(mass_g=64.0)))
    assert BEHIND in found.bring
    (said,) = found.apart
    assert (said.tier, said.reading, said.low, said.high, said.more) == ("a", "mass_g", 60.0, 64.0, BEHIND)
    assert said.less in found.bring


@pytest.mark.parametrize(
    "bench", [Bench(mass_g=60.0), Bench(mass_g=60.2)], ids=["alike", "apart by less than the scales can tell"]
)
def test_nothing_is_said_of_copies_that_the_bench_does_not_tell_apart(bench: Bench) -> None:
    assert proposed(bows(bench)).apart == ()


def test_nothing_is_said_of_a_difference_whose_worth_is_known_or_small() -> None:
    # Of length no taste is believed, so it moves the liking by .1 a spread: 2 spreads are told, half of one is not.
    range_ = bows(Bench(mass_g=60.0, length_mm=750.0))
    lengths = {f"a{n}": 740.0 if n % 2 else 756.0 for n in range(5)} | {BEHIND: 753.0}
    copies = {s: replace(c, bench=replace(c.bench, length_mm=lengths[s])) for s, c in range_.copies.items()}
    view = PreferenceModel(replace(range_, copies=copies)).fit([]).view_
    player = Player(view, PLAYER)
    (said,) = apart(player, ["a0", "a1"])
    assert (said.reading, said.low, said.high) == ("length_mm", 740.0, 756.0)
    assert apart(player, ["a0", BEHIND]) == ()


def test_a_wish_makes_a_difference_weigh_more() -> None:
    range_ = bows(Bench(mass_g=64.0))
    plain, wishing = (proposed(range_, replace(PLAYER, wish_mass=wish)).apart for wish in (None, 1))
    assert wishing[0].points > plain[0].points
