"""Sessions: what they promise to readers and writers, on both databases."""

import asyncio
import os
import re
import signal
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import func, insert, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.orm import Session

from service.core import database as database_module
from service.core import impatient
from service.core.database import Database
from service.core.workers import Workers
from service.modelling import model_records
from service.tables import Dealer, Event, Player, Tier
from service.web.database_sessions import Reading, Writing
from service.web.off_loop import OffLoop


def count(database: Database) -> int:
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(Player)) or 0


def test_an_error_in_a_writing_session_leaves_nothing(any_database: Database) -> None:
    def write_and_fail() -> None:
        with any_database.writing() as session:
            session.add(Player(key="P1"))
            session.flush()
            raise LookupError

    with pytest.raises(LookupError):
        write_and_fail()
    assert count(any_database) == 0


def test_a_reading_session_cannot_write(any_database: Database) -> None:
    with any_database.reading() as session, pytest.raises(DBAPIError, match=r"(?i)read.?only"):
        session.execute(insert(Player), {"key": "P1"})
    assert count(any_database) == 0


def test_a_reader_sees_one_state_throughout(any_database: Database) -> None:
    with any_database.reading() as session:
        before = session.scalar(select(func.count()).select_from(Player))
        with any_database.writing() as other:
            other.add(Player(key="P1"))
        assert session.scalar(select(func.count()).select_from(Player)) == before == 0
    assert count(any_database) == 1


def test_who_waits_for_another_writer_is_told_after_a_while(
    any_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    with any_database.writing() as session:
        session.add(Dealer(slug="harbour", name="0"))
    monkeypatch.setattr(database_module, "BUSY_SECONDS", 1)
    impatient = Database(any_database.url.difference_update_query(["options"]))

    def rename(database: Database) -> None:
        with database.writing() as session:
            session.execute(update(Dealer).values(name="2"))

    with any_database.writing() as session:
        session.execute(update(Dealer).values(name="1"))
        began = time.monotonic()
        with pytest.raises(OperationalError, match="lock"):  # which every page and the API answer with 503
            rename(impatient)
        assert time.monotonic() - began > 0.5  # it did wait
    rename(impatient)
    impatient.close()


def test_an_address_that_sets_its_own_patience_keeps_it(postgres_database: Database) -> None:
    plain = postgres_database.url.difference_update_query(["options"])
    for url, expected in ((plain, "4s"), (plain.update_query_dict({"options": "-c lock_timeout=1234ms"}), "1234ms")):
        database = Database(url)
        with database.reading() as session:
            assert session.scalar(text("SHOW lock_timeout")) == expected
        database.close()


def test_writers_that_read_first_all_get_their_turn(database: Database) -> None:
    with database.writing() as session:
        session.add(Dealer(slug="harbour", name="0"))

    def add_one(_: int) -> None:
        with database.writing() as session:
            name = session.scalars(select(Dealer.name)).one()
            time.sleep(0.001)
            session.execute(update(Dealer).values(name=str(int(name) + 1)))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(add_one, range(40)))
    with database.reading() as session:
        assert session.scalars(select(Dealer.name)).one() == "40"


def test_sqlite_is_set_up_to_lose_nothing(database: Database) -> None:
    # SQLite's documentation, 'Pragma statements': journal_mode; synchronous 2 = FULL; foreign_keys; busy_timeout.
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 4_000}
    with database.reading() as session:
        assert {name: session.scalar(text(f"PRAGMA {name}")) for name in wanted} == wanted


def test_postgresql_is_reached_by_its_plain_address(postgres_url: str) -> None:
    database = Database(postgres_url)
    assert database.url.drivername == "postgresql+psycopg"
    with database.reading() as session:
        assert session.scalar(text("SHOW transaction_isolation")) == "repeatable read"
    database.close()


CHANGES: list[Callable[[Session], object]] = [
    lambda session: session.add(Dealer(slug="quay", name="Quay")),
    lambda session: setattr(session.get(Dealer, "harbour"), "name", "Haven"),
    lambda session: session.delete(session.get(Dealer, "harbour")),
    lambda session: session.execute(update(Dealer).values(currency="CHF")),
    lambda session: session.execute(insert(Dealer), [{"slug": "quay", "name": "Quay"}]),
]


@pytest.mark.parametrize("change", CHANGES, ids=["add", "alter", "delete", "update", "bulk insert"])
def test_the_mark_of_the_range_moves_with_every_change(
    any_database: Database, change: Callable[[Session], object]
) -> None:
    def mark() -> tuple[str, str]:
        with any_database.reading() as session:
            return model_records.range_mark(session)

    with any_database.writing() as session:
        session.add(Dealer(slug="harbour", name="Harbour"))
    before = mark()
    assert before == mark()
    with any_database.writing() as session:
        change(session)
    assert mark() != before


def test_the_mark_of_the_range_stays_when_something_else_changes(database: Database) -> None:
    with database.reading() as session:
        before = model_records.range_mark(session)
    with database.writing() as session:
        session.add(Player(key="P1"))
    with database.reading() as session:
        assert model_records.range_mark(session) == before


def application(database: Database) -> FastAPI:
    app = FastAPI()
    app.state.database = database
    nothing = re.compile("(?!)")
    app.add_middleware(OffLoop, by=Workers(), sheets=nothing, advice=nothing)

    @app.post("/events")
    async def add_event(session: Writing) -> str:
        session.add(Event(copy="ghost", on=func.current_date(), event="moved"))
        return "done"

    @app.post("/players/{key}")
    async def add_player(key: str, session: Writing) -> str:
        session.add(Player(key=key))
        time.sleep(0.001)
        return "done"

    @app.get("/players")
    async def players(session: Reading) -> int:
        return session.scalar(select(func.count()).select_from(Player)) or 0

    return app


def test_a_commit_that_fails_is_never_answered_done(any_database: Database) -> None:
    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(application(any_database))
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            return await client.post("/events")

    with pytest.raises(IntegrityError):
        asyncio.run(ask())


def test_requests_that_write_while_others_wait_do_not_lock_each_other_out(any_database: Database) -> None:
    async def ask() -> list[int]:
        transport = httpx.ASGITransport(application(any_database))
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            replies = await asyncio.gather(*(client.post(f"/players/P{number}") for number in range(20)))
            return [*(reply.status_code for reply in replies), (await client.get("/players")).json()]

    assert asyncio.run(ask()) == [200] * 20 + [20]


def test_a_database_serves_one_event_loop_after_another(database: Database) -> None:
    async def ask(prefix: str) -> set[int]:
        transport = httpx.ASGITransport(application(database))
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            replies = await asyncio.gather(*(client.post(f"/players/{prefix}{number}") for number in range(5)))
            return {reply.status_code for reply in replies}

    assert [asyncio.run(ask(prefix)) for prefix in "ab"] == [{200}, {200}]


def test_more_requests_than_any_pool_holds_are_read_for_at_once(any_database: Database) -> None:
    with ExitStack() as stack:
        sessions = [stack.enter_context(any_database.reading()) for _ in range(30)]
        assert {session.scalar(select(func.count()).select_from(Player)) for session in sessions} == {0}


def test_a_foreign_key_that_points_nowhere_is_refused(any_database: Database) -> None:
    def write() -> None:
        with any_database.writing() as session:
            session.add(Event(copy="ghost", on=func.current_date(), event="moved"))

    with pytest.raises(IntegrityError):
        write()
    with any_database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Tier)) == 0


def test_a_server_that_is_stopped_is_waited_for_no_longer_than_is_said(
    postgres_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Its process is stopped (SIGSTOP), so that no limit of its own ends the statement, and no connection breaks.
    monkeypatch.setattr(impatient, "SILENCE_SECONDS", 60.0)  # of a server that is only slow
    served = Database(postgres_database.url, patient=False)
    with served.writing() as session:
        backend = session.scalars(text("SELECT pg_backend_pid()")).one()

    def write_while_it_stops(patch: pytest.MonkeyPatch) -> None:
        with served.writing() as session:
            session.add(Player(key="P1"))
            session.flush()
            os.kill(backend, signal.SIGSTOP)
            patch.setattr(impatient, "SILENCE_SECONDS", 0.2)
            session.add(Player(key="P2"))

    try:
        with monkeypatch.context() as patch, pytest.raises(OperationalError):
            write_while_it_stops(patch)
    finally:
        os.kill(backend, signal.SIGCONT)
    with served.writing() as session:
        session.add(Player(key="P3"))
    with served.reading() as session:
        assert set(session.scalars(select(Player.key))) == {"P3"}
    served.close()


def test_a_statement_of_a_request_ends_after_seconds_and_one_of_a_command_does_not(postgres_database: Database) -> None:
    # A server too busy to take in what a command sends it looks to the network like one that is gone (PostgreSQL's manual, 34.1.2).
    for patient, expected, unheard in ((True, "0", "60000"), (False, "4500ms", "4000")):
        database = Database(postgres_database.url.set(query={}), patient=patient)
        with database.reading() as session:
            assert session.scalar(text("SHOW statement_timeout")) == expected
            driver: Any = session.connection().connection.dbapi_connection
            assert driver.info.get_parameters()["tcp_user_timeout"] == unheard
        database.close()
