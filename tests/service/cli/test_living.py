"""The demonstration's living shop: a newcomer who signs in sees one of everything at once."""

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from sqlalchemy import func, select

from service import tables
from service.accounts import users
from service.cli import living_shop
from service.cli.serving import SEED_DATA
from service.cli.staff_commands import make_shown
from service.core.database import Database
from service.core.moments import now, set_back
from service.inventory import files
from service.trials import desk_reads
from service.web import staff_sessions
from tests.service.cast import Member
from tests.service.client import serving, settings_in
from tests.service.page import Page

DEALER = "quince-court"


@dataclass
class Demo:
    """The demonstration as its adviser sees it: its day, the desk's first page, the address of the answer that is shown."""

    database: Database
    adviser: Member
    day: dt.date
    answer: str
    first: Page

    def group(self, anchor: str) -> str:
        """Return the words of one part of the desk's first page."""
        part = self.first.by_id(anchor).within("section")
        assert part is not None
        return " ".join(part.text.split())


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """The whole demonstration but for the fit."""
    with serving(settings_in(tmp_path_factory.mktemp("demo"), demo=True)) as client:
        with client.database.writing() as session:
            assert not files.load(session, SEED_DATA).problems
        with client.database.reading() as session:  # tests and benchmarks that load the files have nothing of the shop
            for table in (tables.Enquiry, tables.Composition, tables.Contact):
                assert session.scalar(select(func.count()).select_from(table)) == 0
        email = make_shown(client.database, living_shop.dealer_of(SEED_DATA))[0][1]
        with client.database.writing() as session:
            adviser = users.known(session, email)
            secret = staff_sessions.begin(session, adviser)
        day, member = dt.datetime.now(dt.UTC).date(), Member(client.app, secret)
        answer = living_shop.furnish(client.database, SEED_DATA, adviser)
        yield Demo(client.database, member, day, answer, member.read("/desk"))


@pytest.mark.parametrize(
    ("anchor", "said"),
    [
        ("overdue", r"Milan Horvat.* by post .*2 days ago"),
        ("open", r"Tobias Brandt.*Being played.*3 of \d sheets in"),
        ("open", r"Ines Carvalho.* by post .*Being played, due back on"),
        ("today", r"Sofia Marek.*Planned, \w+ bows, 0 of"),
        ("parcels", r"Luca Bernasconi.* by post "),
        ("enquiries", r"Marc Delvaux.*Double bass, French hold"),
        ("enquiries", r"Greta Nilsson.*Viola"),
        ("outcomes", r"Amélie Roux.*Ended"),
        ("coming", r"Peter Oduya.*Planned"),
    ],
)
def test_the_desk_shows_what_waits(demo: Demo, anchor: str, said: str) -> None:
    assert re.search(said, demo.group(anchor))


def test_today_leads_to_the_enquiries_that_it_has_no_room_for(demo: Demo) -> None:
    assert "Show all 4" in demo.group("enquiries")
    waiting = " ".join(demo.adviser.read("/desk/enquiries").text.split())
    for said in (r"Hannah Wells.*Violin", r"No name given.*Cello", r"Marc Delvaux", r"Greta Nilsson"):
        assert re.search(said, waiting)


def test_a_trial_that_is_over_tells_what_was_kept_and_the_stock_follows(demo: Demo) -> None:
    closed = demo.adviser.read("/desk/trials?state=closed").text
    assert re.search(r"Jonas Lindqvist.*kept", " ".join(closed.split()))
    with demo.database.reading() as session:
        row = next(row for row in desk_reads.trials(session, DEALER, "closed").rows if row.who == "Jonas Lindqvist")
        page = desk_reads.trial(session, DEALER, row.key)
        (kept,) = (outcome.copy for outcome in page.outcomes if outcome.copy)
        assert session.get_one(tables.Copy, kept).status == "sold"
    assert kept in demo.adviser.read(f"/desk/trials/{row.key}").text


def test_days_stand_as_they_would_after_some_weeks_of_work(demo: Demo) -> None:
    with demo.database.reading() as session:
        rows = {row.who: row for row in desk_reads.trials(session, DEALER).rows}
        sent = {row.who: desk_reads.trial(session, DEALER, row.key) for row in rows.values()}
    ago = {who: (demo.day - row.on).days for who, row in rows.items()}
    assert (ago["Milan Horvat"], ago["Ines Carvalho"], ago["Jonas Lindqvist"], ago["Amélie Roux"]) == (16, 13, 2, 1)
    assert (ago["Sofia Marek"], ago["Peter Oduya"]) == (0, -1)
    assert rows["Ines Carvalho"].due_back == demo.day + dt.timedelta(days=1)
    rated = [sheet.rated_at for page in sent.values() for sheet in page.sheets if sheet.rated_at]
    assert len(rated) > 15
    assert max(rated) < dt.datetime.now(dt.UTC)
    assert not any(sheet.flags for page in sent.values() for sheet in page.sheets)


def test_a_players_answer_is_shown(demo: Demo) -> None:
    page = Page(demo.adviser.send("GET", demo.answer))
    assert page.faults == []
    assert "Quince Court" in page.text


def test_the_stock_says_what_the_maker_means_each_tier_to_be(demo: Demo) -> None:
    words = "quick to speak and light work for the hand, clear rather than big"
    page = demo.adviser.read("/desk/stock?instrument=violin")
    assert words in page.by_id("tier-hedge-gate").within("section").text  # type: ignore[union-attr]
    with demo.database.reading() as session:
        copy = tables.Copy
        here = select(copy.serial).where(copy.tier == "hedge-gate", copy.dealer == DEALER).limit(1)
        serial = session.scalar(here)
    assert words in demo.adviser.read(f"/desk/stock/{serial}").text


def test_nobody_real_is_written_to(demo: Demo) -> None:
    # RFC 2606: .example is nobody's.
    with demo.database.reading() as session:
        addresses = [
            *session.scalars(select(tables.Contact.email)),
            *session.scalars(select(tables.OutboxItem.address)),
        ]
    assert len(addresses) > 8
    assert all(address is None or address.endswith(".example") for address in addresses)


def test_a_moment_is_set_back_only_meanwhile() -> None:
    with set_back(dt.timedelta(days=3)):
        assert dt.datetime.now(dt.UTC) - now() > dt.timedelta(days=2)
    assert dt.datetime.now(dt.UTC) - now() < dt.timedelta(days=1)


def test_a_folder_without_a_shop_is_shown_without_one(tmp_path_factory: pytest.TempPathFactory) -> None:
    assert living_shop.dealer_of(tmp_path_factory.mktemp("bare")) is None
