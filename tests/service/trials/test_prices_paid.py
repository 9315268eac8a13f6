"""What was paid for a bow that was kept: typed as people write it, questioned where it is odd, changed and taken back."""

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.inventory import sales
from service.trials import desk_reads, outcomes
from service.trials.prices_paid import PricePaid
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, fields_of, form_to, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def paid(shop: Shop, page: Page, bow: str, **typed: str) -> Page:
    """Send the form of a bow's price as it stands, with what is typed."""
    forms = [form for form in page.all("form") if form.get("action").endswith("/paid")]
    fields = next(each for each in map(fields_of, forms) if each["bow"] == [bow])
    fields |= {f"{name}.{bow}": [text] for name, text in typed.items()}
    return Page(shop.adviser.send("POST", forms[0].get("action"), data=fields, follow=True))


def act(shop: Shop, key: str, name: str, **fields: str) -> Page:
    return shop.adviser.submit(f"/desk/trials/{key}/{name}", fields)


@pytest.mark.parametrize("typed", ["2300.50", "2300,5", "2.300,50", "2,300.50", "2 300,50", "2’300.50"])
def test_the_price_paid_is_taken_as_people_write_it_and_changed_or_taken_back_later(shop: Shop, typed: str) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "outcome", what=f"kept - {BOWS[0]}", price=typed, note="in  two\tparts")
    assert f"Kept: {BOWS[0]}; paid: €2,300.50" in page.text
    assert "‘in two parts’" in page.text
    fold = page.by_id("paid-fold")
    assert fold is not None
    fields = {e.get("value") for e in fold.walk() if e.get("name").startswith(("price.", "note."))}
    assert fields == {"2300.50", "in two parts"}
    changed = paid(shop, page, BOWS[0], price="2200")
    assert "paid: €2,200" in changed.text
    assert "paid:" not in paid(shop, changed, BOWS[0], price="").text


def test_each_bow_held_has_a_form_of_its_own_so_that_a_note_takes_back_no_price(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    for bow in (BOWS[2], BOWS[0], BOWS[1]):
        page = act(shop, key, "outcome", what=f"kept - {bow}")
        page = paid(shop, page, bow, price="2300")
    page = act(shop, key, "outcome", what=f"returned sound {BOWS[2]}")
    page = paid(shop, page, BOWS[1], note="a case with it")
    assert f"Kept: {BOWS[1]}; paid: €2,300" in page.text
    assert "‘a case with it’" in page.text
    forms = [form for form in page.all("form") if form.get("action").endswith("/paid")]
    assert [e.get("value") for form in forms for e in form.walk() if e.get("name") == "bow"] == sorted(BOWS[:2])


def test_a_price_told_meanwhile_is_not_taken_back_and_what_was_typed_stands(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "outcome", what=f"kept - {BOWS[0]}")
    assert "paid: €2,400" in paid(shop, page, BOWS[0], price="2400").text
    odd = paid(shop, page, BOWS[0], price="0", note="in two parts")
    assert odd.by_id(f"price.{BOWS[0]}-fault") is not None
    late = paid(shop, odd, BOWS[0], price="")
    assert late.status == 409
    assert "Somebody else has changed this" in late.text
    assert "paid: €2,400" in late.text
    assert late.by_id(f"note.{BOWS[0]}").get("value") == "in two parts"
    again = paid(shop, late, BOWS[0], price="2400")
    assert "‘in two parts’" in again.text
    assert "paid: €2,400" in again.text


def test_a_bow_kept_again_after_it_came_back_has_its_price(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    with shop.desk.database.writing() as session:
        trial = session.scalars(select(tables.Trial)).one()
        days = [trial.on - dt.timedelta(days=3 - back) for back in (1, 2)]
        trial.on = days[0]
    with shop.desk.database.writing() as session:
        for what, day in (("kept", days[0]), ("returned", days[1])):
            outcomes.record(session, None, DEALER, key, what, BOWS[0], None, day)
    page = act(shop, key, "outcome", what=f"kept - {BOWS[0]}")
    assert "paid: €2,300" in paid(shop, page, BOWS[0], price="2300").text


def test_a_price_told_on_the_day_the_bow_came_back_lets_it_stay_back(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    act(shop, key, "outcome", what=f"kept - {BOWS[0]}")
    act(shop, key, "outcome", what=f"returned sound {BOWS[0]}")
    with shop.desk.database.writing() as session:
        today = session.scalars(select(tables.Outcome.on)).first()
        assert today is not None
        outcomes.record(
            session, None, DEALER, key, "kept", BOWS[0], None, today, PricePaid(Decimal(2300), currency="EUR")
        )
        assert sales.kept_on(session, [BOWS[0]]) == {}
        (listed,) = desk_reads.trials(session, DEALER).rows
        assert listed.outcome == "returned"
        assert [str(row.outcome) for row in desk_reads.trial(session, DEALER, key).outcomes] == ["kept", "returned"]


@pytest.mark.parametrize("typed", ["0", "-5", "about 2000", "2.300", "2300.505", "1e9", "99999999"])
def test_a_price_that_cannot_be_is_said_at_its_field_and_nothing_is_lost_or_recorded(shop: Shop, typed: str) -> None:
    key = shop.opened()
    page = act(shop, key, "outcome", what=f"kept - {BOWS[0]}", price=typed, note="in two parts")
    assert page.status == 422
    assert page.by_id("price-fault") is not None
    fields = {e.get("name"): e.get("value") for e in form_to(page, "/outcome").walk()}
    assert (fields["price"], fields["note"]) == (typed, "in two parts")
    assert shop.state(key) == "open"
    assert shop.status(BOWS[0]) == "on_trial"


@pytest.mark.parametrize(("typed", "said"), [("26000", "more than ten times"), ("100", "less than a tenth")])
def test_an_odd_price_is_asked_about_without_a_word_on_the_bow_and_taken_when_said_again(
    shop: Shop, typed: str, said: str
) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4, 5, 3, 4])
    page = act(shop, key, "close", sure="yes")
    tap = next(e.get("value") for e in page.all("button", name="what") if "letter:" in e.get("value"))
    asked = act(shop, key, "outcome", what=tap, price=typed)
    assert asked.status == 422
    assert said in asked.by_id("price-fault").text
    assert not [
        e.text for e in asked.elements if e.tag in ("p", "td", "li") and not e.within("details") and "DB-" in e.text
    ]
    kept = send(shop.adviser, asked, "/outcome", what=tap)
    assert f"paid: €{int(typed):,}" in kept.text


def test_a_price_told_while_a_trial_is_played_goes_with_the_question(shop: Shop) -> None:
    key = shop.opened()
    letters = [letter for letter in shop.rate(key, [6, 4, 5]) if letter]
    page = act(shop, key, "outcome", what=f"kept - letter:{letters[0]}", price="2300", note="in two parts")
    assert f"Kept: Bow {letters[0]}; paid: 2300" in page.text
    recorded = send(shop.adviser, page, "/outcome")
    assert "paid: €2,300" in recorded.text
    assert "‘in two parts’" in recorded.text


def test_a_price_of_a_bow_that_is_not_with_its_player_is_refused(shop: Shop) -> None:
    key = shop.opened()
    assert act(shop, key, "paid", bow=BOWS[0], price="2300").status == 409
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "outcome", what="none price ", price="2300")
    assert page.status == 422
    assert "only where a bow was kept" in page.text
