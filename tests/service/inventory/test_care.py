"""The stock cared for at the desk: bows, prices, events and readings, each by the rules of the files and as easily taken back."""

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import event, select, text, update
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service import tables
from service.core import audit
from service.core.database import Database, writing_engine
from service.core.scopes import AllDealers
from service.inventory import care, uploads
from tests.service import desk_shop, trial_cast
from tests.service.cast import DEALER, OTHER
from tests.service.desk_shop import Shop, send
from tests.service.page import Page

TODAY = dt.datetime.now(dt.UTC).date()
NEW = {"tier": "bramble", "hold": "german", "status": "in_stock", "mass_g": "133,5", "insured_value": "2450"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in; each test has bows of its own."""
    with desk_shop.opened(tmp_path_factory.mktemp("care"), _migrated_file) as shop:
        yield shop


def bow(shop: Shop, serial: str) -> tables.Copy | None:
    with shop.desk.database.reading() as session:
        return session.get(tables.Copy, serial)


def add(shop: Shop, serial: str, **changes: str) -> Page:
    """Fill in the form of a new bow and return the page it leads to."""
    page = shop.adviser.read("/desk/bows/new")
    return send(shop.adviser, page, "/bows/new", copy=serial, **(NEW | changes))


def last_recorded(shop: Shop) -> tuple[str, str]:
    with shop.desk.database.reading() as session:
        entry = audit.entries(session, AllDealers()).rows[0]
    return entry.did, entry.about


def test_a_bow_is_added_with_its_hair_and_found_in_the_stock(shop: Shop) -> None:
    page = add(shop, "N-1", haired="2026-02-03")
    assert page.h1 == "N-1"
    assert "N-1 is in the stock." in page.text
    stored = bow(shop, "N-1")
    assert stored is not None
    assert (stored.dealer, stored.status, stored.mass_g, float(stored.insured_value or 0)) == (
        DEALER,
        "in_stock",
        133.5,
        2450,
    )
    assert "3 February 2026" in page.text
    assert "N-1" in shop.adviser.read("/desk/stock").text
    assert last_recorded(shop) == ("added a bow to the stock", "copy N-1")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"copy": ""}, "Serial: This is needed."),
        ({"copy": "own"}, "stands for the player's own bow"),
        ({"tier": ""}, "Model: This is needed."),
        ({"hold": ""}, "Hold: Got nothing for the copy N-x; expected german"),
        ({"insured_value": "0"}, "Insured value: Got '0'; expected an amount above 0"),
        ({"insured_value": "1.250,50"}, "expected a number without thousands marks"),
        ({"mass_g": "heavy"}, "Mass: Got 'heavy'; expected a number"),
        ({"haired": "2099-01-01"}, "Day of its hair: Got 2099-01-01; expected a date that is not in the future"),
        ({"dealer": OTHER}, "There is no such dealer"),
        ({"dealer": "workshop"}, "There is no such dealer"),
        ({"status": "on_trial"}, "Choose what the bow is now."),
        ({"status": "sold"}, "Choose what the bow is now."),
    ],
)  # fmt: skip
def test_a_bow_is_refused_by_the_rules_of_its_file_and_what_was_typed_stays(
    shop: Shop, changes: dict[str, str], said: str
) -> None:
    page = shop.adviser.submit("/desk/bows/new", NEW | {"copy": "N-x"} | changes)
    assert page.status == 422
    assert said in page.text
    assert bow(shop, "N-x") is None
    typed = changes.get("insured_value", "2450")
    assert [e.get("value") for e in page.all("input", name="insured_value")] == [typed]


def test_the_same_form_twice_and_another_dealers_serial_are_said_and_change_nothing(shop: Shop) -> None:
    add(shop, "N-2")
    again = shop.adviser.submit("/desk/bows/new", NEW | {"copy": "N-2", "mass_g": "99"})
    assert again.status == 409
    assert "N-2 is in the stock already. Nothing was changed." in again.text
    stored = bow(shop, "N-2")
    assert stored is not None
    assert stored.mass_g == 133.5
    theirs = shop.desk.sign_in("stranger").submit("/desk/bows/new", NEW | {"copy": "N-2"})
    assert theirs.status == 422
    assert "This serial is taken" in theirs.text
    assert DEALER not in theirs.text


def test_a_bow_is_corrected_unless_somebody_else_did_so_meanwhile(shop: Shop) -> None:
    add(shop, "N-3")
    form, other = (shop.adviser.read("/desk/stock/N-3/correct") for _each in range(2))
    page = send(shop.adviser, form, "/correct", materials="ebony frog", mass_g="")
    assert "What is known of the bow is corrected." in page.text
    stored = bow(shop, "N-3")
    assert stored is not None
    assert (stored.materials, stored.mass_g, stored.status) == ("ebony frog", None, "in_stock")
    late = send(shop.adviser, other, "/correct", materials="horn frog")
    assert "Somebody else has changed this" in late.text
    kept = bow(shop, "N-3")
    assert kept is not None
    assert kept.materials == "ebony frog"
    assert [e.get("value") for e in late.all("input", name="materials")] == ["horn frog"]
    send(shop.adviser, late, "/correct")
    kept = bow(shop, "N-3")
    assert kept is not None
    assert kept.materials == "horn frog"


def test_a_bow_whose_file_gave_two_lines_is_corrected_as_any_and_keeps_them(shop: Shop) -> None:
    add(shop, "N-two-lines")
    with shop.desk.database.writing() as session:
        session.get_one(tables.Copy, "N-two-lines").materials = "pernambuco stick\nsilver mounts"
    form = shop.adviser.read("/desk/stock/N-two-lines/correct")
    # What a browser sends: a hidden field's lines end in CRLF (HTML, 4.10.22.4), a field of one line has none (4.10.5.1.2).
    (seen,) = [e.get("value").replace("\n", "\r\n") for e in form.all("input", name="seen")]
    page = send(shop.adviser, form, "/correct", seen=seen, materials="pernambuco stick silver mounts", mass_g="61")
    assert "What is known of the bow is corrected." in page.text
    stored = bow(shop, "N-two-lines")
    assert stored is not None
    assert (stored.materials, stored.mass_g) == ("pernambuco stick\nsilver mounts", 61)


def test_a_bow_added_by_mistake_is_taken_out_with_what_hangs_on_it_and_no_other(shop: Shop) -> None:
    page = add(shop, "N-4", haired="2026-02-03")
    assert "N-4 is taken out" in send(shop.adviser, page, "/remove").text
    assert bow(shop, "N-4") is None
    refused = shop.adviser.submit("/desk/stock/DB-bramble-1/remove")
    assert (refused.status, bow(shop, "DB-bramble-1") is None) == (409, False)
    assert "say of it that it is withdrawn" in refused.text


def test_a_dealers_price_is_set_taken_back_and_never_nothing(shop: Shop) -> None:
    where = "/desk/bows/prices/bramble"
    page = send(shop.adviser, shop.adviser.read(where), where, price="2222.50", currency="EUR")
    assert "The price is set" in page.text
    assert "€2,222.50" in shop.adviser.read("/desk/stock").text
    for price, currency, said in (("0", "EUR", "expected an amount above 0"), ("9", "euro", "three capital letters")):
        refused = shop.adviser.submit(where, {"price": price, "currency": currency, "seen": "2222.5|EUR"})
        assert refused.status == 422
        assert said in refused.text
    stale = shop.adviser.submit(where, {"price": "1", "currency": "EUR", "seen": "|"})
    assert (stale.status, "Somebody else has changed this" in stale.text) == (409, True)
    send(shop.adviser, shop.adviser.read(where), where, price="")
    assert "€2,222.50" not in shop.adviser.read("/desk/stock").text
    with shop.desk.database.reading() as session:
        assert session.get(tables.Price, ("bramble", DEALER)) is None


def test_the_tiers_own_price_is_the_makers(shop: Shop) -> None:
    maker, where = shop.desk.sign_in("workshop"), "/desk/bows/prices/juniper"
    page = send(maker, maker.read(where), where, price="1999", currency="EUR")
    assert "The price is set" in page.text
    shop.adviser.submit(where, {"price": "7", "currency": "EUR", "seen": "|", "whose": "own"})
    with shop.desk.database.reading() as session:
        assert float(session.get_one(tables.Tier, "juniper").price or 0) == 1999
        assert float(session.get_one(tables.Price, ("juniper", DEALER)).price) == 7


def test_an_event_before_all_that_is_known_is_asked_about_and_can_be_taken_back(shop: Shop) -> None:
    add(shop, "N-6", haired="2026-02-03")
    early = {"event": "repaired", "on": "2019-05-05"}
    asked = shop.adviser.submit("/desk/stock/N-6/event", early)
    assert "Nothing is known of this bow before 3 February 2026" in asked.text
    with shop.desk.database.reading() as session:
        assert len(session.scalars(select(tables.Event).where(tables.Event.copy == "N-6")).all()) == 1
    page = Page(shop.adviser.send("POST", "/desk/stock/N-6/event", data=early | {"csrf": shop.adviser.csrf, "sure": "yes"}, follow=True))  # fmt: skip
    assert "5 May 2019" in page.text
    page = shop.adviser.submit("/desk/stock/N-6/take-back", early)
    assert "5 May 2019" not in page.text


def correct_mass(session: Session, user: int, serial: str) -> None:
    was = care.facts(session, AllDealers(), serial)
    care.correct(session, user, AllDealers(), serial, was | {"mass_g": "131"}, care.written(was))


def load_mass(session: Session, user: int, serial: str) -> None:
    data, how = f"copy,tier,hold,mass_g\n{serial},bramble,german,131\n".encode(), {"replace": False, "trials": False}
    looked = uploads.preview(session, AllDealers(), uploads.parse("copies.csv", data), **how)
    assert looked.report.problems == ()
    uploads.take(session, user, AllDealers(), uploads.parse("copies.csv", data), seen=looked.mark, **how)


@pytest.mark.parametrize("change", [correct_mass, load_mass])
def test_what_another_process_says_of_a_bow_meanwhile_is_not_painted_over(
    postgres_database: Database, change: Callable[[Session, int, str], None]
) -> None:
    database, serial = trial_cast.open_shop(postgres_database), trial_cast.BOWS[0]
    tries: list[str] = []

    def withdraw() -> None:
        with database.writing() as other:
            other.execute(text("SET LOCAL lock_timeout = '100ms'"))
            other.execute(update(tables.Copy).where(tables.Copy.serial == serial).values(status="withdrawn"))

    def between(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
        """Let the other come before the first row is written, and have it wait where the bow is held."""
        if statement.startswith("UPDATE") and not tries:
            tries.append("held")
            try:
                withdraw()
            except OperationalError:
                return
            tries[:] = ["through"]

    with database.writing() as session:
        user = tables.User(email="a@harbour.example", role="owner", created_at=dt.datetime.now(dt.UTC))
        session.add(user)
        session.flush()
        event.listen(writing_engine(database), "before_cursor_execute", between)
        change(session, user.id, serial)
    if tries == ["held"]:
        withdraw()
    with database.reading() as session:
        stored = session.get_one(tables.Copy, serial)
        assert (stored.mass_g, stored.status, len(tries)) == (131, "withdrawn", 1)
