"""Histories with too little or too odd in them: a finite answer, or a sentence; never a NaN."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from model.choice import ExclusionReason
from model.domain.records import Answers, Copy, Event, Outcome, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, Criterion, EventKind, Instrument, OutcomeKind
from model.preference.model import PreferenceModel
from model.preference.prediction import Prediction
from model.trial import Offer, proposal_for
from tests.model.worlds import START, VIOLIN, drawn_trials, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([3, 2, 1])
ALL_FIVES = dict.fromkeys(CRITERIA, 5.0)

HISTORIES: dict[str, Callable[[], list[Trial]]] = {
    "no trial": list,
    "a trial without runs": lambda: [trial(0, [])],
    "a run without marks": lambda: [trial(0, [("a0", {})])],
    "one mark": lambda: [trial(0, [("a0", {O: 7.0})])],
    "one player": lambda: [trial(0, [(serial, {O: 3.0 + n % 4}) for n, serial in enumerate(RANGE.copies)])],
    "one copy": lambda: [trial(n, [("a0", {O: 1.0 + n % 7, TONE: 4.0})]) for n in range(12)],
    "all marks equal": lambda: [trial(n, [(serial, ALL_FIVES) for serial in RANGE.copies]) for n in range(10)],
    "all marks 4": lambda: [
        trial(n, [(serial, dict.fromkeys(CRITERIA, 4.0)) for serial in RANGE.copies]) for n in range(9)
    ],
    "a tier never tried": lambda: [
        trial(n, [("a0", {O: 4.0}), ("b1", {O: 2.0 + n % 4}), (None, {O: 5.0})]) for n in range(9)
    ],
    "all marks at the top": lambda: [trial(n, [("a0", {O: 7.0}), ("b0", {O: 7.0})]) for n in range(30)],
    "one copy a tier": lambda: [
        trial(n, [("a0", {O: 3.0}), ("b0", {O: 5.0 + n % 2}), ("c0", {O: 6.0})]) for n in range(8)
    ],
    "a copy played by one player only": lambda: [*drawn_trials(RANGE, 10, 2, seed=1), trial(77, [("c0", {O: 6.0})])],
    "every player another copy": lambda: [trial(n, [(s, {O: 2.0 + n})]) for n, s in enumerate(RANGE.copies) if n < 5],
    "own bows only": lambda: [trial(n, [(None, {O: 2.0 + n % 5})]) for n in range(25)],
    "a criterion never rated": lambda: [trial(n, [("a0", {O: 4.0}), ("b1", {O: 2.0 + n % 3})]) for n in range(25)],
    "never overall": lambda: [trial(n, [("a0", {TONE: 4.0}), ("b1", {TONE: 2.0 + n % 3})]) for n in range(25)],
    "criteria that are copies of each other": lambda: [
        trial(n, [(s, dict.fromkeys(CRITERIA, 1.0 + (n + k) % 7)) for k, s in enumerate(RANGE.copies)])
        for n in range(25)
    ],
    "one player many times": lambda: [replace(t, player="same") for t in drawn_trials(RANGE, 20, 3, seed=2)],
    "one player with a hundred trials": lambda: [
        replace(t, player="keen") if n % 10 else t for n, t in enumerate(drawn_trials(RANGE, 111, 3, seed=2))
    ],
    "marks at the ends only": lambda: [
        trial(n, [("a0", {O: 1.0}), ("b0", {O: 7.0}), (None, {O: 1.0})]) for n in range(25)
    ],
    "one copy again and again": lambda: [trial(0, [("a0", {O: 3.0 + n % 2}) for n in range(200)])],
}

ASKED: dict[str, tuple[Answers, tuple[Run, ...]]] = {
    "bare": (VIOLIN, ()),
    "full": (
        Answers(
            Instrument.VIOLIN,
            priorities=(TONE, Criterion.EASE),
            wish_mass=-1,
            wish_tone=1,
            own_bow=OwnBow(mass_g=75.0, ratings={O: 7.0, TONE: 1.0}),
        ),
        tuple(Run(n + 1, "a0", ALL_FIVES) for n in range(25)),
    ),
    "no bow": (Answers(Instrument.VIOLIN, plays_no_bow=True), (Run(1, "c0", {O: 7.0}), Run(2, "c0", {O: 1.0}))),
}


def assert_sound(found: Prediction) -> None:
    """Every number finite, every deviation and probability in its range, the covariance one."""
    numbers = (found.mean, found.cov, found.stock.offset, [found.own_level])
    assert all(np.isfinite(array).all() for array in numbers)
    deviations = (found.fit_sd, found.spread, found.stock.spread, [found.noise])
    assert all((np.asarray(array) > 0).all() and np.isfinite(array).all() for array in deviations)
    assert np.linalg.eigvalsh(found.cov).min(initial=0.0) > -1e-10
    assert (found.mean > 0.0).all()
    assert (found.mean < 9.0).all()


@pytest.mark.parametrize("history", HISTORIES)
def test_an_odd_history_still_gives_a_sound_answer(history: str) -> None:
    model = PreferenceModel(RANGE).fit(HISTORIES[history](), [Event("a0", START, EventKind.REHAIRED)])
    for answers, runs in ASKED.values():
        found = model.outlook(answers, runs)
        assert_sound(found)
        prices = {"a": 500.0, "b": 900.0, "c": 2000.0}
        offers = [Offer(prices=prices, budget=1000.0, at_hand=frozenset(RANGE.copies)), Offer(prices=prices)]
        for offer in offers:
            proposal = proposal_for(model.view_, answers, runs, offer)
            assert proposal.case is not None
            assert all(np.isfinite([row.gain, row.chance]).all() for row in proposal.case.rows)
            assert np.isfinite([proposal.verdict.chance, proposal.verdict.gain]).all()
            assert all(entry.reasons for entry in proposal.entries)


def test_contradictory_outcomes_are_left_out_and_counted() -> None:
    """Kept without being played; brought back without being kept; kept and none kept."""
    trials = drawn_trials(RANGE, 30, 3, seed=4)
    played = {t.key: {run.copy for run in t.runs} for t in trials}
    other = next((t.key, serial) for t in trials for serial in RANGE.copies if serial not in played[t.key])
    back, both = [(t.key, next(run.copy for run in t.runs if run.copy)) for t in trials if t.key != other[0]][:2]
    told = [
        Outcome(other[0], START, OutcomeKind.KEPT, other[1]),
        Outcome(back[0], START, OutcomeKind.RETURNED, back[1]),
        Outcome(both[0], START, OutcomeKind.KEPT, both[1]),
        Outcome(both[0], START, OutcomeKind.NONE, None),
    ]
    model = PreferenceModel(RANGE).fit(trials, outcomes=told)
    keeping = model.posterior_.keeping
    assert keeping is not None
    assert keeping.left_out[ExclusionReason.NOT_PLAYED] == 1
    assert keeping.outcomes + sum(keeping.left_out.values()) == 3
    assert_sound(model.outlook(VIOLIN))


def test_a_range_without_copies_or_tiers_still_gives_an_answer() -> None:
    for range_ in (Range({}, {}), Range({"a": Tier("a", Instrument.VIOLIN, 1)}, {})):
        assert_sound(PreferenceModel(range_).fit([]).outlook(VIOLIN))


def test_thirty_tiers_and_five_hundred_copies_are_sound() -> None:
    tiers = {f"t{n:02d}": Tier(f"t{n:02d}", Instrument.VIOLIN, n + 1) for n in range(30)}
    copies = [replace(copy, serial=f"{slug}-{n}", tier=slug) for slug in tiers for n, copy in enumerate(_seventeen())]
    range_ = Range(tiers, {copy.serial: copy for copy in copies[:500]})
    found = PreferenceModel(range_).fit(drawn_trials(range_, 60, 4, seed=9)).outlook(*ASKED["bare"])
    assert_sound(found)
    assert (len(found.tiers), len(found.stock.serials)) == (30, 500)


def _seventeen() -> list[Copy]:
    return list(violins([17]).copies.values())
