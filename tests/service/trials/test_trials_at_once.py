"""Several advisers at work at once on the same bows: each gets the trial or a sentence, and no bow is ever in two hands."""

import datetime as dt
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress

from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError
from service.core.scopes import OneDealer
from service.inventory import stock
from service.trials import lifecycle, outcomes
from tests.service.trial_cast import SHOP, compose, open_shop

TODAY = dt.datetime.now(dt.UTC).date()
BOWS = [f"DB-juniper-{number}" for number in range(4)]
ROUNDS = 4


def test_advisers_at_work_at_once_leave_every_bow_where_the_trials_say(any_database: Database) -> None:
    shop = open_shop(any_database)
    start, raised = threading.Barrier(3), []

    def adviser(turn: int) -> Callable[[], None]:
        def at_work() -> None:
            start.wait(20)
            try:
                for round_ in range(ROUNDS):
                    one_round(shop, turn, round_)
            except BaseException as error:  # noqa: BLE001 - handed to the test, which fails by it
                raised.append(error)

        return at_work

    threads = [threading.Thread(target=adviser(turn)) for turn in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert raised == []
    in_their_places(shop)


def one_round(shop: Database, turn: int, round_: int) -> None:
    """Compose, change, open and end a trial with bows that others want too; what is refused is left."""
    bows = [BOWS[(turn + round_) % 4], BOWS[(turn + round_ + 1) % 4]]
    composed: list[str] = []
    step(shop, lambda session: composed.append(compose(session, copies=bows, on=TODAY.isoformat())))
    if not composed:
        return
    key = composed[0]
    step(shop, lambda session: lifecycle.swap(session, None, SHOP, key, bows[0], BOWS[(turn + round_ + 2) % 4]))
    step(shop, lambda session: lifecycle.open_(session, None, SHOP, key))
    step(shop, lambda session: stock.set_status(session, None, OneDealer(SHOP), bows[1], "in_repair"))
    step(shop, lambda session: stock.set_status(session, None, OneDealer(SHOP), bows[1], "in_stock"))
    ends: list[Callable[..., object]] = [
        lambda session: lifecycle.cancel(session, None, SHOP, key),
        lambda session: lifecycle.close(session, None, SHOP, key),
        lambda session: outcomes.record(session, None, SHOP, key, "none", None, None, TODAY),
    ]
    step(shop, ends[turn])
    step(shop, lambda session: lifecycle.cancel(session, None, SHOP, key))


def step(shop: Database, verb: Callable[..., object]) -> None:
    with suppress(ConflictError, InvalidInputError), shop.writing() as session:
        verb(session)


def in_their_places(shop: Database) -> None:
    """No bow is out or set aside any more, and none is lost; every trial's number is its own."""
    with shop.reading() as session:
        statuses = Counter(session.scalars(select(tables.Copy.status).where(tables.Copy.serial.in_(BOWS))))
        numbers = session.scalars(select(tables.Composition.number)).all()
        out = session.scalars(
            select(tables.TrialCopy.copy).where(
                tables.TrialCopy.out_at.is_not(None), tables.TrialCopy.back_at.is_(None)
            )
        ).all()
    assert out == []
    assert set(statuses) <= {"in_stock", "in_repair"}
    assert sum(statuses.values()) == len(BOWS)
    assert sorted(numbers) == list(range(1, len(numbers) + 1))
    assert numbers
