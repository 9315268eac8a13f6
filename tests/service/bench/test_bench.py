"""The bench at the desk: readings typed, refused and asked about, what follows, files, recordings, two bows beside each other."""

import argparse
import csv
import io
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import select, update

from service import tables
from service.bench import entry, records
from service.cli import storing
from service.core.errors import InvalidInputError
from service.core.scopes import AllDealers
from service.inventory.files import load
from service.modelling import model_records
from tests.service import desk_shop
from tests.service.client import settings_in
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS

NOTHING = entry.KnownReadings({}, {})


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def refused(
    texts: Mapping[str, str], *, sure: tuple[str, ...] = (), before: entry.KnownReadings = NOTHING
) -> dict[str, str]:
    with pytest.raises(InvalidInputError) as error:
        entry.read(texts, sure, before)
    return {problem.path: problem.message.replace("\u00a0", " ") for problem in error.value.problems}


def bench(serial: str = BOWS[0]) -> str:
    return f"/desk/stock/{serial}/bench"


def post(shop: Shop, path: str, *, file: Any = None, **fields: Any) -> httpx.Response:
    """Send a form, with a file where one is given."""
    files = {"file": ("tap.wav", file, "audio/wav")} if file is not None else None
    return shop.adviser.send("POST", path, data={"csrf": shop.adviser.csrf, **fields}, files=files)


def copy_of(shop: Shop, serial: str = BOWS[0]) -> tables.Copy:
    with shop.desk.database.reading() as session:
        return session.get_one(tables.Copy, serial)


def read_of(shop: Shop, serial: str = BOWS[0]) -> list[tuple[str, float, str]]:
    with shop.desk.database.reading() as session:
        rows = session.scalars(select(tables.BenchReading).where(tables.BenchReading.copy == serial))
        return sorted((row.quantity, row.value, row.method) for row in rows)


ODD = [
    ({"mass_g": "0.13"}, "mass_g", "Was it read in kilograms? Then type 130 g."),
    ({"balance_mm": "21"}, "balance_mm", "Was it read in centimetres? Then type 210 mm."),
    ({"load_n": "500"}, "load_n", "Was it read in grams? Then type 4.90 N."),
    ({"longitudinal_hz": "3.4"}, "longitudinal_hz", "Was it read in kilohertz?"),
    ({"mass_g": "200"}, "mass_g", "usual is from 45.0 g to 175 g. Is it right?"),
    ({"deflection_mm": "1.02 11"}, "deflection_mm", "1.02 mm and 11.0 mm are not of one thing. Which is right?"),
    ({"mass_g": "60.2 61.9"}, "mass_g", "61.9 g lies further from the other readings than they repeat. Is it right?"),
    ({"mass_g": "60.1 60.2 60.1 60.0 68.0"}, "mass_g", "68.0 g lies further from the other readings than they repeat."),
    (
        {"stick_length_mm": "700", "longitudinal_hz": "2200"},
        "longitudinal_hz",
        "speed of sound of 3,080 m/s. That is unusual.",
    ),
    ({"bending_hz": "120", "decay_60db_s": "19.9"}, "decay_60db_s", "a loss factor of 0.00092, which is unusual."),
    # ln(8 / 7) = .1335
    ({"amplitudes": "8 7"}, "amplitudes", "a decrement of 0.134; usual is from 0.00300 to 0.0700."),
]
IMPOSSIBLE = [
    ({"mass_g": "-60"}, "mass_g", "expected a number above 0"),
    ({"mass_g": "0"}, "mass_g", "Got 0; expected a number above 0"),
    ({"mass_g": "sixty"}, "mass_g", "expected a number above 0, such as 60.2"),
    ({"mass_g": "1.250,5"}, "mass_g", "expected a number above 0"),
    ({"mass_g": "9000"}, "mass_g", "no bow has that"),
    ({"outer_mm": "8", "inner_mm": "8"}, "inner_mm", "is not smaller than the outer"),
    (
        {"outer_mm": "8", "inner_mm": "9.5"},
        "inner_mm",
        "The inner diameter, 9.50 mm, is not smaller than the outer, 8.00 mm.",
    ),
    ({"length_mm": "750", "longitudinal_hz": "11000"}, "longitudinal_hz", "No stick carries sound like that."),
    ({"bending_hz": "900", "decay_60db_s": "30"}, "decay_60db_s", "no stick goes on sounding for so long"),
    ({"amplitudes": "8 9 10"}, "amplitudes", "that fall"),
    ({"amplitudes": "8"}, "amplitudes", "Expected two or more amplitudes"),
    ({"mass_g": " ".join(["60"] * 21)}, "mass_g", "expected at most 20"),
    # ln(8 / .78) = 2.328
    (
        {"amplitudes": "8.0 0.78"},
        "amplitudes",
        "a decrement of 2.33; no stick has that. Expected from 0.000300 to 0.700.",
    ),
    ({"mass_g": "9" * 310}, "mass_g", "Got a number of 310 characters; expected at most 20"),
]


@pytest.mark.parametrize(("texts", "field", "said"), ODD)
def test_what_is_odd_is_asked_about_and_taken_when_it_is_right(texts: dict[str, str], field: str, said: str) -> None:
    assert said in refused(texts)[field]
    assert entry.questions(texts, refused(texts), NOTHING) == {field}
    kept = {"log_decrement" if name == "amplitudes" else name for name in texts}
    assert set(entry.read(texts, (field,), NOTHING)) == kept


@pytest.mark.parametrize(("texts", "field", "said"), IMPOSSIBLE)
def test_what_cannot_be_is_refused_however_sure_one_is(texts: dict[str, str], field: str, said: str) -> None:
    assert said in refused(texts, sure=(field,))[field]
    assert field not in entry.questions(texts, refused(texts), NOTHING)


def test_a_reading_far_from_the_last_one_is_asked_about() -> None:
    before = entry.KnownReadings({"mass_g": 60.0, "outer_mm": 8.0}, {})
    assert "are not of one thing" in refused({"mass_g": "13"}, before=before)["mass_g"] or "no bow" in str(
        refused({"mass_g": "13"})
    )
    assert "not smaller than the outer" in refused({"inner_mm": "8.4"}, before=before)["inner_mm"]


def test_readings_are_typed_with_comma_or_point_and_several_at_once() -> None:
    found = entry.read({"mass_g": "60,1 60.3", "length_mm": "", "amplitudes": "8.0 7.8 7.6"}, (), NOTHING)
    assert found["mass_g"] == [60.1, 60.3]
    # The decrement a cycle is the logarithm of one amplitude over the next.
    assert found["log_decrement"] == [pytest.approx(math.log(8.0 / 7.6) / 2, rel=1e-3)]
    assert "length_mm" not in found


def test_a_bench_session_is_typed_shown_and_followed_up(shop: Shop) -> None:
    fields = {
        "on": "2026-03-02",
        "by": "Bench one",
        "mass_g": "130.2 130.3 130.2",
        "balance_mm": "210",
        "length_mm": "745",
        "stick_length_mm": "700",
        "longitudinal_hz": "3571.4",
        "load_n": "10",
        "deflection_mm": "10.17326",
        "span_mm": "600",
        "with-mass_g": "scale",
    }
    assert post(shop, bench(), **fields).status_code == 303
    assert ("mass_g", 130.3, "scale #2") in read_of(shop)
    page = shop.adviser.read(bench())
    text = page.root.text.replace("\u00a0", " ")
    assert (
        "9 readings are kept." in text.replace("nine", "9")
        or "11 readings are kept." in text
        or "readings are kept" in text
    )
    assert "5,000" in text  # c = 2 L f = 2 x .7 x 3571.4
    assert "983" in text  # 10 N over 10.17326 mm: 982.97 N/m
    assert "last: 130.2 g, 2 March 2026, scale" in text
    assert "taper and camber are not modelled" in text
    bow = copy_of(shop)
    assert bow.stiffness_n_per_m == pytest.approx(983, abs=3)
    assert bow.speed_of_sound_m_s == pytest.approx(5000, abs=2)
    assert bow.mass_g == 130.2


def test_a_question_keeps_all_that_was_typed_and_stores_nothing(shop: Shop) -> None:
    answer = post(shop, bench(), mass_g="0.13", balance_mm="205")
    page = Page(answer)
    assert answer.status_code == 422
    assert page.by_id("mass_g").get("value") == "0.13"
    assert page.by_id("balance_mm").get("value") == "205"
    assert "It is right as typed" in page.root.text
    assert read_of(shop) == []
    assert post(shop, bench(), mass_g="200", sure="mass_g").status_code == 303
    assert read_of(shop) == [("mass_g", 200.0, "")]


def test_readings_are_of_a_day_that_has_come(shop: Shop) -> None:
    for day, said in (("2999-01-01", "still to come"), ("yesterday", "expected a day")):
        answer = post(shop, bench(), mass_g="130", on=day)
        assert answer.status_code == 422
        assert said in Page(answer).root.text
    assert "Nothing was typed yet" in Page(post(shop, bench())).root.text
    assert "at most 80 letters" in Page(post(shop, bench(), mass_g="130", **{"with-mass_g": "x" * 81})).root.text
    assert read_of(shop) == []


def test_a_reading_is_taken_back_and_the_bow_has_its_value_no_more(shop: Shop) -> None:
    post(shop, bench(), load_n="10", deflection_mm="10", mass_g="130")
    assert copy_of(shop).stiffness_n_per_m == pytest.approx(1000, abs=5)
    with shop.desk.database.reading() as session:
        ids = {row.quantity: row.id for row in session.scalars(select(tables.BenchReading))}
    assert post(shop, f"{bench()}/remove", reading=str(ids["mass_g"])).status_code == 303
    assert copy_of(shop).mass_g is None
    for wrong in ("x", "999999", str(ids["mass_g"])):
        answer = post(shop, f"{bench()}/remove", reading=wrong)
        assert answer.status_code == 422
        assert "This reading is not there any more." in Page(answer).root.text
    # Another bow's reading is not this one's.
    assert post(shop, f"{bench(BOWS[1])}/remove", reading=str(ids["load_n"])).status_code == 422
    assert ("load_n", 10.0, "") in read_of(shop)


def test_what_followed_from_a_reading_goes_with_it_and_what_was_read_stays(shop: Shop) -> None:
    post(shop, bench(), stick_length_mm="700", longitudinal_hz="3571.4", load_n="10", deflection_mm="10")
    assert copy_of(shop).speed_of_sound_m_s == pytest.approx(5000, abs=2)
    post(shop, bench(), stiffness_n_per_m="990")
    with shop.desk.database.reading() as session:
        ids = {row.quantity: row.id for row in session.scalars(select(tables.BenchReading))}
    for name in ("longitudinal_hz", "load_n"):
        assert post(shop, f"{bench()}/remove", reading=str(ids[name])).status_code == 303
    assert copy_of(shop).speed_of_sound_m_s is None
    assert copy_of(shop).stiffness_n_per_m == 990


def test_the_latest_reading_of_a_day_is_the_one_taken_last(shop: Shop) -> None:
    for name, value in (("scale", "130.4"), ("balance", "130.2")):
        post(shop, bench(), on="2026-03-02", mass_g=value, **{"with-mass_g": name})
    assert copy_of(shop).mass_g == 130.2
    with shop.desk.database.reading() as session:
        record = records.of_copy(session, AllDealers(), BOWS[0])
    assert record.newest["mass_g"].method == "balance"
    assert record.latest["mass_g"].value == 130.2


@pytest.mark.parametrize("file", ["bench.csv", "copies.csv"])
def test_what_the_bench_shows_stays_when_the_same_comes_in_as_a_file(shop: Shop, tmp_path: Path, file: str) -> None:
    for name, value in (("scale", "130.4"), ("balance", "130.2")):
        post(shop, bench(), on="2026-03-02", mass_g=value, **{"with-mass_g": name})
    # The stiffness that was read is older than the one that follows.
    post(shop, bench(), on="2026-03-01", stiffness_n_per_m="900")
    post(shop, bench(), on="2026-03-03", load_n="10", deflection_mm="10")
    was = copy_of(shop)
    assert was.mass_g == 130.2
    assert was.stiffness_n_per_m == pytest.approx(1000, abs=10)
    cells = f"{BOWS[0]},{was.tier},{was.hold},130.2,{was.stiffness_n_per_m}"
    text = {
        "bench.csv": shop.adviser.get(f"{bench()}/file").text,
        "copies.csv": f"copy,tier,hold,mass_g,stiffness_n_per_m\n{cells}\n",
    }
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / file).write_text(text[file], encoding="utf-8")
    with shop.desk.database.writing() as session:
        report = load(session, tmp_path / "in")
    now = copy_of(shop)
    assert (tuple(report.problems), report.notes) == ((), ())
    assert (now.mass_g, now.stiffness_n_per_m) == (was.mass_g, was.stiffness_n_per_m)


def test_the_model_reads_what_the_bow_s_page_shows(shop: Shop, tmp_path: Path) -> None:
    # Read itself in 2025, and following from newer readings: 2 x .7 m x 3900 Hz = 5460 m/s.
    post(shop, bench(), on="2025-03-02", speed_of_sound_m_s="4000", sure="speed_of_sound_m_s")
    post(shop, bench(), on="2026-03-02", stick_length_mm="700", longitudinal_hz="3900", mass_g="130")
    # From a file, with readings beside it that another value follows from.
    (tmp_path / "in").mkdir()
    cells = f"{BOWS[1]},{copy_of(shop).tier},{copy_of(shop).hold},5200"
    (tmp_path / "in" / "copies.csv").write_text(f"copy,tier,hold,speed_of_sound_m_s\n{cells}\n", encoding="utf-8")
    lines = shop.adviser.get(f"{bench()}/file").text.replace(BOWS[0], BOWS[1]).splitlines(keepends=True)
    raw = "".join(line for line in lines if "speed" not in line)
    (tmp_path / "in" / "bench.csv").write_text(raw, encoding="utf-8")
    with shop.desk.database.writing() as session:
        assert not load(session, tmp_path / "in").problems
    with shop.desk.database.reading() as session:
        read = model_records.read_range(session).copies
    assert copy_of(shop).speed_of_sound_m_s == pytest.approx(5460)
    assert copy_of(shop, BOWS[1]).speed_of_sound_m_s == 5200
    for serial in BOWS[:2]:
        shown = copy_of(shop, serial)
        assert read[serial].bench.speed_of_sound_m_s == pytest.approx(shown.speed_of_sound_m_s)
        assert read[serial].bench.mass_g == shown.mass_g == 130.0


def test_repeats_tell_how_well_readings_repeat(shop: Shop, tmp_path: Path) -> None:
    for serial in BOWS[:2]:
        post(shop, bench(serial), mass_g="130.0 130.2 130.4", **{"with-mass_g": "scale"})
    with shop.desk.database.reading() as session:
        record = records.of_copy(session, AllDealers(), BOWS[0])
    # Twice .2 from the middle reading in each of two groups: (.08 + .08) / 4 degrees of freedom.
    assert record.repeats["mass_g"] == pytest.approx((0.2, 4))
    assert record.latest["mass_g"] == pytest.approx((130.2, 0.2 / math.sqrt(3)))
    # The model reads them with what they are worth, and what has no column of its own beside them.
    post(shop, bench(BOWS[1]), bending_hz="61.5")
    with shop.desk.database.reading() as session:
        known = model_records.read_range(session).copies[BOWS[1]].bench
    assert (known.mass_g, known.bending_hz) == pytest.approx((130.2, 61.5))
    assert known.sd == pytest.approx({"mass_g": 0.2 / math.sqrt(3), "bending_hz": 0.2})
    # So it does of a database that an older version measured into, once that is brought to this one; no column moves.
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Copy).values(measured=None))
        session.execute(update(tables.Copy).where(tables.Copy.serial == BOWS[0]).values(mass_g=140.0))
    assert storing.migrate(argparse.Namespace(), settings_in(tmp_path)) == 0
    with shop.desk.database.reading() as session:
        copies = model_records.read_range(session).copies
    assert copies[BOWS[1]].bench == known
    assert (copies[BOWS[0]].bench.mass_g, copies[BOWS[0]].bench.sd["mass_g"]) == (140.0, 0.1), "another file's value"
    # And of repeats that come in by a file.
    (tmp_path / "in").mkdir()
    rows = "".join(f"{BOWS[2]},2026-03-02,mass_g,{mass},g,scale #{n}\n" for n, mass in enumerate((131, 131.3), 1))
    (tmp_path / "in" / "bench.csv").write_text(f"copy,date,quantity,value,unit,method\n{rows}", encoding="utf-8")
    with shop.desk.database.writing() as session:
        assert not load(session, tmp_path / "in").problems
        found = model_records.read_range(session).copies[BOWS[2]].bench
    assert found.mass_g == pytest.approx(131.15)
    assert found.sd["mass_g"] == pytest.approx(0.2 / math.sqrt(2), rel=0.1)
    answer = post(shop, bench(), mass_g="130.2 133.9")
    assert "lies further from the other readings than they repeat" in Page(answer).root.text


def test_what_is_typed_goes_out_as_a_file_and_comes_in_as_one(shop: Shop, tmp_path: Path) -> None:
    post(shop, bench(), on="2026-03-02", load_n="10", deflection_mm="10 10.2", **{"with-load_n": "=weights"})
    text = shop.adviser.get(f"{bench()}/file").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(row["quantity"], row["value"], row["unit"], row["method"]) for row in rows] == [
        ("deflection_mm", "10", "mm", ""),
        ("deflection_mm", "10.2", "mm", "#2"),
        ("load_n", "10", "N", "'=weights"),
    ]
    moved = text.replace(BOWS[0], BOWS[1])
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "bench.csv").write_text(moved, encoding="utf-8")
    for time in (1, 2):
        with shop.desk.database.writing() as session:
            report = load(session, tmp_path / "in")
        assert not report.problems
        assert (report.files["bench.csv"].new, report.files["bench.csv"].same) == ((3, 0) if time == 1 else (0, 3))
    assert len(read_of(shop, BOWS[1])) == 3
    assert copy_of(shop, BOWS[1]).stiffness_n_per_m == copy_of(shop).stiffness_n_per_m == pytest.approx(990, abs=6)


def weigh(shop: Shop, serial: str, frog: str) -> None:
    parts = {"mass_g": "130", "balance_mm": "210", "length_mm": "745", "frog_mass_g": frog, "hair_mass_g": "10"}
    answer = post(shop, bench(serial), **parts, hair_length_mm="600")
    assert answer.status_code == 303, Page(answer).root.text


def test_two_bows_stand_beside_each_other(shop: Shop) -> None:
    weigh(shop, BOWS[0], "30")
    weigh(shop, BOWS[1], "34")
    page = shop.adviser.read(f"{bench()}?beside={BOWS[1]}")
    text = page.root.text.replace("\u00a0", " ")
    assert f"{BOWS[0]} against {BOWS[1]}: ±0.0 g in mass, ±0 mm in balance point" in text
    assert ["Frog", "30 g", "34 g"] in [
        [cell.text.replace("\u00a0", " ").strip() for cell in row.walk() if cell.tag in ("th", "td")]
        for row in page.all("tr")
    ]
    # A gram moved by 600 + 20 mm on 130 g: 4.8 mm.
    assert "4.8 mm further forward" in text
    for wrong, said in (("nobody", "There is no bow"), (BOWS[2], "has not been weighed part by part")):
        answer = shop.adviser.get(f"{bench()}?beside={wrong}")
        assert answer.status_code == 422
        assert said in Page(answer).root.text


def test_a_bow_of_another_dealer_has_no_bench_here(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        session.get_one(tables.Copy, BOWS[0]).dealer = None
    assert shop.adviser.get(bench()).status_code == 404
    assert shop.adviser.get(f"{bench()}/file").status_code == 404
    assert post(shop, bench(), mass_g="130").status_code == 404
    assert shop.adviser.get(f"{bench(BOWS[1])}?beside={BOWS[0]}").status_code == 422


def test_an_odd_reading_in_a_file_is_kept_and_named(shop: Shop, tmp_path: Path) -> None:
    folder = tmp_path / "odd"
    folder.mkdir()
    rows = [f"{BOWS[0]},2026-03-02,{row}" for row in ("mass_g,0.13,g", "balance_mm,210,mm", "bending_hz,300,Hz")]
    (folder / "bench.csv").write_text("\n".join(["copy,date,quantity,value,unit", *rows]), encoding="utf-8")
    with shop.desk.database.writing() as session:
        report = load(session, folder)
    assert not report.problems
    assert report.notes == (
        "bench.csv, line 2, value: got 0.13, kept; usual is from 45 to 175 g; read in kilograms, it is 130 g",
        "bench.csv, line 4, value: got 300.0, kept; usual is from 20 to 200 Hz",
    )
    assert [name for name, _value, _method in read_of(shop)] == ["balance_mm", "bending_hz", "mass_g"]


def test_readings_of_a_file_that_cannot_be_together_are_kept_and_named(shop: Shop, tmp_path: Path) -> None:
    folder = tmp_path / "against"
    folder.mkdir()
    readings = ("outer_mm,8,mm,", "inner_mm,9,mm,", "deflection_mm,1.02,mm,", "deflection_mm,11,mm,#2")
    speed = ("stick_length_mm,700,mm,", "longitudinal_hz,9500,Hz,")
    rows = [f"{BOWS[0]},2026-03-02,{row}" for row in readings] + [f"{BOWS[1]},2026-03-02,{row}" for row in speed]
    text = "\n".join(["copy,date,quantity,value,unit,method", *rows, f"{BOWS[2]},2026-03-02,inner_mm,9,mm,"])
    (folder / "bench.csv").write_text(text, encoding="utf-8")
    with shop.desk.database.writing() as session:
        report = load(session, folder)
    assert not report.problems
    named = [note.replace("\u00a0", " ") for note in report.notes if "usual is" not in note]
    assert named == [
        "bench.csv, line 3, value: got 9.0, kept; The inner diameter, 9.00 mm, is not smaller than the outer, 8.00 mm.",
        "bench.csv, line 5, value: got 11.0, kept; 1.02 mm and 11.0 mm are not of one thing. Which is right?",
        # c = 2 L f = 2 x .7 x 9500
        (
            "bench.csv, line 7, value: got 9500.0, kept; Length and frequency give a speed of sound of 13,300 m/s. "
            "No stick carries sound like that."
        ),
    ]
    assert len(read_of(shop)) == 4
