"""Bows that are sold: by the trial they were kept on, or by hand; their list; and how a sale is undone."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from tests.service import desk_shop
from tests.service.desk_shop import Shop, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS

TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def say(shop: Shop, serial: str, status: str, by: str = "adviser") -> Page:
    """Say on a bow's page what it is now."""
    member = shop.adviser if by == "adviser" else shop.desk.sign_in(by)
    return send(member, member.read(f"/desk/stock/{serial}"), "/status", status=status)


def sold(shop: Shop, by: str = "adviser") -> dict[str, str]:
    """Return the list of sold bows: by serial what is said of each."""
    member = shop.adviser if by == "adviser" else shop.desk.sign_in(by)
    lines = member.read("/desk/stock?show=sold").of_class("line")
    return {next(e.text.strip() for e in line.walk() if e.tag == "b"): line.text for line in lines}


def test_a_bow_on_a_trial_that_is_sold_leads_to_what_comes_of_that_trial(shop: Shop) -> None:
    key = shop.opened()
    page = say(shop, BOWS[0], "sold")
    assert page.h1 == f"Who bought {BOWS[0]}?"
    assert shop.status(BOWS[0]) == "on_trial"
    asked = send(shop.adviser, page, f"/desk/trials/{key}/outcome")
    assert asked.h1 == "Record this, and close the trial?"
    assert f"Kept: {BOWS[0]}" in send(shop.adviser, asked, "/outcome").text
    assert shop.status(BOWS[0]) == "sold"


def test_a_bow_on_a_trial_may_be_sold_to_somebody_else_and_what_to_look_at_is_said(shop: Shop) -> None:
    key = shop.opened()
    page = send(shop.adviser, say(shop, BOWS[0], "sold"), f"/desk/stock/{BOWS[0]}/status")
    assert f"{BOWS[0]} is in trial 1 still; look there." in page.of_class("notice")[0].text
    assert shop.status(BOWS[0]) == "sold"
    assert shop.state(key) == "open"


def test_the_workshop_is_asked_too_and_led_into_no_trial(shop: Shop) -> None:
    shop.opened()
    page = say(shop, BOWS[0], "sold", by="workshop")
    assert page.h1 == f"Who bought {BOWS[0]}?"
    assert [e.get("action") for e in page.all("form") if "/trials/" in e.get("action")] == []


def test_a_bow_set_aside_is_sold_with_a_word_on_the_trial_it_is_set_aside_for(shop: Shop) -> None:
    shop.compose()
    said = say(shop, BOWS[0], "in_repair").of_class("notice")[0].text
    assert f"{BOWS[0]} is in trial 1 still; look there." in said


def test_sold_bows_have_their_list_with_day_and_trial_and_no_name(shop: Shop) -> None:
    key = shop.opened(contact=desk_shop.CLARA, model_consent=None)
    shop.adviser.submit(f"/desk/trials/{key}/outcome", {"what": f"kept - {BOWS[0]}", "sure": "yes", "price": "2300"})
    say(shop, "DB-juniper-2", "sold")
    assert "Price paid: €2,300." in shop.adviser.read(f"/desk/stock/{BOWS[0]}").text
    assert "2,300" not in shop.desk.sign_in("workshop").read(f"/desk/stock/{BOWS[0]}").text
    for by in ("adviser", "workshop"):
        lines = sold(shop, by)
        assert ("paid: €2,300" in lines[BOWS[0]]) is (by == "adviser"), "what a shop was paid is its own"
        assert set(lines) == {BOWS[0], "DB-juniper-2"}
        assert f"{TODAY.year}, kept on Trial 1" in lines[BOWS[0]]
        assert "kept on" not in lines["DB-juniper-2"]
        assert "Clara" not in "".join(lines.values())
    assert sold(shop, "stranger") == {}


def test_a_sale_by_hand_is_undone_by_hand(shop: Shop) -> None:
    say(shop, "DB-juniper-2", "sold")
    say(shop, "DB-juniper-2", "in_stock")
    assert sold(shop) == {}
    with shop.desk.database.reading() as session:
        assert session.get_one(tables.Copy, "DB-juniper-2").sold_on is None


def test_a_sale_by_a_trial_is_undone_at_the_trial_and_nowhere_else(shop: Shop) -> None:
    key = shop.opened()
    shop.adviser.submit(f"/desk/trials/{key}/outcome", {"what": f"kept - {BOWS[0]}", "sure": "yes"})
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    assert f"/desk/trials/{key}#outcome-title" in [e.get("href") for e in page.all("a")]
    assert not [form for form in page.all("form") if form.get("action").endswith("/status")]
    refused = shop.adviser.submit(f"/desk/stock/{BOWS[0]}/status", {"status": "in_stock"})
    assert refused.status == 409
    assert "was recorded as kept on trial 1" in refused.text
    assert shop.status(BOWS[0]) == "sold"
    shop.adviser.submit(f"/desk/trials/{key}/outcome", {"what": f"returned sound {BOWS[0]}"})
    assert shop.status(BOWS[0]) == "in_stock"
    assert sold(shop) == {}


def test_nobody_is_asked_of_another_dealers_bow(shop: Shop) -> None:
    shop.opened()
    stranger = shop.desk.sign_in("stranger")
    assert stranger.post(f"/desk/stock/{BOWS[0]}/status", {"status": "sold"}).status_code == 404
    assert stranger.get(f"/desk/stock/{BOWS[0]}/sold").status_code == 404
