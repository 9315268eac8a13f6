"""What was paid for a bow that was kept: typed as people write it, questioned where it is odd, changed and taken back."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service import desk_shop
from tests.service.desk_shop import Shop, form_to, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


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
    assert {e.get("value") for e in fold.walk() if e.get("name") in ("price", "note")} == {"2300.50", "in two parts"}
    changed = send(shop.adviser, page, "/paid", price="2200")
    assert "paid: €2,200" in changed.text
    assert "paid:" not in send(shop.adviser, changed, "/paid", price="").text


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
