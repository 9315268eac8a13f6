"""The advice in words: plain, complete, in step with the figures, and without figures where only the prior speaks."""

import re
from collections.abc import Iterator
from typing import Any

import pytest

from model.domain.vocabulary import Criterion, Hold, Instrument, Role, Setting
from model.features import bench_traits
from service.advice import playing, remarks, words
from service.core import phrases
from service.web.api_schema import Advice
from tests.service.documents import (
    NOTE_VALUES,
    ask,
    before_verdicts,
    curious,
    document,
    entry,
    keep,
    ladder,
    of_all_there_is,
    under_the_prior,
)


def every_text(doc: dict[str, Any]) -> Iterator[str]:
    yield from (words.headline(doc), words.lead(doc), words.recommendation(doc), words.sureness(doc))
    yield from (*words.cautions(doc), *words.notes(doc))
    yield from (words.why(tier, doc) for tier in doc["shortlist"])
    yield from (words.bring_words(tier, doc) for tier in doc["shortlist"])
    yield from (words.role_words(tier, doc) for tier in doc["shortlist"])
    yield from (
        told["text"] for tier in words.reply(doc)["shortlist"] for told in (*tier["reasons"], *tier["weaknesses"])
    )
    yield from (*(line for tier in doc["shortlist"] for line in words.tried_here(tier, doc)), *words.tried_besides(doc))
    yield from filter(None, [words.what_more_buys(doc)])


@pytest.mark.parametrize(
    ("table", "vocabulary"),
    [
        (phrases.INSTRUMENTS, Instrument),
        (phrases.PLAYERS, Instrument),
        (phrases.PLAYERS_BY_HOLD, Hold),
        (phrases.HOLDS, Hold),
        (phrases.SETTINGS, Setting),
        (phrases.ROLES, Role),
        (phrases.WISHES, Criterion),
        (phrases.DIFFERENCES, Criterion),
        (playing._BOUNCING, Instrument),
        (playing._BY_SETTING, Setting),
        (remarks.NOTES, NOTE_VALUES),
    ],
)
def test_every_word_of_the_vocabulary_has_its_phrase(table: dict[str, object], vocabulary: Any) -> None:
    assert set(table) == set(vocabulary)


def test_an_advice_of_before_verdicts_keeps_its_heading() -> None:
    assert words.headline(before_verdicts()) == "Four bows to try, and why these"
    assert words.headline(before_verdicts(trial={"copies": 1})) == "One bow to try, and why this one"
    assert words.headline(before_verdicts(trial=None)) == "What could suit you, and why"
    assert words.headline(document(trial=None, shortlist=[])) == "Nothing in the range fits these answers"


def test_the_lead_repeats_the_priorities_in_order_and_names_whose_trials_count() -> None:
    assert words.lead(document()) == (
        "It is likely (71\u00a0%) that at least one of them is noticeably better than your own bow. "
        "You asked for quick response first, then a wide dynamic range. "
        "From 142 trials by bass players with the German hold we expect Juniper to suit you best."
    )


def test_the_lead_without_priorities_begins_with_the_trials() -> None:
    assert words.lead(before_verdicts(answers={"priorities": []})).startswith("From 142 trials")


def test_a_reason_names_the_strength_what_it_is_compared_with_and_the_weakness() -> None:
    assert words.why(entry(), document()) == (
        "Compared with your own bow, expect a quicker response. On the other hand, expect more work for arm and hand."
    )


def test_two_strengths_stand_in_one_sentence() -> None:
    first, second = (
        {"criterion": name, "against": "own_bow", "effect": 0.6, "sure": "likely"}
        for name in ("response", "steadiness")
    )
    assert words.why(entry(reasons=[first, second], weaknesses=[]), document()) == (
        "Compared with your own bow, expect a quicker response and a steadier stroke."
    )


def test_what_is_only_probable_is_not_told_as_if_it_were_likely() -> None:
    probable = {"criterion": "tone", "against": "own_bow", "effect": 0.6, "sure": "probably"}
    assert words.why(entry(reasons=[probable], weaknesses=[]), document()) == (
        "Compared with your own bow, it probably brings a tone closer to the one you want."
    )


def test_a_small_strength_is_called_small() -> None:
    small = entry(reasons=[{"criterion": "tone", "against": "own_bow", "effect": 0.2, "sure": "likely"}], weaknesses=[])
    assert words.why(small, document()).endswith(", if only by a little.")


@pytest.mark.parametrize(
    ("price", "said"),
    [
        (
            3350,
            "For €900 more than Juniper, it probably brings a wider range between soft and full, if only by a little.",
        ),
        (
            1450,
            "For €1,000 less than Juniper, it probably brings a wider range between soft and full, if only by a little.",
        ),
        (2450, "Compared with Juniper, it probably brings a wider range between soft and full, if only by a little."),
    ],
)
def test_what_sets_a_tier_apart_from_its_neighbour_is_told_with_the_price(price: int, said: str) -> None:
    doc = document()
    doc["shortlist"][1]["price"] = price
    cheaper = {"fact": "price", "against": "juniper", "effect": float(price - 2450)}
    doc["shortlist"][1]["reasons"] += [cheaper] if price < 2450 else []
    assert words.why(doc["shortlist"][1], doc) == said


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ({"fact": "price", "against": "rowan", "effect": -390.0}, "It costs €390 less than Rowan."),
        (
            {"fact": "note", "against": None, "effect": 0.0},
            "In its maker’s words: “Quick to speak, for the orchestra.”",
        ),
        ({"fact": "mass", "against": "own_bow", "effect": -3.0}, "Its bows are typically 3\u00a0g lighter than yours."),
        (
            {"fact": "mass", "against": "own_bow", "effect": 2.5},
            "Its bows are typically 2.5\u00a0g heavier than yours.",
        ),
        ({"fact": "mass", "against": "own_bow", "effect": 0.02}, "Its bows typically weigh about as much as yours."),
        ({"fact": "mass", "against": None, "effect": 133.6}, "Its bows typically weigh 133.6\u00a0g."),
    ],
)
def test_facts_are_told_where_no_criterion_speaks(reason: dict[str, Any], said: str) -> None:
    told = entry(reasons=[reason], weaknesses=[])
    assert words.why(told, document()) == said
    assert words.reason_sentence(reason, told, document()) == said


@pytest.mark.parametrize(
    ("chance", "word", "said"),
    [
        (0.444, "less likely than not", "you would probably like your own bow better."),
        (0.446, "about as likely as not", "you would like it about as much as your own bow."),
        (0.554, "about as likely as not", "you would like it about as much as your own bow."),
        (0.556, "more likely than not", "you would probably like it better than your own bow."),
    ],
)
def test_as_a_whole_a_bow_is_said_to_be_liked_as_its_chance_says(chance: float, word: str, said: str) -> None:
    # The own bow's mark is no yardstick of its own: one mark is partly luck, which the chance has taken into account.
    told = entry(reasons=[{"fact": "whole", "against": "own_bow", "effect": 0.4}], weaknesses=[], beats_own_bow=chance)
    assert words.why(told, document()) == f"No single strength stands out; as a whole {said}"
    assert words.chance_words(chance, document()).startswith(word)


def test_an_entry_of_before_without_reasons_is_told_as_a_whole() -> None:
    doc = before_verdicts(shortlist=[entry(reasons=[], weaknesses=[])])
    assert words.why(doc["shortlist"][0], doc).startswith("No single strength stands out; as a whole")


@pytest.mark.parametrize("state", ["unrated", "none"])
def test_a_bow_that_was_not_rated_is_no_yardstick(state: str) -> None:
    assert "your own bow" not in words.why(entry(), document(own_bow={"state": state, "level": 5.0}))


def test_both_directions_of_every_criterion_differ() -> None:
    for criterion in Criterion:
        assert words.difference(criterion, 0.5) != words.difference(criterion, -0.5)


def test_the_recommendation_says_how_many_which_how_long_and_why_no_more() -> None:
    assert words.recommendation(document()) == (
        "Try four bows: three Juniper and one Rowan. "
        "It is likely (87\u00a0%) that you like at least one of them better than your own bow, if only a little. "
        "A fifth bow would add little. It takes about 40\u00a0minutes, your own bow included."
    )


def test_the_recommendation_names_what_holds_it_back() -> None:
    doc = document(notes=[{"code": "limited_by_time", "values": NOTE_VALUES["limited_by_time"]}])
    assert "There is no time for more." in words.recommendation(doc)
    assert "would add little" not in words.recommendation(doc)


@pytest.mark.parametrize(
    ("chance", "gain", "said"),
    [
        (0.029, 0.019, "A fifth bow would add little."),
        (0.03, 0.0, "With a fifth bow it would be 90\u00a0%."),
        (0.01, 0.02, "A fifth bow would win a little more, hardly worth its effort."),
        (0.01, 0.3, "One more bow would win more still, but is left out for the effort of bringing it."),
    ],
)
def test_a_further_bow_adds_little_only_where_it_does(chance: float, gain: float, said: str) -> None:
    doc = document()
    rows = doc["trial"]["by_copies"]
    rows[4] |= {"chance": rows[3]["chance"] + chance, "expected_gain": rows[3]["expected_gain"] + gain}
    assert said in words.recommendation(doc)


@pytest.mark.parametrize(
    ("chance", "gain", "said"),
    [
        (0.0, 0.01, "A fifth bow would add little."),
        (0.04, 0.03, "A fifth bow would win a little more, hardly worth its effort."),
        (0.04, 0.3, "One more bow would win more still, but is left out for the effort of bringing it."),
    ],
)
def test_while_only_the_prior_speaks_a_little_is_said_only_of_a_little(chance: float, gain: float, said: str) -> None:
    doc = document(model={"basis": "prior", "trials": 3})
    rows = doc["trial"]["by_copies"]
    rows[4] |= {"chance": rows[3]["chance"] + chance, "expected_gain": rows[3]["expected_gain"] + gain}
    assert said in words.recommendation(doc)


@pytest.mark.parametrize(
    ("ends", "tiers", "said"),
    [
        ("stock", 2, "No more suitable bows are at hand."),
        ("time", 2, "There is no time for more."),
        ("tiers", 2, "More suitable bows are at hand, but above your budget."),
        ("tiers", 3, "More suitable bows are at hand, but of a fourth model or above your budget."),
    ],
)
def test_where_there_are_no_more_rows_it_is_said_what_ends_them(ends: str, tiers: int, said: str) -> None:
    held, more = document()["trial"]["by_copies"][:4], [entry(tier="yew", copies=1), entry(tier="oak", copies=1)]
    doc = document(trial={"by_copies": held, "ends": ends})
    doc["shortlist"] += more[: tiers - 2]
    assert said in words.recommendation(doc)
    doc["trial"].pop("ends")
    assert "at hand" not in words.recommendation(doc), "of before it was kept: nothing is known of the stock"


def test_three_tiers_within_the_budget_are_said_to_be_enough() -> None:
    held = document()["trial"]["by_copies"][:4]
    tiers = [entry(tier=tier, copies=copies) for tier, copies in (("juniper", 2), ("yew", 1), ("oak", 1))]
    doc = document(shortlist=tiers, trial={"by_copies": held, "ends": "tiers"})
    assert "of a fourth model, and three are enough for one sitting." in words.recommendation(doc)


@pytest.mark.parametrize("code", ["one_bow", "few_at_hand"])
def test_that_no_more_can_be_had_is_said_only_where_the_stock_ends_the_case(code: str) -> None:
    notes = [{"code": code, "values": NOTE_VALUES[code]}]
    rows = document()["trial"]["by_copies"]
    for trial, said in (
        ({"ends": "stock", "by_copies": rows[:4]}, 1),
        ({"ends": "stock", "by_copies": rows}, 0),
        ({"ends": "tiers", "by_copies": rows[:4]}, 0),
        ({"by_copies": rows[:4]}, 0),
    ):
        assert len(words.notes(document(trial=trial, notes=notes))) == said, trial


def test_a_document_of_before_rows_told_their_bows_is_still_told() -> None:
    doc = before_verdicts()
    for row in doc["trial"]["by_copies"]:
        del row["bows"]
    told = Advice.model_validate(words.reply(doc))
    assert told.trial is not None
    assert [step.bows for step in told.trial.by_copies] == [1, 2, 3, 4, 5, 6]


def test_six_bows_are_said_to_be_as_many_as_an_ear_keeps_apart() -> None:
    assert "hard to keep apart" in words.recommendation(document(trial={"copies": 6, "runs": 8}))


def test_without_an_own_bow_nothing_is_said_to_be_included_or_beaten() -> None:
    doc = document(own_bow={"state": "none", "level": 5}, trial={"copies": 4, "runs": 4})
    assert "own bow" not in words.recommendation(doc)


def test_nothing_to_try_is_said_plainly() -> None:
    assert words.recommendation(document(trial=None)) == "There is nothing to try for these answers."


def test_how_sure_it_is_names_the_model_and_the_spread() -> None:
    sentence = words.sureness(document())
    assert sentence == (
        "Single bows differ: with a chance of 92\u00a0%, your mark for a bow of the model Juniper would be within 3\u00a0–\u2060\u00a06, on "
        "the scale from 1 to 7."
    )


def test_an_interval_with_ends_between_marks_as_older_advice_holds_it_is_told_as_it_is() -> None:
    older = document(shortlist=[entry(fit={"expected": 4.3, "low": 2.6, "high": 6.1, "level": 0.9})])
    assert "with a chance of 90\u00a0%" in words.sureness(older)
    assert "2.6\u00a0–\u2060\u00a06.1" in words.sureness(older)


def test_a_wide_interval_is_called_little_to_go_by() -> None:
    wide = document(shortlist=[entry(fit={"expected": 4, "low": 2, "high": 6, "level": 0.93})])
    assert words.is_wide(wide)
    assert words.sureness(wide).startswith("142 trials by bass players with the German hold are few")
    assert not words.is_wide(document())


def test_few_trials_count_as_wide_whatever_the_interval() -> None:
    assert words.is_wide(document(notes=[{"code": "few_trials", "values": {"trials": 31}}]))


def test_no_percentage_and_no_chance_is_given_while_only_the_prior_speaks() -> None:
    texts = list(every_text(under_the_prior()))
    assert not [text for text in texts if "%" in text or "percent" in text.replace("too few for percentages", "")]
    assert not [text for text in texts if re.search(r"\b0\.\d", text)]


def test_under_the_prior_it_says_that_it_is_not_sure() -> None:
    assert words.sureness(under_the_prior()).startswith("Not sure at all yet: 3 trials by bass players")


@pytest.mark.parametrize(
    "told",
    [
        *(
            (make, {"trial": trial})
            for make in (document, under_the_prior, curious, keep)
            for trial in ({}, {"copies": 1, "runs": 3})
        ),
        *((before_verdicts, {"trial": trial}) for trial in ({}, {"copies": 0}, {"copies": 1, "runs": 3}, None)),
        (ask, {}),
        (ladder, {}),
    ],
)
@pytest.mark.parametrize("state", ["rated", "unrated", "none"])
def test_every_text_is_a_finished_sentence_in_a_calm_voice(told: tuple[Any, dict[str, Any]], state: str) -> None:
    make, changes = told
    for text in every_text(make(**changes, own_bow={"state": state, "level": 4.0})):
        assert "!" not in text
        assert not re.search(r"[{}]|None(?! of these)|nan\b|  |\.\.", text)
        assert text == text.strip() != ""


@pytest.mark.parametrize("code", NOTE_VALUES)
def test_every_note_is_a_sentence_with_its_values_in_it(code: str) -> None:
    doc = of_all_there_is(notes=[{"code": code, "values": NOTE_VALUES[code]}])
    doc["shortlist"][0]["role"] = "sensible"
    (sentence,) = words.notes(doc)
    assert re.fullmatch(r"[A-Z“].*\.", sentence)


@pytest.mark.parametrize(
    ("code", "part"),
    [
        ("over_budget", "€900"),
        ("short_of_stock", "Two more bows of the model Juniper"),
        ("own_mass", "134\u00a0g"),
        ("limited_by_time", "20\u00a0minutes"),
        ("no_tier", "double bass with the French hold"),
        ("priorities_unknown", "off the string and ease"),
        ("few_outcomes", "of three trials only"),
        ("by_stock", "Harbour Strings"),
        ("few_trials", "31 trials"),
        ("few_at_hand", "Only two bows can be had today; three"),
        ("beyond_budget", "€900"),
        ("far_below_budget", "of the dearer bows within your budget"),
    ],
)
def test_a_note_says_its_values_in_words(code: str, part: str) -> None:
    assert part in words.notes(of_all_there_is(notes=[{"code": code, "values": NOTE_VALUES[code]}]))[0]


def test_what_is_above_the_budget_is_told_in_its_currency() -> None:
    doc = document()
    assert words.above_budget(entry(price=2840), doc) == "It is €240 above your budget."
    assert words.above_budget(entry(price=2600), doc) is None
    assert words.above_budget(entry(price=2840, currency="CHF"), doc) is None
    assert words.above_budget(entry(price=2840), document(answers={"budget": None})) is None


@pytest.mark.parametrize("instrument", list(Instrument))
def test_what_to_play_begins_softly_on_every_string_and_ends_with_the_players_own(instrument: Instrument) -> None:
    passages = words.what_to_play(instrument, list(Setting))
    assert "every string" in passages[0]
    assert "by heart" in passages[-1]
    assert len(passages) == 7  # more does not fit into about five minutes a bow (common practice, no source)


def test_the_way_of_trying_follows_common_practice() -> None:
    # Common practice, no source: own instrument and rosin, five minutes a bow, a listener across the room, a rest.
    text = " ".join(words.how_to_try())
    for part in ("own rosin", "five minutes", "across the room", "forty minutes"):
        assert part in text


@pytest.mark.parametrize(
    "doc",
    [
        document(),
        before_verdicts(),
        under_the_prior(),
        curious(),
        keep(),
        ask(),
        ladder(),
        document(trial=None, shortlist=[]),
    ],
)
@pytest.mark.parametrize("operator", [False, True])
def test_the_reply_keeps_to_the_published_shape(doc: dict[str, Any], operator: bool) -> None:
    Advice.model_validate(words.reply(doc, operator=operator))


def test_only_the_operator_is_told_which_serials_to_bring() -> None:
    assert not {"bring", "loved", "rejected"} & words.reply(document())["trial"].keys()
    assert words.reply(document(), operator=True)["trial"]["bring"][0] == "DB-0388"


def test_the_reply_keeps_the_figures_of_the_stored_document() -> None:
    doc = document()
    told = words.reply(doc)
    assert told["trial"]["by_copies"] == doc["trial"]["by_copies"]
    assert told["shortlist"][0]["fit"] == doc["shortlist"][0]["fit"]
    text = "Compared with your own bow, expect a quicker response."
    assert told["shortlist"][0]["reasons"][0] == doc["shortlist"][0]["reasons"][0] | {"text": text}
    assert told["verdict"] == doc["verdict"] | {"text": words.headline(doc)}


def test_making_the_reply_leaves_the_document_as_it_was() -> None:
    doc = document()
    words.reply(doc, operator=True)
    assert doc == document()


@pytest.mark.parametrize(
    ("reading", "low", "high", "said"),
    [
        ("mass_g", 130.2, 133.2, "one is 3\u00a0g heavier than the other"),
        (
            "balance_mm",
            190.0,
            196.5,
            "one balances 6.5\u00a0mm nearer the tip than the other",
        ),
        (
            "loss_factor",
            0.004,
            0.005,
            "the stick of one damps 25\u00a0% more than that of the other",
        ),
    ],
)
def test_two_bows_of_a_model_are_said_to_be_chosen_for_what_the_bench_reads_differently(
    reading: str, low: float, high: float, said: str
) -> None:
    told = [{"tier": "juniper", "reading": reading, "low": low, "high": high}]
    doc = document(shortlist=[entry(copies=2)], trial={"apart": told})
    assert words.difference_words("juniper", "Juniper", doc["trial"]) == f"Two Juniper were chosen because {said}."
    assert words.bring_words(doc["shortlist"][0], doc) == f"Try two Juniper. {said[:1].upper()}{said[1:]}."
    plain = document(shortlist=[entry(copies=2)])
    assert words.bring_words(plain["shortlist"][0], plain) == "Try two Juniper."


def test_every_reading_that_traits_are_made_of_can_set_two_bows_apart() -> None:
    for count in (2, 3):
        told = set()
        for name in bench_traits.USED:
            apart = [{"tier": "juniper", "reading": name, "low": 1.0, "high": 2.0}]
            doc = document(shortlist=[entry(copies=count)], trial={"apart": apart})
            told.add(words.bring_words(doc["shortlist"][0], doc).split(". ", 1)[1])
        assert len(told) == len(bench_traits.USED)


def test_of_more_bows_than_two_the_furthest_apart_are_spoken_of_and_of_one_none() -> None:
    told = [{"tier": "juniper", "reading": "mass_g", "low": 130.2, "high": 133.2}]
    said = {}
    for count in (1, 3):
        doc = document(shortlist=[entry(copies=count)], trial={"apart": told})
        said[count] = words.bring_words(doc["shortlist"][0], doc)
    assert said[3] == "Try three Juniper. The two furthest apart in weight differ by 3\u00a0g."
    assert said[1] == "Try one Juniper."
