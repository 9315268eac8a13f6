"""A recording at the bench: fitted, shown, kept when it is said so, and refused with the reason where it is none."""

import io
import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from service.bench import recordings, records
from service.core.errors import InvalidInputError
from service.core.scopes import AllDealers
from tests.service import desk_shop
from tests.service.bench.test_bench import bench, copy_of, post, read_of
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def struck(*, hz: float = 100.0, seconds: float = 1.5, **changes: object) -> bytes:
    """Return a WAV of a struck stick: 100 Hz, a loss factor of .008, one second at 8 kHz."""
    rate = 8000
    t = np.arange(int(rate * seconds)) / rate
    tone = 0.5 * np.exp(-math.pi * hz * 0.008 * t) * np.sin(2 * math.pi * hz * t)
    sound = tone + np.random.default_rng(3).normal(0.0, 0.001, t.size)
    file = io.BytesIO()
    soundfile.write(file, changes.get("sound", sound), int(str(changes.get("rate", rate))), format="WAV")
    return file.getvalue()


def test_a_recording_is_fitted_shown_and_kept_when_it_is_said_so(shop: Shop) -> None:
    answer = post(shop, f"{bench()}/recording", mode="bending_hz", file=struck())
    assert answer.status_code == 200
    page = Page(answer)
    assert read_of(shop) == []
    assert "What the recording says" in page.root.text
    assert len([each for each in page.root.walk() if each.tag == "polyline"]) == 4
    form = next(each for each in page.root.walk() if each.tag == "form" and each.get("action") == bench())
    fields = {name: values[0] for name, values in desk_shop.fields_of(form).items() if name != "csrf"}
    # 100 Hz and 2.1988 / (100 x .008) = 2.7485 s, as the tone was made.
    assert float(fields["bending_hz"]) == pytest.approx(100.0, abs=0.01)
    assert float(fields["decay_60db_s"]) == pytest.approx(2.7485, rel=0.005)
    assert post(shop, bench(), **fields).status_code == 303
    assert copy_of(shop).loss_factor == pytest.approx(0.008, rel=0.05)
    # Nothing is told finer than a recorder's clock is known; the stick's other tone is another reading of it, and no mistake.
    (frequency,) = re.findall(r"Frequency ([\d.]+)", page.root.text)
    assert len(frequency) <= len("100.0000")
    for decay in ("0.1690", "0.1730"):
        told = {
            "with-decay_hz": "recording",
            "with-decay_60db_s": "recording",
            "decay_hz": "3710",
            "decay_60db_s": decay,
        }
        assert post(shop, bench(), **told).status_code == 303
    # 2.1988 / (3710 x .171): of the tone that rang last, its two recordings and not the other's; nor are those repeats of it.
    assert copy_of(shop).loss_factor == pytest.approx(2.198807 / (3710.0 * 0.171), rel=1e-3)
    with shop.desk.database.reading() as session:
        record = records.of_copy(session, AllDealers(), BOWS[0])
    assert record.latest["decay_hz"].value == 3710.0
    assert record.repeats == {}
    for n in range(4):
        more = {"decay_hz": "3710", "decay_60db_s": f"0.17{n}"}
        post(shop, bench(), **{f"with-{name}": "recording" for name in more}, **more)
    with shop.desk.database.reading() as session:
        repeats = records.repeatabilities(session)
    assert repeats["decay_60db_s"].degrees == 5, "six of one tone"
    assert repeats["decay_60db_s"].sd < 0.003


def test_the_picture_of_a_slow_tone_has_no_gaps_in_it(shop: Shop) -> None:
    page = Page(post(shop, f"{bench()}/recording", mode="bending_hz", file=struck(hz=40.0, seconds=4.0)))
    whole = next(each for each in page.root.walk() if each.tag == "polygon").get("points")
    fall = next(each for each in page.root.walk() if each.tag == "polyline").get("points")
    outline, level = ([tuple(map(float, at.split(","))) for at in text.split()] for text in (whole, fall))
    for x, y in outline[: len(outline) // 2]:
        told = np.interp(x, [at[0] for at in level], [at[1] for at in level])
        assert abs(y - told) < 12.0, "a tenth of the height"


def wrong_recordings() -> dict[str, tuple[bytes, str]]:
    drawn = np.random.default_rng(2)
    day = bytearray(struck())
    long = io.BytesIO()
    soundfile.write(long, np.zeros(8000 * 3600 * 2, dtype=np.int16), 8000, format="FLAC")
    return {
        "nothing": (b"", "Choose a recording first."),
        "a text": (b"RIFF but nothing of the kind", "This is no recording that can be read."),
        "a broken header": (b"JUNK" + bytes(day[4:]), "This is no recording that can be read."),
        "no sound": (struck(sound=np.zeros(0)), "The file holds no sound at all."),
        "silence": (struck(sound=np.zeros(8000)), "The recording is silent."),
        "noise": (struck(sound=drawn.normal(0, 0.1, 8000)), "There is only noise"),
        "steady": (struck(sound=0.5 * np.sin(np.arange(8000) * 0.4)), "The tone does not die away."),
        "two hours": (long.getvalue(), "The recording is 7,200 seconds long; expected at most 60"),
        "few samples a second": (struck(rate=500), "The recording has too few samples a second"),
    }


def test_a_file_that_is_no_recording_of_a_blow_is_refused_with_the_reason() -> None:
    for name, (content, said) in wrong_recordings().items():
        with pytest.raises(InvalidInputError) as error:
            recordings.fit(content, "bending_hz")
        assert [(each.path, said in each.message) for each in error.value.problems] == [("file", True)], name


def test_the_bench_alone_may_ask_to_listen_and_offers_it_to_browsers_with_scripts_alone(shop: Shop) -> None:
    # Permissions Policy (W3C): no page is let near the microphone that does not record.
    heard = {path: shop.adviser.get(path).headers["permissions-policy"] for path in (bench(), "/desk/stock", "/")}
    assert [("microphone=(self)" in policy) for policy in heard.values()] == [True, False, False]
    assert all("microphone=()" in heard[path] for path in ("/desk/stock", "/"))
    part = next(each for each in shop.adviser.read(bench()).root.walk() if each.get("class") == "recorder")
    assert "hidden" in part.attributes  # until the script shows it: the field for a file is there for everybody


def test_a_refused_recording_shows_the_bench_with_the_reason(shop: Shop) -> None:
    answer = post(shop, f"{bench()}/recording", mode="bending_hz", file=b"RIFF but nothing of the kind")
    assert answer.status_code == 422
    assert "no recording that can be read" in Page(answer).by_id("file-fault").text
    answer = post(shop, f"{bench()}/recording", mode="torsion", file=struck())
    assert "Choose which of the stick’s tones" in Page(answer).by_id("mode").text


def test_a_recording_larger_than_any_blow_is_refused_before_it_is_read(shop: Shop) -> None:
    assert post(shop, f"{bench()}/recording", mode="bending_hz", file=b"0" * 13_000_000).status_code == 413
    # Other pages of the desk take no more than before.
    assert post(shop, f"{bench()}/remove", file=b"0" * 300_000).status_code == 413
