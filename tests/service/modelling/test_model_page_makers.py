"""The model's page on makers' words: beside what trials say, how much is whose, and where the two clearly disagree."""

import re
from dataclasses import replace

from model.domain.vocabulary import Criterion
from model.preference import FittedModel, PreferenceModel
from service.modelling.model_page import makers_section
from service.modelling.model_page.model_page_data import Passage
from tests.model.preference.test_character import PLAIN, RANGE, fitted

NAMES = {"a": "Heron", "b": "Plover", "c": "Wren"}


def section(posterior: FittedModel, **said: dict[Criterion, int]) -> Passage:
    """The section, something else being said by now of some tiers."""
    tiers = {slug: replace(of, character=said.get(slug, of.character)) for slug, of in RANGE.tiers.items()}
    return makers_section.section(posterior, tiers, NAMES)


def shares(found: Passage) -> list[int]:
    """What trials and what makers have told, in per cent."""
    return [int(share) for share in re.findall(r"\d+(?=\xa0%)", found.sentences[1])]


def test_each_word_stands_beside_what_trials_say() -> None:
    found = section(fitted(0, 0.6))
    cells = {(line[0], line[1]): line[2:] for line in found.numbers.rows}
    assert list(cells) == [("Heron", "Tone"), ("Plover", "Response")]
    assert cells["Heron", "Tone"][:2] == ("as usual for its grade (0.0)", "too little to say")
    assert cells["Plover", "Response"][:2] == ("speaks much sooner (+0.6)", "too little to say")
    assert "about 8 ratings" in found.sentences[0]
    assert found.sentences[-1] == "Nowhere do trials clearly disagree with a maker."


def test_how_much_trials_and_makers_have_told_adds_up_and_moves_towards_the_trials() -> None:
    found = [shares(section(fitted(number, 0.6))) for number in (0, 5, 60)]
    assert found[0] == [0, 100]
    assert found == sorted(found)
    assert found[-1][0] > 40
    assert [sum(each) for each in found] == [100, 100, 100]


def test_where_trials_clearly_disagree_it_is_said_in_words() -> None:
    found = section(fitted(60, -0.6))
    assert "Plover, Response: the maker says ‘speaks much sooner’, trials say ‘speaks much later’." in found.sentences
    (line,) = [line for line in found.numbers.rows if line[:2] == ("Plover", "Response")]
    assert line[3].startswith("speaks much later (−")
    assert line[3].endswith("clearly something else")


def test_words_that_wait_for_the_next_fit_are_named() -> None:
    waiting = section(fitted(5, 0.6), b={Criterion.RESPONSE: 1})
    assert waiting.sentences[-1] == (
        "Since this version was fitted, something else is said of Plover: that counts from the next fit."
    )
    assert waiting.numbers == section(fitted(5, 0.6)).numbers


def test_without_a_makers_word_it_says_where_one_is_said() -> None:
    found = makers_section.section(PreferenceModel(PLAIN).fit([]).posterior_, PLAIN.tiers, NAMES)
    assert found.numbers.rows == ()
    assert found.sentences == (
        "This version was made without a maker’s word on any model. What a model is meant to be is said under Range.",
    )
