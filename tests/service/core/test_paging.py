"""Lists of the desk: their counts are true, and every row is reached once, however many there are and whatever comes meanwhile."""

import base64
import datetime as dt
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, event, insert, select

from service import tables
from service.core import paging
from service.core.database import Database
from service.core.errors import NotFoundError
from service.core.paging import Leaf
from service.core.scopes import OneDealer
from service.inventory import sales
from service.mail import outbox_desk
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.registry import MAILS
from service.trials import desk_reads
from tests.service import desk_shop
from tests.service.client import SECRET
from tests.service.desk_shop import Shop
from tests.service.mail_server import BASE
from tests.service.trial_cast import SHOP, open_shop

NOW = dt.datetime(2026, 11, 1, 12, tzinfo=dt.UTC)
MANY, PER_PAGE = 1_030, 50


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def enquiries(database: Database, count: int, at: dt.datetime = NOW) -> list[str]:
    """Put so many enquiries like one that was advised into the database, three in each second, and return their ids."""
    with database.writing() as session:
        of = tables.Enquiry
        model = session.scalars(select(of)).first()
        assert model is not None
        alike = {name: getattr(model, name) for name in ("dealer", "language", "answers", "contact", "told")}
        rows = [
            {"id": str(uuid.uuid4()), "address": uuid.uuid4().hex, "created_at": at + dt.timedelta(seconds=n // 3)}
            | alike
            for n in range(count)
        ]
        session.execute(insert(of), rows)
        return [str(row["id"]) for row in rows]


@contextmanager
def counted(database: Database) -> Iterator[list[str]]:
    """Collect the statements that are sent to a database."""
    sent: list[str] = []

    def keep(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        sent.append(statement)

    event.listen(database.engine, "before_cursor_execute", keep)
    try:
        yield sent
    finally:
        event.remove(database.engine, "before_cursor_execute", keep)


def test_every_enquiry_is_reached_once_by_links_while_more_come_in(shop: Shop) -> None:
    first = shop.enquire()
    there = [first, *enquiries(shop.desk.database, MANY - 1)]
    address, met, costs = "/desk/enquiries", [], set()
    while address:
        with counted(shop.desk.database) as sent:
            page = shop.adviser.read(address)
        # That the session was seen is written by the clock: on a busy machine on more pages than one.
        costs.add(sum(statement.startswith("SELECT") for statement in sent))
        if address == "/desk/enquiries":
            assert page.by_id("count").text.strip() == f"{PER_PAGE} of 1,030 are shown here."
        met += [e.get("href").rsplit("/", 1)[1] for line in page.of_class("line") for e in line.walk() if e.tag == "a"]
        address = next((e.get("href") for e in page.all("a", rel="next")), "")
        enquiries(shop.desk.database, 2, dt.datetime.now(dt.UTC))  # while one reads
    old = [id_ for id_ in met if id_ in set(there)]
    assert sorted(old) == sorted(there)
    assert len(met) == len(set(met))
    # The same few statements on every page, wherever it stands.
    assert len(costs) == 1
    assert 0 < max(costs) < 11


def walked(ask: Callable[[str], Leaf[Any]], add: Callable[[], None], key: Callable[[Any], object]) -> list[object]:
    """Return what is met on going from page to page, while ``add`` puts something on top before each next one."""
    met: list[object] = []
    leaf = ask("")
    while True:
        met += [key(row) for row in leaf.rows]
        if not leaf.after:
            return met
        add()
        leaf = ask(leaf.after)


def trials(database: Database, first: int, count: int, on: dt.date) -> None:
    """Put trials of a player each into the database: two in three composed here and closed, the others from a file."""
    with database.writing() as session:
        for number in range(first, first + count):
            player = tables.Player(key=f"P{number}")
            session.add(player)
            session.flush()
            trial = tables.Trial(
                key=f"T{number}", player=player.id, dealer=SHOP, on=on - dt.timedelta(number // 4), instrument="violin"
            )
            session.add(trial)
            session.flush()
            if number % 3:
                fields = {"answers": {}, "plan": {}, "minutes": 60, "seed": 1, "own_plays": 0, "repeat": False}
                moments = {"state": "closed", "created_at": NOW, "closed_at": NOW}
                session.add(tables.Composition(trial=trial.id, dealer=SHOP, number=number, **fields, **moments))


def test_every_trial_and_player_is_reached_once_in_either_database(any_database: Database) -> None:
    shop = open_shop(any_database)
    trials(shop, 1, 170, NOW.date())
    added = iter(range(1_000, 2_000))

    def add() -> None:
        trials(shop, next(added), 1, NOW.date() + dt.timedelta(400))

    def ask(read: Callable[..., Leaf[Any]], *more: Any) -> Callable[[str], Leaf[Any]]:
        def asked(after: str) -> Leaf[Any]:
            with shop.reading() as session:
                return read(session, SHOP, *more, after=after)

        return asked

    composed = [f"T{number}" for number in range(1, 171) if number % 3]
    assert sorted(walked(ask(desk_reads.trials, "closed"), add, lambda row: row.key)) == sorted(composed)  # type: ignore[type-var]
    from_files = [f"T{number}" for number in range(1, 171) if not number % 3]
    met = walked(ask(desk_reads.trials_from_files), add, lambda row: row.key)
    assert sorted(key for key in met if int(str(key)[1:]) < 1_000) == sorted(from_files)  # type: ignore[type-var]
    players = walked(ask(desk_reads.players), add, lambda row: row.key)
    assert len(players) == len(set(players))
    assert {f"P{number}" for number in range(1, 171)} <= set(players)
    with shop.reading() as session:
        assert desk_reads.trials(session, SHOP, "closed").count == len(
            [n for n in (*range(1, 171), *range(1_000, next(added))) if n % 3]
        )


def test_every_mail_and_every_sold_bow_is_reached_once_in_either_database(
    any_database: Database, tmp_path: Path
) -> None:
    shop = open_shop(any_database)
    mail_service = open_mail_service(MailServer(), tmp_path, BASE, SECRET, MAILS)
    with shop.writing() as session:
        for number in range(120):
            mail = {
                "channel": "mail",
                "kind": "advice",
                "about": f"a{number}",
                "dealer": SHOP,
                "language": "en",
                "values": {},
            }
            moments = {"queued_at": NOW, "due_at": NOW + dt.timedelta(hours=number // 3), "sent_at": None}
            session.add(
                tables.OutboxItem(**mail, **moments, address="a@bows.example", message_id=f"m{number}", attempts=0)
            )
            days = None if number % 4 == 0 else NOW.date() - dt.timedelta(number // 3)
            bow = {"serial": f"S{number:03}", "tier": "juniper", "hold": "german", "dealer": SHOP, "status": "sold"}
            session.add(tables.Copy(**bow, sold_on=days))

    def mails(after: str) -> Leaf[Any]:
        with shop.reading() as session:
            return outbox_desk.listing(session, mail_service, OneDealer(SHOP), "waiting", after=after)

    def sold(after: str) -> Leaf[Any]:
        with shop.reading() as session:
            return sales.sold(session, OneDealer(SHOP), after)

    waiting = walked(mails, lambda: None, lambda row: row.id)
    assert len(waiting) == len(set(waiting)) == 120
    bows = walked(sold, lambda: None, lambda row: row.copy)
    assert sorted(bows) == [f"S{number:03}" for number in range(120)]  # type: ignore[type-var]
    assert sold("").count == 120
    assert [row.on for row in sold("").rows] == sorted((row.on for row in sold("").rows), reverse=True)


def test_the_record_says_how_much_there_is(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        entry: dict[str, Any] = {
            "at": NOW,
            "user": None,
            "dealer": None,
            "did": "signed in",
            "about": "user 1",
            "detail": {},
        }
        session.execute(delete(tables.AuditEntry))
        session.execute(insert(tables.AuditEntry), [entry] * 230)
    page = shop.desk.sign_in("owner").read("/desk/audit")
    assert " of 230 are shown here." in page.by_id("count").text


def test_today_is_one_look_and_leads_to_the_whole_list(shop: Shop) -> None:
    shop.enquire()
    enquiries(shop.desk.database, 439)
    page = shop.adviser.read("/desk")
    assert len(page.of_class("line")) < 20
    link = next(e for e in page.all("a") if e.text.strip().startswith("Show all"))
    assert link.text.startswith("Show all 440")
    assert link.get("href") == "/desk/enquiries"


@pytest.mark.parametrize(
    "mark",
    ["x", "[]", "A" * 5_000, base64.urlsafe_b64encode(b'["2026-11-01T12:00:00",1]').decode(), "é", "W" * 3]
    + [base64.urlsafe_b64encode(text).decode() for text in (b"[" * 300, b'["2026-11-01T12:00:00Z","\\u0000"]', b"7")],
)
def test_a_mark_that_was_not_written_here_is_refused(mark: str) -> None:
    with pytest.raises(NotFoundError):
        paging.read(mark, dt.datetime, str)


ALTERED: tuple[tuple[str, str], ...] = (
    ("mail?state=sent", "[1e999]"),
    ("mail?state=sent", "[-Infinity]"),
    ("mail?state=sent", "[NaN]"),
    ("mail?state=sent", "[1.5]"),
    ("mail?state=sent", "[true]"),
    ("mail?state=sent", '["7"]'),
    ("mail?state=sent", "[9007199254740993]"),
    ("mail?state=waiting", '["2026-01-01T00:00:00+00:00",1e999]'),
    ("mail?state=waiting", '["0001-01-01T00:00:00+23:59",1]'),
    ("mail?state=waiting", '["9999-12-31T23:59:59-23:59",1]'),
    ("players?", '["2026-01-01",1e999]'),
    ("trials?", '["2026-01-01",1e999]'),
    ("trials?", "[20260101,1]"),
    ("stock?show=sold", '["2026-01-01","\\ud800"]'),
    ("stock?show=sold", '["2026-01-01",7]'),
    ("stock?show=sold", '["2026-01-01",["x"]]'),
    ("enquiries?", '["2026-01-01T00:00:00+00:00","\\ud800"]'),
    ("enquiries?", '["0001-01-01T00:00:00+23:59","x"]'),
    ("enquiries?", '{"2026-01-01T00:00:00+00:00":1,"x":2}'),
)
"""Lists of the desk, with marks as JSON (RFC 8259) that is none of theirs: numbers beyond all (6), half characters (8.2), moments
that no calendar has in UTC, and what is of another kind than is asked for."""


@pytest.mark.parametrize(("of", "mark"), ALTERED)
def test_a_list_asked_for_with_an_altered_mark_is_not_there(shop: Shop, of: str, mark: str) -> None:
    written = base64.urlsafe_b64encode(mark.encode()).decode().rstrip("=")
    assert shop.adviser.get(f"/desk/{of}&after={written}").status_code == 404


def test_a_mark_is_the_same_moment_in_whichever_offset_it_is_written() -> None:
    read = paging.read(paging.written(dt.datetime.fromisoformat("2026-11-01T14:00:00+02:00"), "x"), dt.datetime, str)
    assert read is not None
    assert (read[0], read[0].utcoffset()) == (NOW, dt.timedelta(0))
