"""What is to be minded at the bench stands at the bench, and on nothing that a player is shown, sent or handed."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from tests.service import desk_shop
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS

AT_THE_BENCH = ("eye protection", "Dust of", "dust of", "workplace rules")


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def at_the_bench(text: str) -> list[str]:
    return [word for word in AT_THE_BENCH if word in text]


def test_the_workshop_reads_it_beside_the_bench_record(shop: Shop) -> None:
    for name in ("workshop", "owner"):
        section = shop.desk.sign_in(name).read(f"/desk/stock/{BOWS[0]}").by_id("bench-title").within("section")
        assert section is not None
        assert "eye protection" in section.text
        assert "Dust of carbon fibre" in section.text


def test_no_page_of_a_players_holds_it(shop: Shop) -> None:
    id_ = shop.enquire()
    with shop.desk.database.reading() as session:
        answer = session.get_one(tables.Enquiry, id_).address
    page = Page(shop.desk.nobody().get(f"/advice/{answer}"))
    assert "never bend a stick by hand" in page.text
    assert at_the_bench(page.text) == []
    assert at_the_bench(shop.adviser.read(f"/desk/trials/{shop.compose()}/print/sheet").text) == []
