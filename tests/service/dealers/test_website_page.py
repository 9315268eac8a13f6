"""The desk's page of a dealer's website: an owner sets it up, an adviser sees it, nobody else finds it."""

import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.dealers import api_keys, site
from service.web import page_data
from tests.service import cast
from tests.service.cast import DEALER, Desk, Member
from tests.service.logo_files import PNG
from tests.service.page import Page

SHOWN = re.compile(r"whsec_[A-Za-z0-9+/]{43}=")
HOME = "/desk/website"
PAGES = {"origins": "https://shop.example", "action_colour": "#ffcc00", "point_colour": ""}
MESSAGES = {"notify": "", "booking": "", "webhook": "https://shop.example/bows", "keep_months": "24"}


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file, public_address="https://bows.example") as desk:
        yield desk


@pytest.fixture
def owner(desk: Desk) -> Member:
    return over_https(desk.sign_in("owner"))


def over_https(member: Member) -> Member:
    """Return the same person at the address that the service is told it has."""
    return Member(member.app, member.secret, base="https://bows.example")


def door(desk: Desk) -> site.DoorInfo:
    with desk.database.reading() as session:
        return site.read(session, DEALER)


def put_logo(member: Member, content: bytes) -> httpx.Response:
    return member.send(
        "POST", f"{HOME}/logo", data={"csrf": member.csrf}, files={"file": ("logo.svg", content, "image/svg+xml")}
    )


def test_the_page_shows_the_line_to_paste_and_the_form_itself(desk: Desk, owner: Member) -> None:
    page = owner.read(HOME)
    line = next(text for text in (e.text for e in page.of_class("once")) if "script" in text)
    assert '<a href="https://bows.example/?dealer=harbour">Which bow should you try?</a>' in line
    assert 'src="https://bows.example/static/embed.js" data-dealer="harbour"></script>' in line
    assert "frame-src 'self'" in page.headers["content-security-policy"]
    (loader,) = [script for script in page.all("script") if script.get("src").startswith("/static/embed.js")]
    assert loader.get("data-dealer") == DEALER


def test_the_line_can_be_written_for_one_language(desk: Desk, owner: Member) -> None:
    page = owner.read(f"{HOME}?line=fr")
    line = next(text for text in (e.text for e in page.of_class("once")) if "script" in text)
    assert '/?dealer=harbour&amp;lang=fr"' in line
    assert 'data-lang="fr"' in line


def test_what_is_kept_is_shown_and_a_colour_that_was_corrected_is_said(desk: Desk, owner: Member) -> None:
    page = owner.submit(HOME, PAGES)
    assert door(desk).origins == ("https://shop.example",)
    (said,) = page.of_class("swatches")
    assert "#ffcc00 cannot be read here: its contrast is 1.3 : 1" in said.text
    assert "#806600" in said.text
    assert page.by_id("origins").text.strip() == "https://shop.example"


def test_a_mistake_stands_at_the_heads_of_page_and_field_and_what_was_typed_stays(desk: Desk, owner: Member) -> None:
    page = owner.submit(HOME, PAGES | {"origins": "shop.example", "action_colour": "green"})
    assert page.status == 422
    assert [link.get("href") for link in page.of_class("faults")[0].walk() if link.tag == "a"] == [
        "#origins",
        "#action_colour",
    ]
    assert page.by_id("origins").text.strip() == "shop.example"
    assert page.by_id("action_colour").get("value") == "green"
    assert door(desk).origins == ()


def test_a_logo_is_told_by_its_bytes_whatever_its_name_says(desk: Desk, owner: Member) -> None:
    assert put_logo(owner, PNG).status_code == 303
    assert owner.read(HOME).of_class("logo")[0].get("src").startswith("/embed-logo/harbour")
    for wrong in (b"<svg/>", b"", b"x" * 21_000):
        page = Page(put_logo(owner, wrong))
        assert page.faults == []
        assert (page.status, page.by_id("file-fault").tag) == (422, "p")
    assert owner.post(f"{HOME}/logo/remove").status_code == 303
    assert owner.read(HOME).of_class("logo") == []


def test_a_file_larger_than_any_body_is_refused(desk: Desk, owner: Member) -> None:
    assert put_logo(owner, b"x" * 300_000).status_code == 413


def test_where_messages_go_comes_with_the_secret_that_signs_them(desk: Desk, owner: Member) -> None:
    page = owner.submit(f"{HOME}/messages", MESSAGES)
    (first,) = set(SHOWN.findall(page.text))
    page = owner.submit(f"{HOME}/secret")
    (second,) = set(SHOWN.findall(page.text))
    assert second != first
    assert "still signs beside it" in page.text


def test_a_place_for_messages_that_cannot_be_is_said_at_its_field(desk: Desk, owner: Member) -> None:
    page = owner.submit(f"{HOME}/messages", MESSAGES | {"webhook": "http://shop.example", "keep_months": "never"})
    assert page.status == 422
    assert "https://" in page.by_id("webhook-fault").text
    assert "1 to 120" in page.by_id("keep_months-fault").text
    assert page.by_id("webhook").get("value") == "http://shop.example"


@pytest.mark.parametrize("kind", ["website", "server", "test"])
def test_a_key_is_shown_once_and_revoked_by_a_button(desk: Desk, owner: Member, kind: str) -> None:
    page = owner.submit(f"{HOME}/keys", {"kind": kind, "note": "The till"})
    shown = re.search(r"(site|server|test)_[\w-]{43}", page.text)
    assert shown is not None
    with desk.database.reading() as session:
        found = api_keys.of(session, shown[0])
    assert found is not None
    assert (found.dealer, found.kind) == (DEALER, kind)
    again = owner.read(HOME)
    assert shown[0] not in again.text
    assert "The till" in again.text
    assert owner.post(f"{HOME}/keys/{found.digest}/revoke").status_code == 303
    with desk.database.reading() as session:
        assert api_keys.of(session, shown[0]) is None


def test_a_key_for_nothing_is_not_made(desk: Desk, owner: Member) -> None:
    page = owner.submit(f"{HOME}/keys", {"kind": "master"})
    assert page.status == 422
    assert page.of_class("new-key") == []


POSTS = ("", "/messages", "/secret", "/logo/remove", "/keys", "/keys/x/revoke")


def test_an_adviser_sees_how_it_is_set_up_and_changes_nothing(desk: Desk, owner: Member) -> None:
    owner.submit(HOME, PAGES)
    owner.submit(f"{HOME}/messages", MESSAGES)
    adviser = over_https(desk.sign_in("adviser"))
    page = adviser.read(HOME)
    assert "https://shop.example" in page.text
    assert SHOWN.findall(page.text) == []
    assert [form.get("action") for form in page.all("form") if form.get("action").startswith(HOME)] == [HOME]
    for path in POSTS:
        assert adviser.post(f"{HOME}{path}", PAGES | MESSAGES).status_code == 403, path
    assert put_logo(adviser, PNG).status_code == 403
    assert door(desk).look == page_data.Look(DEALER, door(desk).look.version, has_colours=True, has_logo=False)  # type: ignore[union-attr] # set above


def test_the_workshop_has_no_business_there_and_a_stranger_is_asked_to_sign_in(desk: Desk) -> None:
    assert over_https(desk.sign_in("workshop")).get(HOME).status_code == 403
    reply = Member(desk.app, base="https://bows.example").get(HOME)
    assert (reply.status_code, reply.headers["location"][:13]) == (303, "/desk/sign-in")


def test_another_dealers_key_is_not_there_to_be_revoked(desk: Desk) -> None:
    with desk.database.writing() as session:
        key = api_keys.make(session, None, DEALER, "server")
        found = api_keys.of(session, key)
    assert found is not None
    strange = over_https(desk.sign_in("strange owner"))
    assert strange.post(f"{HOME}/keys/{found.digest}/revoke").status_code == 404
    assert DEALER not in strange.read(HOME).text
    with desk.database.reading() as session:
        assert api_keys.of(session, key) is not None


@pytest.mark.parametrize("path", POSTS)
def test_a_form_from_elsewhere_changes_nothing(desk: Desk, owner: Member, path: str) -> None:
    reply = owner.send("POST", f"{HOME}{path}", data=PAGES | MESSAGES | {"csrf": "0" * 64})
    assert reply.status_code == 403
    assert door(desk).origins == ()
