"""The order of a blind trial: published squares, what is played after what counted over all trials, letters, the repeat."""

import json
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from model.trial.order import LETTERS, MOST_OWN_PLAYS, Order, needs_repeat, order, williams

SQUARES = json.loads((Path(__file__).parents[1] / "data" / "williams_squares.json").read_text())
SIZES = [2, 3, 4, 5, 6, 7, 8]


def followers(rows: NDArray[np.intp]) -> set[int]:
    """How often each ordered pair of different treatments is adjacent: the different counts, 0 for a pair that never is."""
    n = rows.shape[1]
    counted = Counter(pair for row in rows.tolist() for pair in pairwise(row))
    return {counted[first, second] for first in range(n) for second in range(n) if first != second}


def played(found: Order) -> list[int | None]:
    return [slot.bow for slot in found.slots]


# Squares


def test_the_square_of_four_is_the_published_one() -> None:
    assert (williams(4) + 1).tolist() == SQUARES["four"]


@pytest.mark.parametrize("name", ["four", "six_a", "six_b"])
def test_the_count_of_followers_finds_published_squares_balanced(name: str) -> None:
    assert followers(np.array(SQUARES[name]) - 1) == {1}


def test_the_count_of_followers_finds_a_square_that_only_goes_round_unbalanced() -> None:
    assert followers((np.arange(4) + np.arange(4)[:, None]) % 4) == {0, 3}


# Every ordered pair once in an even square, twice in an odd pair: Williams 1949, Aust. J. Sci. Res. A 2: 149.
@pytest.mark.parametrize("n", SIZES)
def test_every_bow_follows_every_other_equally_often(n: int) -> None:
    assert followers(williams(n)) == ({1} if n % 2 == 0 else {2})


@pytest.mark.parametrize("n", [1, *SIZES])
def test_every_bow_is_once_in_each_row_and_equally_often_at_each_place(n: int) -> None:
    rows = williams(n)
    assert rows.shape == (n if n % 2 == 0 else 2 * n, n)
    assert (np.sort(rows, axis=1) == np.arange(n)).all()
    assert all((np.bincount(column, minlength=n) == len(rows) // n).all() for column in rows.T)


def test_a_square_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="n: got 0"):
        williams(0)


# The order of a trial


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_over_all_trials_what_is_played_after_what_is_balanced_with_the_own_bow_in_between(n: int) -> None:
    rows, gaps = len(williams(n)), n - 1
    pairs: Counter[tuple[int | None, int | None]] = Counter()
    for rotation in range(rows * gaps):
        inside = played(order(n, seed=rotation, rotation=rotation))[:-1]
        pairs.update(pairwise(inside))
    among = {pairs[a, b] for a in range(n) for b in range(n) if a != b}
    around = {pairs[a, None] for a in range(n)} | {pairs[None, a] for a in range(n)}
    once = 1 if n % 2 == 0 else 2
    # Every gap comes with every row: each of a pair's meetings is parted by the own bow in one trial of n - 1.
    assert among == {once * (gaps - 1)}
    assert around == {rows * gaps // n}


def test_the_rows_of_the_square_are_taken_in_turn() -> None:
    rows = [played(order(4, seed=9, rotation=trial, own_plays=0)) for trial in range(8)]
    assert rows == williams(4).tolist() * 2


@pytest.mark.parametrize("repeat", [False, True])
@pytest.mark.parametrize("n", [2, 3, 4, 6])
def test_the_own_bow_is_rated_between_two_copies_and_at_the_end(n: int, repeat: bool) -> None:
    for trial in range(24):
        found = order(n, seed=trial, repeat=repeat, rotation=trial)
        places = [slot.position for slot in found.slots if slot.own]
        assert len(places) == 2
        assert 1 < places[0] < places[1] - 1
        assert places[1] == len(found.slots) == n + 2 + repeat


def test_the_own_bow_is_rated_once_where_there_is_little_time_and_never_where_there_is_none() -> None:
    assert played(order(3, seed=1, own_plays=1)).count(None) == 1
    assert played(order(3, seed=1, own_plays=1))[-1] is not None
    assert None not in played(order(3, seed=1, own_plays=0))


def test_one_copy_is_played_between_two_plays_of_the_own_bow_or_the_other_way_round() -> None:
    assert played(order(1, seed=1)) == [None, 0, None]
    assert played(order(1, seed=1, repeat=True)) == [0, None, 0, None]
    assert {tuple(played(order(1, seed=1, rotation=trial, own_plays=1))) for trial in range(4)} == {
        (None, 0),
        (0, None),
    }


@pytest.mark.parametrize("own_plays", [0, 1, 2])
@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6])
def test_no_bow_is_ever_played_twice_in_a_row(n: int, own_plays: int) -> None:
    repeat = bool(n > 1 or own_plays)
    for trial in range(40):
        bows = played(order(n, seed=trial, repeat=repeat, rotation=trial, own_plays=own_plays))
        assert all(first != second for first, second in pairwise(bows))


def test_positions_count_from_one() -> None:
    assert [slot.position for slot in order(3, seed=2, repeat=True).slots] == [1, 2, 3, 4, 5, 6]


# The hidden repeat


def test_the_repeat_is_the_same_copy_under_another_letter_later_on() -> None:
    for seed in range(60):
        found = order(4, seed=seed, repeat=True, rotation=seed)
        twice = {slot.letter: slot for slot in found.slots if slot.bow is not None}
        assert found.repeat_of is not None
        assert found.repeated_as is not None
        first, second = twice[found.repeat_of], twice[found.repeated_as]
        assert first.bow == second.bow
        assert second.position - first.position >= 2
        assert Counter(bow for bow in played(found) if bow is not None).most_common()[0] == (first.bow, 2)


def test_any_copy_may_be_the_one_repeated() -> None:
    bows = set()
    for seed in range(200):
        found = order(4, seed=seed, repeat=True, rotation=seed)
        bows |= {slot.bow for slot in found.slots if slot.letter == found.repeat_of}
    assert bows == {0, 1, 2, 3}


def test_any_three_trials_in_a_row_have_a_repeat() -> None:
    flags = [needs_repeat(number) for number in range(400)]
    assert all(any(flags[at : at + 3]) for at in range(len(flags) - 2))
    assert sum(flags) < 0.4 * len(flags)


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 8])
def test_every_row_of_a_square_gets_its_repeats(n: int) -> None:
    rows = len(williams(n))
    assert {number % rows for number in range(11 * rows) if needs_repeat(number)} == set(range(rows))


def test_without_a_repeat_none_is_named() -> None:
    found = order(4, seed=5)
    assert found.repeat_of is None
    assert found.repeated_as is None


# Letters and seeds


def test_letters_are_single_capitals_none_like_another_or_like_a_digit() -> None:
    assert len(set(LETTERS)) == len(LETTERS)
    assert all("A" <= letter <= "Z" for letter in LETTERS)
    assert not set("IJOQV") & set(LETTERS)


def test_every_slot_of_a_copy_has_a_letter_of_its_own_and_the_own_bow_none() -> None:
    found = order(6, seed=3, repeat=True)
    letters = [slot.letter for slot in found.slots if not slot.own]
    assert len(set(letters)) == len(letters) == 7
    assert {slot.letter for slot in found.slots if slot.own} == {""}


def test_letters_tell_neither_place_nor_bow() -> None:
    drawn = [order(2, seed=seed, own_plays=0).slots for seed in range(4000)]
    share = Counter(slots[0].letter for slots in drawn)
    assert set(share) == set(LETTERS)
    # 21 equally likely letters, 4000 draws: five standard deviations of a binomial count.
    expected = 4000 / len(LETTERS)
    assert all(abs(count - expected) < 5 * np.sqrt(expected) for count in share.values())


def test_the_same_seed_gives_the_same_order_and_another_one_other_letters() -> None:
    assert order(5, seed=8, repeat=True, rotation=3) == order(5, seed=8, repeat=True, rotation=3)
    assert order(5, seed=8) != order(5, seed=9)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"n": 0, "seed": 1}, "n: got 0 bows, expected 1 to"),
        ({"n": len(LETTERS), "seed": 1}, f"n: got {len(LETTERS)} bows"),
        ({"n": 3, "seed": -1}, "seed: got -1"),
        ({"n": 3, "seed": 1, "rotation": -2}, "rotation: got -2"),
        ({"n": 3, "seed": 1, "own_plays": MOST_OWN_PLAYS + 1}, "own_plays: got 3"),
        ({"n": 1, "seed": 1, "own_plays": 0, "repeat": True}, "repeat: got one bow alone"),
    ],
)
def test_an_order_that_cannot_be_is_refused(arguments: dict[str, int], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        order(**arguments)  # type: ignore[arg-type]  # numbers and one flag


def test_a_trial_with_a_negative_number_is_refused() -> None:
    with pytest.raises(ValueError, match="number: got -1"):
        needs_repeat(-1)
