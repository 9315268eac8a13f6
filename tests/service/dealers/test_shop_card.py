"""A shop's card: where it is and how to book, on every answer of that shop and nowhere else."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.advice import advise
from service.dealers import shop_card, site
from tests.service import cast, desk_shop
from tests.service.cast import DEALER, Member
from tests.service.desk_shop import Shop
from tests.service.page import Page

CARD = {
    "address": "3 Cooper's Yard\r\n\r\n 1010   Vienna ",
    "opening": "Tuesday to Friday 10 to 18",
    "phone": "+43 1 555 01-00",
    "map": "https://harbour.example/way",
}
HOME = "/desk/website"


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


@pytest.fixture
def owner(shop: Shop) -> Member:
    return shop.desk.sign_in("owner")


def answer(shop: Shop) -> Page:
    enquiry = shop.enquire()
    with shop.desk.database.reading() as session:
        path = f"/advice/{advise.address_of(session, enquiry)}"
    return shop.desk.nobody().read(path)


def test_what_an_owner_keeps_stands_on_the_answer_to_be_called_and_booked(shop: Shop, owner: Member) -> None:
    assert owner.submit(f"{HOME}/card", CARD).status == 200
    booking = {"notify": "", "booking": "https://harbour.example/book", "webhook": "", "keep_months": "24"}
    assert owner.submit(f"{HOME}/messages", booking).status == 200
    page = answer(shop)
    (card,) = page.of_class("shop-card")
    for words in ("3 Cooper's Yard", "1010 Vienna", "Tuesday to Friday 10 to 18", "+43 1 555 01-00"):
        assert words in card.text
    links = {element.get("href") for element in card.walk() if element.tag == "a"}
    # RFC 3966, 3: a telephone's address in digits, with + before the country's number.
    assert links == {"tel:+4315550100", "https://harbour.example/book", "https://harbour.example/way"}


@pytest.mark.parametrize("said", ["Ring the bell; javascript:alert(1)", "https://[book-here]", "https://ex℀mple.org"])
def test_a_sentence_on_booking_is_said_and_is_no_link(shop: Shop, owner: Member, said: str) -> None:
    booking = {"notify": "", "booking": said, "webhook": "", "keep_months": "24"}
    owner.submit(f"{HOME}/messages", booking)
    (card,) = answer(shop).of_class("shop-card")
    assert said in card.text
    assert not [element for element in card.walk() if element.tag == "a"]


def test_a_shop_that_told_nothing_has_no_card(shop: Shop) -> None:
    assert answer(shop).of_class("shop-card") == []


@pytest.mark.parametrize(
    ("field", "wrong", "said"),
    [
        ("map", "javascript:alert(1)", "expected one address that begins with https://"),
        ("map", "http://harbour.example", "expected one address that begins with https://"),
        ("map", "https://", "expected one address that begins with https://"),
        ("map", "https://[book-here]", "expected one address that begins with https://"),
        ("phone", "٠١٢٣٤٥٦", "expected a telephone number"),
        ("phone", "ask for Anna", "expected a telephone number"),
        ("address", "a" * 301, "Expected at most 300 characters"),
        ("opening", "x\n" * 200, "Expected at most 300 characters"),
    ],
)
def test_what_cannot_be_is_said_at_its_field_and_nothing_is_kept(
    shop: Shop, owner: Member, field: str, wrong: str, said: str
) -> None:
    page = owner.submit(f"{HOME}/card", CARD | {field: wrong})
    assert page.status == 422
    assert said in page.by_id(f"{field}-fault").text
    with shop.desk.database.reading() as session:
        assert shop_card.read(session, DEALER) is None
        assert site.read(session, DEALER).booking is None


def test_another_dealers_answer_and_an_advisers_hand_leave_it_alone(shop: Shop, owner: Member) -> None:
    owner.submit(f"{HOME}/card", CARD)
    assert shop.adviser.post(f"{HOME}/card", CARD).status_code in {403, 404}
    with shop.desk.database.reading() as session:
        assert shop_card.read(session, cast.OTHER) is None
