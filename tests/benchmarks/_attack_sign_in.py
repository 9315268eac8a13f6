"""Guessing one account's password: how many tries an hour, from one address and from 200, and whether its owner gets in meanwhile.

The service is the real one; its clock is ours, so that an hour takes seconds. A password is never right, and no digest is made.
"""

import datetime as dt
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

from sqlalchemy.orm import Session

from service.accounts import passwords, tries
from tests import migrated
from tests.service import cast
from tests.service.cast import PASSWORD, Desk, Member, hidden, sign_in_form
from tests.service.client import BROWSER, Client
from tests.service.page import Page

EMAIL = "adviser@bows.example"
START = dt.datetime(2026, 11, 30, 8, tzinfo=dt.UTC)
HOUR = dt.timedelta(hours=1)
EVERY = dt.timedelta(seconds=20)
HOURS = 3


class _Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = START

    def seconds(self) -> float:
        return self.now.timestamp()

    def take(self, session: Session, of: str) -> dt.timedelta:
        return _take(session, of, self.now)


_take: Callable[..., dt.timedelta] = tries.take


def run() -> Iterator[str]:
    """Yield what an attacker got, hour by hour."""
    logging.disable(logging.WARNING)  # every refusal is one
    try:
        for addresses in (1, 200):
            with _desk() as (desk, clock):
                yield from _attacked(desk, clock, addresses)
    finally:
        logging.disable(logging.NOTSET)


@contextmanager
def _desk() -> Iterator[tuple[Desk, _Clock]]:
    clock = _Clock()
    with TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.db"
        migrated.put(empty)
        (Path(folder) / "data").mkdir()
        with (
            cast.opened(Path(folder) / "data", empty, cost_per_minute=0) as desk,
            mock.patch.object(tries, "take", clock.take),
        ):
            desk.give_password("adviser", passwords.hash_password(PASSWORD))
            desk.app.state.sign_in_limit.clock = clock.seconds
            yield desk, clock


def _attacked(desk: Desk, clock: _Clock, addresses: int) -> Iterator[str]:
    owner = desk.nobody()
    sign_in_form(owner, EMAIL, PASSWORD)
    clock.now += dt.timedelta(days=2)
    begun, number = clock.now, 0
    for hour in range(1, HOURS + 1):
        tried = 0
        with mock.patch.object(passwords, "fits", return_value=False):
            sender = _form(desk)
            while clock.now < begun + hour * HOUR:
                number += 1
                tried += sender(f"203.0.{number % addresses // 200}.{number % addresses + 1}") == 422
                clock.now += EVERY
        known, new = _gets_in(owner), _gets_in(desk.nobody())
        many = "one address" if addresses == 1 else f"{addresses} addresses"
        yield (
            f"hour {hour}, from {many}: {tried} tries at the account; "
            f"its owner's own browser {known}, a new one {new} with the password alone"
        )


def _form(desk: Desk) -> Callable[[str], int]:
    """Return what sends one wrong password from an address and gives the answer's status."""
    member = desk.nobody()
    data = hidden(Page(member.get("/desk/sign-in"))) | {"email": EMAIL, "password": "wrong wrong wrong"}
    headers = {"cookie": f"desk-in={member.cookies['desk-in']}", **BROWSER}
    return lambda host: (
        Client(desk.app, host=host).send("POST", "/desk/sign-in", data=data, headers=headers).status_code
    )


def _gets_in(member: Member) -> str:
    member.cookies.pop("desk", None)
    return "gets in" if sign_in_form(member, EMAIL, PASSWORD).status_code == 303 else "does not get in"
