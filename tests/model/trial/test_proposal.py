"""What is proposed: the rules of the list, the verdict and the reasons, over small fitted ranges and a grid of players."""

from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
import pytest

from model.domain.records import Answers, Copy, OwnBow, Range, Run, Tier
from model.domain.vocabulary import CRITERIA, Criterion, Instrument, Place, Role, Setting
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import predict_player
from model.trial import Offer, Proposal, VerdictCode, influence, of_named, proposal_for
from model.trial.influence import AdvicePart
from model.trial.reasons import Differences, Fact, ListedTier, reasons
from model.trial.shortlist import Market, ladder_listed
from tests.model.worlds import drawn_trials, violins

O = Criterion.OVERALL  # noqa: E741 - overall
RANGE = violins([4, 4, 4, 4, 3])
PRICES = {"a": 500.0, "b": 900.0, "c": 1600.0, "d": 2600.0, "e": 4800.0}
EVERY = frozenset(RANGE.copies)


@cache
def view() -> CataloguePosterior:
    return PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=40, bows=5, seed=3)).view_


def owner(overall: float | None = 4.0, **given: object) -> Answers:
    bow = OwnBow(ratings={} if overall is None else {O: overall})
    return Answers(Instrument.VIOLIN, own_bow=bow, **given)  # type: ignore[arg-type]


def offer(**given: object) -> Offer:
    return Offer(**({"prices": PRICES, "at_hand": EVERY} | given))  # type: ignore[arg-type]


def propose(answers: Answers, runs: tuple[Run, ...] = (), **given: object) -> Proposal:
    return proposal_for(view(), answers, runs, offer(**given))


def tier_of(serial: str) -> str:
    return RANGE.copies[serial].tier


NO_BOW = Answers(Instrument.VIOLIN, plays_no_bow=True)
PLAYERS = {
    "own unrated": owner(None),
    "own nothing said": Answers(Instrument.VIOLIN),
    "no bow": NO_BOW,
    **{f"own {mark}": owner(float(mark)) for mark in range(1, 8)},
    "asks for tone": owner(4.0, priorities=(Criterion.TONE, Criterion.EASE)),
    "wishes": owner(5.0, wish_mass=-1, wish_tone=1),
    "everything 1": Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings=dict.fromkeys(CRITERIA, 1.0))),
}
OFFERS: dict[str, dict[str, object]] = {
    "no budget": {},
    "budget 1000": {"budget": 1000.0},
    "budget 2400": {"budget": 2400.0},
    "budget 300": {"budget": 300.0},
    "in the stretch only": {"budget": 450.0},
    "twenty minutes": {"budget": 2000.0, "minutes": 20.0},
    "by post": {"budget": 2000.0, "place": Place.POST},
    "one bow": {"at_hand": frozenset({"b1"})},
    "two bows of a tier": {"at_hand": frozenset({"b1", "b2"}), "budget": 1000.0},
    "nothing at hand": {"at_hand": frozenset()},
    "stock not known": {"at_hand": None, "budget": 3000.0},
    "neither stock nor budget": {"at_hand": None},
    "one price": {"prices": {"c": 1600.0}},
}


@pytest.mark.parametrize(("who", "what"), list(product(PLAYERS, OFFERS)))
def test_whoever_asks_gets_a_verdict_two_tiers_reasons_and_rows_that_never_fall(who: str, what: str) -> None:
    given = offer(**OFFERS[what])
    found = proposal_for(view(), PLAYERS[who], (), given)
    assert found.entries
    assert all(entry.reasons for entry in found.entries)
    counts = Counter(entry.role for entry in found.entries)
    assert all(count == 1 or (role is Role.CONTRAST and count == 2) for role, count in counts.items())
    assert len({entry.tier for entry in found.entries}) == len(found.entries) <= 3
    reach = [t for t, price in given.prices.items() if price <= given.limit]
    had = {tier_of(serial) for serial in given.at_hand} if given.at_hand is not None else set(given.prices)
    if len([tier for tier in reach if tier in had]) >= 2:
        assert len(found.entries) >= 2
    if found.case is None:
        assert found.verdict.code is VerdictCode.ASK
        assert (found.bring, found.runs, found.minutes) == ((), 0, 0)
        return
    bows = len(found.case.bows)
    assert sum(entry.copies for entry in found.entries) == bows
    assert found.entries[0].role is not Role.BEST_FIT or found.entries[0].copies > 0
    assert [row.copies for row in found.case.rows] == list(range(1, len(found.case.rows) + 1))
    for figures in ([row.chance for row in found.case.rows], [row.gain for row in found.case.rows]):
        assert figures == sorted(figures)
        assert figures[0] >= 0
    assert all(PRICES[tier_of(serial)] <= given.limit for serial in found.bring)
    code, p = found.verdict.code, found.verdict.chance
    expected = VerdictCode.TRIAL if p >= 0.5 else VerdictCode.CURIOUS
    if p < 0.2 and who != "no bow":
        expected = VerdictCode.KEEP
    assert code is expected
    assert p <= found.case.row.chance + 1e-9


# The case


@pytest.mark.parametrize("who", PLAYERS)
def test_one_bow_is_never_brought_where_two_can_be_had(who: str) -> None:
    for budget in (600.0, 1000.0, 5000.0):
        found = propose(PLAYERS[who], budget=budget)
        assert found.case is not None
        assert len(found.case.bows) >= 3
        if budget > 600.0:
            assert len({tier_of(serial) for serial in found.bring}) >= 2


def test_the_rows_are_those_of_the_bows_by_name() -> None:
    found = propose(owner(), budget=3000.0)
    assert found.case is not None
    exactly = of_named(Player(view(), owner()), found.bring)
    assert exactly.copies == len(found.bring)
    assert exactly.chance == pytest.approx(found.case.row.chance, abs=3e-3)
    assert exactly.gain == pytest.approx(found.case.row.gain, abs=3e-3)


def test_without_a_known_stock_one_bow_beats_the_own_one_as_its_tier_does() -> None:
    found = propose(owner(), at_hand=None, prices={"c": 1600.0})
    assert found.case is not None
    assert found.case.rows[0].chance == pytest.approx(found.entries[0].beats_own_bow, abs=1e-9)


def test_of_a_tier_it_is_told_how_likely_the_best_of_its_bows_at_hand_is_liked_better() -> None:
    alone = {serial: propose(owner(), at_hand=frozenset({serial})) for serial in ("c0", "c1", "c2", "c3")}
    found = {serial: next(entry for entry in of.entries if entry.tier == "c") for serial, of in alone.items()}
    for serial, of in alone.items():
        assert of.case is not None
        assert found[serial].best_at_hand == pytest.approx(of.case.rows[0].chance, abs=1e-9)
    together = propose(owner(), at_hand=frozenset(alone))
    chances = [of.best_at_hand or 0.0 for of in found.values()]
    assert together.entries[0].best_at_hand == pytest.approx(max(chances), abs=1e-9)
    assert max(chances) > min(chances) + 0.02
    assert all(entry.best_at_hand is None for entry in propose(owner(), at_hand=None).entries)


def test_a_bow_rated_above_the_own_one_is_brought_and_one_clearly_below_is_not() -> None:
    for serial in ("a0", "b3", "c1"):
        loved = propose(owner(4.0), (Run(3, serial, {O: 7.0}),), budget=3000.0)
        assert serial in loved.bring
        best_first = predict_player(view(), owner(4.0), (Run(3, serial, {O: 7.0}),))
        stock = best_first.stock
        liking = dict(zip(stock.serials, (best_first.mean[stock.tier] + stock.offset).tolist(), strict=True))
        assert list(loved.bring) == sorted(loved.bring, key=lambda bow: -liking[bow])
        assert loved.loved == (serial,)
        rejected = propose(owner(4.0), (Run(3, serial, {O: 3.0}),), budget=3000.0)
        assert serial not in rejected.bring
        assert rejected.rejected == (serial,)


def test_a_loved_bow_beyond_the_purse_or_not_at_hand_stays_where_it_is() -> None:
    runs = (Run(3, "e0", {O: 7.0}), Run(4, "b0", {O: 7.0}))
    found = propose(owner(4.0), runs, budget=2000.0, at_hand=EVERY - {"b0"})
    assert not {"e0", "b0"} & set(found.bring)


def test_with_time_for_one_bow_a_loved_one_beyond_the_budget_does_not_take_its_place() -> None:
    runs = (Run(3, "c0", {O: 7.0}),)
    found = propose(owner(4.0), runs, budget=1500.0, minutes=20.0)
    assert [tier_of(serial) for serial in found.bring] != ["c"]
    assert all(entry.price <= 1500.0 for entry in found.entries if entry.role is Role.BEST_FIT)
    assert "c0" in propose(owner(4.0), runs, budget=1500.0).bring


def test_a_player_who_rated_the_whole_stock_gets_what_was_loved() -> None:
    runs = tuple(Run(3, serial, {O: 6.0 if tier_of(serial) == "c" else 2.0}) for serial in RANGE.copies)
    found = propose(owner(4.0), runs, budget=3000.0)
    assert {tier_of(serial) for serial in found.bring} == {"c"}
    everything_disliked = propose(owner(7.0), tuple(Run(3, serial, {O: 2.0}) for serial in RANGE.copies), budget=3000.0)
    assert everything_disliked.verdict.code is VerdictCode.ASK


def test_little_time_says_so_and_brings_what_there_is_time_for() -> None:
    found = propose(owner(), budget=3000.0, minutes=20.0)
    assert (len(found.bring), found.minutes, found.limited_by_time) == (1, 20, True)
    assert not propose(owner(), budget=3000.0, minutes=60.0).limited_by_time


def test_too_few_bows_at_hand_are_counted() -> None:
    assert propose(owner(), at_hand=frozenset({"b1"})).missing == 2
    assert propose(owner(), at_hand=frozenset({"b1", "c1"})).missing == 1
    assert propose(owner()).missing == 0


# The list


def test_the_best_fit_is_within_the_budget_and_the_cheaper_of_two_alike() -> None:
    alike = Range(
        {slug: Tier(slug, Instrument.VIOLIN, 1) for slug in "ab"},
        {f"{slug}{n}": Copy(f"{slug}{n}", slug) for slug in "ab" for n in range(3)},
    )
    found = proposal_for(
        PreferenceModel(alike).fit([]).view_,
        owner(),
        (),
        Offer(prices={"a": 800.0, "b": 700.0}, budget=1000.0, at_hand=frozenset(alike.copies)),
    )
    assert (found.entries[0].role, found.entries[0].tier) == (Role.BEST_FIT, "b")
    assert all(
        entry.price <= 2400.0 for entry in propose(owner(), budget=2400.0).entries if entry.role is Role.BEST_FIT
    )


def test_without_a_budget_there_is_a_ladder_in_order_of_price() -> None:
    found = propose(owner())
    roles = [entry.role for entry in found.entries]
    assert Role.MOST_LIKED in roles
    assert set(roles) <= {Role.ENTRY, Role.SENSIBLE, Role.MOST_LIKED, Role.CONTRAST}
    assert [entry.price for entry in found.entries] == sorted(entry.price for entry in found.entries)
    assert next(entry for entry in found.entries if entry.role is Role.MOST_LIKED).copies > 0


def test_without_a_budget_every_loved_bow_comes_the_best_liked_first() -> None:
    # As many steps as tiers loved, and more: none crowds out a better one.
    runs = tuple(Run(3, serial, {O: mark}) for serial, mark in (("b0", 5.0), ("c0", 6.0), ("d0", 7.0)))
    found = propose(owner(4.0), runs)
    assert {"d0", "c0", "b0"} <= set(found.bring)
    assert Role.MOST_LIKED in {entry.role for entry in found.entries}
    assert all(entry.copies for entry in found.entries if entry.role is Role.MOST_LIKED)


def test_a_ladder_with_a_bow_or_two_at_hand_is_filled_up_from_other_tiers() -> None:
    hand = frozenset({"e0", *(serial for serial in RANGE.copies if tier_of(serial) in "bcd")})
    prices = {"e": 400.0, "b": 900.0, "c": 1600.0, "d": 2600.0}  # the best liked is the cheapest: a ladder of one step
    best = proposal_for(view(), owner(), (), Offer(prices=prices, at_hand=hand))
    for found in (best, propose(owner(), at_hand=frozenset({"a0", "c0", "c1", "e0"}))):
        assert len(found.bring) >= 3
        assert len({tier_of(serial) for serial in found.bring}) >= 2
        assert found.missing == 0
    not_known = proposal_for(view(), owner(), (), Offer(prices=prices))
    assert len(not_known.allocation) >= 2


def test_a_dear_tier_that_comes_in_for_an_idle_step_is_called_none() -> None:
    price = np.array([520.0, 1300.0, 2900.0, 6500.0])
    market = Market(np.arange(4), price, np.array([4.4, 4.6, 5.4, 5.0]), np.eye(4), np.ones(4, bool), np.ones(4, bool))
    listed = ladder_listed(market, [1, 2, 3], {Role.ENTRY: 0, Role.MOST_LIKED: 2})
    assert listed == [(Role.CONTRAST, 1), (Role.MOST_LIKED, 2), (Role.CONTRAST, 3)]


def test_it_is_said_why_there_is_no_row_of_more_bows() -> None:
    assert str(propose(owner(), budget=3000.0).ends) == "bows"
    assert str(propose(owner(), at_hand=frozenset({"b1", "c1"})).ends) == "stock"
    four = frozenset({"a0", "b0", "c0", "d0"})
    assert str(propose(owner(), at_hand=four, budget=3000.0).ends) == "tiers"
    assert propose(owner(), budget=3000.0, carry_cost=0.1).missing == 0  # two for the cost, not for want of bows


def test_bows_rated_clearly_below_do_not_count_as_being_within_the_budget() -> None:
    runs = tuple(Run(3, serial, {O: 1.0}) for serial in RANGE.copies if tier_of(serial) in "ab")
    found = propose(owner(), runs, budget=1550.0)
    assert found.beyond_budget
    assert {tier_of(serial) for serial in found.bring} == {"c"}


def test_beyond_the_budget_nothing_is_brought_and_the_nearest_tier_is_named() -> None:
    found = propose(owner(), budget=300.0)
    assert (found.over_budget, found.entries[0].tier, found.bring) == (True, "a", ())
    stretched = propose(owner(), budget=450.0)
    assert (stretched.beyond_budget, stretched.over_budget) == (True, False)
    assert {tier_of(serial) for serial in stretched.bring} == {"a"}


def test_a_good_own_bow_is_kept_and_it_is_said_from_which_price_on_that_changes() -> None:
    prior, hand = PreferenceModel(RANGE).fit([]).view_, frozenset({"a0", "e0", "e1", "e2"})
    found = proposal_for(prior, owner(7.0), (), offer(budget=550.0, at_hand=hand)).verdict
    assert (found.code, found.changes_at) == (VerdictCode.KEEP, (4800.0, "e"))
    elsewhere = proposal_for(prior, owner(7.0), (), offer(budget=550.0, at_hand=frozenset({"a0"}))).verdict
    assert (elsewhere.changes_at, elsewhere.higher_would_not) == (
        None,
        False,
    )  # the tier is not at hand, and would change it
    dearest = proposal_for(prior, owner(7.0), (), offer(prices={"a": 500.0}, budget=550.0, at_hand=hand)).verdict
    assert dearest.higher_would_not
    without = proposal_for(prior, NO_BOW, (), offer(budget=550.0, at_hand=hand)).verdict
    assert without.code is not VerdictCode.KEEP


# Reasons


def test_a_difference_from_the_own_bow_is_told_as_it_was_rated() -> None:
    poor = Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 4.0, Criterion.RESPONSE: 1.0}))
    told = propose(poor, budget=3000.0).entries[0].reasons
    assert Criterion.RESPONSE in {reason.criterion for reason in told if reason.against == "own_bow"}
    fine = Answers(
        Instrument.VIOLIN, priorities=(Criterion.RESPONSE,), own_bow=OwnBow(ratings={O: 4.0, Criterion.RESPONSE: 7.0})
    )
    entry = next(entry for entry in propose(fine, budget=5000.0).entries if entry.tier == "a")
    assert Criterion.RESPONSE not in {reason.criterion for reason in entry.reasons if reason.against == "own_bow"}
    assert Criterion.RESPONSE in {weakness.criterion for weakness in entry.weaknesses}


@pytest.mark.parametrize(("eases", "told"), [(0.5, [Criterion.EASE]), (0.0, [Fact.PRICE])])
def test_a_lower_price_is_told_once_with_a_difference_or_alone(eases: float, told: list[object]) -> None:
    # The own bow, a dear tier, a cheaper one; the cheaper is better at one thing, or at nothing.
    mean = np.array([[4.0, 5.0, 5.0], [4.0, 4.0, 4.0 + eases]])
    cov = np.tile(np.diag([0.01, 0.01, 0.01]), (2, 1, 1))
    differ = Differences((Criterion.TONE, Criterion.EASE), np.array([0.2, 0.1]), mean, cov)
    listed = [
        ListedTier(tier="dear", price=3000.0, has_note=False, mass_g=None, ahead=1.0),
        ListedTier(tier="cheap", price=1200.0, has_note=False, mass_g=None, ahead=1.0),
    ]
    found = reasons(differ, 1, 0, listed, None, no_own=False)
    assert [reason.criterion or reason.fact for reason in found if reason.against == "dear"] == told


# What answers did


def test_each_answer_given_is_left_out_once() -> None:
    answers = Answers(
        Instrument.VIOLIN,
        priorities=(Criterion.TONE,),
        wish_mass=-1,
        own_bow=OwnBow(mass_g=60.0, ratings={O: 6.0}),
    )
    runs = (Run(3, "a0", {O: 7.0}),)
    found = influence(view(), answers, runs, offer(budget=2400.0, minutes=60.0))
    assert [str(each.answer) for each in found] == [
        "priorities",
        "wish_mass",
        "own_bow_ratings",
        "own_bow_mass",
        "tried",
        "budget",
        "minutes",
    ]
    assert AdvicePart.BOWS in {change.what for change in found[4].changes}
    assert not influence(view(), Answers(Instrument.VIOLIN), (), offer())


def test_what_a_rating_did_is_how_the_answers_with_and_without_it_differ() -> None:
    answers = Answers(
        Instrument.VIOLIN,
        settings=frozenset({Setting.SOLO}),
        priorities=(Criterion.TONE, Criterion.EASE),
        wish_tone=1,
        own_bow=OwnBow(mass_g=60.0, ratings={O: 5.0, Criterion.TONE: 6.0}),
    )
    runs = (Run(1, "a0", {O: 7.0, Criterion.TONE: 5.0}), Run(2, "c1", {O: 3.0}))
    less: dict[str, tuple[Answers, tuple[Run, ...]]] = {
        "settings": (replace(answers, settings=frozenset()), runs),
        "priorities": (replace(answers, priorities=()), runs),
        "wish_tone": (replace(answers, wish_tone=None), runs),
        "own_bow_ratings": (replace(answers, own_bow=OwnBow(mass_g=60.0)), runs),
        "own_bow_mass": (replace(answers, own_bow=OwnBow(ratings={O: 5.0, Criterion.TONE: 6.0})), runs),
        "tried": (answers, ()),
    }
    found = {str(each.answer): each.changes for each in influence(view(), answers, runs, offer())}
    assert found.keys() == less.keys()
    one, told = proposal_for(view(), answers, runs, offer()), 0
    for answer, changes in found.items():
        other = proposal_for(view(), *less[answer], offer())
        assert one.case is not None
        assert other.case is not None
        both = one.case.row.chance, other.case.row.chance
        chances = [change for change in changes if change.what is AdvicePart.CHANCE]
        assert bool(chances) == (abs(round(both[0], 3) - round(both[1], 3)) >= 0.03), answer
        assert [(c.given, c.without) for c in chances] == [(round(both[0], 3), round(both[1], 3))] * len(chances)
        assert (AdvicePart.BOWS in {change.what for change in changes}) == (set(one.bring) != set(other.bring))
        told += len(changes)
    assert told > 3


@pytest.mark.parametrize("who", PLAYERS)
def test_what_an_answer_did_is_how_two_whole_answers_differ(who: str) -> None:
    # Asked again without the budget, without the minutes and by post rather than in the shop.
    for given in ("budget", "minutes", "place"):
        whole: dict[str, object] = {"budget": 2400.0, "minutes": 45.0, "place": Place.POST}
        one = proposal_for(view(), PLAYERS[who], (), offer(**whole))
        less = {name: value for name, value in whole.items() if name != given}
        other = proposal_for(view(), PLAYERS[who], (), offer(**less))
        did = {str(each.answer): each.changes for each in influence(view(), PLAYERS[who], (), offer(**whole))}[given]
        told = {change.what: (change.given, change.without) for change in did}
        assert (AdvicePart.VERDICT in told) == (one.verdict.code is not other.verdict.code)
        first = [
            next(e.tier for e in found.entries if e.role in (Role.BEST_FIT, Role.MOST_LIKED)) for found in (one, other)
        ]
        assert told.get(AdvicePart.FIRST_TIER, ("", "")) == (tuple(first) if first[0] != first[1] else ("", ""))
        assert (AdvicePart.BOWS in told) == (set(one.bring) != set(other.bring))
        if AdvicePart.BOWS in told:
            assert told[AdvicePart.BOWS] == (len(one.bring), len(other.bring))
        assert one.case is not None
        assert other.case is not None
        # Within .003: chances are integrated bow after bow, in another order here.
        chances = (one.case.row.chance, other.case.row.chance)
        assert told.get(AdvicePart.CHANCE, chances) == pytest.approx(chances, abs=3e-3)
        if abs(chances[0] - chances[1]) > 0.036:
            assert AdvicePart.CHANCE in told


# Refusals


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"budget": 0.0}, "budget: got 0"),
        ({"budget": float("nan")}, "budget: got nan"),
        ({"minutes": -1.0}, "minutes: got -1"),
        ({"stretch": -0.1}, "stretch: got -0.1"),
        ({"carry_cost": float("inf")}, "carry_cost: got inf"),
        ({"prices": {"a": 0.0}}, "price of a: got 0"),
    ],
)
def test_numbers_out_of_range_are_refused_by_name(given: dict[str, object], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        offer(**given)


def test_no_tier_with_a_price_is_no_proposal() -> None:
    found = propose(owner(), prices={})
    assert (found.entries, found.verdict.code, found.case) == ((), VerdictCode.ASK, None)


@pytest.mark.parametrize(("serials", "word"), [(["z1"], "got the copy 'z1'"), (["a0", "b0", "a0"], "'a0' twice")])
def test_copies_that_cannot_be_in_a_case_are_refused(serials: list[str], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        of_named(Player(view(), owner()), serials)


def test_the_order_in_which_bows_are_named_makes_no_difference() -> None:
    serials = ["a1", "b0", "c0", "b3", "e1", "c3", "d2"]
    player = Player(view(), owner())
    assert of_named(player, serials) == of_named(player, serials[::-1])
    chances = [of_named(player, serials[:count]).chance for count in range(8)]
    assert np.diff(chances).min() > -2e-3
    assert of_named(player, []) == replace(of_named(player, []), copies=0, chance=0.0, gain=0.0)
