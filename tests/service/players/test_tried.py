"""Bows played here already, in the form and for a walk-in: named by their number, marked, taken out, kept; wrong ones said in plain words."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.questionnaire import tried_fields
from tests.service import desk_shop
from tests.service.client import add_small_range, serving, settings_in
from tests.service.desk_shop import Shop, send
from tests.service.form.test_form_pages import address_of, begun, faults_of
from tests.service.page import Page, Reader

SHOP = "harbour"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Reader, Database]]:
    with serving(settings_in(tmp_path_factory.mktemp("tried"), demo=True, advice_per_minute=0)) as client:
        add_small_range(client.database)
        with client.database.writing() as session:
            session.add(tables.Dealer(slug="quay", name="Quay (invented)", currency="EUR"))
            session.flush()
            of = {"tier": "juniper", "hold": "german", "status": "in_stock"}
            session.add_all(
                [
                    tables.Copy(serial="DB-quay-0", dealer="quay", **of),
                    tables.Copy(serial="DB-shed-0", dealer=None, **of),
                ]
            )
        yield Reader(client.app), client.database


def at_tried(reader: Reader, instrument: str = "double_bass") -> Page:
    """Return the page of bows played already, of a new draft in the shop's form."""
    page = reader.send(
        begun(reader, SHOP), {"instrument": instrument, **({"hold": "german"} if "b" in instrument else {})}
    )
    page = reader.get(f"/form/{address_of(page)}/own-bow")
    assert [e.get("value") for e in page.all("button") if e.get("value") == "tried"] == ["tried"]
    return reader.send(page, {"own_bow": "yes", "own_rating_overall": "4"}, go="tried")


def finished(reader: Reader, page: Page) -> Page:
    """Go on to the end of the form."""
    while not page.address.startswith("/advice/"):
        page = reader.send(page, {})
    return page


def last_answers(database: Database) -> dict[str, object]:
    with database.reading() as session:
        newest = select(tables.Enquiry.answers).order_by(tables.Enquiry.created_at.desc()).limit(1)
        return dict(session.scalars(newest).one())


def test_bows_are_named_marked_added_taken_out_and_kept(served: tuple[Reader, Database]) -> None:
    reader, database = served
    page = at_tried(reader)
    assert (page.h1, "3 of 6" in page.text) == ("Bows you have played here", True)
    # Capitals, blanks and the marks between do not matter.
    marks = {"tried_1_overall": "6", "tried_1_response": "7"}
    page = reader.send(page, {"tried_1_copy": " db juniper 1", **marks}, go="add")
    page = reader.send(page, {"tried_2_copy": "DB-JUNIPER-2", "tried_2_overall": "2"}, go="add")
    assert [e.get("value") for e in page.all("input", name="tried_2_copy")] == ["DB-JUNIPER-2"]
    page = reader.send(page, {"tried_3_copy": "DB–bramble–0", "tried_3_overall": "5"}, go="remove-2")
    assert [e.get("value") for e in page.all("input", name="tried_2_copy")] == ["DB–bramble–0"]
    page = reader.send(page, {})
    assert page.h1 == "What matters to you"
    own = reader.get(f"/form/{address_of(page)}/own-bow")
    assert "DB-juniper-1: 6 of 7, DB-bramble-0: 5 of 7" in own.text
    answer = finished(reader, page)
    assert last_answers(database)["tried"] == [
        {"copy": "DB-juniper-1", "ratings": {"overall": 6, "response": 7}},
        {"copy": "DB-bramble-0", "ratings": {"overall": 5}},
    ]
    assert "two bows played here" in answer.text
    # Changing the answers keeps them.
    again = reader.send(answer, {}, go="change")
    kept = reader.get(f"/form/{address_of(again)}/tried")
    assert [e.get("value") for e in kept.all("input", name="tried_1_copy")] == ["DB-juniper-1"]
    assert [e.get("value") for e in kept.all("input", name="tried_1_overall") if "checked" in e.attributes] == ["6"]
    assert last_answers(database)["tried"]


def test_what_they_are_marked_moves_the_answer(served: tuple[Reader, Database]) -> None:
    reader, database = served

    def best_fit(mark: str | None) -> float:
        named = {"tried_1_copy": "DB-juniper-1", "tried_1_overall": mark} if mark else {}
        finished(reader, reader.send(at_tried(reader), named))
        with database.reading() as session:
            last = session.scalars(select(tables.Enquiry).order_by(tables.Enquiry.created_at.desc())).first()
        assert last is not None
        return max(float(entry["fit"]["expected"]) for entry in last.advice["shortlist"])

    low, none, high = (best_fit(mark) for mark in ("1", None, "7"))
    assert low < none < high


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ("DB-nowhere-9", "There is no bow DB-nowhere-9 in this shop; look at its number again."),
        ("DB-quay-0", "There is no bow DB-quay-0 in this shop; look at its number again."),
        ("VN-birch-0", "The bow VN-birch-0 is for another instrument or hold; take it out."),
        ("", "Give this bow’s number, or take it out."),
        ("\x07", "control characters"),
    ],
)
def test_what_is_no_bow_of_the_shop_is_said_and_nothing_is_lost(
    served: tuple[Reader, Database], serial: str, said: str
) -> None:
    reader, database = served
    with database.reading() as session:
        other = session.scalars(
            select(tables.Copy.serial).join(tables.Tier).where(tables.Tier.instrument != "double_bass")
        ).first()
    if "birch" in serial:
        assert other is not None
        said, serial = said.replace(serial, other), other
    page = at_tried(reader)
    refused = reader.send(page, {"tried_1_copy": serial, "tried_1_overall": "6"})
    assert said in faults_of(refused)["tried_1_copy"]
    assert [e.get("value") for e in refused.all("input", name="tried_1_overall") if "checked" in e.attributes] == ["6"]
    # Nor is it taken at the end, by whatever way that is reached.
    contact = reader.get(f"/form/{address_of(page)}/contact")
    refused = reader.send(contact, {})
    assert faults_of(refused).keys() == {"tried_1_copy"}
    # It can be taken out, as is said.
    assert finished(reader, reader.send(reader.send(refused, {}, go="remove-1"), {})).h1


def test_a_bow_is_marked_once_and_needs_a_mark(served: tuple[Reader, Database]) -> None:
    reader, _database = served
    page = reader.send(at_tried(reader), {"tried_1_copy": "DB-juniper-1", "tried_1_overall": "6"}, go="add")
    refused = reader.send(page, {"tried_2_copy": "db juniper 1", "tried_2_overall": "5"})
    assert faults_of(refused) == {"tried_2_copy": "Bow 2: This bow stands above already; mark it once."}
    refused = reader.send(at_tried(reader), {"tried_1_copy": "DB-shed-0"})
    assert faults_of(refused) == {"tried_1_overall-1": "Bow 1: Say how you like it, from 1 to 7."}


def test_it_is_asked_only_where_there_is_a_shop_and_an_empty_page_is_passed_by(served: tuple[Reader, Database]) -> None:
    reader, database = served
    page = reader.send(begun(reader), {"instrument": "violin"})
    own = reader.get(f"/form/{address_of(page)}/own-bow")
    assert not [e for e in own.all("button") if e.get("value") == "tried"]
    assert reader.get(f"/form/{address_of(page)}/tried").h1 == "The bow you play now"
    passed = reader.send(at_tried(reader), {})
    assert passed.h1 == "What matters to you"
    finished(reader, passed)
    assert "tried" not in last_answers(database)


def test_another_instrument_takes_them_away_and_says_so(served: tuple[Reader, Database]) -> None:
    reader, database = served
    page = reader.send(at_tried(reader), {"tried_1_copy": "DB-juniper-1", "tried_1_overall": "6"})
    page = reader.send(reader.get(f"/form/{address_of(page)}/instrument"), {"instrument": "violin"})
    assert "no longer among your answers" in page.text
    finished(reader, page)
    assert "tried" not in last_answers(database)


def test_as_many_rows_as_the_api_takes_and_no_more() -> None:
    form = {tried_fields.field(row, "copy"): [f"B{row}"] for row in range(1, 40)}
    form |= {tried_fields.field(row, "overall"): ["4"] for row in range(1, 40)}
    assert len(tried_fields.parse(form)[0]) == 20
    assert tried_fields.laid_out(form, blank=True) == {k: v for k, v in form.items() if int(k.split("_")[1]) <= 20}
    assert tried_fields.rows({"tried_x_copy": ["1"], "tried_0_copy": ["1"], "tried_1_colour": ["1"]}) == ()


# At the desk


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


WALK_IN = "/desk/compose?instrument=double_bass+german&budget=4000&minutes=60"


def bow_line(page: Page, serial: str) -> str:
    return next(e.text for e in page.of_class("bow") if serial in e.text)


def test_a_walk_ins_bows_are_named_at_the_desk_and_count(shop: Shop) -> None:
    plain = shop.adviser.read(WALK_IN)
    named = "&tried_1_copy=db+JUNIPER+1&tried_1_overall=7&tried_1_response=6"
    page = shop.adviser.read(WALK_IN + named)
    assert bow_line(page, "DB-juniper-1") != bow_line(plain, "DB-juniper-1")
    # There is room for one more, and what was named stays named.
    assert [e.get("value") for e in page.all("input", name="tried_2_copy")] == [""]
    less = shop.adviser.read(f"{WALK_IN}{named}&tried_2_copy=DB-juniper-0&tried_2_overall=1&drop=1")
    assert [e.get("value") for e in less.all("input", name="tried_1_copy") if e.get("type") == "text"] == [
        "DB-juniper-0"
    ]
    trial = send(shop.adviser, page, "/desk/compose", go="set")
    assert trial.h1.startswith("Trial 1")
    with shop.desk.database.reading() as session:
        (kept,) = session.scalars(select(tables.Composition.answers))
    assert kept["tried"] == [{"copy": "DB-juniper-1", "ratings": {"overall": 7, "response": 6}}]


def test_the_enter_key_takes_no_bow_out(shop: Shop, served: tuple[Reader, Database]) -> None:
    # HTML, 4.10.21.2: the first submit button in tree order is the default button.
    page = shop.adviser.read(f"{WALK_IN}&tried_1_copy=DB-juniper-1&tried_1_overall=7")
    form = next(form for form in page.all("form") if form.get("method") == "get")
    assert next(e for e in form.walk() if e.tag == "button").get("name", "") == ""
    for page in (at_tried(served[0]), reader_at_own_bow(served[0])):
        assert next(e for e in page.all("form")[0].walk() if e.tag == "button").get("value") == "next"


def reader_at_own_bow(reader: Reader) -> Page:
    page = reader.send(begun(reader, SHOP), {"instrument": "violin"})
    return reader.get(f"/form/{address_of(page)}/own-bow")


def test_a_walk_ins_wrong_bow_is_said_beside_its_number(shop: Shop) -> None:
    page = Page(shop.adviser.get(f"{WALK_IN}&tried_1_copy=DB-9&tried_1_overall=7"))
    assert page.status == 422
    assert faults_of(page) == {"tried_1_copy": "Bow 1: There is no bow DB-9 in this shop; look at its number again."}
    assert [e.get("value") for e in page.all("input", name="tried_1_copy")] == ["DB-9"]
