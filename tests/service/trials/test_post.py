"""Bows lent by post: where the parcel goes, its journey, the mails around it, and a loan that may last longer."""

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import vobject
from sqlalchemy import select

from service import tables
from service.mail import letters
from service.mail.mail_kinds import ObsoleteError
from service.trials import lifecycle, parcel_mails
from tests.service import desk_shop, trial_cast
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS

TODAY = dt.datetime.now(dt.UTC).date()
A_DAY = dt.timedelta(days=1)
BACK = TODAY + 14 * A_DAY


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        shop.in_country("DE")
        yield shop


def planned(shop: Shop, **changes: Any) -> str:
    given = {"place": "post", "country": "DE", "due_back": BACK.isoformat(), "contact": desk_shop.CLARA}
    return shop.compose(**given | changes)


def lent(shop: Shop, **changes: Any) -> str:
    with shop.desk.database.writing() as session:
        return trial_cast.lend(session, **{"due_back": BACK.isoformat(), "contact": desk_shop.CLARA} | changes)


def waiting(shop: Shop) -> dict[str, dt.datetime]:
    """Return by kind when a mail that waits goes to the player."""
    of = tables.OutboxItem
    with shop.desk.database.reading() as session:
        found = session.scalars(select(of).where(of.address == desk_shop.CLARA["email"], of.sent_at.is_(None)))
        return {row.kind: row.due_at for row in found}


def written(shop: Shop, kind: str) -> str:
    of = tables.OutboxItem
    with shop.desk.database.writing() as session:
        row = session.scalars(select(of).where(of.kind == kind, of.sent_at.is_(None))).one()
        letter = letters.write(session, shop.desk.app.state.mail_service, row, dt.datetime.now(dt.UTC))
        row.sent_at = dt.datetime.now(dt.UTC)
    return " ".join(f"{letter.subject} {letter.text}".split())


def page(shop: Shop, key: str, step: str = "", **fields: str) -> Page:
    path = f"/desk/trials/{key}{step}"
    if not step:
        return shop.adviser.read(path)
    return Page(shop.adviser.send("POST", path, data={"csrf": shop.adviser.csrf, **fields}, follow=True))


def behind(shop: Shop, key: str) -> list[bool]:
    """Return which stations of the journey are behind: sent, arrived, due back, back."""
    (line,) = page(shop, key).of_class("journey")
    return [each.get("class") == "behind" for each in line.walk() if each.tag == "li"]


@pytest.mark.parametrize(("made", "waits"), [(planned, True), (lent, False)])
def test_the_link_of_a_trial_that_waits_says_when_it_leads_somewhere(
    shop: Shop, made: Callable[[Shop], str], waits: bool
) -> None:
    asked = shop.adviser.read(f"/desk/trials/{made(shop)}")
    page = desk_shop.send(shop.adviser, asked, "/seat", rater="player")
    assert page.by_id("link-player") is not None
    assert ("until then nothing is found there" in page.text) == waits


def test_an_address_stays_with_its_trial_and_a_number_is_a_link_only_by_https(shop: Shop) -> None:
    key = planned(shop)
    told = {"address": "At the water 3\n\n 12345  Reedham", "carrier": "by hand", "number": "javascript:alert(1)"}
    shown = page(shop, key, "/parcel", **told)
    assert shown.faults == []
    assert "12345 Reedham" in shown.text
    assert "javascript:alert(1)" in shown.text
    assert not any("javascript" in link.get("href") for link in shown.all("a"))
    followed = page(shop, key, "/parcel", **told | {"number": "https://parcels.example/7"})
    assert any(link.get("href") == "https://parcels.example/7" for link in followed.all("a"))
    assert "Reedham" in shop.adviser.get(f"/desk/trials/{key}/print/parcel").text
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.Parcel.address)).all() == ["At the water 3\n12345 Reedham"]
        assert all("Reedham" not in str(entry.detail) for entry in session.scalars(select(tables.AuditEntry)))


def test_what_is_too_long_is_said_at_its_field_and_nothing_is_kept(shop: Shop) -> None:
    key = planned(shop)
    reply = shop.adviser.post(f"/desk/trials/{key}/parcel", {"address": "a" * 10_000, "carrier": "by hand"})
    assert reply.status_code == 422
    assert "Expected at most 300 characters" in Page(reply).text
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.Parcel)).all() == []


def test_a_journey_is_one_line_from_sent_to_back(shop: Shop) -> None:
    key = planned(shop)
    assert behind(shop, key) == [False] * 4
    with shop.desk.database.writing() as session:
        lifecycle.send(session, None, DEALER, key, dict.fromkeys(BOWS, "as new"))
    assert behind(shop, key) == [True, False, False, False]
    page(shop, key, "/arrived")
    assert behind(shop, key) == [True, True, False, False]
    with shop.desk.database.writing() as session:
        lifecycle.take_back(session, None, DEALER, key, {BOWS[0]: "as new"})
    assert "1 of 3" in page(shop, key).of_class("journey")[0].text
    with shop.desk.database.writing() as session:
        lifecycle.take_back(session, None, DEALER, key, dict.fromkeys(BOWS[1:], "as new"))
    assert behind(shop, key) == [True] * 4


def test_the_mail_of_a_parcel_leads_to_the_sheets_and_a_reminder_comes_before_its_day(shop: Shop) -> None:
    key = planned(shop)
    page(shop, key, "/parcel", carrier="Red Van", number="7 & <8>")
    with shop.desk.database.writing() as session:
        lifecycle.send(session, None, DEALER, key, dict.fromkeys(BOWS, "as new"))
    morning = dt.datetime.combine(BACK - 3 * A_DAY, dt.time(8, tzinfo=dt.UTC))
    assert waiting(shop)["due_soon"] == morning
    said = written(shop, "parcel_sent")
    assert "Red Van, number 7 & <8>" in said
    path = said.split("The sheets of your trial: ")[1].split()[0].removeprefix("http://127.0.0.1:8000")
    assert shop.desk.nobody().get(path).status_code == 200
    assert "expected back" in written(shop, "due_soon")


@pytest.mark.parametrize(("days", "before"), [(14, 3), (3, 1), (1, None), (0, None)])
def test_a_short_loan_is_reminded_of_the_day_before_or_not_at_all(shop: Shop, days: int, before: int | None) -> None:
    lent(shop, due_back=(TODAY + days * A_DAY).isoformat())
    due = waiting(shop).get("due_soon")
    assert (due and (TODAY + days * A_DAY - due.date()).days) == before


def test_nobody_is_reminded_of_what_is_back_or_may_stay(shop: Shop) -> None:
    key = lent(shop)
    with shop.desk.database.writing() as session:
        lifecycle.take_back(session, None, DEALER, key, dict.fromkeys(BOWS, "as new"))
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "due_soon")).one()
        with pytest.raises(ObsoleteError, match="back already"):
            parcel_mails.KINDS["due_soon"].values(session, row)


def test_without_consent_no_mail_and_no_link_goes_out(shop: Shop) -> None:
    quiet = desk_shop.CLARA | {"consent": {"advice": True, "mail": False}}
    lent(shop, contact=quiet)
    assert waiting(shop) == {}


def test_an_extended_loan_tells_the_new_day_everywhere(shop: Shop) -> None:
    key = lent(shop)
    assert shop.adviser.post("/desk/calendar").status_code == 303
    later = BACK + 7 * A_DAY
    page(shop, key, "/extend", new_due=later.isoformat())
    assert waiting(shop)["due_soon"] == dt.datetime.combine(later - 3 * A_DAY, dt.time(8, tzinfo=dt.UTC))
    assert "now expected back by" in written(shop, "loan_extended")
    feed = shop.adviser.get("/desk/calendar").text.split("http://bows.example")[1].split("<")[0]
    events = vobject.readOne(shop.desk.nobody().get(feed).text).vevent_list
    due = next(event for event in events if "due back" in event.summary.value)
    assert (due.dtstart.value, due.sequence.value) == (later, "1")
    with shop.desk.database.reading() as session:
        assert set(session.scalars(select(tables.TrialCopy.due_back))) == {later}


@pytest.mark.parametrize(
    ("day", "said"),
    [
        ("", "Say by which day"),
        ("soon", "expected a day, as 2026-11-30"),
        (TODAY.isoformat(), "Expected a day after"),
        ("9999-12-31", "within a year"),
    ],
)
def test_a_day_that_cannot_be_is_said_at_its_field(shop: Shop, day: str, said: str) -> None:
    key = lent(shop)
    reply = shop.adviser.post(f"/desk/trials/{key}/extend", {"new_due": day})
    assert reply.status_code == 422
    shown = Page(reply)
    assert shown.faults == []
    assert said in shown.text


def test_bows_that_are_wanted_elsewhere_or_at_home_are_not_extended(shop: Shop) -> None:
    key = lent(shop, copies=[BOWS[0]])
    with shop.desk.database.writing() as session:
        trial_cast.compose(session, copies=[BOWS[0]], on=(BACK + 5 * A_DAY).isoformat())
    reply = shop.adviser.post(f"/desk/trials/{key}/extend", {"new_due": (BACK + 4 * A_DAY).isoformat()})
    assert reply.status_code == 409
    assert "is reserved for trial 2" in Page(reply).text
    other = planned(shop, copies=[BOWS[1]])
    reply = shop.adviser.post(f"/desk/trials/{other}/extend", {"new_due": (BACK + A_DAY).isoformat()})
    assert reply.status_code == 409
    assert "nothing to extend" in Page(reply).text
