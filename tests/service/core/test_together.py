"""Group commit: requests that write at the same time share a transaction, and a failure stays its own request's."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from sqlalchemy import event, func, select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.group_commit import Together
from service.core.workers import Workers


class BrokenError(Exception):
    pass


def adding(key: str, fails: type[Exception] | None = None) -> Callable[[Session], str]:
    def verb(session: Session) -> str:
        if fails is ConflictError:
            raise ConflictError("no")
        session.add(tables.Player(key=key))
        session.flush()
        if fails is not None:
            raise fails
        return key

    return verb


def run(database: Database, *verbs: Callable[[Session], str]) -> list[Any]:
    """Let all write at once; return what came of each."""

    async def all_at_once() -> list[Any]:
        together = Together(database, Workers())
        writes: list[Coroutine[Any, Any, str]] = [together.write(verb, (ConflictError,)) for verb in verbs]
        return list(await asyncio.gather(*writes, return_exceptions=True))

    return asyncio.run(all_at_once())


def players(database: Database) -> set[str]:
    with database.reading() as session:
        return set(session.scalars(select(tables.Player.key)))


def test_twenty_requests_share_a_transaction(any_database: Database) -> None:
    commits: list[object] = []
    event.listen(any_database.engine, "commit", commits.append)
    keys = [f"player {number}" for number in range(20)]
    assert run(any_database, *map(adding, keys)) == keys
    assert players(any_database) == set(keys)
    assert len(commits) == 1


def test_a_request_that_fails_takes_nobody_with_it_and_leaves_nothing(any_database: Database) -> None:
    first, failed, last = run(any_database, adding("one"), adding("two", BrokenError), adding("three"))
    assert (first, last) == ("one", "three")
    assert isinstance(failed, BrokenError)
    assert players(any_database) == {"one", "three"}


def test_a_refusal_before_anything_was_written_costs_the_others_nothing(database: Database) -> None:
    commits: list[object] = []
    event.listen(database.engine, "commit", commits.append)
    first, refused, last = run(database, adding("one"), adding("two", ConflictError), adding("three"))
    assert (first, str(refused), last) == ("one", "no", "three")
    assert len(commits) == 1


def test_what_the_database_refuses_is_told_to_the_one_that_asked(database: Database) -> None:
    with database.writing() as session:
        session.add(tables.Player(key="two"))
    first, refused, last = run(database, adding("one"), adding("two"), adding("three"))
    assert (first, last) == ("one", "three")
    assert type(refused).__name__ == "IntegrityError"


def test_a_client_that_has_gone_does_not_lose_what_it_sent(database: Database) -> None:
    async def gone() -> None:
        together = Together(database, Workers())
        task = asyncio.create_task(together.write(adding("one")))
        await asyncio.sleep(0)
        task.cancel()
        assert await together.write(adding("two")) == "two"

    asyncio.run(gone())
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(tables.Player)) == 2


def test_one_alone_raises_what_it_raised(database: Database) -> None:
    (failed,) = run(database, adding("one", BrokenError))
    assert isinstance(failed, BrokenError)
    assert players(database) == set()


def test_more_than_fit_into_one_transaction_are_all_written(database: Database) -> None:
    keys = [f"player {number}" for number in range(120)]
    assert run(database, *map(adding, keys)) == keys
    assert players(database) == set(keys)


@pytest.mark.parametrize("position", [0, 1, 2])
def test_the_order_of_the_answers_is_that_of_the_requests(database: Database, position: int) -> None:
    keys = ["one", "two", "three"]
    assert run(database, *map(adding, keys))[position] == keys[position]
