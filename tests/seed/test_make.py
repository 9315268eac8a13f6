"""The files are what their README promises: redrawn to the byte, the columns, the words, the counts, the truth."""

import csv
import json
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import seed_data
from seed_data.make import Drawn, draw, main
from seed_data.tables import as_csv, text

Table = list[dict[str, str]]

FOLDER = Path(seed_data.__file__).parent
RATINGS = ["overall", "response", "clarity", "dynamic_range", "steadiness", "off_string", "ease", "tone"]
BENCH = [
    "mass_g",
    "length_mm",
    "balance_mm",
    "stiffness_n_per_m",
    "speed_of_sound_m_s",
    "loss_factor",
    "swing_inertia_kg_m2",
]
# The columns promised to whoever loads or writes these files.
COLUMNS = {
    "tiers": ["tier", "name", "instrument", "holds", "grade", "price", "currency", "note"],
    "character": ["tier", "criterion", "step"],
    "prices": ["tier", "dealer", "price", "currency"],
    "copies": ["copy", "tier", "hold", "dealer", "status", "materials", "insured_value", *BENCH],
    "bench": ["copy", "date", "quantity", "value", "unit", "method", "by"],
    "events": ["copy", "date", "event", "note"],
    "runs": [
        *[
            "trial",
            "player",
            "dealer",
            "date",
            "instrument",
            "hold",
            "strings",
            "string_length_mm",
            "settings",
            "budget",
            "currency",
        ],
        *["priorities", "wish_mass", "wish_tone", "place", "blinding", "instrument_used", "rater", "position", "copy"],
        *RATINGS,
        "carrying",
        *["clean_strokes", "strokes"],
        "note",
    ],
    "outcomes": ["trial", "date", "outcome", "copy", "reason", "price", "currency"],
}
KEYS = {
    "tiers": ["tier"],
    "character": ["tier", "criterion"],
    "prices": ["tier", "dealer"],
    "copies": ["copy"],
    "bench": ["copy", "date", "quantity", "method"],
    "events": ["copy", "date", "event"],
    "runs": ["trial", "position", "rater"],
    "outcomes": ["trial", "date", "outcome", "copy"],
}
MARKS = {"", "?", *"1234567"}
WORDS = {
    "tiers": {
        "instrument": {"violin", "viola", "cello", "double_bass"},
        "holds": {"", "german", "french", "german french"},
        "currency": {"EUR"},
    },
    "prices": {"currency": {"EUR", "GBP"}},
    "copies": {
        "hold": {"", "german", "french"},
        "status": {"in_stock", "reserved", "on_trial", "in_transit", "in_repair", "sold", "withdrawn"},
    },
    "bench": {"quantity": set(BENCH)},
    "events": {"event": {"rehaired", "recambered", "repaired", "moved"}},
    "runs": {
        "currency": {"EUR", "GBP"},
        "wish_mass": {"", "-1", "0", "1"},
        "wish_tone": {"", "-1", "0", "1"},
        "place": {"shop", "post"},
        "blinding": {"blind", "masked", "open"},
        "instrument_used": {"own", "house"},
        "rater": {"player", "listener"},
        **dict.fromkeys([*RATINGS, "carrying"], MARKS),
        "overall": set("1234567"),
    },
    "outcomes": {
        "outcome": {"kept", "more_asked", "none", "returned"},
        "reason": {"", "price", "sound", "handling", "undecided", "other"},
    },
}
SETTINGS = {"orchestra", "theatre", "chamber", "solo", "early_music", "jazz", "folk", "study", "teaching"}


def test_a_redraw_gives_the_committed_files_byte_for_byte(tmp_path: Path) -> None:
    main([str(tmp_path)])
    assert {path.name for path in tmp_path.iterdir()} == {f"{name}.csv" for name in COLUMNS}
    for name in COLUMNS:
        assert (tmp_path / f"{name}.csv").read_bytes() == (FOLDER / f"{name}.csv").read_bytes(), name


def test_another_seed_gives_another_world(drawn: Drawn) -> None:
    assert as_csv("runs", draw(seed=1).tables["runs"]) != as_csv("runs", drawn.tables["runs"])


@pytest.mark.parametrize("name", COLUMNS)
def test_every_file_has_the_promised_columns_in_order(name: str) -> None:
    header = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").split("\n", 1)[0]
    assert header.split(",") == COLUMNS[name]


@pytest.mark.parametrize("name", KEYS)
def test_no_key_stands_twice_and_rows_have_a_stable_order(name: str, files: dict[str, Table]) -> None:
    keys = [tuple(int(row[c]) if c == "position" else row[c] for c in KEYS[name]) for row in files[name]]
    assert len(set(keys)) == len(keys)
    if name != "tiers":
        assert keys == sorted(keys)


def test_tiers_stand_by_instrument_then_grade_then_slug(files: dict[str, Table]) -> None:
    order = ["violin", "viola", "cello", "double_bass"]
    keys = [(order.index(t["instrument"]), int(t["grade"]), t["tier"]) for t in files["tiers"]]
    assert keys == sorted(keys)


@pytest.mark.parametrize("name", WORDS)
def test_only_words_of_the_vocabulary_are_used(name: str, files: dict[str, Table]) -> None:
    for column, allowed in WORDS[name].items():
        assert {row[column] for row in files[name]} <= allowed, column


def test_settings_and_priorities_are_lists_of_known_words(files: dict[str, Table]) -> None:
    for row in files["runs"]:
        priorities = row["priorities"].split()
        assert set(row["settings"].split()) <= SETTINGS
        assert set(priorities) <= set(RATINGS[1:])
        assert len(set(priorities)) == len(priorities) <= 3


def test_the_counts_are_those_of_the_readme(files: dict[str, Table], trials: dict[str, Table]) -> None:
    assert len(files["tiers"]) == 21
    assert len(files["copies"]) == 300
    assert len(trials) == 600
    assert len({rows[0]["player"] for rows in trials.values()}) == 470
    assert len({row["dealer"] for row in files["runs"]}) == 3
    assert 2900 <= sum(map(len, trials.values())) <= 3200
    assert {row["trial"] for row in files["outcomes"]} == set(trials)


def test_the_readme_says_in_its_first_line_that_all_is_invented() -> None:
    assert "invented" in (FOLDER / "README.md").read_text(encoding="utf-8").split("\n", 1)[0]


def test_all_dates_are_iso_8601_and_end_before_november_2026(files: dict[str, Table]) -> None:
    days = [date.fromisoformat(row["date"]) for name in ("bench", "events", "runs", "outcomes") for row in files[name]]
    played = [date.fromisoformat(row["date"]) for row in files["runs"]]
    assert max(days) < date(2026, 11, 1)
    assert 2.8 * 365 < (max(played) - min(played)).days < 3.1 * 365


def test_the_truth_covers_just_the_bows_that_fit(drawn: Drawn, files: dict[str, Table]) -> None:
    tier = {t["tier"]: t["instrument"] for t in files["tiers"]}
    build = np.array([f"{tier[c['tier']]} {c['hold']}" for c in files["copies"]])
    plays = {row["player"]: f"{row['instrument']} {row['hold']}" for row in files["runs"]}
    fits = np.array([plays[player] for player in drawn.players])[:, None] == build[None, :]
    assert drawn.copies == tuple(c["copy"] for c in files["copies"])
    assert drawn.liking_by_criterion.shape == (470, 300, 8)
    assert np.array_equal(~np.isnan(drawn.liking), fits)
    np.testing.assert_array_equal(drawn.liking, drawn.liking_by_criterion[:, :, 0])


def test_true_likings_lie_on_the_scale_and_are_not_rounded(drawn: Drawn) -> None:
    inside = drawn.liking[~np.isnan(drawn.liking)]
    assert ((inside >= 1) & (inside <= 7)).all()
    assert ((drawn.own_liking >= 1) & (drawn.own_liking <= 7)).all()
    assert np.mean(inside == np.rint(inside)) < 0.01


def test_one_players_truth_is_asked_for_by_key(drawn: Drawn) -> None:
    first = drawn.true_liking("P0001")
    assert list(first.values()) == drawn.liking[0][~np.isnan(drawn.liking[0])].tolist()
    with pytest.raises(KeyError, match="P9999"):
        drawn.true_liking("P9999")


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_the_truth_can_be_written_and_read_back(drawn: Drawn, tmp_path: Path, ending: str) -> None:
    target = tmp_path / f"truth.{ending}"
    main([str(tmp_path / "files"), "--truth", str(target)])
    known = dict(_truths(target, ending))
    assert len(known) == 470 + int(np.sum(~np.isnan(drawn.liking)))
    assert known["P0007", "own"] == pytest.approx(drawn.own_liking[6], abs=1e-4)
    for serial, liking in drawn.true_liking("P0007").items():
        assert known["P0007", serial] == pytest.approx(liking, abs=1e-4)


def _truths(path: Path, ending: str) -> Iterable[tuple[tuple[str, str], float]]:
    if ending == "csv":
        return [
            ((row["player"], row["copy"]), float(row["overall"]))
            for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines())
        ]
    nested = json.loads(path.read_text(encoding="utf-8"))
    return [((player, bow), marks["overall"]) for player, bows in nested.items() for bow, marks in bows.items()]


def test_numbers_are_written_in_their_shortest_form() -> None:
    assert [text(x) for x in (60.0, 60.4, 0.00463, -1.0, float("nan"), "x")] == ["60", "60.4", "0.00463", "-1", "", "x"]
