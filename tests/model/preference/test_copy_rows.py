"""Many copies that players link: their law in short, against the same written out in full in 64 bits."""

import io
import json
from collections.abc import Callable
from datetime import date
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from model.domain.records import Answers, OwnBow, Range, Run, Trial
from model.domain.vocabulary import LEADING, Criterion, Instrument
from model.preference import fitted, serialization, stored_blocks
from model.preference.catalogue import CataloguePosterior
from model.preference.copy_rows import CopyRows, joined, shortened
from model.preference.fitted import FittedModel
from model.preference.player import Player
from model.preference.predict import prediction_of
from model.preference.prediction import Prediction
from model.preference.serialization import ArtifactError, _digest, _unpack, from_bytes, to_bytes
from model.trial import Offer, propose
from tests.model.linked_world import linked_model, linked_range, tried_together

VIOLA, COPIES, SHOPS = Instrument.VIOLA, 320, 32
ASKED = (Criterion.OVERALL, *LEADING[VIOLA])
TOLD = 1e-4
"""What is told may differ by: four digits of a chance, and of an expectation in points."""


@cache
def world() -> Range:
    return linked_range(COPIES, [VIOLA])


@cache
def written_out() -> FittedModel:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitted, "WRITTEN_OUT_UP_TO", COPIES)
        return linked_model(world(), SHOPS, laws=2)


@cache
def in_short() -> FittedModel:
    return linked_model(world(), SHOPS, laws=2)


@cache
def stored() -> bytes:
    return to_bytes(in_short())


def players() -> list[tuple[Answers, tuple[Run, ...]]]:
    """Players who tried bows of one shop or of several, and rated them from one end of the scale to the other."""
    rng, serials = np.random.default_rng(4), list(world().copies)
    own = OwnBow(mass_g=71.0, ratings={Criterion.OVERALL: 4.0})
    of_one_shop, of_many = serials[::SHOPS][:5], rng.choice(serials, 6, replace=False).tolist()
    sheets = [[dict.fromkeys(ASKED, 7.0), dict.fromkeys(ASKED, 1.0)][k % 2] for k in range(3)]
    drawn = [{criterion: float(rng.integers(1, 8)) for criterion in ASKED} for _ in range(6)]
    return [
        (Answers(VIOLA, priorities=ASKED[1:3], own_bow=own), ()),
        (
            Answers(VIOLA, own_bow=own),
            tuple(Run(k, serial, dict.fromkeys(ASKED, 7.0)) for k, serial in enumerate(of_one_shop, 1)),
        ),
        (
            Answers(VIOLA, priorities=ASKED[1:3]),
            tuple(Run(k, of_many[k - 1], sheet) for k, sheet in enumerate(sheets, 1)),
        ),
        (Answers(VIOLA, own_bow=own), tuple(Run(k, of_many[k - 1], sheet) for k, sheet in enumerate(drawn, 1))),
    ]


def told(model: FittedModel, answers: Answers, runs: tuple[Run, ...]) -> tuple[Prediction, list[float]]:
    """What is expected, and every chance and gain of the proposal."""
    player = Player(CataloguePosterior(model, world()), answers, runs)
    outlook = prediction_of(player)
    offer = Offer(prices=dict.fromkeys(world().tiers, 1000.0), at_hand=frozenset(list(world().copies)[:30]))
    found = propose(player, outlook, runs, offer)
    rows = found.case.rows if found.case else ()
    return outlook, [entry.beats_own_bow for entry in found.entries] + [
        value for row in rows for value in (row.chance, row.gain)
    ]


def test_what_is_told_through_a_stored_model_in_short_is_what_64_bits_in_full_tell() -> None:
    assert [bool(block.short) for block in in_short().blocks] == [True]
    again = from_bytes(stored())
    for answers, runs in players():
        (before, chances), (after, chances_after) = (told(model, answers, runs) for model in (written_out(), again))
        for name in ("mean", "cov", "fit_sd"):
            np.testing.assert_allclose(getattr(after, name), getattr(before, name), atol=TOLD)
        for name in ("offset", "spread"):
            np.testing.assert_allclose(getattr(after.stock, name), getattr(before.stock, name), atol=TOLD)
        assert len(chances) > 2
        np.testing.assert_allclose(chances_after, chances, atol=TOLD)


def test_many_linked_copies_take_little_room() -> None:
    def roots(data: bytes) -> int:
        _, arrays = _unpack(data)
        return sum(array.nbytes for name, array in arrays.items() if name.startswith(("block_r", "short")))

    # Written out each pair of copies has 8 criteria's number twice, in 64 bits.
    assert roots(stored()) < 0.06 * 8 * 8 * COPIES**2
    assert not any(block.short for block in written_out().blocks)  # in 32 bits when stored
    assert roots(to_bytes(written_out())) == pytest.approx(4 * 8 * COPIES**2, rel=1e-5)


SPOILT: dict[str, tuple[str, Callable[[NDArray[Any]], NDArray[Any]], str]] = {
    "a value too few": ("short_values", lambda a: a[1:], r"short_values: got \d+ numbers, expected \d+"),
    "a row too few": ("short_counts", lambda a: a[:-1], "short_counts: got"),
    "a column that there is not": ("short_columns", lambda a: a + COPIES, f"expected places below {COPIES}"),
    "a direction too few": ("short_far", lambda a: a[4:], "short_far: got"),
    "no mark for the block": ("short_blocks", lambda a: a[1:], "short_blocks: got 0 marks, expected 1"),
    "no whole numbers": ("short_values", lambda a: a * np.nan, "short_values: got numbers that are not finite"),
}


@pytest.mark.parametrize("case", SPOILT)
def test_parts_in_short_that_do_not_fit_each_other_are_refused(case: str) -> None:
    name, change, sentence = SPOILT[case]
    text, arrays = _unpack(stored())
    text.pop("digest")
    arrays[name] = change(arrays[name])
    whole, out = {"digest": _digest(text, arrays), **text}, io.BytesIO()
    np.savez(out, allow_pickle=False, text=np.frombuffer(json.dumps(whole).encode(), np.uint8), **arrays)
    with pytest.raises(ArtifactError, match=sentence):
        from_bytes(out.getvalue())


def test_what_copies_share_is_the_same_both_ways() -> None:
    full, short = (CataloguePosterior(model, world()).suited(VIOLA, None) for model in (written_out(), in_short()))
    np.testing.assert_allclose(short.covariance, full.covariance, atol=1e-5)
    np.testing.assert_allclose(short.rest, full.rest, atol=1e-5)
    rng = np.random.default_rng(1)
    weights, copy, criterion = rng.normal(size=8), rng.integers(0, COPIES, 12), rng.integers(0, 8, 12)
    shared = [each.effects_shared(weights, copy, criterion, in_short().correlations.copy) for each in (full, short)]
    np.testing.assert_allclose(shared[1], shared[0], atol=5e-5)


def test_rows_of_several_stretches_are_weighed_alike() -> None:
    rng = np.random.default_rng(2)
    row, place, weight = np.array([0, 1, 1, 2]), np.array([5, 3, 40, 9]), rng.uniform(0.2, 1.0, (8, 4))
    full, short = (model.blocks[0].rows.weighed(row, place, weight, 3) for model in (written_out(), in_short()))
    factor, every = rng.uniform(0.5, 1.0, (8, 3)), np.arange(3)

    def written(rows: CopyRows) -> NDArray[Any]:
        return np.array([rows.at(np.full(3, c), every) for c in range(8)])

    np.testing.assert_allclose(written(short.scaled(factor)), written(full) * factor[..., None], atol=1e-4)
    np.testing.assert_allclose(
        np.einsum("ckm,dkm->kcd", written(short), written(short)), short.by_criterion(), atol=1e-12
    )


def test_a_root_all_of_whose_entries_count_is_not_shortened() -> None:
    half = np.random.default_rng(3).normal(size=(300, 300))
    assert shortened(fitted.principal_root(half @ half.T / 300)) is None


@pytest.mark.parametrize("rated", [COPIES // 3, COPIES // 2, 2 * COPIES // 3])
def test_a_criterion_that_some_of_the_linked_copies_were_rated_on_is_kept_in_short_too(rated: int) -> None:
    root, some = written_out().blocks[0].root[0], np.random.default_rng(5).permutation(COPIES)[:rated]
    law = np.eye(COPIES) * 0.2
    law[np.ix_(some, some)] = (root @ root)[np.ix_(some, some)]
    short = shortened(fitted.principal_root(law))
    assert short is not None
    assert short.upper.nnz < 0.06 * COPIES**2
    rows = joined([short]).at(np.zeros(COPIES, dtype=np.intp), np.arange(COPIES))
    np.testing.assert_allclose(rows @ rows.T, law, atol=2e-5)


@pytest.mark.parametrize("short", [False, True])
def test_what_a_file_takes_is_told_beforehand_or_somewhat_more(short: bool) -> None:
    # The ratings that the model was made of, so far as counts tell of them.
    tried = tried_together(COPIES, SHOPS, np.random.default_rng(3))
    serials, sheet = list(world().copies), dict.fromkeys(ASKED, 4.0)
    trials = [
        Trial(
            f"t{n}",
            f"p{n}",
            date(2031, 1, 1),
            Answers(VIOLA),
            tuple(Run(k, serials[at], sheet) for k, at in enumerate(row, 1)),
        )
        for n, row in enumerate(tried.tolist())
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stored_blocks, "WRITTEN_OUT_UP_TO", COPIES // 2 if short else COPIES)
        told = serialization.stored_size(world(), trials, [])
    taken = len(stored() if short else to_bytes(written_out()))
    assert taken <= told <= 4 * taken
