"""Loading and dumping: what goes in comes out, to the byte, and the same again changes nothing."""

import csv
import datetime as dt
import os
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from service.core.database import Database
from service.inventory import files
from service.inventory.files.kinds import KINDS, RUNS
from service.modelling import model_records
from service.questionnaire import forms
from service.questionnaire.questions import HISTORY
from service.tables import BenchReading, Copy, Dealer, Outcome, Player, Price, Run, Tier, Trial
from service.trials import composing
from tests import factories
from tests.factories import row

SEED_DATA = Path(__file__).resolve().parents[3] / "seed_data"
NAMES = [kind.name for kind in KINDS]


def dumped(database: Database, folder: Path) -> dict[str, bytes]:
    with database.reading() as session:
        files.dump(session, folder)
    return {name: (folder / name).read_bytes() for name in NAMES}


def loaded(database: Database, folder: Path) -> files.Report:
    with database.writing() as session:
        return files.load(session, folder)


def test_the_demo_data_comes_out_as_it_went_in(any_database: Database, tmp_path: Path) -> None:
    report = loaded(any_database, SEED_DATA)
    assert report.problems == ()
    assert dumped(any_database, tmp_path / "out") == {name: (SEED_DATA / name).read_bytes() for name in NAMES}


def test_a_bow_that_was_kept_on_a_trial_of_the_files_was_sold_on_that_day(any_database: Database) -> None:
    loaded(any_database, SEED_DATA)
    with (SEED_DATA / "outcomes.csv").open(encoding="utf-8", newline="") as file:
        kept = {
            line["copy"]: dt.date.fromisoformat(line["date"])
            for line in csv.DictReader(file)
            if line["outcome"] == "kept"
        }
    with any_database.reading() as session:
        sold = session.execute(select(Copy.serial, Copy.sold_on).where(Copy.status == "sold")).all()
        others = session.scalars(select(Copy.sold_on).where(Copy.status != "sold")).all()
    assert {serial: on for serial, on in sold if serial in kept} == {s: kept[s] for s, _on in sold if s in kept}
    assert len(kept.keys() & {serial for serial, _on in sold}) > 50
    assert set(others) == {None}


def test_the_same_folder_again_changes_nothing(any_database: Database, tmp_path: Path) -> None:
    loaded(any_database, SEED_DATA)
    before = dumped(any_database, tmp_path / "before")
    again = loaded(any_database, SEED_DATA)
    assert all(count.new == count.changed == 0 for count in again.files.values())
    assert dumped(any_database, tmp_path / "after") == before


def test_what_is_dumped_is_for_its_owner_only(database: Database, tmp_path: Path) -> None:
    # ASVS 5.0, 14.2: what players said of bows is read by whoever asked for the files, whatever the umask.
    loaded(database, SEED_DATA)
    before = os.umask(0)
    try:
        dumped(database, tmp_path / "new" / "out")
        (tmp_path / "there").mkdir(mode=0o755)
        dumped(database, tmp_path / "there")
    finally:
        os.umask(before)
    assert (tmp_path / "new" / "out").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "there").stat().st_mode & 0o777 == 0o755
    for folder in (tmp_path / "new" / "out", tmp_path / "there"):
        assert {file.stat().st_mode & 0o777 for file in folder.iterdir()} == {0o600}


AWKWARD = {
    **factories.bass_range(),
    "prices": [row("prices", tier="otter", price="999.99", currency="CHF")],
    "bench": [
        row("bench", copy="DB-2", quantity="swing_inertia_kg_m2", value="5e-05", unit="kg m2", by="=Zoë;"),
        row("bench", copy="DB-2", date="2026-02-05", method=None, value="131.25", by='"quoted"'),
    ],
    "events": [
        row("events", copy="DB-1", note="line one\nline two, after 'rehair'"),
        row("events", copy="DB-2", note=" x "),
    ],
    "runs": [
        row(
            "runs",
            trial="=T",
            player="+49",
            instrument="double_bass",
            hold="either",
            strings=5,
            string_length_mm="1045.5",
            settings="teaching orchestra",
            budget="2600.50",
            currency="CHF",
            priorities="tone ease",
            wish_mass=-1,
            wish_tone=0,
            place="post",
            blinding="masked",
            instrument_used="house",
            rater=rater,
            position=position,
            copy=copy,
            overall=overall,
            tone="?",
            carrying=carrying,
            note=note,
        )
        for rater, position, copy, overall, carrying, note in [
            ("player", 1, "own", "?", "", "'='"),
            ("player", 2, "DB-1", 7, "", "¿naïve? 弓"),
            ("listener", 2, "DB-1", 1, "?", "@home"),
        ]
    ],
    "outcomes": [row("outcomes", trial="=T", outcome="more_asked", copy=None, reason=None)],
}


def test_awkward_text_and_numbers_survive_the_way_through_two_databases(
    database: Database, postgres_database: Database, tmp_path: Path
) -> None:
    report = factories.load(database, tmp_path / "given", AWKWARD)
    assert report.problems == ()
    first = dumped(database, tmp_path / "first")
    loaded(postgres_database, tmp_path / "first")
    assert dumped(postgres_database, tmp_path / "second") == first
    assert (
        "'=T,'+49,,2026-03-02,double_bass,either,5,1045.5,teaching orchestra,2600.5,CHF" in first["runs.csv"].decode()
    )


def test_files_are_written_in_one_order_whatever_order_they_had(any_database: Database, tmp_path: Path) -> None:
    tables = factories.history(players=2)
    report = factories.load(any_database, tmp_path / "f", {name: rows[::-1] for name, rows in tables.items()})
    assert report.problems == ()
    out = dumped(any_database, tmp_path / "out")
    trials = [line.split(",")[0] for line in out["runs.csv"].decode().splitlines()[1:]]
    assert trials == ["T1"] * 4 + ["T2"] * 4


def test_keys_are_ordered_by_code_point_on_every_database(any_database: Database, tmp_path: Path) -> None:
    serials = ["a-1", "B-1", "a 2", "Ä-1", "z"]
    factories.load(
        any_database,
        tmp_path / "f",
        {"tiers": [row("tiers")], "copies": [row("copies", copy=serial) for serial in serials]},
    )
    lines = dumped(any_database, tmp_path / "out")["copies.csv"].decode().splitlines()[1:]
    assert [line.split(",")[0] for line in lines] == sorted(serials)


def test_an_empty_database_dumps_eight_files_of_headers_which_load(database: Database, tmp_path: Path) -> None:
    out = dumped(database, tmp_path / "out")
    assert all(content.count(b"\n") == 1 for content in out.values())
    report = loaded(database, tmp_path / "out")
    assert report.problems == ()
    assert list(report.files) == NAMES


def test_values_are_kept_as_their_kind(database: Database, tmp_path: Path) -> None:
    factories.load(database, tmp_path / "f", AWKWARD)
    with database.reading() as session:
        assert session.scalars(select(Price.price)).one() == Decimal("999.99")
        trial = session.scalars(select(Trial)).one()
        assert (trial.budget, trial.on) == (Decimal("2600.50"), dt.date(2026, 3, 2))
        own = session.scalars(select(Run).where(Run.position == 1)).one()
        assert (own.copy, own.overall, own.cannot_tell) == (None, None, "overall tone")


def test_a_byte_order_mark_and_semicolons_with_decimal_commas_are_read(database: Database, tmp_path: Path) -> None:
    text = "\ufefftier;name;instrument;grade;price;currency\r\nheron;Heron;violin;1;1249,50;EUR\r\n"
    (tmp_path / "tiers.csv").write_text(text, encoding="utf-8", newline="")
    assert loaded(database, tmp_path).problems == ()
    with database.reading() as session:
        assert session.scalars(select(Tier.price)).one() == Decimal("1249.50")


def test_a_new_dealer_is_made_with_the_currency_of_its_rows(database: Database, tmp_path: Path) -> None:
    tables = factories.usual("tiers", "prices", "copies") | {"prices": [row("prices", currency="CHF")]}
    report = factories.load(database, tmp_path / "f", tables)
    assert report.dealers == ("harbour",)
    with database.reading() as session:
        dealer = session.scalars(select(Dealer)).one()
    assert (dealer.slug, dealer.name, dealer.currency) == ("harbour", "harbour", "CHF")


def test_a_dry_run_says_what_would_change_and_changes_nothing(database: Database, tmp_path: Path) -> None:
    report = factories.load(database, tmp_path / "f", factories.usual(), dry_run=True)
    assert report.dealers == ("harbour",)
    assert report.files["runs.csv"] == files.Count(new=1, changed=0, same=0)
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Tier)) == 0


def test_changed_tiers_copies_and_prices_are_updated(any_database: Database, tmp_path: Path) -> None:
    names = ("tiers", "character", "prices", "copies")
    factories.load(any_database, tmp_path / "f", factories.usual(*names))
    changed = {
        "tiers": [row("tiers", price="1300", note="new")],
        "character": [row("character", step="-2"), row("character", criterion="ease", step="0")],
        "prices": [row("prices", price="1250")],
        "copies": [row("copies", status="sold", dealer="")],
    }
    report = factories.load(any_database, tmp_path / "f", changed)
    assert [report.files[f"{name}.csv"].changed for name in names] == [1, 1, 1, 1]
    with any_database.reading() as session:
        copy = session.scalars(select(Copy)).one()
        assert (copy.status, copy.dealer, copy.mass_g) == ("sold", None, 60.5)
        assert session.scalars(select(Price.price)).one() == 1250
        assert session.scalars(select(Tier.note)).one() == "new"
        assert model_records.read_range(session).tiers["heron"].character == {"response": -2, "ease": 0}


def test_a_makers_words_come_out_as_they_went_in_and_an_empty_step_takes_one_back(
    any_database: Database, tmp_path: Path
) -> None:
    said = [
        row("character", criterion=name, step=step) for name, step in (("overall", 0), ("response", 2), ("tone", -1))
    ]
    factories.load(any_database, tmp_path / "f", factories.usual("tiers") | {"character": said})
    before = dumped(any_database, tmp_path / "out")["character.csv"].decode()
    assert before.splitlines() == ["tier,criterion,step", "heron,overall,0", "heron,response,2", "heron,tone,-1"]
    with any_database.reading() as session:
        digest, mark = model_records.digest(session), model_records.range_mark(session)
    report = factories.load(any_database, tmp_path / "g", {"character": [row("character", step="")]})
    assert report.files["character.csv"] == files.Count(new=0, changed=1, same=0)
    with any_database.reading() as session:
        assert model_records.read_range(session).tiers["heron"].character == {"overall": 0, "tone": -1}
        # A fit reads the words, and so does whoever keeps the range in memory.
        assert model_records.digest(session) != digest
        assert model_records.range_mark(session)[0] != mark[0]
    again = dumped(any_database, tmp_path / "again")
    assert loaded(any_database, tmp_path / "again").files["character.csv"] == files.Count(new=0, changed=0, same=3)
    assert dumped(any_database, tmp_path / "last") == again


def test_a_range_of_which_nothing_is_said_keeps_its_digest(database: Database, tmp_path: Path) -> None:
    factories.load(database, tmp_path / "f", factories.usual("tiers"))
    with database.reading() as session:
        digest = model_records.digest(session)
    factories.load(database, tmp_path / "g", {"character": [row("character", step="")]})
    with database.reading() as session:
        assert model_records.digest(session) == digest


def test_a_column_that_is_absent_leaves_what_is_known_and_an_empty_cell_does_not(
    database: Database, tmp_path: Path
) -> None:
    factories.load(database, tmp_path / "f", factories.usual("tiers", "copies"))
    factories.load(database, tmp_path / "f", {"copies": [row("copies", mass_g=None, status="")]})
    with database.reading() as session:
        copy = session.scalars(select(Copy)).one()
    assert (copy.mass_g, copy.status) == (60.5, None)


def test_a_differing_run_is_refused_by_line_and_kept_as_a_new_revision_with_replace(
    any_database: Database, tmp_path: Path
) -> None:
    factories.load(any_database, tmp_path / "f", factories.usual())
    differing = {"runs": [row("runs", overall=6)]}
    (problem,) = factories.load(any_database, tmp_path / "g", differing).problems
    assert str(problem).startswith(
        "runs.csv, line 2, overall: got '6', expected '5' as stored, or the option --replace"
    )
    assert factories.load(any_database, tmp_path / "g", differing, replace=True).files["runs.csv"].changed == 1
    with any_database.reading() as session:
        runs = session.execute(select(Run.revision, Run.overall).order_by(Run.revision)).all()
    assert [tuple(run) for run in runs] == [(1, 5), (2, 6)]
    assert b",6," in dumped(any_database, tmp_path / "out")["runs.csv"]


def test_a_differing_outcome_is_refused_by_line_and_kept_as_a_new_revision_with_replace(
    any_database: Database, tmp_path: Path
) -> None:
    factories.load(any_database, tmp_path / "f", factories.usual())
    differing = {"outcomes": [row("outcomes", reason="price")]}
    (problem,) = factories.load(any_database, tmp_path / "g", differing).problems
    assert (problem.file, problem.line, problem.column) == ("outcomes.csv", 2, "reason")
    factories.load(any_database, tmp_path / "g", differing, replace=True)
    with any_database.reading() as session:
        kept = session.execute(select(Outcome.revision, Outcome.reason).order_by(Outcome.revision)).all()
    assert [tuple(outcome) for outcome in kept] == [(1, "sound"), (2, "price")]


def test_the_answers_of_a_stored_trial_change_only_with_replace(database: Database, tmp_path: Path) -> None:
    factories.load(database, tmp_path / "f", factories.usual())
    richer = {"runs": [row("runs", budget=2000, currency="EUR"), row("runs", budget=2000, currency="EUR", position=2)]}
    (problem,) = factories.load(database, tmp_path / "g", richer).problems
    assert (problem.line, problem.column) == (2, "budget")
    factories.load(database, tmp_path / "g", richer, replace=True)
    with database.reading() as session:
        assert session.scalars(select(Trial.budget)).one() == 2000
        assert session.scalar(select(func.count()).select_from(Run)) == 2


def test_two_trials_of_one_player_share_the_player(database: Database, tmp_path: Path) -> None:
    tables = factories.usual("tiers", "copies") | {"runs": [row("runs"), row("runs", trial="T2", date="2026-05-01")]}
    factories.load(database, tmp_path / "f", tables)
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Player)) == 1


def test_trials_of_a_player_who_keeps_the_ratings_to_themselves_are_in_no_file(
    any_database: Database, tmp_path: Path
) -> None:
    factories.load(
        any_database, tmp_path / "in", factories.usual() | {"runs": [row("runs"), row("runs", trial="T2", player="P2")]}
    )
    with any_database.writing() as session:
        session.execute(update(Player).where(Player.key == "P1").values(in_model=False))
    written = dumped(any_database, tmp_path / "out")
    assert b"T2" in written["runs.csv"]
    assert b"T1" not in written["runs.csv"] + written["outcomes.csv"]
    assert loaded(any_database, tmp_path / "in").problems == ()  # what is stored is still compared with


def test_the_latest_reading_shows_in_the_copy_and_an_older_value_is_told_of(database: Database, tmp_path: Path) -> None:
    readings = [row("bench", date="2026-02-01", value="60.1"), row("bench", date="2026-01-01", value="61")]
    report = factories.load(database, tmp_path / "f", factories.usual("tiers", "copies") | {"bench": readings})
    assert report.notes == ("copies.csv, line 2, mass_g: got 60.5, kept 60.1, the latest reading of the bench",)
    factories.load(
        database, tmp_path / "g", {"bench": [row("bench", date="2026-03-01", value="60.3", quantity="mass")]}
    )
    with database.reading() as session:
        assert session.scalars(select(Copy.mass_g)).one() == 60.3
        assert session.scalar(select(func.count()).select_from(BenchReading)) == 3


def test_a_differing_reading_is_refused_and_corrected_with_replace(any_database: Database, tmp_path: Path) -> None:
    factories.load(any_database, tmp_path / "f", factories.usual())
    differing = {"bench": [row("bench", value="60.9")], "events": [row("events", note="new hair")]}
    problems = factories.load(any_database, tmp_path / "g", differing).problems
    assert [(problem.file, problem.column) for problem in problems] == [("bench.csv", "value"), ("events.csv", "note")]
    factories.load(any_database, tmp_path / "g", differing, replace=True)
    with any_database.reading() as session:
        assert session.scalars(select(Copy.mass_g)).one() == 60.9
        assert session.scalars(select(BenchReading.value)).one() == 60.9


def test_what_a_tier_is_called_defaults_to_its_slug(database: Database, tmp_path: Path) -> None:
    factories.load(database, tmp_path / "f", {"tiers": [row("tiers", name=None)]})
    with database.reading() as session:
        assert session.scalars(select(Tier.name)).one() == "heron"


def test_a_file_that_is_none_of_the_eight_is_passed_over_and_said_so(database: Database, tmp_path: Path) -> None:
    folder = factories.write(tmp_path / "f", factories.usual("tiers"))
    (folder / "run.csv").write_text("trial\n", encoding="utf-8")
    assert loaded(database, folder).notes == ("run.csv: not read, it is none of the files that load takes",)


@pytest.mark.parametrize("hold", ["german", "french", "either"])
def test_a_bass_trial_takes_copies_of_its_hold(database: Database, tmp_path: Path, hold: str) -> None:
    runs = [
        row("runs", instrument="double_bass", hold=hold, position=position, copy=copy)
        for position, copy in enumerate(("DB-1", "DB-2"), start=1)
    ]
    report = factories.load(database, tmp_path / "f", factories.bass_range() | {"runs": runs})
    refused = {
        "german": ["'DB-2', built for the french hold"],
        "french": ["'DB-1', built for the german hold"],
        "either": [],
    }
    assert [problem.got for problem in report.problems] == refused[hold]


def test_the_columns_of_answers_are_those_that_the_questions_declare_in_file_and_table_alike() -> None:
    """Named here as they are promised; a question that declares one more has it in the file, or fails here."""
    promised = ["instrument", "hold", "strings", "string_length_mm", "settings", "budget", "currency"]
    promised += ["priorities", "wish_mass", "wish_tone"]
    declared = [kept.column for _question, kept in HISTORY]
    assert declared == promised
    about = {column.name: column.about for column in RUNS.shared}
    assert [name for name in about if name in promised] == promised
    assert [about[name] for name in promised] == [kept.about for _question, kept in HISTORY]
    assert [name for name in promised if name not in Trial.__table__.columns] == []


def test_answers_are_kept_in_the_history_as_before() -> None:
    whole = {
        "instrument": "double_bass",
        "hold": "german",
        "strings": 5,
        "string_length_mm": 1050,
        "settings": ["solo", "orchestra"],
        "budget": {"amount": 2600.456, "currency": "EUR"},
        "priorities": ["response", "clarity"],
        "wishes": {"mass": -1, "tone": 1},
    }
    kept = composing.answer_columns(forms.check(whole))
    assert kept == {
        "instrument": "double_bass",
        "hold": "german",
        "strings": 5,
        "string_length_mm": 1050,
        "settings": "orchestra solo",
        "budget": Decimal("2600.46"),
        "currency": "EUR",
        "priorities": "response clarity",
        "wish_mass": -1,
        "wish_tone": 1,
    }
    less = composing.answer_columns(
        forms.check({"instrument": "violin", "budget": {"amount": 0.001, "currency": "EUR"}})
    )
    assert {name for name, value in less.items() if value not in (None, "")} == {"instrument"}
    assert (less["settings"], less["priorities"], less["currency"]) == ("", "", None)
