"""How many statements a page of the desk takes, on both kinds of database: few, and as many for many rows as for one."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from service import tables
from service.core.database import Database
from service.trials import desk_reads, desk_records, lifecycle, standing
from tests.service.cast import DEALER, OTHER, Desk, Member
from tests.service.client import add_small_range, serving, settings_in
from tests.service.desk_shop import Shop

A_TRIAL, A_STANDING, A_STOCK, A_LIST_OF_MAIL = 10, 6, 6, 5
A_DESK = {"adviser": 5, "owner": 11}
WALL = 3
"""Beside those on PostgreSQL: one says whose rows there are, and two lead to all dealers' and back where a page asks for those."""
BY_POST = {"place": "post", "country": "AT"}


class Counted:
    """What is sent to the database while somebody asks for a page, the sign-in's own statement included."""

    def __init__(self, desk: Desk) -> None:
        self.statements: list[str] = []
        self.wall = 0
        event.listen(desk.database.engine, "before_cursor_execute", self._note)

    def _note(self, _connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        # What begins a transaction says nothing; the driver of PostgreSQL sends it unseen.
        if statement.startswith("SELECT set_config"):
            self.wall += 1
        elif not statement.startswith(("PRAGMA query_only", "BEGIN")):
            self.statements.append(statement)

    def of(self, member: Member, path: str) -> int:
        """Return how many a page takes that was asked for before: the range is read once in a process."""
        assert member.get(path).status_code == 200
        self.statements.clear()
        self.wall = 0
        assert member.get(path).status_code == 200
        assert self.wall <= WALL
        return len(self.statements)


@pytest.fixture
def shop(any_database: Database, tmp_path: Path) -> Iterator[Shop]:
    """Give the desk of a small invented shop on each kind of database."""
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        add_small_range(client.database)
        desk = Desk(client)
        yield Shop(desk, desk.sign_in("adviser"))


def test_a_trials_page_takes_ten_statements_at_most_wherever_the_trial_stands(shop: Shop) -> None:
    counted, taken = Counted(shop.desk), {}
    shop.in_country("DE")
    for name, key in _trials(shop).items():
        taken[name] = counted.of(shop.adviser, f"/desk/trials/{key}")
        assert len(set(counted.statements)) == len(counted.statements), name
    assert {name: count for name, count in taken.items() if count > A_TRIAL} == {}


def test_how_a_trial_stands_takes_six_statements_at_most(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, (5, 6))
    counted = Counted(shop.desk)
    with shop.desk.database.reading() as session:
        standing.standing(session, DEALER, key)
        counted.statements.clear()
        session.expunge_all()
        assert standing.standing(session, DEALER, key).sheets_in == 2
    assert len(counted.statements) <= A_STANDING


def _trials(shop: Shop) -> dict[str, str]:
    """Return a trial in each state: the open one with both raters' sheets, a link and blind pairs."""
    sent = shop.compose(**BY_POST, copies=["DB-bramble-3"])
    shop.adviser.post(f"/desk/trials/{sent}/confirm", {"by": "Ada"})
    shop.adviser.post(f"/desk/trials/{sent}/send", {"condition.DB-bramble-3": "good"})
    found = {"parcel": shop.compose(**BY_POST, copies=["DB-juniper-2"]), "sent": sent, "open": shop.opened()}
    shop.rate(found["open"], (5, 6, 4))
    shop.rate(found["open"], (5,), rater="listener")
    letter = next(slot.letter for slot in _slots(shop, found["open"]) if not slot.own)
    for where, fields in (
        ("seat", {"rater": "player"}),
        ("head-to-head", {"one": letter, "other": "own"}),
    ):
        assert shop.adviser.post(f"/desk/trials/{found['open']}/{where}", fields).status_code == 303, where
    found["closed"] = shop.opened(copies=["DB-bramble-2"])
    shop.rate(found["closed"], (5,))
    with shop.desk.database.writing() as session:
        lifecycle.close(session, shop.desk.ids["adviser"], DEALER, found["closed"])
        lifecycle.reveal(session, shop.desk.ids["adviser"], DEALER, found["closed"])
    assert {name: shop.state(key) for name, key in found.items()} == {
        "parcel": "planned",
        "sent": "open",
        "open": "open",
        "closed": "closed",
    }
    return found | {"from a file": _from_file(shop)}


def _slots(shop: Shop, key: str) -> tuple[desk_records.SlotRow, ...]:
    with shop.desk.database.reading() as session:
        return desk_reads.trial(session, DEALER, key).slots


def _from_file(shop: Shop) -> str:
    """Put a trial into the database as a file brings it."""
    with shop.desk.database.writing() as session:
        player = tables.Player(key="P-file")
        session.add(player)
        session.flush()
        trial = tables.Trial(
            key="T-file",
            player=player.id,
            dealer=DEALER,
            on=dt.date(2026, 3, 2),
            instrument="double_bass",
            hold="german",
        )
        session.add(trial)
        session.flush()
        session.add(tables.Run(trial=trial.id, position=1, copy="DB-bramble-1", overall=5))
        session.add(tables.Run(trial=trial.id, position=2, copy=None, overall=4))
    return "T-file"


def test_the_page_of_a_trial_from_a_file_shows_its_bows_and_offers_nothing_to_do(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/trials/{_from_file(shop)}")
    assert (page.status, "DB-bramble-1" in page.text) == (200, True)
    assert ("One bow" in page.text, "0 minutes" in page.text) == (True, False)
    assert {form.get("action") for form in page.all("form", method="post")} <= {"/desk/sign-out"}
    links = [e.get("href") or "" for e in page.all("a")]
    # What was composed here alone has papers.
    assert [link for link in links if "/print/" in link] == []
    assert shop.desk.sign_in("stranger").get("/desk/trials/T-file").status_code == 404


@pytest.mark.parametrize("who", ["adviser", "owner"])
def test_what_waits_today_takes_as_many_statements_for_many_trials_as_for_one(shop: Shop, who: str) -> None:
    counted, member = Counted(shop.desk), shop.desk.sign_in(who)
    shop.in_country("DE")
    shop.compose(**BY_POST, copies=["DB-juniper-2"])
    shop.enquire()
    few = counted.of(member, "/desk")
    for serial in ("DB-bramble-1", "DB-bramble-2", "DB-juniper-1"):
        shop.compose(**BY_POST, copies=[serial])
        shop.enquire()
    # Due back on a day that is to come by the shop's own clock too.
    tomorrow = dt.datetime.now(dt.UTC).date() + dt.timedelta(days=1)
    shop.opened(copies=["DB-juniper-0"], due_back=tomorrow.isoformat())
    assert counted.of(member, "/desk") == few
    assert few <= A_DESK[who]


def test_the_stock_takes_as_many_statements_for_many_bows_as_for_few(shop: Shop) -> None:
    counted, stranger = Counted(shop.desk), shop.desk.sign_in("stranger")
    with shop.desk.database.writing() as session:
        session.add(tables.Copy(serial="DB-hill-0", tier="bramble", hold="german", dealer=OTHER, status="in_stock"))
    few = counted.of(stranger, "/desk/stock")
    assert counted.of(shop.adviser, "/desk/stock") == few <= A_STOCK


def test_the_outbox_takes_as_many_statements_for_many_mails_as_for_one(shop: Shop) -> None:
    counted, now = Counted(shop.desk), dt.datetime.now(dt.UTC)

    def queue(*numbers: int) -> None:
        with shop.desk.database.writing() as session:
            for number in numbers:
                mail = {"channel": "mail", "kind": "advice", "about": f"a{number}", "dealer": DEALER, "language": "en"}
                when = dict.fromkeys(("queued_at", "due_at", "sent_at"), now)
                to = {"address": f"player{number}@player.example", "message_id": f"m{number}", "values": {}}
                session.add(tables.OutboxItem(**mail, **when, **to, attempts=1))

    queue(1)
    few = counted.of(shop.adviser, "/desk/mail?state=sent")
    queue(*range(2, 30))
    assert shop.adviser.read("/desk/mail?state=sent").text.count("@player.example") >= 29
    assert counted.of(shop.adviser, "/desk/mail?state=sent") == few <= A_LIST_OF_MAIL
