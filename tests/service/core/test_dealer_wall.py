"""The second wall: with the code's own taken away PostgreSQL shows one dealer's rows alone, of every table that is a dealer's."""

import asyncio
import threading
from contextvars import copy_context
from pathlib import Path
from typing import Any, NoReturn

import pytest
from sqlalchemy import delete, insert, select, text, update
from sqlalchemy.exc import IntegrityError, OperationalError, ProgrammingError
from sqlalchemy.orm import Session

from service import tables
from service.core import dealer_wall
from service.core.database import Database
from service.core.errors import NotFoundError
from service.dealers import api_keys
from service.operations import health, one_dealer
from service.operations.one_dealer import OF_NOBODY, SHARED
from service.trials import by_server, desk_reads
from tests.postgres import Server
from tests.service.cast import DEALER, OTHER, Desk, Member
from tests.service.client import add_small_range, serving, settings_in
from tests.service.operations.test_one_dealer import filled, rows

OURS, THEIRS = "harbour", "harbour-quay"
DEALERS = [table for table in one_dealer.TABLES if table.name not in SHARED | OF_NOBODY | {"players"}]


@pytest.fixture
def both(postgres_database: Database) -> Database:
    """A database of two dealers, with a row of each in every table; the role that comes in owns it and is no superuser."""
    filled(postgres_database, second=True)
    return postgres_database


def test_what_forgets_its_dealer_is_shown_that_dealers_rows_of_every_table(both: Database) -> None:
    theirs = {table.name: one_dealer.belongs(table, OURS) for table in DEALERS}
    with both.reading() as session:
        own = {
            table.name: sorted(session.execute(select(table).where(theirs[table.name])).all(), key=str)
            for table in DEALERS
        }
    assert {name for name, found in own.items() if not found} == set()

    def forgetful() -> dict[str, list[Any]]:
        dealer_wall.stand(OURS)
        with both.reading() as session:
            return {table.name: sorted(session.execute(select(table)).all(), key=str) for table in DEALERS}

    assert copy_context().run(forgetful) == own
    with both.reading() as session:  # the next transaction of the same connection is everybody's again
        assert len(session.scalars(select(tables.Dealer)).all()) == 2


def test_what_forgets_its_dealer_changes_and_adds_nothing_of_another(both: Database) -> None:
    before = rows(both)
    with both.writing() as session, dealer_wall.within(session, THEIRS):
        session.execute(update(tables.Contact).values(name="Somebody"))
        session.execute(delete(tables.Sheet))
        for row in (tables.Enquiry, tables.Trial, tables.OutboxItem, tables.ApiKey):
            session.execute(update(row).where(row.dealer == OURS).values(dealer=THEIRS))
    after = rows(both)
    assert [row for row in before["contacts"] if row[1] == OURS] == [row for row in after["contacts"] if row[1] == OURS]
    assert {name for name in before if before[name] != after[name]} == {"contacts", "sheets"}
    assert len(after["sheets"]) == len(before["sheets"]) / 2
    with (
        pytest.raises(ProgrammingError, match="row-level security"),
        both.writing() as session,
        dealer_wall.within(session, THEIRS),
    ):
        session.execute(insert(tables.PlayerNote).values(dealer=OURS, player=1001, text="x", at=after["audit"][0][1]))


def test_an_error_under_a_lifted_wall_is_told_as_it_is_and_the_wall_stands_again(both: Database) -> None:
    def lifted() -> list[int]:
        dealer_wall.stand(OURS)
        with both.writing() as session:
            with pytest.raises(IntegrityError), session.begin_nested(), dealer_wall.lifted(session):
                session.execute(insert(tables.Dealer).values(slug=THEIRS, name="x"))
            with pytest.raises(IntegrityError), session.begin_nested(), dealer_wall.lifted(session):
                session.add(tables.Dealer(slug=THEIRS, name="x"))
            counts = [len(session.scalars(select(tables.Dealer.slug)).all())]
            with dealer_wall.lifted(session):
                counts.append(len(session.scalars(select(tables.Dealer.slug)).all()))
            return [*counts, len(session.scalars(select(tables.Dealer.slug)).all())]

    assert copy_context().run(lifted) == [1, 2, 1]


def test_a_server_that_goes_away_under_a_set_wall_is_told_as_away(both: Database) -> None:
    with pytest.raises(OperationalError), both.reading() as session, dealer_wall.within(session, OURS):
        session.execute(text("SELECT pg_terminate_backend(pg_backend_pid())"))


def test_who_says_nothing_is_shown_nothing(both: Database) -> None:
    with both.reading() as session:
        session.execute(text(f"SET {dealer_wall.SETTING} = ''"))
        assert [table.name for table in DEALERS if session.execute(select(table)).first()] == []


def test_a_bow_that_ones_own_trials_had_is_told_of_and_no_secret_of_the_house(both: Database) -> None:
    with both.writing() as session:
        session.execute(update(tables.Copy).where(tables.Copy.serial == "VN-1").values(dealer=THEIRS))
        session.execute(update(tables.BowMarks).where(tables.BowMarks.dealer == THEIRS).values(dealer=""))
        session.execute(update(tables.User).where(tables.User.dealer == THEIRS).values(dealer=None, role="owner"))
    with both.reading() as session, dealer_wall.within(session, OURS):
        assert session.scalars(select(tables.Copy.serial)).all() == ["VN-1"]
        assert session.scalars(select(tables.Event)).all() == []
        assert sorted(session.scalars(select(tables.BowMarks.dealer))) == ["", OURS]  # sums of trials that are nobody's
        assert len(session.scalars(select(tables.User.email)).all()) == 2  # who did it, in one's own record
        assert len(session.scalars(select(tables.SecondFactor)).all()) == 1


def test_a_table_that_is_a_dealers_stands_behind_the_wall_for_its_owner_too(both: Database) -> None:
    with both.reading() as session:
        assert health.wall(session).well
        found = session.scalars(text("SELECT relname FROM pg_class WHERE relrowsecurity AND relforcerowsecurity"))
        assert sorted(found) == sorted(table.name for table in DEALERS)


def test_the_check_says_where_the_role_passes_the_wall_by(postgres_server: Server) -> None:
    superusers = Database(postgres_server.admin())
    with superusers.reading() as session:
        found = health.wall(session)
    superusers.close()
    assert (found.well, "page install" in found.said) == (False, True)


def test_a_page_and_a_servers_call_that_forget_their_dealer_show_its_own_alone(
    postgres_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[list[str]] = []
    all_there = threading.Barrier(6)

    def forgets(session: Session, *_: object, **__: object) -> NoReturn:
        seen.append(sorted(session.scalars(select(tables.Dealer.slug))))
        raise NotFoundError

    def forgets_among_others(session: Session, *_: object, **__: object) -> NoReturn:
        all_there.wait(60)
        before = session.scalars(select(tables.Dealer.slug)).all()
        all_there.wait(60)
        session.rollback()  # what is begun anew, on whichever connection, is bound as well
        assert sorted(before) == sorted(session.scalars(select(tables.Dealer.slug)))
        forgets(session)

    monkeypatch.setattr(desk_reads, "trials", forgets_among_others)
    monkeypatch.setattr(by_server, "tell", forgets)
    address = postgres_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        add_small_range(client.database)
        desk = Desk(client)
        with client.database.writing() as session:
            server = api_keys.make(session, None, DEALER, "server", "till")
        bound, free, stranger = (desk.sign_in(name) for name in ("adviser", "owner", "stranger"))

        async def at_once(*members: Member) -> list[int]:
            cookies = [{"Cookie": f"{member.cookie}={member.secret}"} for member in members]
            asked = (client.asked("GET", "/desk/trials", headers=cookie) for cookie in cookies)
            return [reply.status_code for reply in await asyncio.gather(*asked)]

        assert asyncio.run(at_once(bound, free, stranger, stranger, bound, free)) == [404] * 6
        assert sorted(seen) == sorted([[DEALER], [DEALER, OTHER], [OTHER]] * 2)
        client.get("/api/v1/trials/T-1/standing", headers={"Authorization": f"Bearer {server}"})
        # What is asked of all dealers by its nature is: whether a serial is taken, and where a bow may go.
        home = bound.post("/desk/stock/DB-bramble-0/place", {"to": "workshop"})
        taken = stranger.submit("/desk/bows/new", {"copy": "DB-bramble-1", "tier": "bramble"})
    assert home.status_code == 303
    assert (taken.status, "This serial is taken" in taken.text) == (422, True)
    assert seen[6:] == [[DEALER]]
