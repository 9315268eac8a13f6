"""The one search field: whatever is wanted is found by what is typed or scanned, within what one may see, whatever is typed."""

import datetime as dt
import logging
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.tables.folding import fold
from tests.service import desk_shop
from tests.service.cast import OTHER, Desk, Member
from tests.service.client import add_small_range, serving, settings_in
from tests.service.desk_shop import CLARA, Shop
from tests.service.page import Page

MUELLER = {
    "name": "Jörg Müller-Łaski (invented)",
    "email": "Joerg.M@bows.example",
    "phone": "+43 (0)664 123 45 67",
    "consent": {"advice": True, "mail": True},
}


@pytest.fixture
def shop(any_database: Database, tmp_path: Path) -> Iterator[Shop]:
    """Give the desk of a small invented shop on each kind of database."""
    address = any_database.url.render_as_string(hide_password=False)
    with serving(settings_in(tmp_path, database_url=address)) as client:
        add_small_range(client.database)
        desk = Desk(client)
        yield Shop(desk, desk.sign_in("adviser"))


@pytest.fixture
def small(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def find(member: Member, text: str) -> str:
    """Return where a text leads, empty where it leads to a page of the search itself."""
    reply = member.get(f"/desk/find?q={quote(text, safe='')}")
    assert reply.status_code in (200, 303), text
    return str(reply.headers.get("location", ""))


def listed(member: Member, text: str) -> list[str]:
    """Return where the lines of a search's page lead."""
    page = member.read(f"/desk/find?q={quote(text, safe='')}")
    return [e.get("href") for section in page.all("section") for e in section.walk() if e.tag == "a"]


def number_of(shop: Shop, enquiry: str) -> str:
    with shop.desk.database.reading() as session:
        return str(session.get_one(tables.Enquiry, enquiry).number)


def test_whatever_stands_on_a_paper_or_is_said_leads_straight_to_its_page(shop: Shop) -> None:
    enquiry, trial = shop.enquire(MUELLER), shop.compose()
    with shop.desk.database.reading() as session:
        answer = session.get_one(tables.Enquiry, enquiry).address
        player = session.scalars(select(tables.Player.key)).one()
    number, page = number_of(shop, enquiry), f"/desk/enquiries/{enquiry}"
    wanted = {
        number: page,
        f"{number[:4].lower()} {number[4:].lower()}": page,
        f"http://bows.example/advice/{answer}": page,
        f"http://bows.example/desk/find?q={number}": page,
        "Jörg Müller-Łaski (invented)": page,
        "muller": page,
        "MUELLER jörg": page,
        "laski": page,
        "joerg.m@BOWS.example": page,
        "0664 1234567": page,
        "+43 664 / 123 45 67": page,
        "4567": page,
        "DB-bramble-0": "/desk/stock/DB-bramble-0",
        "db bramble 0": "/desk/stock/DB-bramble-0",
        "https://bows.example/desk/stock/DB-bramble-0": "/desk/stock/DB-bramble-0",
        "1": f"/desk/trials/{trial}",
        "Trial 1": f"/desk/trials/{trial}",
        trial: f"/desk/trials/{trial}",
        f"https://bows.example/desk/trials/{trial}": f"/desk/trials/{trial}",
        player: f"/desk/players/{player}",
    }
    assert {text: find(shop.adviser, text) for text in wanted} == wanted
    german = shop.adviser.send("GET", "/desk/find?q=1&lang=de")
    assert german.headers["location"] == f"/desk/trials/{trial}"


def test_several_are_one_list_by_kind_and_who_asked_is_found_once_known_as_a_player(shop: Shop) -> None:
    first, second = shop.enquire(CLARA), shop.enquire({**CLARA, "name": "Clara Bergmann (invented)"})
    assert listed(shop.adviser, "clara") == [f"/desk/enquiries/{id_}" for id_ in (second, first)]
    assert find(shop.adviser, "clara b") == f"/desk/enquiries/{second}"
    shop.compose(enquiry=first)
    with shop.desk.database.reading() as session:
        player = session.get_one(tables.Enquiry, first).player
        key = session.get_one(tables.Player, player).key
    assert listed(shop.adviser, "clara") == [f"/desk/players/{key}", f"/desk/enquiries/{second}"]
    assert find(shop.adviser, "Clara Ahrens (invented)") == f"/desk/players/{key}"
    page = shop.adviser.read("/desk/find?q=db")
    assert len(listed(shop.adviser, "DB-b")) == 4
    assert [e.text.strip() for e in page.all("h2")] == ["Bows"]


def test_what_is_typed_steers_nothing_and_is_answered_in_words(small: Shop) -> None:
    small.enquire(MUELLER)
    small.compose()
    nothing = (
        "%",
        "_",
        "%%%",
        "\\",
        "'",
        '"; drop table players; --',
        "🎻",
        "\u200f\u202e",
        "*",
        "a" * 10_000,
        "x",
    )
    for text in (*nothing, "zebra", "nobody@bows.example", "99999", "²", "٣", "DB-bramble-77"):
        page = small.adviser.read(f"/desk/find?q={quote(text, safe='')}")
        assert page.status == 200, text[:20]
        assert page.all("section") == [], text[:20]
        assert "What can be looked for" in page.text
    assert "drop table players" in small.adviser.read("/desk/find?q=%3Cb%3Edrop%20table%20players").text
    assert "longer than any name" in small.adviser.read(f"/desk/find?q={'a' * 300}").text
    assert "no letter and no digit" in small.adviser.read("/desk/find?q=%F0%9F%8E%BB").text
    assert find(small.adviser, "%mu_") != ""
    # Marks of direction that a copied name brings along are no part of it (Unicode, category Cf).
    assert find(small.adviser, "\u200f muller\u0007 ") != ""
    assert "NUL" in small.adviser.get("/desk/find?q=mu%00ller").text
    assert small.adviser.read("/desk/find").status == small.adviser.read("/desk/find?q=%20%20").status == 200


def test_nobody_finds_what_they_may_not_see(small: Shop) -> None:
    # OWASP ASVS 5.0, 8.2.2 and 8.2.3: by what is searched for no more is reached than by what is listed.
    enquiry, trial, desk = small.enquire(MUELLER), small.compose(), small.desk
    with desk.database.writing() as session:
        nobodys = tables.Enquiry(
            id="n",
            address="n",
            created_at=dt.datetime.now(dt.UTC),
            language="en",
            answers={"instrument": "cello"},
            told={},
            contact=MUELLER,
        )
        session.add(nobodys)
    texts = (number_of(small, enquiry), "muller", "4567", "1", trial, f"/desk/enquiries/{enquiry}", "/desk/enquiries/n")
    bow = "DB-bramble-0"
    for name, sees in (("stranger", ()), ("strange owner", ()), ("workshop", (bow,))):
        member = desk.sign_in(name, acts_for=OTHER)
        assert {text: (find(member, text), listed(member, text)) for text in texts} == dict.fromkeys(texts, ("", [])), (
            name
        )
        assert find(member, bow) == (f"/desk/stock/{bow}" if sees else "")
    assert "Searched: bows." in desk.sign_in("workshop").read("/desk/find?q=muller").text
    # What is no dealer's yet is for those who may act for any.
    assert find(small.adviser, "muller") == f"/desk/enquiries/{enquiry}"
    assert sorted(listed(desk.sign_in("owner"), "muller")) == sorted(
        [f"/desk/enquiries/{enquiry}", "/desk/enquiries/n"]
    )


def test_who_is_erased_is_found_no_more_and_who_is_renamed_under_the_new_name_alone(small: Shop) -> None:
    small.enquire(MUELLER)
    small.compose(enquiry=small.enquire(CLARA))
    with small.desk.database.writing() as session:
        row = session.scalars(select(tables.Contact)).one()
        row.name = "Clara Novák (invented)"
    assert find(small.adviser, "ahrens") == ""
    assert find(small.adviser, "novak") != ""
    page = small.adviser.read("/desk/find?q=muller")
    assert page.address.startswith("/desk/enquiries/")
    assert small.adviser.post(f"{page.address}/erase", {"reason": "asked"}).status_code == 303
    assert (find(small.adviser, "muller"), listed(small.adviser, "muller")) == ("", [])
    with small.desk.database.reading() as session:
        left = session.scalars(select(tables.SearchWord.word)).all()
    assert [word for word in left if "mul" in word or "jorg" in word] == []


def test_what_is_searched_for_is_not_in_the_log(small: Shop, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    find(small.adviser, "Quillfeather")
    written = [record.getMessage() for record in caplog.records if record.name != "httpx"]  # the test's own browser
    assert [line for line in written if "uillfeather" in line] == []


def test_every_page_of_the_desk_has_the_field(small: Shop) -> None:
    for path in ("/desk", "/desk/stock", "/desk/players", "/desk/account", "/desk/find?q=zebra"):
        page: Page = small.adviser.read(path)
        (field,) = [form for form in page.all("form") if form.get("action") == "/desk/find"]
        assert (field.get("method"), field.get("role")) == ("get", "search"), path


@pytest.mark.parametrize(
    ("written", "typed"),
    [("Müller", "mueller"), ("Mueller", "müller"), ("Øyvind", "oyvind"), ("Strauß", "STRAUSS"), ("Đorđe", "dorde")],
)
def test_one_name_has_one_spelling_when_it_is_looked_for(written: str, typed: str) -> None:
    assert fold(written) == fold(typed)
    # What a name begins with is found by what its spelling begins with, at each letter that is typed.
    assert all(fold(typed).startswith(fold(typed[:end])) for end in range(len(typed)))
