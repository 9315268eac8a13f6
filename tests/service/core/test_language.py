"""Languages: which one is spoken to whom, and how each writes its numbers, money and dates."""

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service import tables
from service.core import formats, language
from tests.service.client import BROWSER, Client, add_small_range, serving, settings_in
from tests.service.page import Foreign, Page, Reader


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    with serving(settings_in(tmp_path)) as opened:
        yield opened


def spoken_to(client: Client, path: str = "/", **headers: str) -> str:
    return client.get(path, headers={name.replace("_", "-"): value for name, value in headers.items()}).headers[
        "Content-Language"
    ]


@pytest.mark.parametrize(
    ("accepted", "expected"),
    [
        # The examples of RFC 9110, 12.5.4 ("da, en-gb;q=0.8, en;q=0.7") and of MDN's page on the header.
        ("da, en-gb;q=0.8, en;q=0.7", "en"),
        ("fr-CH, fr;q=0.9, en;q=0.8, de;q=0.7, *;q=0.5", "fr"),
        ("de-AT", "de"),
        ("en;q=0.1, it;q=0.9", "it"),
        ("de;q=0, it;q=0.1", "it"),
        ("*", None),
        ("", None),
        ("tlh", None),
        ("de;q=x, fr", "fr"),
    ],
)
def test_the_browser_says_which_language_its_reader_likes_best(accepted: str, expected: str | None) -> None:
    assert language.preferred(accepted) == expected


def test_the_readers_choice_comes_before_the_browsers_and_is_kept(client: Client) -> None:
    assert spoken_to(client) == "en"
    assert spoken_to(client, accept_language="it") == "it"
    assert spoken_to(client, "/?lang=de", accept_language="it") == "de"
    chosen = client.get("/?lang=de").headers["Set-Cookie"]
    assert chosen.startswith("lang=de;")
    assert spoken_to(client, accept_language="it", cookie="other=1; lang=fr") == "fr"


def test_a_language_that_is_not_spoken_here_changes_nothing(client: Client) -> None:
    answer = client.get("/?lang=xx", headers={"Accept-Language": "fr"})
    assert answer.headers["Content-Language"] == "fr"
    assert "Set-Cookie" not in answer.headers
    assert spoken_to(client, cookie="lang=../../etc") == "en"


def test_the_dealers_language_stands_in_where_the_reader_asked_for_none() -> None:
    language.speak(None)
    language.stand_in("it-CH")
    assert language.spoken() == "it"
    language.speak("fr")
    language.stand_in("it")
    assert language.spoken() == "fr"
    language.speak(None)


# Expected values: Unicode CLDR 48 as shown on its charts for numbers and dates of de, fr and it; the house's own for English.
@pytest.mark.parametrize(
    ("code", "number", "money", "share", "day"),
    [
        ("en", "1,234.5", "€2,450", "82\u00a0%", "24 November 2026"),
        ("de", "1.234,5", "2.450\u00a0€", "82\u00a0%", "24. November 2026"),
        ("fr", "1\u202f234,5", "2\u202f450\u00a0€", "82\u00a0%", "24 novembre 2026"),
        ("it", "1.234,5", "2.450\u00a0€", "82%", "24 novembre 2026"),
    ],
)
def test_each_language_has_its_own_numbers_money_and_dates(
    code: str, number: str, money: str, share: str, day: str
) -> None:
    with language.using(code):
        assert formats.number(1234.5) == number
        assert formats.money(Decimal(2450), "EUR") == money
        assert formats.percent(0.82) == share
        assert formats.day(dt.date(2026, 11, 24)) == day


def test_whole_amounts_and_measures_lose_their_decimals_in_every_language() -> None:
    with language.using("de"):
        assert formats.money(Decimal("1249.50"), "CHF") == "1.249,50\u00a0CHF"
        assert formats.grams(134) == "134\u00a0g"
        assert formats.grams(60.5) == "60,5\u00a0g"


def test_a_page_says_which_language_it_is_in(client: Client) -> None:
    assert '<html lang="de">' in client.get("/?lang=de").text


def switch(page: Page) -> dict[str, str]:
    """Return where the page is in every other language, by code."""
    (nav,) = page.of_class("languages")
    return {link.get("hreflang"): link.get("href") for link in nav.walk() if link.tag == "a"}


def test_every_page_of_the_player_offers_itself_in_every_language(client: Client) -> None:
    add_small_range(client.database)
    reader = Reader(client.app)
    for page in (reader.get("/?dealer=harbour"), reader.send(reader.get("/")), reader.get("/nothing")):
        assert set(switch(page)) == {"de", "fr", "it"}
        for code, there in switch(page).items():
            assert spoken_to(client, there, accept="text/html") == code
    assert switch(reader.get("/?dealer=harbour"))["de"] == "/?dealer=harbour&lang=de"


@pytest.mark.parametrize("path", ["//evil.example/x", "///evil.example", "/\\\\evil.example"])
def test_no_language_leads_to_another_host(client: Client, path: str) -> None:
    for there in switch(Page(client.get(f"http://bows.example{path}", headers=BROWSER))).values():
        assert urlsplit(there).netloc == ""
        assert there.startswith("/")


def test_a_choice_is_kept_from_step_to_step_without_any_cookie(client: Client) -> None:
    # The reader of these tests keeps no cookie, and its browser asks for English.
    add_small_range(client.database)
    reader = Foreign(client.app)
    page = reader.send(reader.get("/?lang=fr"))
    assert page.headers["content-language"] == "fr"
    page = reader.get(page.address + "?lang=it")
    page = reader.send(page, {"instrument": "violin"})
    while "/advice/" not in page.address:
        assert page.headers["content-language"] == "it"
        page = reader.send(page)
    assert page.headers["content-language"] == "it"
    assert [row.language for row in client.enquiries()] == ["it"]
    assert reader.send(page, go="change").headers["content-language"] == "it"


def test_the_dealers_language_stands_in_where_nothing_is_known_of_the_reader(client: Client) -> None:
    with client.database.writing() as session:
        session.add(tables.Dealer(slug="hof", name="Hof (invented)", language="de"))
    reader = Foreign(client.app)
    page = reader.get("/?dealer=hof")
    assert page.headers["content-language"] == "de"
    assert reader.send(page).headers["content-language"] == "de"
    assert spoken_to(client, "/?dealer=hof", accept_language="fr") == "fr"
    assert spoken_to(client, "/?dealer=hof", cookie="lang=it") == "it"


def test_the_first_of_a_month_is_an_ordinal_in_french_only() -> None:
    # Lexique des règles typographiques en usage à l'Imprimerie nationale: "1er janvier", then "2 janvier".
    with language.using("fr"):
        assert formats.day(dt.date(2026, 7, 1)) == "1er juillet 2026"
        assert formats.day(dt.date(2026, 7, 11)) == "11 juillet 2026"
    with language.using("it"):
        assert formats.day(dt.date(2026, 7, 1)) == "1 luglio 2026"
