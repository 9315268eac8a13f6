"""The dealer's overview: every number counted by hand, on both kinds of database; nobody's name, nothing of another dealer's."""

import csv
import datetime as dt
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.desk import shop_figures
from service.trials import lifecycle, outcomes
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.client import add_small_range, serving, settings_in
from tests.service.desk.test_desk_statements import Counted
from tests.service.desk.test_player_page import BOWS, from_file
from tests.service.desk_shop import Shop

A_PAGE = 12
NOW = dt.datetime.now(dt.UTC)
TODAY = NOW.date()


@pytest.fixture
def shop(any_database: Database, tmp_path: Path) -> Iterator[Shop]:
    """Give the desk of a small invented shop on each kind of database."""
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        add_small_range(client.database)
        desk = Desk(client)
        yield Shop(desk, desk.sign_in("adviser"))


def figures(shop: Shop, dealer: str = DEALER, name: str = "all") -> shop_figures.ShopFigures:
    with shop.desk.database.reading() as session:
        return shop_figures.of_dealer(session, dealer, shop_figures.span(session, dealer, name, NOW))


def over(shop: Shop, outcome: str, reason: str | None = None, copy: str | None = None) -> str:
    """Let an enquiry lead to a trial that is over; return the enquiry."""
    enquiry = shop.enquire()
    trial = shop.opened(enquiry=enquiry, model_consent=None, copies=["DB-bramble-3"])
    with shop.desk.database.writing() as session:
        lifecycle.close(session, None, DEALER, trial)
        outcomes.record(session, None, DEALER, trial, outcome, copy, reason, TODAY)
    return enquiry


def ask_in_vain(session: Session, enquiry: str) -> None:
    """Let an enquiry be one for which nothing was at hand, as its advice would say."""
    row = session.get_one(tables.Enquiry, enquiry)
    entry = {"tier": "juniper", "at_hand": 0}
    row.told = row.told | {"verdict": {"code": "ask"}, "shortlist": [entry]}


def test_enquiries_and_trials_are_counted_as_far_as_they_led(shop: Shop) -> None:
    over(shop, "none", "price")
    over(shop, "kept", copy="DB-bramble-3")
    shop.compose(enquiry=shop.enquire(), model_consent=None, copies=["DB-bramble-1"])
    cancelled = shop.compose(enquiry=shop.enquire(), model_consent=None, copies=["DB-bramble-2"])
    shop.adviser.post(f"/desk/trials/{cancelled}/cancel")
    shop.enquire()
    with shop.desk.database.writing() as session:
        from_file(session, "P-file", [("DB-bramble-1", 5, 5)])
    found = figures(shop)
    assert (found.enquiries, found.composed, found.played, found.kept) == (5, 3, 2, 1)
    # The one from a file has nothing recorded; what is planned or given up was not held.
    assert (found.trials, dict(found.came)) == (3, {"none": 1, "kept": 1, None: 1})
    assert dict(found.reasons) == {"price": 1}
    assert figures(shop, OTHER).enquiries == figures(shop, OTHER).trials == 0
    counted = {"A trial was composed": "3", "The trial was played": "2", "A bow was kept": "1"}
    page = shop.desk.sign_in("owner").read("/desk/overview?span=all")
    rows = {e.walk().__next__().text: e.text for e in page.all("tr")}
    assert all(any(label in text and count in text for text in rows.values()) for label, count in counted.items())
    assert "chance alone moves them" in page.text
    for told in ("Clara", "clara@", "P-file"):
        assert told not in page.text


def test_a_span_begins_and_ends_with_the_shops_own_day(shop: Shop) -> None:
    enquiry = shop.enquire()
    with shop.desk.database.writing() as session:
        session.add(tables.Door(dealer=DEALER, changed_at=NOW, zone="Pacific/Auckland"))
        # Half past midnight of the first of October there, still September by universal time (IANA: UTC+13 from 27 September 2026).
        session.get_one(tables.Enquiry, enquiry).created_at = dt.datetime(2026, 9, 30, 11, 30, tzinfo=dt.UTC)
    when = dt.datetime(2026, 10, 20, tzinfo=dt.UTC)
    with shop.desk.database.reading() as session:
        spans = [shop_figures.span(session, DEALER, name, when) for name in shop_figures.SPANS]
        assert [str(each.first) for each in spans] == ["2026-10-01", "2026-10-01", "2026-01-01", "None"]
        assert [shop_figures.of_dealer(session, DEALER, each).enquiries for each in spans] == [1, 1, 1, 1]
        before = shop_figures.Span("month", None, dt.date(2026, 9, 30), "Pacific/Auckland")
        assert shop_figures.of_dealer(session, DEALER, before).enquiries == 0


def test_a_bow_that_suits_nobody_is_told_once_it_was_tried_often_enough(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for number in range(6):
            marks = [("DB-bramble-0", 2, 2), ("DB-bramble-1", 5, 5), ("DB-bramble-2", 5, 5)]
            from_file(session, f"P-{number}", [*marks, *([("DB-bramble-3", 2, 2)] if number < 4 else [])])
    found = figures(shop)
    assert [(bow.serial, bow.trials, bow.below > 1) for bow in found.never_kept] == [("DB-bramble-0", 6, True)]
    assert found.too_few == 1, "four trials say nothing of DB-bramble-3"
    with shop.desk.database.writing() as session:
        trial = session.scalars(select(tables.Trial.id).where(tables.Trial.key == "T-P-0")).one()
        kept = {"outcome": "kept", "copy": "DB-bramble-0"}
        session.add(tables.Outcome(trial=trial, on=TODAY, **kept))
    assert figures(shop).never_kept == ()


def test_what_was_asked_and_not_had_is_told_by_instrument_and_budget(shop: Shop) -> None:
    vain = [shop.enquire(), shop.enquire(budget={"amount": 800, "currency": "EUR"}), shop.enquire(budget=None)]
    shop.enquire()
    with shop.desk.database.writing() as session:
        for enquiry in vain:
            ask_in_vain(session, enquiry)
    found = figures(shop)
    assert {(each.instrument, each.most, each.enquiries) for each in found.not_had} == {
        ("double_bass", 5000, 1),
        ("double_bass", 1000, 1),
        ("double_bass", 0, 1),
    }
    assert found.none_here["Juniper"] == 3
    owner = shop.desk.sign_in("owner")
    assert "Double bass, from €2,500 to €5,000" in owner.read("/desk/overview?span=all").text
    reply = owner.get("/desk/overview/figures.csv?span=all")
    assert reply.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(reply.text)))
    assert ["asked and not had", "double_bass up to 1000 EUR", "1"] in rows
    assert ["enquiries", "", "4"] in rows


def test_the_overview_takes_as_many_statements_for_many_rows_as_for_one(shop: Shop) -> None:
    counted, owner = Counted(shop.desk), shop.desk.sign_in("owner")
    over(shop, "none", "price")
    few = counted.of(owner, "/desk/overview?span=all")
    over(shop, "none", "sound")
    with shop.desk.database.writing() as session:
        for number in range(3):
            from_file(session, f"P-{number}", [(bow, 4, 4) for bow in BOWS])
    assert counted.of(owner, "/desk/overview?span=all") == few <= A_PAGE
