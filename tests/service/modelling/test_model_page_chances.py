"""What the model's page says of chances told: bins, test, and what is done about it."""

from typing import Any

import pytest

from model.evaluation import POLICIES
from service.core.language import gettext, using
from service.modelling.model_page import answer_influence, parts_worth, sureness, told_chances
from service.modelling.model_page.model_page_data import Passage


def stored(slope: float = 1.0, **changed: Any) -> dict[str, Any]:
    """A check-up as it is kept, with one bin of one kind of chance."""
    one = {"low": 0.9, "high": 1.0, "count": 57, "told": 0.94, "won": {"mean": 0.89, "error": 0.03}}
    goodness = {"statistic": 9.5, "bins": 10, "p": 0.45} if slope == 1.0 else {"statistic": 40.5, "bins": 10, "p": 1e-4}
    chances = {"goodness": goodness, "mended": None, "slope": slope, "curves": {"of_copy": {"bins": [one]}}}
    return {"chances": chances | changed}


def shown(report: dict[str, Any]) -> Passage:
    found = told_chances.shown(told_chances.read(report))
    assert found is not None
    return found


def test_chances_that_come_true_are_shown_with_their_bins() -> None:
    found = shown(stored())
    assert found.numbers.rows == (("A bow by name", "90\xa0% and 100\xa0%", "94\xa0%", "89\xa0±\xa03", "57"),)
    assert found.sentences[2:] == (
        "Chi-square 9.5 over 10 bins; by chance alone it is as large in 45\xa0% of cases.",
        "What our estimate says of marks is in keeping with that.",
    )


def test_it_is_said_that_true_liking_is_told_nearer_to_a_half_than_marks_would_show() -> None:
    assert "factor 0.90" in shown(stored()).sentences[1]


@pytest.mark.parametrize(("slope", "how"), [(0.8, "too boldly"), (1.25, "too timidly")])
def test_a_recalibration_in_use_is_said(slope: float, how: str) -> None:
    assert how in shown(stored(slope)).sentences[-1]
    assert f"factor {slope:.2f}" in shown(stored(slope)).sentences[-1]


def test_too_few_players_to_test_are_said_to_be() -> None:
    assert shown(stored(goodness=None)).sentences[-1] == "There are too few players yet to say whether they come true."


@pytest.mark.parametrize("report", [{}, {"chances": None}, stored(curves={}), {"beats_own_bow": {"of_tier": []}}])
def test_a_check_up_without_chances_shows_none(report: dict[str, Any]) -> None:
    assert told_chances.shown(told_chances.read(report)) is None


def test_answers_are_shown_with_what_they_change_the_most_telling_first() -> None:
    found = answer_influence.shown(
        {"settings": {"given": 40, "anything": 10, "bows": 8}, "budget": {"given": 20, "anything": 15}}
    )
    assert found is not None
    assert [row[:3] for row in found.numbers.rows] == [
        ("Your budget", "20", "75\xa0%"),
        ("Where and what you play", "40", "25\xa0%"),
    ]
    assert found.numbers.rows[1][5] == "20\xa0%"
    assert answer_influence.shown({}) is None


def checked(told: int, **better: dict[str, float]) -> dict[str, Any]:
    scores = [{"method": "model", "better": {}}]
    scores += [{"method": name.replace("_", " "), "better": {"rmse": of}} for name, of in better.items()]
    return {"told": told, "scores": scores}


def test_what_each_part_of_the_model_takes_away_from_its_error_is_shown_by_bows_rated() -> None:
    states = [
        checked(0, without_priorities={"mean": 0.002, "error": 0.001}, tier_mean={"mean": 0.13, "error": 0.02}),
        checked(1, without_priorities={"mean": -0.001, "error": 0.001}),
    ]
    found = parts_worth.shown(parts_worth.read({"by_player": {"overall": states}}))
    assert found is not None
    assert found.numbers.head == ("Part", "After no bows", "After one bow")
    assert found.numbers.rows == (
        ("All that is known beyond the model", "+0.130\xa0±\xa00.020", "–"),
        ("What the player says matters", "+0.002\xa0±\xa00.001", "−0.001\xa0±\xa00.001"),
    )
    assert parts_worth.shown(parts_worth.read({"by_player": {"overall": [checked(0)]}})) is None
    assert parts_worth.shown(parts_worth.read({})) is None


@pytest.mark.parametrize(
    ("mean", "said"),
    [
        (
            0.031,
            "What the bench measures helps with bows that nobody has rated yet: with it the error of a mark changes by −0.031",
        ),
        (
            0.012,
            "Whether what the bench measures helps with bows that nobody has rated yet cannot be told so far: with it",
        ),
        (
            -0.031,
            "What the bench measures does not help with bows that nobody has rated yet: with it the error of a mark",
        ),
    ],
)
def test_whether_the_bench_helps_with_new_copies_is_said(mean: float, said: str) -> None:
    of_copies = checked(0, without_bench_traits={"mean": mean, "error": 0.01})
    states = [checked(0, tier_mean={"mean": 0.13, "error": 0.02})]
    found = parts_worth.shown(parts_worth.read({"by_player": {"overall": states}, "by_copy": {"overall": [of_copies]}}))
    assert found is not None
    assert found.sentences[1].startswith(said)
    assert len(found.numbers.rows) == 1, "its own figures are of copies held out, not of players"


@pytest.mark.parametrize("language", ["de", "fr", "it"])
def test_every_rule_of_thumb_that_a_check_up_is_held_against_has_words_in_every_language(language: str) -> None:
    assert set(sureness.RULES) == set(POLICIES)
    with using(language):
        assert not {gettext(said) for said in sureness.RULES.values()} & set(sureness.RULES.values())
