"""The framed form: the same pages under another address, framed by the dealer's own origins alone, without any cookie."""

import re
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.app import create_app
from service.core.database import Database
from service.dealers import origins, site
from tests.service.client import BROWSER, Client, add_small_range, serving, settings_in
from tests.service.page import Foreign, Page, Reader

SHOP, OTHER = "https://shop.example", "https://www.shop.example"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("embedding"), advice_per_minute=0)) as client:
        add_small_range(client.database)
        with client.database.writing() as session:
            site.set_pages(session, None, "harbour", f"{SHOP} {OTHER}", "#1d5b4f", "")
        yield client


@pytest.fixture
def prefix() -> str:
    return f"/embed/harbour/{origins.ident(SHOP)}/de-light"


def ancestors(reply: httpx.Response) -> str:
    """Return who may frame an answer."""
    found = re.search("frame-ancestors ([^;]*)", reply.headers["content-security-policy"])
    assert found is not None
    return found[1]


def enter(client: Client, origin: str, dealer: str = "harbour", **more: str) -> httpx.Response:
    return client.send("GET", f"/embed/{dealer}", params={"from": origin, **more}, headers=BROWSER)


def test_the_way_in_names_the_origin_the_language_and_the_scheme(client: Client, prefix: str) -> None:
    assert enter(client, SHOP, lang="de", scheme="light").headers["location"] == f"{prefix}/"
    there = enter(client, OTHER, lang="xx", scheme="any").headers["location"]
    assert there == f"/embed/harbour/{origins.ident(OTHER)}/any-light/"


def test_a_framed_page_may_be_framed_by_every_origin_of_the_dealer_and_tells_its_height_to_one(
    client: Client, prefix: str
) -> None:
    reply = client.get(f"{prefix}/", headers=BROWSER)
    assert ancestors(reply) == f"{SHOP} {OTHER}"
    (teller,) = [script for script in Page(reply).all("script") if "embedded" in script.get("src")]
    assert teller.get("data-parent") == SHOP


@pytest.mark.parametrize("path", ["/", "/?dealer=harbour", "/healthz", "/desk/sign-in", "/static/style.css"])
def test_every_other_page_may_be_framed_by_nobody(client: Client, path: str) -> None:
    assert ancestors(client.get(path, headers=BROWSER)) == "'none'"


@pytest.mark.parametrize(
    ("dealer", "origin", "status"),
    [
        ("harbour", "https://evil.example", 403),
        ("harbour", f"{SHOP}.evil.example", 403),
        ("harbour", f"{SHOP} https://evil.example", 403),
        ("harbour", "null", 403),
        ("harbour", "", 403),
        ("nobody", SHOP, 404),
    ],
)
def test_a_stranger_gets_a_page_that_cannot_be_framed_and_a_link_to_the_form(
    client: Client, dealer: str, origin: str, status: int
) -> None:
    reply = enter(client, origin, dealer)
    assert (reply.status_code, ancestors(reply)) == (status, "'none'")
    (way,) = Page(reply).of_class("go")
    assert way.get("href") == ("/?dealer=harbour" if status == 403 else "/")
    assert Page(reply).faults == []


def test_a_name_in_the_address_stays_text(client: Client) -> None:
    assert "<script>" not in enter(client, "<script>alert(1)</script>").text


@pytest.mark.parametrize(
    "inner", ["desk", "desk/sign-in", "api/v1/advice", "static/style.css", "tablet", "play/x", "x"]
)
def test_only_the_players_pages_can_be_framed(client: Client, prefix: str, inner: str) -> None:
    reply = client.get(f"{prefix}/{inner}", headers=BROWSER)
    assert (reply.status_code, ancestors(reply)) == (403, "'none'")


@pytest.mark.parametrize("place", ["0123456789ab/de-light", "x/de-light", "preview/xx-light", "preview/de-dark"])
def test_an_address_that_names_no_origin_or_language_is_closed(client: Client, place: str) -> None:
    reply = client.get(f"/embed/harbour/{place}/", headers=BROWSER)
    assert (reply.status_code, ancestors(reply)) == (403, "'none'")


def test_an_origin_taken_from_the_list_is_closed_at_once(client: Client) -> None:
    gone = "https://old.example"
    with client.database.writing() as session:
        site.set_pages(session, None, "harbour", f"{SHOP} {OTHER} {gone}", "#1d5b4f", "")
    there = enter(client, gone).headers["location"]
    assert client.get(there, headers=BROWSER).status_code == 200
    with client.database.writing() as session:
        site.set_pages(session, None, "harbour", f"{SHOP} {OTHER}", "#1d5b4f", "")
    assert client.get(there, headers=BROWSER).status_code == 403


def walk(reader: Reader, first: str) -> list[Page]:
    """Go from the first page to the answer and return every page."""
    pages = [reader.get(first)]
    pages.append(reader.send(pages[-1]))
    pages.append(reader.send(pages[-1], {"instrument": "violin"}))
    while "/advice/" not in pages[-1].address:
        pages.append(reader.send(pages[-1]))
    return pages


def test_the_form_leads_to_an_answer_without_a_cookie_and_never_leaves_its_frame(client: Client, prefix: str) -> None:
    before = client.count()
    pages = walk(Foreign(client.app), f"{prefix}/")
    assert len(pages) == 8
    for page in pages:
        assert page.address.startswith(f"{prefix}/")
        assert page.headers["content-security-policy"].endswith(f"frame-ancestors {SHOP} {OTHER}")
        assert "set-cookie" not in page.headers
        assert page.all("html")[0].get("lang") == "de"
        assert all(form.get("action").startswith(f"{prefix}/") for form in page.all("form"))
    assert client.count() == before + 1
    (kept,) = [row for row in client.enquiries() if row.address in pages[-1].address]
    assert (kept.dealer, kept.language) == ("harbour", "de")


def test_the_answer_can_be_opened_in_a_window_of_its_own(client: Client, prefix: str) -> None:
    answer = walk(Foreign(client.app), f"{prefix}/")[-1]
    on_paper, way = [link for link in answer.all("a") if link.get("href").startswith("/advice/")]
    assert (on_paper.get("href"), on_paper.get("target")) == (f"{way.get('href')}/print", "_blank")
    assert way.get("target") == "_blank"
    assert way.get("href") == answer.address.removeprefix(prefix)
    assert ancestors(client.get(way.get("href"), headers=BROWSER)) == "'none'"


def test_another_language_is_chosen_within_the_frame_and_stays(client: Client, prefix: str) -> None:
    reply = client.get(f"{prefix}/?lang=fr", headers=BROWSER)
    there = prefix.replace("/de-", "/fr-")
    assert (reply.status_code, reply.headers["location"]) == (303, f"{there}/")
    assert "set-cookie" not in reply.headers
    assert client.get(f"{there}/", headers=BROWSER).headers["content-language"] == "fr"


def test_the_readers_browser_chooses_where_the_line_names_no_language(client: Client, prefix: str) -> None:
    there = prefix.replace("/de-", "/any-")
    for code in ("it", "fr"):
        reply = client.get(f"{there}/", headers=BROWSER | {"Accept-Language": f"{code};q=0.9"})
        assert reply.headers["content-language"] == code


def test_a_cookie_that_comes_along_counts_for_nothing(client: Client, prefix: str) -> None:
    reply = client.get(f"{prefix}/", headers=BROWSER | {"Cookie": "lang=fr; desk=anything"})
    assert reply.headers["content-language"] == "de"


def test_a_mistake_in_the_frame_is_shown_in_the_frame(client: Client, prefix: str) -> None:
    for path in ("/form/nothing", "/advice/nothing"):
        reply = client.get(f"{prefix}{path}", headers=BROWSER)
        assert (reply.status_code, ancestors(reply)) == (404, f"{SHOP} {OTHER}")
        (way,) = Page(reply).of_class("go")
        assert way.get("href") == f"{prefix}/"


def test_our_own_pages_may_show_the_form_as_the_desk_does(client: Client) -> None:
    there = enter(client, "http://bows.example", scheme="both").headers["location"]
    assert there == "/embed/harbour/preview/any-both/"
    reply = client.get(there, headers=BROWSER)
    assert ancestors(reply) == "'self'"
    assert "data-scheme" not in reply.text


def test_the_loader_may_be_loaded_by_any_page_and_nothing_else_may(client: Client) -> None:
    # Fetch, 'cross-origin resource policy check'.
    assert client.get("/static/embed.js").headers["cross-origin-resource-policy"] == "cross-origin"
    for path in ("/static/embedded.js", "/static/style.css", "/embed-look/harbour.css", "/"):
        assert client.get(path).headers["cross-origin-resource-policy"] == "same-origin"


def test_after_an_answer_the_next_request_stands_by_itself(client: Client, prefix: str) -> None:
    client.get(f"{prefix}/", headers=BROWSER)
    assert 'action="/form"' in client.get("/", headers=BROWSER).text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/?dealer=%00", 400),
        ("/embed/%00?from=x", 400),
        ("/embed/harbour?from=%00", 400),
        ("/embed/%00/0123456789ab/de-light/", 400),
        ("/embed-look/%00.css", 400),
        ("/embed-logo/%00", 400),
        ("/form/%00/work", 400),
        ("/advice/%00", 400),
    ],
)
def test_an_address_with_nul_is_refused_on_either_database(
    any_database: Database, tmp_path: Path, path: str, status: int
) -> None:
    add_small_range(any_database)
    app = create_app(settings_in(tmp_path, database_url=any_database.url.render_as_string(hide_password=False)))
    assert Client(app).get(path, headers=BROWSER).status_code == status
    app.state.database.close()
