"""The advice in words: plain, complete, in step with the figures, and without figures where only the prior speaks."""

import re
from collections.abc import Iterator
from typing import Any

import pytest

from model.vocabulary import Criterion, Hold, Instrument, Role, Setting
from service import words
from service.pages.schema import Advice
from service.words import phrases, playing, remarks
from tests.service.documents import NOTE_VALUES, document, entry, under_the_prior


def every_text(doc: dict[str, Any]) -> Iterator[str]:
    yield from (words.headline(doc), words.lead(doc), words.recommendation(doc), words.sureness(doc))
    yield from (*words.cautions(doc), *words.notes(doc))
    yield from (words.reason_sentence(tier, doc) for tier in doc["shortlist"])
    yield from (words.bring_words(tier) for tier in doc["shortlist"])
    yield from (effect["text"] for tier in words.reply(doc)["shortlist"] for effect in tier["reasons"])


@pytest.mark.parametrize(
    ("table", "vocabulary"),
    [
        (phrases.INSTRUMENTS, Instrument),
        (phrases.PLAYERS, Instrument),
        (phrases.PLAYERS_BY_HOLD, Hold),
        (phrases.HOLDS, Hold),
        (phrases.SETTINGS, Setting),
        (phrases.ROLES, Role),
        (phrases.CRITERIA, Criterion),
        (playing._BOUNCING, Instrument),
        (playing._BY_SETTING, Setting),
        (remarks.NOTES, NOTE_VALUES),
    ],
)
def test_every_word_of_the_vocabulary_has_its_phrase(table: dict[str, object], vocabulary: Any) -> None:
    assert set(table) == set(vocabulary)


def test_the_heading_counts_the_bows() -> None:
    assert words.headline(document()) == "Four bows to try, and why these"
    assert words.headline(document(trial={"copies": 1})) == "One bow to try, and why this one"


def test_the_heading_promises_no_trial_where_there_is_none() -> None:
    assert words.headline(document(trial=None)) == "What could suit you, and why"
    assert words.headline(document(trial=None, shortlist=[])) == "Nothing in the range fits these answers"


def test_the_lead_repeats_the_priorities_in_order_and_names_whose_trials_count() -> None:
    assert words.lead(document()) == (
        "You asked for quick response first, then a wide dynamic range. "
        "From 142 trials by bass players with the German hold we expect these tiers to suit you."
    )


def test_the_lead_without_priorities_begins_with_the_trials() -> None:
    assert words.lead(document(answers={"priorities": []})).startswith("From 142 trials")


def test_a_reason_names_the_strength_the_yardstick_and_the_weakness() -> None:
    assert words.reason_sentence(entry(), document()) == (
        "Likely to speak sooner than your own bow, but also to ask more of arm and hand."
    )


def test_two_strengths_stand_in_one_sentence() -> None:
    both = entry(
        reasons=[{"criterion": "response", "effect": 0.6}, {"criterion": "steadiness", "effect": 0.3}], weaknesses=[]
    )
    assert words.reason_sentence(both, document()) == (
        "Likely to speak sooner and to lie calmer on the string than your own bow."
    )


def test_a_small_strength_is_called_small() -> None:
    small = entry(reasons=[{"criterion": "tone", "effect": 0.2}], weaknesses=[])
    assert words.reason_sentence(small, document()).endswith(", if only a little.")


def test_without_a_strength_it_says_so() -> None:
    none = entry(reasons=[], weaknesses=[])
    assert words.reason_sentence(none, document()) == "No single strength stands out; it is the whole that fits."


def test_a_tier_that_is_unlikely_to_please_is_not_said_to_fit() -> None:
    none = entry(reasons=[], weaknesses=[], beats_own_bow=0.41)
    assert words.reason_sentence(none, document()) == "No single strength stands out."


def test_a_tier_with_nothing_to_bring_is_kept_in_mind_by_its_role() -> None:
    assert words.bring_words(entry(copies=0, role="step_up")) == "ask for it if the others leave you wishing"
    assert words.bring_words(entry(copies=0, role="best_value")) == "none to try at first"
    assert words.bring_words(entry(copies=3)) == "try 3 copies"


def test_a_single_tier_is_named_without_a_list() -> None:
    alone = document(shortlist=[entry(copies=4)])
    assert words.recommendation(alone).startswith("Try four bows, all of Juniper.")
    one = document(shortlist=[entry(copies=1)], trial={"copies": 1})
    assert words.recommendation(one).startswith("Try one bow of Juniper.")
    assert "this tier" in words.lead(one)


def test_a_weakness_is_told_even_without_a_strength() -> None:
    sentence = words.reason_sentence(entry(reasons=[]), document())
    assert sentence == "No single strength stands out; likely to ask more of arm and hand than your own bow."


@pytest.mark.parametrize("state", ["unrated", "none"])
def test_a_bow_that_was_not_rated_is_no_yardstick(state: str) -> None:
    sentence = words.reason_sentence(entry(), document(own_bow={"state": state, "level": None}))
    assert "your own bow" not in sentence


def test_both_directions_of_every_criterion_differ() -> None:
    for criterion in Criterion:
        assert words.criterion_advantage(criterion, 0.5) != words.criterion_advantage(criterion, -0.5)


def test_the_recommendation_says_how_many_which_how_long_and_why_no_more() -> None:
    assert words.recommendation(document()) == (
        "Try four bows: three of Juniper and one of Rowan. "
        "That at least one of them beats your own bow is very likely (98\u00a0%). "
        "It takes about 40 minutes, your own bow included. A fifth bow would add little."
    )


@pytest.mark.parametrize(
    ("codes", "said"),
    [
        (["limited_by_time"], "no time for more"),
        (["by_stock", "short_of_stock"], "A fifth bow from what is at hand"),
    ],
)
def test_the_recommendation_names_what_holds_it_back(codes: list[str], said: str) -> None:
    doc = document(notes=[{"code": code, "values": NOTE_VALUES[code]} for code in codes])
    assert said in words.recommendation(doc)
    assert "would add little" not in words.recommendation(doc)


def test_where_nothing_is_at_hand_no_further_bow_comes_from_there() -> None:
    doc = document(notes=[{"code": "short_of_stock", "values": NOTE_VALUES["short_of_stock"]}])
    assert "from what is at hand" not in words.recommendation(doc)


def test_where_every_bow_at_hand_is_in_the_case_no_more_are_said_to_be_there() -> None:
    held = document()["trial"]["by_copies"][:4]
    assert "no more copies at hand" in words.recommendation(document(trial={"by_copies": held}))


def test_where_no_bow_is_worth_a_trial_no_sentence_says_that_one_is_expected_to_suit() -> None:
    told = words.reply(document(trial={"copies": 0, "runs": 0, "minutes": 0}))
    assert told["trial"]["recommendation"] == "None of these is worth a trial against your own bow as things stand."
    lead = words.lead(document(trial={"copies": 0}))
    assert "your own bow to please you more than these" in lead
    assert "to suit you" not in lead


def test_a_document_of_before_rows_told_their_bows_is_still_told() -> None:
    doc = document()
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


def test_how_sure_it_is_names_the_trials_and_the_spread() -> None:
    sentence = words.sureness(document())
    assert sentence.startswith("142 trials by bass players with the German hold stand behind this.")
    assert "2.6\u00a0–\u00a06.1" in sentence


def test_a_wide_interval_is_called_little_to_go_by() -> None:
    wide = document(shortlist=[entry(fit={"expected": 4, "low": 1.5, "high": 6.5, "level": 0.9})])
    assert words.is_wide(wide)
    assert "that is little" in words.sureness(wide)
    assert not words.is_wide(document())


def test_few_trials_count_as_wide_whatever_the_interval() -> None:
    assert words.is_wide(document(notes=[{"code": "few_trials", "values": {"trials": 31}}]))


def test_no_percentage_and_no_chance_is_given_while_only_the_prior_speaks() -> None:
    texts = list(every_text(under_the_prior()))
    assert not [text for text in texts if "%" in text or "percent" in text.replace("too few for percentages", "")]
    assert not [text for text in texts if re.search(r"\b0\.\d", text)]


def test_under_the_prior_it_says_that_it_is_not_sure() -> None:
    assert words.sureness(under_the_prior()).startswith("Not sure at all yet: 3 trials by bass players")


@pytest.mark.parametrize("make", [document, under_the_prior])
@pytest.mark.parametrize("trial", [{}, {"copies": 0}, {"copies": 1, "runs": 3}, None])
@pytest.mark.parametrize("state", ["rated", "unrated", "none"])
def test_every_text_is_a_finished_sentence_in_a_calm_voice(make: Any, trial: Any, state: str) -> None:
    for text in every_text(make(trial=trial, own_bow={"state": state, "level": 4.0})):
        assert "!" not in text
        assert not re.search(r"[{}]|None(?! of these)|nan\b|  ", text)
        assert text == text.strip() != ""


@pytest.mark.parametrize("code", NOTE_VALUES)
def test_every_note_is_a_sentence_with_its_values_in_it(code: str) -> None:
    (sentence,) = words.notes(document(notes=[{"code": code, "values": NOTE_VALUES[code]}]))
    assert re.fullmatch(r"[A-Z].*\.", sentence)


@pytest.mark.parametrize(
    ("code", "part"),
    [
        ("over_budget", "900\u00a0€"),
        ("short_of_stock", "Two more copies of Juniper"),
        ("own_mass", "134\u00a0g"),
        ("limited_by_time", "20 minutes"),
        ("no_tier", "double bass with the French hold"),
        ("priorities_unknown", "off the string and ease"),
        ("few_outcomes", "of three trials only"),
        ("by_stock", "Harbour Strings"),
        ("few_trials", "31 trials"),
    ],
)
def test_a_note_says_its_values_in_words(code: str, part: str) -> None:
    assert part in words.notes(document(notes=[{"code": code, "values": NOTE_VALUES[code]}]))[0]


def test_what_is_above_the_budget_is_told_in_its_currency() -> None:
    doc = document()
    assert words.above_budget(entry(price=2840), doc) == "This is 240\u00a0€ above your budget."
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


@pytest.mark.parametrize("doc", [document(), under_the_prior(), document(trial=None, shortlist=[])])
@pytest.mark.parametrize("operator", [False, True])
def test_the_reply_keeps_to_the_published_shape(doc: dict[str, Any], operator: bool) -> None:
    Advice.model_validate(words.reply(doc, operator=operator))


def test_only_the_operator_is_told_which_serials_to_bring() -> None:
    assert "bring" not in words.reply(document())["trial"]
    assert words.reply(document(), operator=True)["trial"]["bring"][0] == "DB-0388"


def test_the_reply_keeps_the_figures_of_the_stored_document() -> None:
    doc = document()
    told = words.reply(doc)
    assert told["trial"]["by_copies"] == doc["trial"]["by_copies"]
    assert told["shortlist"][0]["fit"] == doc["shortlist"][0]["fit"]
    assert told["shortlist"][0]["reasons"][0]["text"] == "Likely to speak sooner than your own bow."


def test_making_the_reply_leaves_the_document_as_it_was() -> None:
    doc = document()
    words.reply(doc, operator=True)
    assert doc == document()
