"""What the model is told: a record that exists is valid, and a refusal names the field."""

from collections.abc import Callable
from datetime import date

import pytest

from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import Criterion, Hold, Instrument

NAN = float("nan")
VIOLIN, BASS = Instrument.VIOLIN, Instrument.DOUBLE_BASS
TONE, RESPONSE, CLARITY, EASE = Criterion.TONE, Criterion.RESPONSE, Criterion.CLARITY, Criterion.EASE

REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "a grade of 0": (lambda: Tier("x", VIOLIN, 0), "tier x: got grade 0, expected 1 or more"),
    "a bass tier without holds": (lambda: Tier("x", BASS, 1), "tier x: got holds"),
    "a violin tier with a hold": (lambda: Tier("x", VIOLIN, 1, frozenset({Hold.FRENCH})), "for the double bass only"),
    "a tier built for either": (
        lambda: Tier("x", BASS, 1, frozenset({Hold.EITHER})),
        "expected german, french or both",
    ),
    "a step of 3": (
        lambda: Tier("x", VIOLIN, 1, character={TONE: 3}),
        "tier x: got 3 for its tone, expected a step from -2 to 2",
    ),
    "half a step": (lambda: Tier("x", VIOLIN, 1, character={EASE: 0.5}), "tier x: got 0.5 for its ease"),  # type: ignore[dict-item]  # refused
    "a mass of 0": (lambda: Bench(mass_g=0.0), "mass_g: got 0.0, expected a number above 0"),
    "a negative loss factor": (lambda: Bench(loss_factor=-0.1), "loss_factor: got -0.1"),
    "an infinite speed": (lambda: Bench(speed_of_sound_m_s=float("inf")), "speed_of_sound_m_s: got inf"),
    "an own bow of no mass": (lambda: OwnBow(mass_g=NAN), "own bow's mass_g: got nan"),
    "an own bow rated 8": (
        lambda: OwnBow(ratings={TONE: 8.0}),
        "own bow: got 8.0 for tone, expected a rating from 1 to 7",
    ),
    "a run rated 0": (lambda: Run(2, "v", {TONE: 0.0}), "run 2: got 0.0 for tone"),
    "a run rated nan": (lambda: Run(2, "v", {TONE: NAN}), "run 2: got nan for tone"),
    "a run at position 0": (lambda: Run(0, "v", {}), "position: got 0, expected 1 or more"),
    "a violin player with a hold": (lambda: Answers(VIOLIN, Hold.GERMAN), "hold: got"),
    "a bass player without a hold": (lambda: Answers(BASS), "hold: got None for the double_bass"),
    "four priorities": (lambda: Answers(VIOLIN, priorities=(TONE, RESPONSE, CLARITY, EASE)), "at most three different"),
    "a priority named twice": (lambda: Answers(VIOLIN, priorities=(TONE, TONE)), "at most three different"),
    "overall as a priority": (lambda: Answers(VIOLIN, priorities=(Criterion.OVERALL,)), "priorities: got overall"),
    "a bow and none": (
        lambda: Answers(VIOLIN, own_bow=OwnBow(), plays_no_bow=True),
        "own_bow: got a bow together with",
    ),
    "a wish of 2": (lambda: Answers(VIOLIN, wish_mass=2), "wish_mass: got 2, expected -1, 0 or 1"),
    "a wish for tone of -2": (lambda: Answers(VIOLIN, wish_tone=-2), "wish_tone: got -2"),
    "a copy of no tier": (lambda: Range({}, {"v": Copy("v", "x")}), "copy v: got the unknown tier 'x'"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_is_refused_with_the_fields_name(case: str) -> None:
    make, sentence = REFUSED[case]
    with pytest.raises(ValueError, match=sentence):
        make()


def test_the_ends_of_the_scale_are_ratings() -> None:
    assert Run(1, None, {TONE: 1.0, EASE: 7.0}).ratings[EASE] == 7.0
    assert OwnBow(ratings={TONE: 1.0}).ratings[TONE] == 1.0


@pytest.mark.parametrize(
    ("holds", "hold", "suits"),
    [
        ({Hold.GERMAN}, Hold.GERMAN, True),
        ({Hold.GERMAN}, Hold.FRENCH, False),
        ({Hold.GERMAN}, Hold.EITHER, True),
        ({Hold.GERMAN, Hold.FRENCH}, Hold.FRENCH, True),
    ],
)
def test_a_bass_tier_suits_the_holds_it_is_built_for(holds: set[Hold], hold: Hold, suits: bool) -> None:
    assert Tier("x", BASS, 1, frozenset(holds)).suits(BASS, hold) is suits


def test_a_tier_suits_its_own_instrument_only() -> None:
    tier = Tier("x", VIOLIN, 1)
    assert tier.suits(VIOLIN, None)
    assert not tier.suits(Instrument.VIOLA, None)


def test_a_record_cannot_be_changed() -> None:
    trial = Trial("t", "p", date(2031, 1, 1), Answers(VIOLIN), ())
    with pytest.raises(AttributeError):
        trial.key = "u"  # type: ignore[misc]  # the refusal is what is tested
