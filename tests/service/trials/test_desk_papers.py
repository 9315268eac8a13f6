"""The papers of a trial: every place has its rows, letters tell nothing, the key stands alone, serials are without letters in a parcel."""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from model.domain.vocabulary import LEADING, SCALES, Criterion, Instrument
from service import tables
from service.trials import desk_reads
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop in Germany with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        shop.in_country("DE")
        yield shop


def paper(shop: Shop, key: str, name: str) -> Page:
    return shop.adviser.read(f"/desk/trials/{key}/print/{name}")


def letters_of(shop: Shop, key: str) -> dict[str, str]:
    """Return the serial behind each letter."""
    with shop.desk.database.reading() as session:
        return {slot.letter: slot.copy or "" for slot in desk_reads.key_sheet(session, DEALER, key) if not slot.own}


def test_the_paper_form_has_a_place_for_every_bow_with_a_row_for_every_question(shop: Shop) -> None:
    key = shop.compose(repeat=True)
    page = paper(shop, key, "sheet")
    slots = page.of_class("slot")
    with shop.desk.database.reading() as session:
        order = desk_reads.trial(session, DEALER, key).slots
    assert len(slots) == len(order)
    asked = (Criterion.OVERALL, *LEADING[Instrument.DOUBLE_BASS])
    for slot, place in zip(slots, order, strict=True):
        name = "Your own bow" if place.own else f"Bow {place.letter}"
        assert f"{place.position} of {len(order)} {name}" in slot.text
        rows = [e for e in slot.walk() if e.tag == "tr"][1:]
        assert len(rows) == len(asked)
        for row, criterion in zip(rows, asked, strict=True):
            assert SCALES[criterion].name in row.text
            assert f"1: {SCALES[criterion].low}" in row.text
            assert f"7: {SCALES[criterion].high}" in row.text
            assert len([e for e in row.walk() if "box" in e.get("class").split()]) == 8


def test_the_paper_form_tells_when_to_stop_and_no_serial(shop: Shop) -> None:
    page = paper(shop, shop.compose(), "sheet")
    assert "Stop at the first pain, tingling or numbness" in page.text
    assert "never bend a stick by hand" in page.text
    assert not [serial for serial in BOWS if serial in page.source]


def test_letters_stand_by_the_alphabet_with_a_loop_each(shop: Shop) -> None:
    key = shop.compose(repeat=True)
    page = paper(shop, key, "letters")
    cards = [next(e.text.strip() for e in card.walk() if e.tag == "b") for card in page.of_class("card")]
    assert cards == sorted(letters_of(shop, key))
    assert len(page.of_class("loop")) == len(cards)
    assert all("take the loop off before playing" in loop.text for loop in page.of_class("loop"))
    assert not [serial for serial in BOWS if serial in page.source]


def test_the_key_stands_on_a_page_of_its_own_and_names_the_repeat(shop: Shop) -> None:
    key = shop.compose(repeat=True)
    page = paper(shop, key, "key")
    behind = letters_of(shop, key)
    for letter, serial in behind.items():
        row = next(row for row in page.all("tr") if any(e.text.strip() == letter for e in row.walk() if e.tag == "td"))
        assert serial in row.text
    twice = [letter for letter, serial in behind.items() if list(behind.values()).count(serial) > 1]
    assert len(twice) == 2
    assert "one and the same bow" in page.text
    assert "For the adviser only." in page.text


def worth(shop: Shop, **values: float) -> None:
    """Say what bows are insured for, by serial, and what they are made of."""
    with shop.desk.database.writing() as session:
        for serial, value in zip(BOWS, values.values(), strict=True):
            copy = session.get_one(tables.Copy, serial)
            copy.insured_value, copy.materials = Decimal(str(value)), f"stick of {serial}, ebony frog"


@pytest.mark.parametrize("blinding", ["masked", "blind"])
def test_what_travels_with_a_blind_parcel_tells_letters_and_one_sum(shop: Shop, blinding: str) -> None:
    key = shop.compose(place="post", country="AT", blinding=blinding)
    worth(shop, one=1210, two=2430, three=4777)
    page = paper(shop, key, "parcel")
    assert "8,417" in page.text  # 1210 + 2430 + 4777
    assert not [value for value in ("1,210", "2,430", "4,777") if value in page.text]
    names = [e.text.strip() for e in page.of_class("packing")[0].walk() if e.tag == "th" and e.get("scope") == "row"]
    assert names == [f"Bow {letter}" for letter in sorted(letters_of(shop, key))]
    table = page.of_class("packing")[0].text
    assert not [serial for serial in BOWS if serial in table]
    assert "Listed or unknown material is in three bows." in page.text
    assert "may need permits to cross a border" in page.text
    assert not [name for name in ("Bramble", "Juniper") if name in page.text]
    assert "Austria" in page.text
    assert "The parcel waits until it is confirmed" in page.text
    assert len(page.of_class("line")) == 4
    assert not page.of_class("qr")


def test_no_other_paper_of_a_blind_parcel_tells_a_serial_or_a_value(shop: Shop) -> None:
    key = shop.compose(place="post", country="DE", blinding="masked")
    worth(shop, one=1210, two=2430, three=4777)
    for name in ("sheet", "letters"):
        page = paper(shop, key, name)
        told = [*BOWS, "1,210", "2,430", "4,777", "Bramble", "Juniper", "ebony"]
        assert not [word for word in told if word in page.text]


def test_the_loan_note_for_the_file_lists_serials_and_values_without_letters(shop: Shop) -> None:
    key = shop.compose(place="post", country="AT", blinding="masked")
    worth(shop, one=1210, two=2430, three=4777)
    page = paper(shop, key, "loan")
    table = page.of_class("packing")[0].text
    assert all(word in table for word in (*BOWS, "1,210", "2,430", "4,777"))
    assert not [letter for letter in letters_of(shop, key) if f"Bow {letter}" in page.text]


def test_what_travels_tells_each_bow_once_the_player_may_know(shop: Shop) -> None:
    key = shop.compose(place="post", country="DE", blinding="open")
    worth(shop, one=1210, two=2430, three=4777)
    assert all(serial in paper(shop, key, "parcel").of_class("packing")[0].text for serial in BOWS)


def test_the_link_to_the_players_sheets_travels_with_the_parcel(shop: Shop) -> None:
    key = shop.compose(place="post", country="DE", blinding="masked")
    made = shop.adviser.submit(f"/desk/trials/{key}/seat", {"rater": "player"})
    page = paper(shop, key, "parcel")
    assert page.of_class("address")[0].text.strip() == made.by_id("link-player").get("value")
    assert page.of_class("qr")


@pytest.mark.parametrize("name", ["parcel", "loan", "nothing", "base"])
def test_a_trial_in_the_shop_has_no_such_paper(shop: Shop, name: str) -> None:
    assert shop.adviser.get(f"/desk/trials/{shop.compose()}/print/{name}").status_code == 404


@pytest.mark.parametrize(
    ("changes", "papers"),
    [
        ({}, ["Trial sheet", "Letters and loops", "The key"]),
        (
            {"place": "post", "blinding": "masked", "country": "DE"},
            ["Trial sheet", "Letters and loops", "Packing list and loan note", "Loan note for the file", "The key"],
        ),
    ],
)
def test_all_papers_are_one_document_and_the_key_comes_last_by_itself(
    shop: Shop, changes: dict[str, str], papers: list[str]
) -> None:
    key = shop.compose(**changes)
    page = paper(shop, key, "all")
    assert page.faults == []
    parts = page.of_class("together")
    assert [next(e for e in part.walk() if e.tag == "h2").text.strip() for part in parts] == papers
    for letter, serial in letters_of(shop, key).items():
        told = [name for name, part in zip(papers, parts, strict=True) if serial in part.text and letter in part.text]
        assert "The key" in told
        assert not {"Trial sheet", "Letters and loops", "Packing list and loan note"} & set(told), letter
    links = [e.get("href") for e in shop.adviser.read(f"/desk/trials/{key}").all("a")]
    assert f"/desk/trials/{key}/print/all" in links
