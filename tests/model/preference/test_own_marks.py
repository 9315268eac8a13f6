"""A better mark of the own bow never makes a new bow likelier to beat it, whatever else is known."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
import pytest
from scipy.special import ndtr

from model.domain.arrays import Floats
from model.domain.records import Answers, OwnBow, Run
from model.domain.vocabulary import CRITERIA, Criterion, Hold, Instrument, Setting
from model.features.copy_history import ServiceIntervals
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import ratings_kept
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.trial.joint import joint_posterior
from tests.model.preference.test_predict import BLOCKS, KNOWN_RANGE, RANGE, REHAIRED
from tests.model.worlds import basses, drawn_trials, joined, made_up_posterior, violins

O, RESPONSE, STEADINESS = Criterion.OVERALL, Criterion.RESPONSE, Criterion.STEADINESS  # noqa: E741 - overall
ALONE = np.eye(len(CRITERIA))[0]
MARKS = (2.0, 4.0, 7.0)


@cache
def made_up() -> CataloguePosterior:
    """A law with random numbers everywhere."""
    return CataloguePosterior(
        made_up_posterior(KNOWN_RANGE, BLOCKS, seed=3), RANGE, ServiceIntervals.from_events(REHAIRED)
    )


@cache
def fitted() -> CataloguePosterior:
    """A fit to drawn trials of violins, laid over violins and basses."""
    violin = violins([4, 4])
    return PreferenceModel(joined(violin, basses())).fit(drawn_trials(violin, 60, 4, seed=5)).view_


@cache
def believed() -> CataloguePosterior:
    """The beliefs before any trial."""
    return PreferenceModel(joined(violins([4, 4]), basses())).fit([]).view_


VIEWS = {"made up": made_up, "fitted": fitted, "believed": believed}
PLAYERS: Mapping[str, Answers] = {
    "violin": Answers(Instrument.VIOLIN),
    "soloist with wishes": Answers(
        Instrument.VIOLIN,
        settings=frozenset({Setting.SOLO}),
        priorities=(STEADINESS, RESPONSE),
        wish_mass=-1,
        wish_tone=1,
    ),
    "german bass": Answers(Instrument.DOUBLE_BASS, Hold.GERMAN),
    "bass of either hold": Answers(Instrument.DOUBLE_BASS, Hold.EITHER, settings=frozenset({Setting.ORCHESTRA})),
}
TRIED = {
    Instrument.VIOLIN: (Run(3, "a0", {O: 6.0, RESPONSE: 6.0}), Run(3, "b1", dict.fromkeys(CRITERIA, 3.0))),
    Instrument.DOUBLE_BASS: (Run(3, "gf0", {O: 5.0, STEADINESS: 7.0}),),
}
RATED: Sequence[Sequence[Criterion]] = (
    (O,),
    (O, STEADINESS),
    (O, RESPONSE, STEADINESS),
    (STEADINESS,),
    tuple(CRITERIA),
)


def chances(view: CataloguePosterior, answers: Answers, own: Mapping[Criterion, float], runs: Sequence[Run]) -> Floats:
    """P(liked better than the own bow) of an unknown copy of each tier, then of each copy by name."""
    player = Player(view, replace(answers, own_bow=OwnBow(ratings=own)), runs)
    law = joint_posterior(player, ALONE, [None, *player.suited.serials])
    T = len(law.tiers)
    others = [*range(T), *range(T + 1, len(law.mean))]
    variance = np.diag(law.cov)[others] + law.cov[T, T] - 2 * law.cov[T, others]
    variance[:T] += law.spread**2
    return np.asarray(ndtr((law.mean[others] - law.mean[T]) / np.sqrt(variance)))


def played() -> Iterator[tuple[str, str, bool, Sequence[Criterion]]]:
    for view, player, tried, rated in product(VIEWS, PLAYERS, (False, True), RATED):
        if not (view == "made up" and "bass" in player):
            yield view, player, tried, rated


@pytest.mark.parametrize(("view", "player", "tried", "rated"), [*played()])
def test_no_chance_rises_with_a_mark_of_the_own_bow(
    view: str, player: str, tried: bool, rated: Sequence[Criterion]
) -> None:
    answers = PLAYERS[player]
    runs = TRIED[answers.instrument] if tried else ()
    for raised in (*((criterion,) for criterion in rated), tuple(rated)):
        told = [
            chances(VIEWS[view](), answers, {**dict.fromkeys(rated, 4.0), **dict.fromkeys(raised, mark)}, runs)
            for mark in MARKS
        ]
        assert len(told[0]) > len(VIEWS[view]().suited(answers.instrument, answers.hold).tiers)
        assert np.diff(told, axis=0).max() <= 1e-12, f"raised: {raised}"


def test_a_mark_of_the_whole_own_bow_counts() -> None:
    low, high = (chances(fitted(), PLAYERS["violin"], dict.fromkeys(CRITERIA, mark), ()) for mark in (3.0, 6.0))
    assert np.all(low - high > 0.1)


def test_which_marks_count_does_not_hang_on_their_values() -> None:
    counted = set()
    for mark in MARKS:
        own = {O: 4.0, RESPONSE: mark, STEADINESS: 9.0 - mark}
        player = Player(made_up(), replace(PLAYERS["violin"], own_bow=OwnBow(ratings=own)), TRIED[Instrument.VIOLIN])
        counted.add(tuple(player.counted[0].tolist()))
    assert len(counted) == 1


def test_all_marks_of_other_bows_count() -> None:
    own = OwnBow(ratings=dict.fromkeys(CRITERIA, 4.0))
    player = Player(made_up(), replace(PLAYERS["violin"], own_bow=own), TRIED[Instrument.VIOLIN])
    copy = player.players.ratings.layout.copy[player.counted]
    assert np.count_nonzero(copy >= 0) == 2 + len(CRITERIA)
    assert np.count_nonzero(copy < 0) < len(CRITERIA)


# The rule by itself


def test_the_mark_with_the_most_positive_coefficient_goes_first() -> None:
    # Uncorrelated marks of variance 1: the covariances are the coefficients.
    cross = np.array([[-0.5, 0.1, -0.1], [-0.4, 0.2, 0.3]])
    assert ratings_kept(cross, np.eye(3), np.ones(3, dtype=bool)).tolist() == [True, False, False]
    # With the third left out the second may stay: y2 and y3 correlate by .8, and E[lead | y2] falls with y2 alone.
    gram = np.array([[1.0, 0.8], [0.8, 1.0]])
    towards = np.array([[-0.1, -0.4]])
    assert np.linalg.solve(gram, towards[0]) == pytest.approx([0.22 / 0.36, -0.32 / 0.36])
    assert ratings_kept(towards, gram, np.ones(2, dtype=bool)).tolist() == [False, True]


def test_many_players_at_once_are_each_of_them_alone() -> None:
    rng = np.random.default_rng(7)
    half = rng.normal(size=(40, 5, 7))
    gram, cross, given = half @ half.swapaxes(1, 2), rng.normal(size=(40, 3, 5)), rng.random((40, 5)) < 0.8
    together = ratings_kept(cross, gram, given)
    assert 40 < np.count_nonzero(given & ~together) < np.count_nonzero(given)
    for player in range(40):
        at = np.flatnonzero(given[player])
        alone = ratings_kept(cross[player][:, at], gram[player][np.ix_(at, at)], np.ones(len(at), dtype=bool))
        assert together[player, at].tolist() == alone.tolist()
        assert not together[player, ~given[player]].any()


def test_marks_of_other_bows_are_counted_first() -> None:
    # The own mark of response alone raises a lead; beside the marks of other bows, more of it, fewer or none do. What counts is
    # what dense equations keep: E[lead | marks kept and all of other bows], the most positive coefficient leaving first.
    apart = 0
    for rated, runs in product(RATED, ((), TRIED[Instrument.VIOLIN])):
        answers = replace(PLAYERS["violin"], own_bow=OwnBow(ratings=dict.fromkeys(rated, 4.0)))
        player = Player(made_up(), answers, runs)
        (_, leads), gram = player.players.leads()[0], player.players.ratings.cov[0]
        own = player.players.ratings.layout.copy[0] < 0
        keep = np.ones(len(own), dtype=bool)
        while True:
            coefficients = np.zeros((leads.shape[1], len(own)))
            coefficients[:, keep] = np.linalg.solve(gram[np.ix_(keep, keep)], leads[0][:, keep].T).T
            most = np.where(own & keep, coefficients.max(axis=0), -np.inf)
            if most.max() <= 1e-12:
                break
            keep[most.argmax()] = False
        assert player.counted[0].tolist() == keep.tolist()
        apart += not keep.all()
    assert apart > 2
