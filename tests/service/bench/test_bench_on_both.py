"""The bench record on SQLite and PostgreSQL: readings outlast their new table, repeats are found, columns are written."""

import datetime as dt
from importlib import import_module

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy.exc import IntegrityError

from service import tables
from service.bench import records
from service.core.database import Database, writing_engine
from service.core.scopes import AllDealers

DAY = dt.date(2026, 3, 2)


def test_readings_outlast_the_new_table_and_repeats_are_found(any_database: Database) -> None:
    with any_database.writing() as session:
        session.add(tables.Tier(slug="elm", name="Elm", instrument="violin", holds="", grade=1))
        session.flush()
        session.add_all([tables.Copy(serial="VN-1", tier="elm"), tables.Copy(serial="VN-2", tier="elm")])
        session.flush()
        session.add(tables.BenchReading(copy="VN-1", on=DAY, quantity="mass_g", value=60.5, method="scale", by="one"))
    step = import_module("service.migrations.versions.0025_bench")
    with writing_engine(any_database).begin() as connection, Operations.context(MigrationContext.configure(connection)):
        step.upgrade()
    later = DAY + dt.timedelta(days=1)
    for serial in ("VN-1", "VN-2"):
        with any_database.writing() as session:
            found = {"deflection_mm": [5.0, 5.1, 5.2], "load_n": [5.1]}
            kept = records.keep(
                session, None, AllDealers(), serial, found, on=later, by="one", tools={"deflection_mm": "dial gauge"}
            )
            assert kept == 4
    with any_database.reading() as session:
        record = records.of_copy(session, AllDealers(), "VN-1")
        # Of two groups of three, .1 from the middle to either side: sqrt(.04 / 4).
        assert record.repeats["deflection_mm"] == pytest.approx((0.1, 4))
        assert [(row.quantity, row.value) for row in record.readings if row.on == DAY] == [("mass_g", 60.5)]
        assert [row.method for row in record.readings if row.quantity == "deflection_mm"] == [
            *("dial gauge", "dial gauge #2", "dial gauge #3")
        ]
        # 5.1 N over the mean of 5.0, 5.1 and 5.2 mm.
        assert session.get_one(tables.Copy, "VN-1").stiffness_n_per_m == pytest.approx(1000.0, abs=1.0)
    with pytest.raises(IntegrityError), any_database.writing() as session:
        session.add(tables.BenchReading(copy="VN-1", on=DAY, quantity="taste", value=1.0, method=""))
