"""What is told at a glance to be within bounds is so token by token."""

import random

import pytest

from service.core.errors import InvalidInputError
from service.questionnaire.lengths import DEEPEST, LONGEST_NUMBER, LONGEST_TEXT, is_surely_bounded, look_through

WHOLE = b'{"instrument":"viola","settings":["solo","jazz"],"own_bow":{"kind":"wood","ratings":{"overall":5,"clarity":-4.5e3}}}'


def test_the_usual_is_told_at_a_glance() -> None:
    assert is_surely_bounded(WHOLE)


@pytest.mark.parametrize(
    "wrong",
    [
        b"[" * (DEEPEST + 1),
        b'"]]]"' * 3 + b"[" * (DEEPEST + 1),
        b"1" * (LONGEST_NUMBER + 1),
        b'"' + b"a" * (LONGEST_TEXT + 1) + b'"',
        b"[" + b"1," * 60 + b"1]",
        b"{}" * 1_001,
        b'"\\"' + b"[" * 9 + b'"' + b"[" * 9,
    ],
)
def test_what_is_too_much_never_is(wrong: bytes) -> None:
    with pytest.raises(InvalidInputError):
        look_through(wrong)
    assert not is_surely_bounded(wrong)


def test_whatever_is_told_at_a_glance_is_within_bounds_token_by_token() -> None:
    rng, seen = random.Random(7), 0
    parts = [b"[", b"{", b"]", b"}", b'"', b"\\", b",", b":", b"7" * 21, b"-", b"e", b'"a"', b" "]
    for _ in range(3_000):
        body = b"".join(rng.choices(parts, k=rng.randrange(1, 60)))
        if is_surely_bounded(body):
            look_through(body)
            seen += 1
    assert seen > 500
