"""Two people at the stock at once, in sessions of their own: nothing is there twice, and nobody's price is lost."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.scopes import AllDealers
from service.inventory import care
from tests.service.client import add_small_range

BOW = dict.fromkeys(care.COLUMNS, "") | {"copy": "N-1", "tier": "bramble", "hold": "german", "status": "in_stock"}


def at_once(database: Database, verb: Callable[[Session, int], object]) -> None:
    """Let one begin, another ask for the same before the first is done, and see the other refused."""

    def other() -> None:
        with database.writing() as session:
            verb(session, 2)

    with ThreadPoolExecutor(1) as pool:
        with database.writing() as session:
            verb(session, 1)
            answer = pool.submit(other)
            _waits(database)
        with pytest.raises(ConflictError):
            answer.result(20)


def _waits(database: Database) -> None:
    """Return once somebody waits for what another holds; on SQLite whoever writes waits before anything is read."""
    end = time.monotonic() + 20
    waiting = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
    while not database.is_sqlite:
        with database.reading() as session:
            if session.scalar(text(waiting)):
                return
        assert time.monotonic() < end


@pytest.fixture
def shop(any_database: Database) -> Database:
    add_small_range(any_database)
    return any_database


def test_a_bow_is_added_once(shop: Database) -> None:
    at_once(shop, lambda session, who: care.add(session, None, AllDealers(), BOW | {"materials": f"of {who}"}))
    with shop.reading() as session:
        assert session.get_one(tables.Copy, "N-1").materials == "of 1"


@pytest.mark.parametrize("dealer", [None, "harbour"])
def test_of_two_prices_the_second_is_told_of_the_first(shop: Database, dealer: str | None) -> None:
    def set_(session: Session, price: str, seen: str) -> None:
        care.set_price(session, None, AllDealers(), "bramble", dealer, price, "EUR", seen)

    with shop.writing() as session:
        set_(session, "1000", "|" if dealer else "1380|EUR")
    at_once(shop, lambda session, who: set_(session, f"{who}111", "1000|EUR"))
    with shop.reading() as session:
        now = care.prices(session, "bramble", dealer)
    assert (now.dealers_price if dealer else now.price) == "1111"
