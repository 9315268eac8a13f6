"""Rate limits: in bursts and in the long run, by networks, between processes, and whatever clocks and the database do."""

import sqlite3
from collections.abc import Callable
from contextlib import closing

import pytest
from sqlalchemy import event, func, select, text

from service.core import limits
from service.core.database import Database, writing_engine
from service.core.limits import Ledger, RateLimit, networks
from service.tables import Spending

KEY = "0123456789abcdef" * 4
HERE = "198.51.100.7"
NOON = 1_790_000_000.0


class Clock:
    """Seconds, as a test sets them."""

    def __init__(self, now: float = 1000.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


class Process:
    """One process that serves: a limit and a ledger of its own on a shared database and clock."""

    def __init__(self, database: Database, per_minute: int, clock: Clock, wall: Callable[[], float] | None) -> None:
        self.limit = RateLimit(per_minute, "advice", clock)
        self.ledger = Ledger(database, KEY, [self.limit], wall)

    def let_pass(self, client: str, tries: int) -> int:
        """Return how many of so many tries pass."""
        return sum(self.limit.wait(client) == 0 for _ in range(tries))


def rows(database: Database) -> int:
    """Return how many clients are kept in the database."""
    with database.reading() as session:
        return session.scalar(select(func.count()).select_from(Spending)) or 0


def test_the_rate_is_what_it_says_in_bursts_and_in_the_long_run() -> None:
    clock = Clock()
    limit = RateLimit(6, clock=clock)
    assert [limit.wait("a") == 0 for _ in range(8)] == [True] * 6 + [False] * 2
    assert limit.wait("a") == pytest.approx(10)
    assert limit.wait("b") == 0
    clock.now += 10
    assert [limit.wait("a") == 0 for _ in range(2)] == [True, False]
    passed = 0
    for _ in range(600):
        clock.now += 1
        passed += limit.wait("a") == 0
    assert passed == 60


def test_a_limit_of_none_lets_all_pass() -> None:
    assert not any(RateLimit(0).wait("a") for _ in range(1_000))


def test_what_costs_more_may_be_asked_for_less_often() -> None:
    limit = RateLimit(100, clock=Clock())
    assert [limit.wait("a", 40) == 0 for _ in range(3)] == [True, True, False]
    assert [limit.wait("a", 1) == 0 for _ in range(21)] == [True] * 20 + [False]
    # What costs more than a minute's budget is to be had all the same, by whoever spent nothing.
    assert [limit.wait("b", 1_000) == 0 for _ in range(2)] == [True, False]


def test_silent_clients_are_forgotten_and_of_the_others_those_who_spent_least(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "MOST_CLIENTS", 10)
    clock = Clock()
    limit = RateLimit(60, clock=clock)
    for number in range(100):
        clock.now += 1
        limit.wait(f"198.51.100.{number}")
    assert len(limit._due) <= 21
    assert sum(limit.wait("192.0.2.1") == 0 for _ in range(70)) == 60
    for number in range(100):
        limit.wait(f"198.51.100.{number}")
    assert len(limit._due) <= 21
    assert limit.wait("192.0.2.1") > 0


def test_an_ipv4_address_is_one_client_however_it_is_written() -> None:
    # RFC 4291, 2.5.5.2: an IPv4-mapped IPv6 address; the addresses are of RFC 5737's and 3849's ranges for documentation.
    limit = RateLimit(10, clock=Clock())
    assert [limit.wait(f"::ffff:{HERE}") == 0 for _ in range(5)] == [True] * 5
    assert [limit.wait("::ffff:c633:6407") == 0 for _ in range(3)] == [True] * 3
    assert [limit.wait(HERE) == 0 for _ in range(3)] == [True, True, False]
    assert limit.wait("::ffff:198.51.100.8") == 0
    assert networks("testclient") == (("testclient", 1),)


@pytest.mark.parametrize(
    ("form", "most"),
    [("2001:db8:1:2::{:x}", 1), ("2001:db8:1:{:x}::7", 2), ("2001:db8:1:{:x}00::7", 4), ("2001:db8:{:x}:2::7", 64)],
    ids=["/64", "/56", "/48", "/32"],
)
def test_an_ipv6_network_has_a_few_budgets_and_not_one_for_each_address(form: str, most: int) -> None:
    """RFC 6177: a site is given a /64 to a /48; 200 of its addresses, or networks, ask as often as they may."""
    limit = RateLimit(10, clock=Clock())
    passed = sum(limit.wait(form.format(number)) == 0 for number in range(200) for _ in range(11))
    assert passed == 10 * most
    assert limit.wait("2001:db9::1") == 0, "another provider's customer was held up"


def test_two_processes_together_let_pass_what_one_may(any_database: Database) -> None:
    clock, wall = Clock(), Clock(NOON)
    both = [Process(any_database, 60, clock, wall) for _ in range(2)]
    passed = 0
    for _ in range(300):
        passed += sum(each.let_pass(HERE, 5) for each in both)
        assert all(each.ledger.settle() for each in both)
        clock.now += 1
        wall.now += 1
    # 60 at once and one a second; before the first settlement neither knew of the other, and that was waited for.
    assert 355 <= passed <= 361
    assert all(each.limit.wait("198.51.100.8") == 0 for each in both)
    for each in both:
        each.ledger.close()


def test_the_database_keeps_its_own_time_and_no_address(any_database: Database) -> None:
    one, other = (Process(any_database, 60, Clock(), None) for _ in range(2))
    assert one.let_pass(HERE, 100) == 60
    assert one.ledger.settle()
    assert other.let_pass(HERE, 1) == 1
    assert other.ledger.settle()
    assert other.let_pass(HERE, 1) == 0
    with any_database.reading() as session:
        (row,) = session.scalars(select(Spending)).all()
        assert HERE not in row.key
        assert row.level == pytest.approx(61, abs=2)
    for each in (one, other):
        each.ledger.close()


def test_it_is_written_together_and_not_once_a_request(database: Database) -> None:
    process = Process(database, 1_000, Clock(), Clock(NOON))
    for number in range(100):
        process.let_pass(f"198.51.100.{number}", 10)
    assert rows(database) == 0
    statements = []
    process.ledger._engine = engine = database.in_passing()
    event.listen(engine, "before_cursor_execute", lambda *told: statements.append(told[2].split()[0]))
    assert process.ledger.settle()
    assert statements.count("INSERT") == 1
    assert rows(database) == 100
    process.ledger.close()


def test_while_another_writes_each_goes_on_alone_and_settles_later(database: Database) -> None:
    process = Process(database, 60, Clock(), Clock(NOON))
    assert process.let_pass(HERE, 50) == 50
    with closing(sqlite3.connect(str(database.file), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert not process.ledger.settle()
        assert process.let_pass(HERE, 20) == 10
        other.execute("ROLLBACK")
    assert process.ledger.settle()
    with database.reading() as session:
        assert session.scalars(select(Spending.level)).one() == pytest.approx(60)
    process.ledger.close()


def test_without_the_table_each_goes_on_alone(any_database: Database) -> None:
    with writing_engine(any_database).begin() as connection:
        connection.execute(text("DROP TABLE spendings"))
    process = Process(any_database, 60, Clock(), Clock(NOON))
    assert process.let_pass(HERE, 70) == 60
    assert not process.ledger.settle()
    assert process.let_pass(HERE, 1) == 0
    process.ledger.close()


@pytest.mark.parametrize("years", [3, -3])
def test_a_clock_that_jumps_forgives_nothing_and_locks_nobody_out(database: Database, years: int) -> None:
    clock, wall = Clock(), Clock(NOON)
    process = Process(database, 60, clock, wall)
    assert process.let_pass(HERE, 70) == 60
    assert process.ledger.settle()
    wall.now += years * 365 * 86400.0
    clock.now += 1
    assert process.let_pass(HERE, 70) == 1
    assert process.ledger.settle()
    assert process.let_pass(HERE, 70) == 0
    clock.now += 60
    wall.now += 60
    # The second in which the clock was set back may be missing.
    assert process.let_pass(HERE, 70) in (59, 60)
    wall.now -= years * 365 * 86400.0
    assert process.ledger.settle()
    clock.now += 60
    assert process.let_pass(HERE, 70) in (59, 60)
    process.ledger.close()


def test_rows_that_are_over_are_cleared(any_database: Database) -> None:
    wall = Clock(NOON)
    for at in (NOON, NOON + 86400.0, NOON + 86400.0 * 1100):
        wall.now = at
        process = Process(any_database, 60, Clock(), wall)
        process.let_pass(f"198.51.100.{int(at) % 100}", 1)
        process.let_pass("192.0.2.1", 1)
        assert process.ledger.settle()
        process.ledger.close()
    assert rows(any_database) <= 2
