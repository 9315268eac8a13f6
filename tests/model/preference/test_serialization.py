"""A fitted model to bytes and back: the same answers; anything else than whole is refused with a sentence."""

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from model.domain.records import Answers, OwnBow, Range, Run
from model.domain.vocabulary import Criterion, Instrument
from model.features.bench_traits import USED
from model.preference.catalogue import CataloguePosterior
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel
from model.preference.predict import predict_player
from model.preference.serialization import FORMAT, ArtifactError, _digest, from_bytes, to_bytes
from tests.model.worlds import drawn_trials, made_up_posterior, trial, violins

RANGE = violins([3, 2])
BLOCKS = [[("a0", 0), ("a0", 1), ("b0", 0)], [("a1", 0)]]
Arrays = dict[str, NDArray[Any]]


AS_STORED = 2.0**-24
"""Relative, by which a number is off in 32 bits (IEEE 754: half a unit in the last of 24 places)."""


@cache
def posterior() -> FittedModel:
    return made_up_posterior(RANGE, BLOCKS, seed=8)


@cache
def whole() -> bytes:
    return to_bytes(posterior())


def altered(change: Callable[[dict[str, Any], Arrays], None]) -> bytes:
    """The file with something changed and its digest made anew, as a careless other program would write it."""
    with np.load(io.BytesIO(whole())) as file:
        arrays = {name: file[name] for name in file.files}
    text = json.loads(bytes(arrays.pop("text")).decode())
    change(text, arrays)
    text.pop("digest")
    text["digest"] = _digest(text, arrays)
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, text=np.frombuffer(json.dumps(text).encode(), np.uint8), **arrays)
    return out.getvalue()


def test_a_model_comes_back_as_it_was() -> None:
    again = from_bytes(whole())
    assert (again.levels, again.trials, again.priority_weight) == (posterior().levels, {("violin", ""): 30}, 0.5)
    assert again.profile == posterior().profile
    for name in ("coef", "coef_root", "effect", "repeat_sd", "rows"):
        np.testing.assert_array_equal(getattr(again, name), getattr(posterior(), name))
    np.testing.assert_allclose(again.coupling, posterior().coupling, rtol=AS_STORED)
    for block, before in zip(again.blocks, posterior().blocks, strict=True):
        np.testing.assert_array_equal(block.levels, before.levels)
        np.testing.assert_allclose(block.root, before.root, rtol=AS_STORED)


def test_what_came_back_once_comes_back_to_the_bit() -> None:
    once = from_bytes(whole())
    again = from_bytes(to_bytes(once))
    np.testing.assert_array_equal(again.coupling, once.coupling)
    for block, before in zip(again.blocks, once.blocks, strict=True):
        np.testing.assert_array_equal(block.root, before.root)


def test_a_model_that_came_back_gives_the_same_answer() -> None:
    answers = Answers(Instrument.VIOLIN, wish_mass=1, own_bow=OwnBow(mass_g=61.0, ratings={Criterion.OVERALL: 4.0}))
    tried = (Run(1, "a0", {Criterion.OVERALL: 6.0, Criterion.TONE: 2.0}), Run(2, "b0", {Criterion.OVERALL: 3.0}))
    before, after = (
        predict_player(CataloguePosterior(model, RANGE), answers, tried) for model in (posterior(), from_bytes(whole()))
    )
    for name in ("mean", "cov", "fit_sd"):
        np.testing.assert_allclose(getattr(after, name), getattr(before, name), atol=1e-6)
    for name in ("offset", "spread"):
        np.testing.assert_allclose(getattr(after.stock, name), getattr(before.stock, name), atol=1e-6)


def test_a_model_written_out_in_64_bits_as_by_format_5_is_read_to_the_bit() -> None:
    def as_before(text: dict[str, Any], arrays: Arrays) -> None:
        text["format"] = 5
        for name in [name for name in arrays if name.startswith("short_")]:
            del arrays[name]
        arrays["coupling"] = posterior().coupling
        arrays["block_roots"] = np.concatenate([block.root.ravel() for block in posterior().blocks])

    again = from_bytes(altered(as_before))
    np.testing.assert_array_equal(again.coupling, posterior().coupling)
    for block, before in zip(again.blocks, posterior().blocks, strict=True):
        np.testing.assert_array_equal(block.root, before.root)


def test_a_model_knows_with_which_words_of_its_makers_it_was_made() -> None:
    said = {Criterion.RESPONSE: 2, Criterion.EASE: 0, Criterion.TONE: -1}
    tiers = dict(RANGE.tiers)
    tiers["b"] = replace(tiers["b"], character=said)
    silent, spoken = (PreferenceModel(Range(of, RANGE.copies)).fit([]).posterior_ for of in (RANGE.tiers, tiers))
    assert to_bytes(silent) != to_bytes(spoken)
    again = from_bytes(to_bytes(spoken))
    assert {tier.slug: dict(tier.character) for tier in again.design.tiers} == {"a": {}, "b": said}


def test_a_model_kept_before_makers_could_speak_is_read() -> None:
    def forget(text: dict[str, Any], _arrays: Arrays) -> None:
        del text["design"]["character"]

    assert not any(tier.character for tier in from_bytes(altered(forget)).design.tiers)


@pytest.mark.parametrize("bench", [True, False])
def test_a_model_without_a_trial_comes_back_with_the_same_answer(bench: bool) -> None:
    range_ = violins([1, 1], bench=bench)
    model = PreferenceModel(range_).fit([]).posterior_
    answers = Answers(Instrument.VIOLIN, wish_mass=-1, own_bow=OwnBow(mass_g=60.0))
    before, after = (
        predict_player(CataloguePosterior(each, range_), answers) for each in (model, from_bytes(to_bytes(model)))
    )
    np.testing.assert_array_equal(before.mean, after.mean)
    np.testing.assert_array_equal(before.cov, after.cov)


def test_the_same_model_makes_the_same_bytes() -> None:
    assert to_bytes(from_bytes(whole())) == whole()


def test_no_player_and_no_trial_is_in_the_file() -> None:
    range_ = violins([2, 2])
    trials = drawn_trials(range_, players=6, bows=3, seed=1)
    trials.append(trial(99, [("a0", {Criterion.OVERALL: 6.0})], player="player-7f3a"))
    data = to_bytes(PreferenceModel(range_).fit(trials).posterior_)
    with zipfile.ZipFile(io.BytesIO(data)) as file:
        content = b"".join(file.read(name) for name in file.namelist())
    assert b"a0" in content  # copies are named, so that a name would be found this way
    assert not [
        each for each in trials if f'"{each.player}"'.encode() in content or f'"{each.key}"'.encode() in content
    ]
    assert b"7f3a" not in content


def test_the_size_does_not_grow_with_the_players() -> None:
    # Every array is over criteria, columns and levels; as many players again leave the shapes as they are.
    range_ = violins([2, 2])
    sizes = []
    for players in (10, 40):
        data = to_bytes(PreferenceModel(range_).fit(drawn_trials(range_, players, 4, seed=2)).posterior_)
        with np.load(io.BytesIO(data)) as file:
            sizes.append({name: file[name].shape for name in file.files if name != "text"})
    assert sizes[0] == sizes[1]


# What is refused


@pytest.mark.parametrize("cut", [0, 1, 10, 0.3, 0.7, 0.99])
def test_a_file_that_was_cut_short_is_refused(cut: float) -> None:
    end = int(cut * len(whole())) if cut < 1 else int(cut)
    with pytest.raises(ArtifactError, match="the file is damaged or was cut short; fit anew or restore a back-up"):
        from_bytes(whole()[:end])


def test_a_file_with_any_byte_flipped_is_refused_or_read_as_it_was() -> None:
    # A few bytes of a zip (dates, attributes) carry nothing; flipping one of the others must be noticed.
    refused, step = 0, 97
    for place in range(0, len(whole()), step):
        data = bytearray(whole())
        data[place] ^= 0x55
        try:
            again = from_bytes(bytes(data))
        except ArtifactError:
            refused += 1
        else:
            assert to_bytes(again) == whole()
    assert refused > 0.95 * len(whole()) / step


@pytest.mark.parametrize("data", [b"hello", b"\x93NUMPY\x01\x00 nothing", b"PK\x05\x06" + bytes(18), b"\x80\x04N."])
def test_a_file_that_is_something_else_is_refused(data: bytes) -> None:
    with pytest.raises(ArtifactError, match="this is not a whole fitted model"):
        from_bytes(data)


def test_a_zip_with_another_text_is_refused() -> None:
    out = io.BytesIO()
    np.savez(out, allow_pickle=False, text=np.frombuffer(b"[1, 2]", np.uint8))
    with pytest.raises(ArtifactError, match="this is not a fitted model: its description is missing"):
        from_bytes(out.getvalue())


def test_a_pickled_array_is_never_opened() -> None:
    out = io.BytesIO()
    np.savez(out, text=np.array([{"format": 1}], dtype=object))
    with pytest.raises(ArtifactError, match="not a whole fitted model"):
        from_bytes(out.getvalue())


@pytest.mark.parametrize("profile", [[0.2, -0.1], [float("nan"), 0.1], [0.2]])
def test_a_weight_of_priorities_that_is_none_is_refused(profile: list[float]) -> None:
    with pytest.raises(ArtifactError, match="parts do not fit each other"):
        from_bytes(altered(lambda text, _: text.update(profile=profile)))


def test_a_newer_format_is_named_and_refused() -> None:
    newer = FORMAT + 1
    with pytest.raises(
        ArtifactError, match=f"got a fitted model of format {newer}, expected format {FORMAT}: fit anew"
    ):
        from_bytes(altered(lambda text, _: text.update(format=newer)))


def test_a_changed_text_does_not_match_the_digest() -> None:
    with np.load(io.BytesIO(whole())) as file:
        arrays = {name: file[name] for name in file.files}
    text = bytes(arrays.pop("text")).replace(b'"a1"', b'"a2"')
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, text=np.frombuffer(text, np.uint8), **arrays)
    with pytest.raises(ArtifactError, match="do not match their own digest"):
        from_bytes(out.getvalue())


@pytest.mark.parametrize("name", ["coef", "coupling", "correlation_copy", "player_root", "rows", "block_roots"])
def test_one_changed_number_anywhere_does_not_match_the_digest(name: str) -> None:
    with np.load(io.BytesIO(whole())) as file:
        arrays = {name: file[name] for name in file.files}
    arrays[name].flat[-1] += 1
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, **arrays)
    with pytest.raises(ArtifactError, match="do not match their own digest"):
        from_bytes(out.getvalue())


def test_a_model_laid_over_later_tiers_is_not_kept() -> None:
    later = posterior().extended(violins([3, 2, 1]))
    with pytest.raises(ValueError, match="tiers that came after the fit: got 1, expected none"):
        to_bytes(later)


BEFORE = ("stiffness", "swing", "frequency", "damping", "length")
"""Traits that formats 3 and 4 did not know."""


@pytest.mark.parametrize("number", [3, 4])
def test_a_model_of_a_format_before_is_read(number: int) -> None:
    # Format 3 held the criterion of the fit besides; neither says of which columns and readings it is.
    names = [column.name for column in posterior().design.columns]
    known = [place for place, name in enumerate(names) if name not in BEFORE]
    readings = [USED.index(name) for name in ("mass_g", "balance_mm", "speed_of_sound_m_s", "loss_factor")]

    def older(text: dict[str, Any], arrays: Arrays) -> None:
        text["format"], design = number, text["design"]
        for name in ("columns", "readings", "true_share"):
            del design[name]
        for name in ("centres", "fallback", "scales"):
            design[name] = [[row[place] for place in readings] for row in design[name]]
        for name in ("coef", "coupling"):
            arrays[name] = arrays[name][..., known]
        arrays["coef_root"] = arrays["coef_root"][:, known][:, :, known]
        if number == 3:
            for name in ("reml", "degrees", "players_share", "players_squares"):
                arrays[name] = np.ones(8)

    found, whole_ = from_bytes(altered(older)), posterior()
    new = [names.index(name) for name in BEFORE]
    assert not found.coef[:, new].any()
    assert not found.coef_root[:, new].any()
    np.testing.assert_array_equal(found.coef[:, known], whole_.coef[:, known])
    np.testing.assert_allclose(found.coupling[..., known], whole_.coupling[..., known], rtol=AS_STORED)
    np.testing.assert_array_equal(found.design.centres[:, readings], whole_.design.centres[:, readings])
    assert np.isnan(found.design.centres[:, USED.index("length_mm")]).all()


def _put(name: str, value: Callable[[NDArray[Any]], Any]) -> Callable[[dict[str, Any], Arrays], None]:
    return lambda _, arrays: arrays.__setitem__(name, np.asarray(value(arrays[name])))


def _nan(array: NDArray[Any]) -> NDArray[Any]:
    out = array.astype(np.float64)
    out.flat[0] = np.nan
    return out


WRONG: dict[str, tuple[Callable[[dict[str, Any], Arrays], None], str]] = {
    "a criterion too few": (_put("coef", lambda a: a[1:]), r"coef: got shape \(7, 35\), expected \(8, 35\)"),
    "a column too many": (_put("coef_root", lambda a: np.pad(a, ((0, 0), (0, 1), (0, 1)))), "coef_root: got shape"),
    "a level too few": (_put("effect", lambda a: a[:, 1:]), "effect: got shape"),
    "levels not those of the arrays": (lambda text, _: text["levels"].pop(), "expected"),
    "a tier too many": (lambda text, _: text["design"]["tiers"].append(["z", "violin", 3, []]), "expected"),
    "correlations of others": (_put("correlation_player", lambda a: a[:3, :3]), "correlation_player: got shape"),
    "a block too short": (_put("block_roots", lambda a: a[:-1]), "block_roots: got 79 numbers, expected 80"),
    "a level in two blocks": (_put("block_levels", lambda a: a * 0), "expected each of 4 levels in one of them"),
    "blocks of other sizes": (_put("block_sizes", lambda a: a + 1), "expected each of 4 levels in one of them"),
    "a deviation below zero": (_put("repeat_sd", lambda a: -a), "repeat_sd: got -.* expected standard deviations"),
    "nan among the coefficients": (_put("coef", _nan), "coef: got numbers that are not finite"),
    "nan among the blocks": (_put("block_roots", _nan), "block_roots: got numbers that are not finite"),
    "letters for numbers": (_put("coef", lambda a: a.astype(str)), "fit anew"),
    "an array missing": (lambda _, arrays: arrays.__delitem__("player_root"), "player_root"),
    "a fact missing": (lambda text, _: text.pop("trials"), "trials"),
    "another instrument": (lambda text, _: text["design"]["tiers"][0].__setitem__(1, "lute"), "lute"),
    "trials that are no counts": (lambda text, _: text.update(trials=[["violin", "", "many"]]), "many"),
}


@pytest.mark.parametrize("case", WRONG)
def test_parts_that_do_not_fit_each_other_are_refused(case: str) -> None:
    change, sentence = WRONG[case]
    with pytest.raises(ArtifactError, match=sentence) as caught:
        from_bytes(altered(change))
    assert str(caught.value).endswith("fit anew")
