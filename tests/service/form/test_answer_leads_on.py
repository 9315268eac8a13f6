"""The answer's page is not an end: it can be mailed, printed with what the desk finds it by, and told of bows played here."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno
from sqlalchemy import select

from service import tables
from service.advice import advise
from service.dealers import shop_card
from service.mail import letters
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.mail.sending import send_waiting
from service.registry import MAILS
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.client import SECRET
from tests.service.desk_shop import Shop
from tests.service.page import Page, Reader

ANNA = "anna@player.example"
AGREED = {"email": ANNA, "consent_advice": "yes", "consent_mail": "yes"}
TERMS = {
    "loan_terms": "Ten days, insured by us.",
    "return_terms": "As it came.",
    "hair_terms": "The first rehair is ours.",
}


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def answered(shop: Shop, **changes: object) -> tuple[str, Page]:
    """Let somebody ask without an address; return the enquiry's id and the answer's page."""
    enquiry = shop.enquire(contact=None, **changes)
    return enquiry, Reader(shop.desk.app).get(path_of(shop, enquiry))


def path_of(shop: Shop, enquiry: str) -> str:
    with shop.desk.database.reading() as session:
        return f"/advice/{advise.address_of(session, enquiry)}"


def ask(shop: Shop, page: Page, **fields: str) -> Page:
    token = page.all("input", name="csrf")[0].get("value")
    return Reader(shop.desk.app).post(f"{page.address}/mail", {"csrf": token, **fields})


def mails(shop: Shop) -> list[str]:
    with shop.desk.database.reading() as session:
        return list(session.scalars(select(tables.OutboxItem.address).where(tables.OutboxItem.kind == "advice")))


def contact(shop: Shop, enquiry: str) -> dict[str, object] | None:
    with shop.desk.database.reading() as session:
        return session.get_one(tables.Enquiry, enquiry).contact


def test_whoever_left_no_address_has_the_answer_mailed_and_sees_that_it_was(shop: Shop, tmp_path: Path) -> None:
    enquiry, page = answered(shop)
    after = ask(shop, page, **AGREED)
    assert after.status == 200
    assert after.address == page.address
    assert "This answer is on its way to a…@p….example." in after.text
    kept = {"email": ANNA, "consent": {"advice": True, "mail": True, "model": False}}
    assert contact(shop, enquiry) == kept
    service = open_mail_service(MailServer(), tmp_path / "mail", "https://bows.example", SECRET, MAILS)
    send_waiting(shop.desk.database, service)
    sent = Reader(shop.desk.app).get(page.address)
    assert re.search(r"This answer was sent to a…@p….example on \d+ \w+ 20\d\d, \d\d:\d\d", sent.text)
    assert ANNA not in sent.source, "whoever is shown the page does not learn the address"
    assert not sent.all("input", name="email")


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("email", "", "expected one like name@example.org"),
        ("email", "anna@player", "expected one like name@example.org"),
        ("email", "a" * 500 + "@player.example", "e-mail address"),
        ("consent_advice", "", "Without this consent we keep no address"),
        ("consent_mail", "", "Without this consent we do not write to you"),
    ],
)
def test_what_is_missing_is_said_at_its_field_and_nothing_is_kept_or_sent(
    shop: Shop, field: str, value: str, said: str
) -> None:
    enquiry, page = answered(shop)
    refused = ask(shop, page, **AGREED | {field: value})
    assert refused.status == 422
    assert said in refused.of_class("faults")[0].text
    assert said in refused.by_id(f"{field}-fault").text
    if field != "email":
        assert refused.by_id("email").get("value") == ANNA, "what was typed is not lost"
    assert (contact(shop, enquiry), mails(shop)) == (None, [])


def test_an_answer_goes_to_one_address_however_often_it_is_asked_for(shop: Shop) -> None:
    _enquiry, page = answered(shop)
    for address in (ANNA, ANNA, "bert@player.example"):
        ask(shop, page, **AGREED | {"email": address})
    assert mails(shop) == [ANNA]


def test_a_mailbox_gets_no_flood_and_the_page_says_so(shop: Shop) -> None:
    # ASVS 5.0, 2.4.1: limits against bulk requests.
    for _number in range(5):
        assert ask(shop, answered(shop)[1], **AGREED).status == 200
    enquiry, page = answered(shop)
    refused = ask(shop, page, **AGREED | {"email": "Anna@player.example"})
    assert refused.status == 422
    assert "No more mail can be asked for today" in refused.by_id("email-fault").text
    assert len(mails(shop)) == 5
    assert contact(shop, enquiry) is None


def test_without_the_pages_own_token_nothing_is_mailed(shop: Shop) -> None:
    _enquiry, page = answered(shop)
    assert ask(shop, page, csrf="made-up", **AGREED).status == 403
    assert mails(shop) == []


def test_the_sheet_of_paper_leads_the_desk_to_the_enquiry_and_a_stranger_nowhere(shop: Shop) -> None:
    enquiry, page = answered(shop)
    paper = Reader(shop.desk.app).get(f"{page.address}/print")
    number = enquiry[:8].upper()
    assert f"Number {number}" in paper.text
    # ISO/IEC 18004, by the library that draws it: the code of the desk's address, and of nothing else.
    drawn = segno.make(f"http://bows.example/desk/enquiries/{enquiry}", error="m", micro=False)
    assert _path(drawn) in paper.source
    assert page.address.rpartition("/")[2] not in enquiry
    assert shop.desk.nobody().get(f"/desk/enquiries/{enquiry}").headers["location"].startswith("/desk/sign-in")
    assert shop.adviser.read(f"/desk/enquiries/{enquiry}").status == 200


def _path(code: segno.QRCode) -> str:
    found = re.search(r' d="([^"]+)"', code.svg_inline(scale=4, border=4, omitsize=True))
    assert found is not None
    return found[1]


def test_bows_played_here_are_told_from_the_answer_without_asking_the_rest_again(shop: Shop) -> None:
    _enquiry, page = answered(shop)
    reader = Reader(shop.desk.app)
    tried = reader.send(page, go="tried")
    assert tried.address.endswith("/tried")
    last = reader.send(tried, {"tried_1_copy": "DB-juniper-0", "tried_1_overall": "6"})
    assert last.address.endswith("/contact")
    again = reader.send(last)
    assert again.address.startswith("/advice/")
    assert again.address != page.address
    assert "You gave DB-juniper-0 6 of 7" in again.text
    with shop.desk.database.reading() as session:
        rows = session.scalars(select(tables.Enquiry).order_by(tables.Enquiry.created_at)).all()
        before, after = rows[-2].answers, rows[-1].answers
    assert after.pop("tried") == [{"copy": "DB-juniper-0", "ratings": {"overall": 6}}]
    assert after == before


def test_bows_far_below_the_budget_are_not_named_without_a_word(shop: Shop) -> None:
    said = re.compile("we expect you to like none better|Nothing dearer than these, within your budget, is at hand")
    assert said.search(answered(shop, budget={"amount": 20_000, "currency": "EUR"})[1].text)
    assert not said.search(answered(shop)[1].text)


def test_the_shops_terms_stand_on_page_paper_mail_and_privacy_page(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        shop_card.keep(session, None, DEALER, phone="+43 1 5550100", **TERMS)
    enquiry = shop.enquire()
    reader, path = Reader(shop.desk.app), path_of(shop, enquiry)
    for address in (path, f"{path}/print", f"/privacy?dealer={DEALER}"):
        (card,) = reader.get(address).of_class("shop-card")
        assert all(term in card.text for term in TERMS.values())
    with shop.desk.database.reading() as session:
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "advice")).one()
        service = open_mail_service(MailServer(), Path("unused"), "https://bows.example", SECRET, MAILS)
        text = " ".join(letters.write(session, service, row, row.queued_at).text.split())
    assert all(term in text for term in TERMS.values())
    assert f"number {enquiry[:8].upper()}" in text
    assert "Taking a bow home" not in reader.get("/privacy?dealer=quay").text


def test_a_mail_that_came_back_is_not_said_to_be_on_its_way(shop: Shop) -> None:
    _enquiry, page = answered(shop)
    ask(shop, page, **AGREED)
    with shop.desk.database.writing() as session:
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "advice")).one()
        row.failed_at = row.queued_at
    told = Reader(shop.desk.app).get(page.address)
    assert "No mail could be delivered to a…@p….example." in told.text
    assert "on its way" not in told.text
