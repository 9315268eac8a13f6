"""The staff's own pages: accounts, tablets, the record, which dealer; what they show, make and refuse."""

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from sqlalchemy import select

from service import tables
from service.accounts import users
from service.core import audit, audit_events, paging
from service.core.scopes import AllDealers
from service.devices import tablets
from service.web import qr
from tests.service import cast
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.page import Page, standing


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    """The desk and its cast."""
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


def _rows(page: Page) -> dict[str, str]:
    """Return the text of each row of the page's table by its heading."""
    rows = [row for row in page.all("tr") if any(cell.tag == "td" for cell in row.walk())]
    return {next(e.text.strip() for e in row.walk() if e.tag == "th"): row.text for row in rows}


# Accounts


def test_an_owner_makes_an_account_and_its_link_works(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    fields = {"email": "Eve@bows.example", "name": "Eve", "role": "adviser", "dealer": DEALER}
    page = owner.submit("/desk/users", fields)
    (link,) = [e.text.strip() for e in page.of_class("once")]
    assert "no password yet" in _rows(page)["eve@bows.example"]
    assert link.startswith("http://bows.example/desk/password/")
    assert desk.nobody().read(urlsplit(link).path).h1 == "Choose your password"
    assert link not in owner.read("/desk/users").source


def test_a_link_goes_out_by_mail_and_stands_in_no_list_of_the_desk(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    page = owner.submit("/desk/users", {"email": "ann@bows.example", "role": "workshop"})
    link = urlsplit(page.of_class("once")[0].text.strip()).path
    with desk.database.reading() as session:
        queued = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.address == "ann@bows.example")).one()
        assert (queued.kind, queued.values) == ("password", {"secret": link})
    for path in ("/desk/mail?state=waiting", "/desk/audit", f"/desk/mail/{queued.id}"):
        assert link not in owner.get(path).text


def test_what_cannot_be_an_account_is_said_by_field_and_nothing_typed_is_lost(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    page = owner.submit("/desk/users", {"email": "eve at home", "name": "Eve", "role": "adviser", "dealer": ""})
    assert page.status == 422
    assert [e.get("href") for e in page.of_class("faults")[0].walk() if e.tag == "a"] == ["#email", "#role-adviser"]
    assert (page.by_id("email").get("value"), page.by_id("name").get("value")) == ("eve at home", "Eve")
    assert "checked" in page.by_id("role-adviser").attributes
    page = owner.submit("/desk/users", {"email": "ADVISER@bows.example", "role": "owner"})
    assert "has an account already" in page.text
    with desk.database.reading() as session:
        assert users.account(session, AllDealers(), desk.ids["adviser"]).role == "adviser"


def test_an_account_is_disabled_and_let_in_again(desk: Desk) -> None:
    owner, adviser = desk.sign_in("owner"), desk.sign_in("adviser")
    at = f"/desk/users/{desk.ids['adviser']}"
    assert "Sign out" in _rows(owner.read("/desk/users"))["adviser@bows.example"]
    assert "can no longer sign in" in owner.submit(f"{at}/disable").text
    assert adviser.get("/desk/account").status_code == 303
    assert "disabled" in _rows(owner.read("/desk/users"))["adviser@bows.example"]
    assert owner.post(f"{at}/link").status_code == 409
    page = owner.submit(f"{at}/enable")
    assert len(page.of_class("once")) == 1
    assert "disabled" not in _rows(page)["adviser@bows.example"]


def test_an_account_is_signed_out_everywhere(desk: Desk) -> None:
    owner, adviser = desk.sign_in("owner"), desk.sign_in("adviser")
    assert "is signed out everywhere" in owner.submit(f"/desk/users/{desk.ids['adviser']}/sessions").text
    assert adviser.get("/desk/account").status_code == 303


def test_nobody_disables_their_own_account_or_the_last_owner(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    page = Page(owner.post(f"/desk/users/{desk.ids['owner']}/disable"))
    assert (page.status, page.faults) == (409, [])
    assert "your own account" in page.text
    rows = [row for row in owner.read("/desk/users").all("tr") if "owner@bows.example" in row.text]
    assert "Disable" not in next(row.text for row in rows if "strange" not in row.text)


def test_a_dealers_own_owner_sees_and_makes_that_dealers_accounts_only(desk: Desk) -> None:
    owner = desk.sign_in("strange owner")
    assert set(_rows(owner.read("/desk/users"))) == {"stranger@bows.example", "strange-owner@bows.example"}
    page = owner.submit("/desk/users", {"email": "eve@bows.example", "role": "owner", "dealer": DEALER})
    assert "Hill Strings" in _rows(page)["eve@bows.example"]
    with desk.database.reading() as session:
        assert session.scalars(select(tables.User.dealer).where(tables.User.email == "eve@bows.example")).one() == OTHER


# Tablets


def test_a_tablet_is_enrolled_by_the_code_that_the_desk_shows_once(desk: Desk) -> None:
    adviser = desk.sign_in("adviser")
    assert "No tablet is enrolled yet." in adviser.read("/desk/tablets").text
    page = adviser.submit("/desk/tablets", {"name": "Trial room"})
    (code,) = [e.text.strip() for e in page.of_class("code")]
    assert [e.get("aria-label") for e in page.of_class("qr")] == ["The code as a picture for the tablet’s camera"]
    assert "bows.example/tablet/enrol" in page.text
    with desk.database.writing() as session:
        _tablet, key = tablets.enrol(session, code)
    page = adviser.read("/desk/tablets")
    assert code not in page.text
    assert "in use" in _rows(page)["Trial room"]
    revoking = next(form for form in page.all("form") if form.get("action").endswith("/revoke"))
    fields = {name: values[0] for name, values in standing(revoking).items() if name}
    page = adviser.submit(revoking.get("action"), fields)
    assert "revoked" in _rows(page)["Trial room"]
    with desk.database.reading() as session:
        assert tablets.tablet_of(session, key) is None


def test_a_tablet_without_a_name_is_refused_with_the_remedy(desk: Desk) -> None:
    page = desk.sign_in("adviser").submit("/desk/tablets", {"name": " "})
    assert (page.status, page.of_class("fault")[0].text.strip()) == (
        422,
        "Give the tablet a name of at most 60 characters.",
    )


def test_the_picture_holds_the_whole_address_and_follows_the_policy() -> None:
    drawn = str(qr.svg("https://bows.example/tablet/enrol?code=ACDEFGHJ", 'the "code"'))
    assert drawn.startswith('<svg role="img" aria-label="the &#34;code&#34;"')
    assert "style=" not in drawn
    # ISO/IEC 18004: a quiet zone of four modules, then the first row of a finder pattern, seven dark ones.
    assert 'd="M4 4.5h7' in drawn
    assert 'fill="#fff"' in drawn


# The record


def test_the_record_is_read_page_by_page_and_by_owners_only(desk: Desk) -> None:
    with desk.database.writing() as session:
        for number in range(paging.A_PAGE + 5):
            audit.record(
                session, desk.ids["adviser"], audit_events.TRIAL_OPENED, f"trial T-{number}", dealer=DEALER, bows=3
            )
    owner = desk.sign_in("owner")
    page = owner.read("/desk/audit")
    assert f"trial T-{paging.A_PAGE + 4} (bows: 3)" in page.text
    (older,) = [e.get("href") for e in page.all("a") if e.text.strip() == "Next page"]
    assert "trial T-4 (bows: 3)" in owner.read(older).text
    assert "trial T-4 (bows: 3)" not in page.text
    assert "trial T-4" not in desk.sign_in("strange owner").read("/desk/audit").text
    assert owner.get("/desk/audit?after=x").status_code == 404


def test_what_is_done_here_is_on_record(desk: Desk) -> None:
    owner = desk.sign_in("owner")
    owner.submit("/desk/users", {"email": "eve@bows.example", "role": "workshop"})
    desk.sign_in("adviser").submit("/desk/tablets", {"name": "Trial room"})
    owner.post("/desk/sign-out")
    page = desk.sign_in("owner").read("/desk/audit")
    for did in ("signed out", "made a code for a tablet", "made a link to set a password", "made an account"):
        assert did in page.text


# The model


def test_the_model_page_says_in_words_that_nothing_is_fitted_yet(desk: Desk) -> None:
    page = Page(desk.sign_in("workshop").get("/desk/model"))
    assert (page.status, page.faults) == (409, [])


# Words that stay


def test_what_was_said_once_cannot_be_written_by_somebody_else(desk: Desk) -> None:
    adviser = desk.sign_in("adviser")
    for planted in ("U2F5cyB3aG8.0000", "U2F5cyB3aG8", "...", "=.="):
        adviser.cookies["desk-said"] = planted
        assert adviser.read("/desk/account").of_class("notice") == []
        assert "desk-said" not in adviser.cookies
