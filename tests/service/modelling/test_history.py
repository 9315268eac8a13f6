"""Range and history as the model's records."""

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import event

from model.choice import Offer
from model.domain.records import Answers, Bench, Copy, Event, Outcome, Run, Tier
from model.domain.vocabulary import Blinding, Criterion, EventKind, Hold, Instrument, OutcomeKind, Place, Setting
from model.features import bench_traits
from service import tables
from service.bench.quantities import LIMITS
from service.core.database import Database
from service.modelling import model_records
from tests import factories
from tests.factories import row


def test_the_range_is_read_with_holds_and_bench(database: Database, tmp_path: Path) -> None:
    factories.load(database, tmp_path / "f", factories.bass_range())
    with database.reading() as session:
        read = model_records.read_range(session)
    assert read.tiers == {"otter": Tier("otter", Instrument.DOUBLE_BASS, 1, frozenset({Hold.GERMAN, Hold.FRENCH}))}
    assert read.copies["DB-2"] == Copy("DB-2", "otter", Hold.FRENCH, Bench(mass_g=131.0, sd={"mass_g": 0.1}))


def test_a_value_written_by_hand_since_it_was_measured_is_as_sure_as_is_usual(
    database: Database, tmp_path: Path
) -> None:
    factories.load(database, tmp_path / "f", factories.bass_range())
    usual = bench_traits.READINGS["mass_g"].sd
    for measured, mass, sd in (([131.0, 131.2, 0.03], 131.2, 0.03), ([130.0, 130.1, 0.03], 131.0, usual)):
        with database.writing() as session:
            session.get_one(tables.Copy, "DB-2").measured = {"mass_g": measured}
        with database.reading() as session:
            assert model_records.read_range(session).copies["DB-2"].bench == Bench(mass_g=mass, sd={"mass_g": sd})


def test_what_is_usual_of_a_reading_is_the_same_at_the_bench_and_in_the_model() -> None:
    assert {name: (of.sd, of.relative) for name, of in bench_traits.READINGS.items()} == {
        name: (LIMITS[name].sd, LIMITS[name].relative) for name in bench_traits.READINGS
    }


def test_a_trial_is_read_with_its_answers_and_its_player_s_sheets(any_database: Database, tmp_path: Path) -> None:
    answers = {"settings": "solo jazz", "priorities": "tone ease", "wish_mass": -1, "wish_tone": 0, "blinding": "open"}
    runs = [
        row("runs", **answers, response="?", clarity=6),
        row("runs", **answers, position=2, copy="own", overall=3),
        row("runs", **answers, rater="listener", overall=1),
    ]
    factories.load(any_database, tmp_path / "f", factories.usual() | {"runs": runs})
    with any_database.reading() as session:
        (trial,) = model_records.read_trials(session)
    assert (trial.key, trial.player, trial.on) == ("T1", "P1", dt.date(2026, 3, 2))
    assert (trial.blinding, trial.place) == (Blinding.OPEN, Place.SHOP)
    assert trial.answers == Answers(
        Instrument.VIOLIN,
        settings=frozenset({Setting.SOLO, Setting.JAZZ}),
        priorities=(Criterion.TONE, Criterion.EASE),
        wish_mass=-1,
        wish_tone=0,
    )
    first, second = trial.runs
    assert first == Run(1, "VN-1", {Criterion.OVERALL: 5.0, Criterion.CLARITY: 6.0})
    assert second == Run(2, None, {Criterion.OVERALL: 3.0})


def test_the_highest_revision_counts(any_database: Database, tmp_path: Path) -> None:
    factories.load(any_database, tmp_path / "f", factories.usual())
    for overall, reason in ((6, "price"), (2, "handling")):
        later = {"runs": [row("runs", overall=overall)], "outcomes": [row("outcomes", reason=reason)]}
        factories.load(any_database, tmp_path / "g", later, replace=True)
    with any_database.reading() as session:
        (trial,), outcomes = model_records.read_trials(session), model_records.read_outcomes(session)
    assert [run.ratings for run in trial.runs] == [{Criterion.OVERALL: 2.0}]
    assert outcomes == (Outcome("T1", dt.date(2026, 3, 4), OutcomeKind.KEPT, "VN-1"),)


def test_a_trial_that_only_a_listener_rated_is_no_trial_of_the_player(database: Database, tmp_path: Path) -> None:
    tables = factories.usual("tiers", "copies") | {"runs": [row("runs", rater="listener")]}
    factories.load(database, tmp_path / "f", tables)
    with database.reading() as session:
        assert model_records.read_trials(session) == ()


def test_events_are_read_by_copy_and_day(database: Database, tmp_path: Path) -> None:
    events = [row("events"), row("events", date="2026-01-15", event="moved")]
    factories.load(database, tmp_path / "f", factories.usual("tiers", "copies") | {"events": events})
    with database.reading() as session:
        assert model_records.read_events(session) == (
            Event("VN-1", dt.date(2026, 1, 15), EventKind.MOVED),
            Event("VN-1", dt.date(2026, 2, 1), EventKind.REHAIRED),
        )


def test_a_dealer_s_own_price_stands_before_the_tier_s(any_database: Database, tmp_path: Path) -> None:
    tiers = [
        row("tiers"),
        row("tiers", tier="plover", price="2600.50"),
        row("tiers", tier="teal", price="", currency=""),
    ]
    factories.load(any_database, tmp_path / "f", {"tiers": tiers, "prices": [row("prices", currency="CHF")]})
    with any_database.reading() as session:
        own, there = model_records.prices(session), model_records.prices(session, "harbour")
    assert own == {"heron": (Decimal(1200), "EUR"), "plover": (Decimal("2600.50"), "EUR")}
    assert there == own | {"heron": (Decimal(1150), "CHF")}


def test_stock_is_what_stands_at_one_place_ready_to_go(database: Database, tmp_path: Path) -> None:
    copies = [
        row("copies", copy="VN-3"),
        row("copies", copy="VN-1"),
        row("copies", copy="VN-2", status="sold"),
        row("copies", copy="VN-4", dealer=""),
        row("copies", copy="VN-5", status=""),
    ]
    factories.load(database, tmp_path / "f", {"tiers": [row("tiers")], "copies": copies})
    with database.reading() as session:
        assert model_records.stock(session, "harbour") == ("VN-1", "VN-3")
        assert model_records.stock(session, None) == ("VN-4",)
        assert model_records.stock(session, "ghost") == ()


def test_the_digest_is_the_same_on_both_databases_and_in_whatever_order_things_came(
    database: Database, postgres_database: Database, tmp_path: Path
) -> None:
    tables = factories.history()
    factories.load(database, tmp_path / "f", tables)
    factories.load(postgres_database, tmp_path / "f", {name: rows[::-1] for name, rows in tables.items()})
    with database.reading() as one, postgres_database.reading() as other:
        assert model_records.digest(one) == model_records.digest(other)


CHANGES: list[tuple[dict[str, list[dict[str, str]]], bool]] = [
    ({"runs": [row("runs", overall=6)]}, True),
    ({"runs": [row("runs", note="said nothing")]}, False),
    ({"runs": [row("runs", blinding="open")]}, True),
    ({"outcomes": [row("outcomes", outcome="none", copy="")]}, True),
    ({"outcomes": [row("outcomes", price=1100, currency="EUR")]}, True),
    ({"events": [row("events", event="moved")]}, True),
    ({"copies": [row("copies", loss_factor="0.004")]}, True),
    ({"copies": [row("copies", status="sold")]}, False),
    ({"tiers": [row("tiers", note="new")]}, False),
]


@pytest.mark.parametrize(("tables", "moves"), CHANGES, ids=[str(number) for number in range(len(CHANGES))])
def test_the_digest_moves_with_what_a_fit_reads_and_with_nothing_else(
    database: Database, tmp_path: Path, tables: dict[str, list[dict[str, str]]], moves: bool
) -> None:
    factories.load(database, tmp_path / "f", factories.usual())
    with database.reading() as session:
        before = model_records.digest(session)
    assert factories.load(database, tmp_path / "g", tables, replace=True).problems == ()
    with database.reading() as session:
        assert (model_records.digest(session) != before) is moves


def test_what_a_player_could_pay_is_told_in_one_currency(any_database: Database, tmp_path: Path) -> None:
    runs = [
        row("runs", trial="A", dealer="harbour", budget=1500, currency="CHF"),
        row("runs", trial="B", dealer="harbour"),
        row("runs", trial="C", budget=900, currency="USD"),
    ]
    tiers = [row("tiers"), row("tiers", tier="plover", grade=2, price=2600)]
    paid = [row("outcomes", trial=key, price=1100, currency=money) for key, money in (("A", "CHF"), ("B", "EUR"))]
    tables = {"tiers": tiers, "copies": [row("copies")], "prices": [row("prices", currency="CHF")], "runs": runs}
    tables["outcomes"] = paid
    factories.load(any_database, tmp_path / "f", tables)
    with any_database.reading() as session:
        offers = model_records.read_offers(session)
    assert offers == {
        "A": Offer({"heron": 1150.0}, 1500.0, {"VN-1": 1100.0}),
        "B": Offer({"heron": 1150.0}),
        "C": Offer({}, 900.0),
    }


READERS: list[Callable[..., object]] = [
    *(model_records.read_range, model_records.read_trials, model_records.read_events, model_records.read_outcomes),
    *(model_records.prices, model_records.digest, model_records.range_mark),
]


@pytest.mark.parametrize("read", READERS)
def test_reading_takes_as_many_queries_for_much_as_for_little(
    database: Database, tmp_path: Path, read: Callable[..., object]
) -> None:
    def queries() -> int:
        seen: list[str] = []
        count = lambda *args: seen.append(args[2])  # noqa: E731 - named to be taken off again
        event.listen(database.engine, "before_cursor_execute", count)
        with database.reading() as session:
            read(session)
        event.remove(database.engine, "before_cursor_execute", count)
        return len(seen)

    factories.load(database, tmp_path / "f", factories.usual())
    few = queries()
    assert (
        factories.load(database, tmp_path / "g", factories.history(players=30, copies=20), replace=True).problems == ()
    )
    assert few == queries()
