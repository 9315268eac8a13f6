"""Labels of bows, and one scan each: the bow found, put into a trial's case and taken out of it again."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno

from service import tables
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, form_to, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS

POST = {"place": "post", "blinding": "masked", "country": "DE"}
POST |= {"due_back": (dt.datetime.now(dt.UTC).date() + dt.timedelta(days=14)).isoformat()}
ODD = "DB odd é 1"
"""A serial whose every letter must be told apart in an address."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path_factory.mktemp("scan"), _migrated_file) as shop:
        with shop.desk.database.writing() as session:
            for serial in (ODD, "DB-own-1", "DB-own-2"):
                of = {"tier": "bramble", "hold": "german", "dealer": DEALER, "status": "in_stock"}
                session.add(tables.Copy(serial=serial, **of))
        yield shop


def squares_of(text: str) -> str:
    """Return the dark squares of a code by the package's own drawing (ISO/IEC 18004, correction level M)."""
    drawn = segno.make(text, error="m", micro=False).svg_inline(scale=4, border=4, light="#fff", lineclass=None)
    return str(re.findall(r'd="([^"]+)"', drawn)[-1])


def scan(shop: Shop, key: str, code: str, **fields: str) -> Page:
    return shop.adviser.submit(f"/desk/trials/{key}/case", {"code": code, **fields})


def test_a_label_holds_the_address_of_its_bows_page_and_that_address_opens_it(shop: Shop) -> None:
    asked = shop.adviser.send("GET", "/desk/bows/labels", params={"copy": [ODD, "DB-own-1"], "per": "12"})
    page = Page(asked)
    assert page.faults == []
    assert [e.text.strip() for e in page.of_class("label")] == [ODD, "DB-own-1"]
    addresses = ["http://bows.example/desk/stock/DB-own-1", "http://bows.example/desk/stock/DB%20odd%20%C3%A9%201"]
    assert asked.text.count('class="qr"') == 2
    assert [squares_of(each) in asked.text for each in addresses] == [True, True]
    assert squares_of("http://bows.example/desk/stock/DB-own-2") not in asked.text
    # A phone's camera opens the address; who is not signed in is led back to it after the sign-in.
    path = addresses[1].removeprefix("http://bows.example")
    assert shop.adviser.read(path).h1 == ODD
    led = shop.desk.nobody().get(path).headers["location"]
    assert led == "/desk/sign-in?next=" + path.replace("%", "%25").replace("/", "%2F")


def test_labels_of_a_tier_are_those_of_its_bows_here_and_of_nothing_there_are_none(shop: Shop) -> None:
    labels = [e.text.strip() for e in shop.adviser.read("/desk/bows/labels?tier=bramble").of_class("label")]
    assert set(labels) >= {ODD, "DB-own-1", "DB-bramble-0"}
    assert not [each for each in labels if "juniper" in each]
    assert shop.desk.sign_in("stranger").get("/desk/bows/labels?copy=DB-own-1").status_code == 404
    assert shop.adviser.get("/desk/bows/labels").status_code == 404


@pytest.mark.parametrize(
    "code", ["http://elsewhere.example:8000/desk/stock/DB%20odd%20%C3%A9%201", f" {ODD} ", "db odd é 1", "DB ODD é 1"]
)
def test_a_scanned_code_leads_to_its_bow(shop: Shop, code: str) -> None:
    reply = shop.adviser.send("GET", "/desk/find", params={"q": code}, follow=True)
    assert Page(reply).h1 == ODD


def test_one_scan_puts_a_bow_into_a_planned_case_and_one_takes_it_out(shop: Shop) -> None:
    key = shop.compose()
    assert "DB-own-1 is in the case" in scan(shop, key, "http://bows.example/desk/stock/DB-own-1").text
    again = scan(shop, key, "DB-own-1")
    assert (again.status, "DB-own-1 is in the case already." in again.text) == (409, True)
    for code in ("DB-hill-0", "nobodys", "%", "x" * 10_000, "\U0001f3bb"):  # another dealer's, and none at all
        assert "is here. Look at the label, or type the serial." in scan(shop, key, code).text
    assert shop.status("DB-own-1") == "reserved"
    assert "DB-own-1 is out of the case; three bows left in it." in scan(shop, key, "DB-own-1", way="back").text
    twice = scan(shop, key, "DB-own-1", way="back")
    assert (twice.status, "DB-own-1 is not in this case." in twice.text) == (409, True)
    assert shop.status("DB-own-1") == "in_stock"
    # From the bow's own page, which a phone's camera opened, it is one button.
    page = shop.adviser.read("/desk/stock/DB-own-2")
    assert "DB-own-2 is in the case" in send(shop.adviser, page, f"/trials/{key}/case").text
    theirs = shop.desk.sign_in("stranger").submit(f"/desk/trials/{key}/case", {"code": "DB-own-1"})
    assert theirs.status == 404


def test_a_bow_of_a_parcel_is_scanned_back_in_its_condition_once(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for serial in BOWS:
            session.get_one(tables.Copy, serial).status = "in_stock"
        session.get_one(tables.Copy, ODD).materials = "carbon stick, ebony frog"
    shop.in_country("DE")
    key = shop.compose(**POST, copies=[ODD])
    sent = shop.adviser.submit(f"/desk/trials/{key}/send", {f"condition.{ODD}": "as new"})
    assert sent.status == 200
    refused = scan(shop, key, "DB-own-1")
    assert (refused.status, "only while it is planned" in refused.text) == (409, True)
    blank = scan(shop, key, ODD, way="back", condition=" ")
    assert (blank.status, shop.status(ODD)) == (422, "on_trial")
    form = form_to(shop.adviser.read(f"/desk/trials/{key}/case?way=back"), "/case")
    assert [e.get("value") for e in form.walk() if e.get("name") == "condition"] == ["as it left"]
    assert f"{ODD} is out of the case" in scan(shop, key, ODD, way="back", condition="as it left").text
    assert shop.status(ODD) == "in_stock"
    assert f"{ODD} is back already." in scan(shop, key, ODD, way="back", condition="as it left").text
