"""The verdict is the headline, and no sentence of page, JSON, mail or desk contradicts it: a grid of invented documents."""

import itertools
import re
from collections.abc import Iterator
from typing import Any

import pytest

from service.advice import shortlist, words
from service.core.language import using
from service.web.api_examples import ADVICE
from service.web.api_schema import Advice
from tests.service.documents import (
    NO_CASE,
    NOTE_VALUES,
    ask,
    before_verdicts,
    curious,
    document,
    entry,
    keep,
    ladder,
    of_all_there_is,
)

PUSHES = r"\b[Tt]ry\b|\btrial:|[Ww]orth a|\badvised\b|[Bb]ring (one|two|three)|fits you best|suit you\b(?! best)|more bows could"
"""What pushes a trial, or promises that a model suits."""
OF_BOWS_TO_TRY = (
    r"\b[Tt]ry\b|to play during the trial|if you compare|these chances|take home|a fairer comparison|no comparison"
)
"""What speaks of bows to try."""


def every_text(doc: dict[str, Any]) -> list[str]:
    """Return all that a player reads of an advice: on the page, in the mail, in the JSON."""
    page = shortlist.told(doc)
    told = words.reply(doc, operator=True)
    texts = [
        page["title"],
        page["lead"],
        page["ground"],
        page["sureness"],
        page["play_heading"],
        *page["notes"],
        *page["tried"],
    ]
    texts += [text for card in page["tiers"] for text in (card.role, card.sentence, card.bring, *card.tried)]
    texts += [page["recommendation"], page["beside"]["more"] if page["beside"] else ""]
    texts += [told["trial"]["recommendation"], *told["notes"]] if told["trial"] else []
    texts += [one["text"] for tier in told["shortlist"] for one in (*tier["reasons"], *tier["weaknesses"])]
    return [text for text in texts if text]


def named(path: str, told: Any) -> dict[str, Any]:
    return {"code": path, "values": told}


def grid() -> Iterator[dict[str, Any]]:
    """Give documents of every verdict, own bow, basis and number of bows, with every note."""
    notes = [named(code, values) for code, values in NOTE_VALUES.items() if code not in {"over_budget", "prior_only"}]
    prior = {"version": None, "fitted": None, "basis": "prior", "trials": 3, "trials_all": 3}
    tried = [
        {"copy": "DB-0388", "tier": "juniper", "name": "Juniper", "mark": 6.0},
        {"copy": "DB-0999", "tier": "yew", "name": "Yew Gate", "mark": 2.0},
    ]
    for make, state, model, copies in itertools.product(
        (document, curious, keep, ask), ("rated", "unrated", "none"), ({}, prior), (1, 3, 6)
    ):
        if make is keep and state == "none":
            continue  # who has no bow is never told to keep one
        case = NO_CASE if make is ask else {"copies": copies, "runs": copies + 2, "minutes": 10 + 5 * copies}
        if make is not ask and copies == 3:
            case |= {"ends": "stock", "by_copies": document()["trial"]["by_copies"][:copies]}
        tiers = [
            entry(copies=0 if make is ask else copies),
            entry(tier="rowan", name="Rowan", role="contrast", copies=0),
        ]
        own = {"state": state, "level": 4.4}
        yield make(trial=case, own_bow=own, model=model, notes=notes, tried=tried, shortlist=tiers)


@pytest.mark.parametrize(
    ("doc", "said"),
    [
        (document(trial={"copies": 3}), "Worth a trial: three bows"),
        (document(trial={"copies": 1}), "Worth a trial: one bow"),
        (document(own_bow={"state": "none"}), "Worth a trial: four bows"),
        (curious(), "Worth a try if you are curious: four bows"),
        (curious(own_bow={"state": "none"}), "Worth getting to know: four bows"),
        (keep(), "Your own bow is hard to better with this budget"),
        (keep(answers={"budget": None}), "Your own bow is hard to better with what there is"),
        (
            keep(own_bow={"state": "unrated"}),
            "Unless you are unhappy with your own bow, it is hard to better with this budget",
        ),
        (ask(), "Nothing suitable is at hand today"),
        (ask(notes=[named("over_budget", NOTE_VALUES["over_budget"])]), "Nothing in the range is within your budget"),
    ],
)
def test_the_verdict_is_the_headline_everywhere(doc: dict[str, Any], said: str) -> None:
    assert words.headline(doc) == said
    assert shortlist.told(doc)["title"] == said
    assert words.reply(doc)["verdict"]["text"] == said


def test_to_keep_the_own_bow_says_from_which_price_on_that_changes() -> None:
    assert "From €4,100 on, with Yew Gate, that may change." in words.lead(keep())
    nothing = keep(verdict=keep()["verdict"] | {"changes_at": None, "higher_would_not": True})
    assert "A higher budget would not change that" in words.lead(nothing)


def test_nothing_is_said_of_higher_budgets_where_nothing_is_known_of_them() -> None:
    for flag in ({}, {"higher_would_not": False}):
        unknown = keep(verdict=keep()["verdict"] | {"changes_at": None} | flag)
        assert "budget" not in words.behind(unknown)
    anything = keep(
        answers={"budget": None}, verdict=keep()["verdict"] | {"changes_at": None, "higher_would_not": True}
    )
    assert "budget" not in words.behind(anything)


def test_where_nothing_is_at_hand_it_says_who_has_something() -> None:
    assert "The workshop has three Juniper." in words.lead(ask())
    assert words.bring_words(ask()["shortlist"][0], ask()) == "There are three Juniper at the workshop: ask for them."
    assert words.bring_words(ask()["shortlist"][1], ask()) == "Ask for Rowan."


@pytest.mark.parametrize(
    ("language", "said", "card"),
    [
        (
            "en",
            "Nothing suitable is at hand today but bows that you did not like",
            "None of the two Juniper here was to your liking: ask for another.",
        ),
        (
            "de",
            "Heute ist nichts Passendes da außer Bögen, die Ihnen nicht gefallen haben",
            "Von den zwei Juniper hier hat Ihnen keiner gefallen: Fragen Sie nach einem anderen.",
        ),
        (
            "fr",
            "Rien de convenable n’est disponible aujourd’hui, hormis des archets qui ne vous ont pas plu",
            "Aucun des deux Juniper qui sont ici ne vous a plu : demandez-en un autre.",
        ),
        (
            "it",
            "Oggi non c’è nulla di adatto, a parte archetti che non Le sono piaciuti",
            "Nessuno dei due Juniper che sono qui Le è piaciuto: ne chieda un altro.",
        ),
    ],
)
def test_where_no_bow_that_is_here_was_liked_that_is_said(language: str, said: str, card: str) -> None:
    tried = [{"copy": copy, "tier": "juniper", "name": "Juniper", "mark": 2.0} for copy in ("DB-1", "DB-2")]
    tiers = [entry(copies=0, at_hand=2), entry(tier="rowan", name="Rowan", role="contrast", copies=0, at_hand=0)]
    verdict = ask()["verdict"] | {"elsewhere": []}
    doc = ask(verdict=verdict, shortlist=tiers, tried=tried, trial=NO_CASE | {"rejected": ["DB-1", "DB-2"]})
    with using(language):
        page = shortlist.told(doc)
    assert page["title"] == said
    assert page["tiers"][0].bring == card
    over = doc | {"notes": [named("over_budget", NOTE_VALUES["over_budget"])]}
    assert words.headline(over) == "Nothing in the range is within your budget"


def test_a_tier_of_which_one_bow_here_was_not_played_is_simply_asked_for() -> None:
    tried = [{"copy": "DB-1", "tier": "juniper", "name": "Juniper", "mark": 2.0}]
    doc = ask(verdict=ask()["verdict"] | {"elsewhere": []}, tried=tried, trial=NO_CASE | {"rejected": ["DB-1"]})
    doc["shortlist"][0]["at_hand"] = 3
    assert words.bring_words(doc["shortlist"][0], doc) == "Ask for Juniper."


@pytest.mark.parametrize(
    ("usual", "here", "at_hand", "said"),
    [
        (0.58, 0.33, 2, "The two at hand suit you less, by what is known of them, than the model usually would: the chance that you like the best of them better than your own bow is 33\u00a0%, not 58\u00a0%."),
        (0.58, 0.33, 1, "The one at hand suits you less, by what is known of it, than the model usually would: the chance that you like it better than your own bow is 33\u00a0%, not 58\u00a0%."),
        (0.58, 0.52, 2, ""),
        # A single bow likelier than all of the case would contradict it.
        (0.89, 0.86, 1, "The one at hand suits you less, by what is known of it, than the model usually would: the chance that you like it better than your own bow is 86\u00a0%, not 89\u00a0%."),
        (0.58, 0.9, 2, ""),
        (0.58, None, None, ""),
    ],
)  # fmt: skip
def test_bows_at_hand_that_suit_less_than_their_model_are_said_to(
    usual: float, here: float | None, at_hand: int | None, said: str
) -> None:
    doc = document(shortlist=[entry(copies=1, beats_own_bow=usual, best_at_hand=here, at_hand=at_hand)])
    assert doc["trial"]["chance_one_beats_own_bow"] == 0.87
    plain = "Try one Juniper."
    assert words.bring_words(doc["shortlist"][0], doc) == (f"{plain} {said}" if said else plain)
    without = doc | {"own_bow": {"state": "none"}}
    good = re.sub("like (it|the best of them) better than your own bow", r"would call \1 good", said)
    assert words.bring_words(without["shortlist"][0], without) == (f"{plain} {good}" if said else plain)
    guessed = doc | {"model": doc["model"] | {"basis": "prior"}}
    assert words.bring_words(guessed["shortlist"][0], guessed) == plain


def test_to_keep_the_own_bow_is_contradicted_by_no_sentence() -> None:
    for doc in grid():
        if words.verdict_code(doc) == "keep":
            found = [text for text in every_text(doc) if re.search(PUSHES, text)]
            assert not found, found


def test_where_nothing_is_at_hand_no_sentence_speaks_of_bows_to_try() -> None:
    for doc in grid():
        if words.verdict_code(doc) == "ask":
            found = [text for text in every_text(doc) if re.search(f"{PUSHES}|{OF_BOWS_TO_TRY}", text)]
            assert not found, found


def test_only_an_advised_step_is_marked_and_only_where_a_trial_is_advised() -> None:
    for doc in grid():
        page = shortlist.told(doc)
        marked = [step.count for step in page["steps"] if step.here]
        assert marked == ([doc["trial"]["copies"]] if words.verdict_code(doc) in ("trial", "curious") else [])


def test_what_is_said_of_a_number_agrees_with_it() -> None:
    for doc in grid():
        text = " ".join(every_text(doc))
        figures = {int(figure) for figure in re.findall(r"(\d+)\u00a0%", text)}
        trial = doc["trial"]
        known = {doc["verdict"]["chance"], trial["chance_one_beats_own_bow"]}
        known |= {tier["beats_own_bow"] for tier in doc["shortlist"]} | {row["chance"] for row in trial["by_copies"]}
        assert figures <= {round(100 * chance) for chance in known}
        if doc["model"]["basis"] == "prior":
            assert not figures


def test_every_entry_has_a_reason_in_a_sentence() -> None:
    for doc in (*grid(), ladder(), before_verdicts()):
        for tier in doc["shortlist"]:
            assert re.fullmatch(r"[A-Z].+[.”]", words.why(tier, doc))
            assert all(re.fullmatch(r"[A-Z].+[.”]", words.reason_sentence(told, tier, doc)) for told in tier["reasons"])


def test_an_entry_without_bows_is_there_to_compare_with_or_to_be_asked_for() -> None:
    for doc in grid():
        for tier in doc["shortlist"]:
            said = words.bring_words(tier, doc)
            assert said.startswith("Try ") == (tier["copies"] > 0 and words.advises(doc))
            assert "none to try" not in said
            if not tier["copies"]:
                assert "ask for" in said.lower()
                assert words.role_words(tier, doc) != "Fits you best"


def test_the_steps_without_a_budget_are_named_as_steps() -> None:
    doc = ladder()
    assert [words.role_words(tier, doc) for tier in doc["shortlist"]] == [
        "A first step",
        "The sensible step",
        "Liked most, whatever it costs",
    ]


def test_one_bow_is_said_to_be_no_comparison_and_what_could_be_added() -> None:
    there = [{"tier": "rowan", "name": "Rowan", "where": "workshop", "count": 2}]
    one = {"trial": {"copies": 1}, "notes": [named("one_bow", {})]}
    assert words.notes(of_all_there_is(**one)) == [
        "Only one bow can be had, and one bow is no comparison. On a later day there may be more: ask us."
    ]
    assert words.notes(of_all_there_is(**one, verdict={"elsewhere": there})) == [
        ("Only one bow can be had, and one bow is no comparison. The workshop has two Rowan.")
    ]


def test_a_bow_played_before_stands_with_its_mark() -> None:
    tried = [{"copy": "DB-0417", "tier": "juniper", "name": "Juniper", "mark": 6.0}]
    doc = document(tried=tried)
    assert words.tried_here(doc["shortlist"][0], doc) == ["You gave DB-0417 6 of 7, and that counted."]
    assert words.tried_here(doc["shortlist"][1], doc) == []


@pytest.mark.parametrize("make", [document, curious, keep])
def test_no_word_to_the_player_tells_which_serials_are_brought_or_at_hand(make: Any) -> None:
    tried = [{"copy": "DB-0417", "tier": "juniper", "name": "Juniper", "mark": 6.0}]
    kinds = (
        {"bring": ["DB-0417"], "loved": ["DB-0417"]},
        {"bring": ["DB-1"], "rejected": ["DB-0417"]},
        {"bring": ["DB-1"]},
    )
    told = []
    for kind in kinds:
        doc = make(tried=tried)
        doc["trial"] |= kind
        told.append([*every_text(doc), words.reply(doc)])
    assert told[0] == told[1] == told[2]


def test_a_bow_played_before_of_a_tier_that_is_not_listed_is_told_too() -> None:
    doc = document(tried=[{"copy": "DB-0999", "tier": "yew", "name": "Yew Gate", "mark": 2.5}])
    assert words.tried_besides(doc) == ["You gave DB-0999, a Yew Gate, 2.5 of 7, and that counted."]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            {"tier": "rowan", "name": "Rowan", "points": 0.3},
            (
                "For up to €500 more than Juniper there is Rowan, which you would probably like 0.3 points better on the scale "
                "from 1 to 7."
            ),
        ),
        (
            {"tier": None, "name": None, "points": 0.0},
            "For €500 more than Juniper we know of nothing that you would like better.",
        ),
    ],
)
def test_what_more_money_buys_is_told(more: dict[str, Any], said: str) -> None:
    assert words.what_more_buys(document(more=more)) == said


def test_the_json_of_every_document_keeps_to_the_published_shape() -> None:
    vain = keep(verdict=keep()["verdict"] | {"changes_at": None, "higher_would_not": True})
    for doc in (*grid(), ladder(), vain):
        for operator in (False, True):
            Advice.model_validate(words.reply(doc, operator=operator))


def test_the_example_in_the_description_is_an_answer() -> None:
    told = Advice.model_validate(ADVICE)
    assert told.verdict is not None
    assert sum(tier.copies for tier in told.shortlist) == told.trial.copies if told.trial else False
    assert all(tier.reasons for tier in told.shortlist)


def test_who_reads_notes_at_the_desk_is_told_of_the_player() -> None:
    every = of_all_there_is(notes=[named(code, values) for code, values in NOTE_VALUES.items()])
    assert len(words.staff_notes(every)) == len(words.notes(every))
    assert not [note for note in words.staff_notes(every) if re.search(r"\b[Yy]ou(rs?)?\b", note)]
