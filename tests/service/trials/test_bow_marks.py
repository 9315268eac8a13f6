"""What a bow's marks add up to follows a trial as it ends, opens again, is revealed and erased; an older database is added up as well."""

import datetime as dt
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from sqlalchemy import select, text, update

from service import privacy, tables
from service.core.database import Database, writing_engine
from service.trials import bow_marks, lifecycle, outcomes
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.client import add_small_range, serving, settings_in
from tests.service.desk.test_player_page import from_file
from tests.service.desk_shop import Shop

BOW = "DB-bramble-1"
TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def shop(any_database: Database, tmp_path: Path) -> Iterator[Shop]:
    """Give the desk of a small invented shop on each kind of database."""
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        add_small_range(client.database)
        desk = Desk(client)
        yield Shop(desk, desk.sign_in("adviser"))


def sums(shop: Shop, of: str = DEALER) -> list[tuple[int, ...]]:
    """Return trials, marks, total, squares, shown and their total of the bow at a dealer, by year."""
    row = tables.BowMarks
    asked = select(row.trials, row.marks, row.total, row.squares, row.shown, row.shown_total)
    with shop.desk.database.reading() as session:
        return [tuple(each) for each in session.execute(asked.where(row.copy == BOW, row.dealer == of))]


def came(shop: Shop, key: str) -> str | None:
    with shop.desk.database.reading() as session:
        return session.scalars(select(tables.Trial.came).where(tables.Trial.key == key)).one()


def helps(shop: Shop, *, yes: bool) -> None:
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Player).values(in_model=yes))


def test_the_sums_follow_a_trial_from_its_end_to_its_erasing(shop: Shop) -> None:
    key, database = shop.opened(model_consent=True, copies=[BOW], repeat=False), shop.desk.database
    with database.writing() as session:
        from_file(session, "nobody", [(BOW, 5, 5)])
        session.execute(update(tables.Trial).where(tables.Trial.key == "T-nobody").values(dealer=None))
        bow_marks.of_bows(session, [BOW])
    helps(shop, yes=True)
    with database.writing() as session:
        lifecycle.close(session, None, DEALER, key)
    assert sums(shop) == []
    shop.rate(key, [6] * 9)
    assert sums(shop) == [(1, 1, 6, 36, 0, 0)], "a sheet that came late counts"
    assert shop.adviser.post(f"/desk/trials/{key}/reopen").status_code == 303
    assert sums(shop) == []
    assert sums(shop, of="") == [(1, 1, 5, 25, 1, 5)], "who acts for one dealer counts anew what is nobody's too"
    with database.writing() as session:
        outcomes.record(session, None, DEALER, key, "kept", BOW, None, TODAY)
    assert (came(shop, key), sums(shop)) == ("kept", [(1, 1, 6, 36, 0, 0)])
    assert shop.adviser.post(f"/desk/trials/{key}/reveal").status_code == 303
    with database.writing() as session:
        outcomes.record(session, None, DEALER, key, "returned", BOW, "sound", TODAY)
    told = ("returned", [(1, 1, 6, 36, 1, 6)])
    assert (came(shop, key), sums(shop)) == told
    _leave_as_an_older_version(database)
    assert (came(shop, key), sums(shop)) == told
    with database.writing() as session:
        session.delete(session.scalars(select(tables.Outcome).where(tables.Outcome.outcome == "returned")).one())
    assert came(shop, key) == "kept"
    helps(shop, yes=False)
    bow_marks.of_all(database)
    assert sums(shop) == [(0, 0, 0, 0, 1, 6)], "the daily count knows that the player said no"
    with database.writing() as session:
        player = session.scalars(select(tables.Player.key).where(tables.Player.key != "nobody")).one()
        privacy.erase(session, None, privacy.of_player(session, DEALER, player))
    assert sums(shop) == []


def test_a_bows_page_tells_of_files_of_nobody_and_of_trials_elsewhere(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for player, dealer in (("own", DEALER), ("nobody", None), ("other", OTHER)):
            from_file(session, player, [(BOW, 5, 5), ("DB-bramble-2", 3, 3)])
            session.execute(update(tables.Trial).where(tables.Trial.key == f"T-{player}").values(dealer=dealer))
        bow_marks.of_trials(session, session.scalars(select(tables.Trial.id)))
    told = shop.adviser.read(f"/desk/stock/{BOW}").text.replace("\u00a0", " ")
    assert "Two marks, 5.0 on average. The other bows of its model have 3.0 on average, from 2 marks." in told
    assert "It was rated elsewhere too, in 1 trial." in told
    assert re.search(r"Rated in\s+3 trials", told)


def _leave_as_an_older_version(database: Database) -> None:
    """Take out what the revision brings, and let it bring that anew."""
    step = import_module("service.migrations.versions.0033_bow_marks")
    with writing_engine(database).begin() as connection, Operations.context(MigrationContext.configure(connection)):
        connection.execute(text("DROP TABLE bow_marks"))
        connection.execute(text("DROP INDEX ix_trials_dealer_came_date_id"))
        connection.execute(text("ALTER TABLE trials DROP COLUMN came"))
        step.upgrade()
