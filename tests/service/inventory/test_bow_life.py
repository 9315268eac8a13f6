"""A bow's page: its marks beside its tier's, those from files too, what lies where among its tier, and nobody's name."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from service.inventory import files
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop
from tests.service.trial_cast import BOWS

RUNS = """trial,player,dealer,date,instrument,hold,position,copy,overall
F-1,p-one,harbour,2024-03-02,double_bass,german,1,L-1,6
F-1,p-one,harbour,2024-03-02,double_bass,german,2,L-2,3
F-2,p-two,,2025-05-05,double_bass,german,1,L-1,4
F-3,p-one,hill,2025-06-01,double_bass,german,1,L-1,1
"""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with two bows whose trials came from files: one its own, one no dealer's, one another's."""
    folder = tmp_path_factory.mktemp("life")
    copies = [f"{serial},bramble,german,{DEALER},in_stock,{mass}" for serial, mass in (("L-1", 133), ("L-2", 140))]
    (folder / "copies.csv").write_text("\n".join(["copy,tier,hold,dealer,status,mass_g", *copies]) + "\n")
    (folder / "runs.csv").write_text(RUNS.replace("harbour", DEALER))
    hair = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=23)
    (folder / "events.csv").write_text(f"copy,date,event\nL-1,{hair},rehaired\nL-1,2024-09-09,repaired\n")
    with desk_shop.opened(folder, _migrated_file) as shop:
        with shop.desk.database.writing() as session:
            assert files.load(session, folder).problems == ()
        yield shop


def rows(shop: Shop, by: str) -> list[list[str]]:
    page = shop.desk.sign_in(by).read("/desk/stock/L-1")
    fold = next(e for e in page.all("details") if e.get("id") == "marks-fold")
    lines = [row for row in fold.walk() if row.tag == "tr"][1:]
    return [[cell.text.strip() for cell in line.walk() if cell.tag in ("th", "td")] for line in lines]


def test_marks_are_those_of_the_own_trials_and_of_no_dealers_and_players_are_numbers(shop: Shop) -> None:
    own = rows(shop, "adviser")
    assert [row[:4] for row in own] == [["2 March 2024", "6", "3.0", "1"], ["5 May 2025", "4", "–", "2"]]
    page = shop.adviser.read("/desk/stock/L-1").text.replace("\u00a0", " ")
    assert "It was rated elsewhere too, in 1 trial." in page
    assert "It was in no trial" not in page
    assert "Rehaired 23 days ago." in page
    everywhere = rows(shop, "workshop")
    assert [(row[1], row[3], row[4]) for row in everywhere] == [("6", "1", "–"), ("4", "2", "–"), ("1", "1", "–")]
    for by in ("adviser", "workshop"):
        assert "p-one" not in str(rows(shop, by))


def test_the_picture_shows_each_mark_higher_where_it_is_better_and_what_was_done(shop: Shop) -> None:
    source = shop.adviser.get("/desk/stock/L-1").text
    drawn = re.search(r'<svg class="picture".*?</svg>', source, re.DOTALL)
    assert drawn is not None
    dots = [(float(x), float(y)) for x, y in re.findall(r'<circle class="mark" cx="([\d.]+)%" cy="([\d.]+)"', drawn[0])]
    assert len(dots) == 2
    assert dots[0][0] < dots[1][0]
    assert dots[0][1] < dots[1][1]
    assert drawn[0].count('class="work"') == 2
    assert "<title" in drawn[0]
    assert "Two marks, 5.0 on average." in drawn[0]


def test_bench_values_lie_among_their_tiers(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for bow in session.query(tables.Copy).filter(tables.Copy.tier == "bramble"):
            bow.mass_g = {"L-1": 133.0, "L-2": 140.0}.get(bow.serial)
        session.get_one(tables.Copy, "DB-bramble-0").mass_g = 130.0
    page = shop.adviser.read("/desk/stock/L-1").text.replace("\u00a0", " ")
    assert "2 of 3 from the lowest" in page
    assert "130 g" in page
    assert "140 g" in page


def test_a_mark_whose_letters_are_not_revealed_is_not_shown(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [7] * 12)
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    assert "No mark can be shown yet" in page.text
    shop.adviser.submit(f"/desk/trials/{key}/reveal")
    text = shop.adviser.read(f"/desk/stock/{BOWS[0]}").text
    assert "No mark can be shown yet" not in text
    assert "7.0" in text


def test_sold_bows_are_listed_with_their_tiers_price_and_leave_the_stock(shop: Shop) -> None:
    shop.adviser.submit("/desk/bows/prices/bramble", {"price": "2345", "currency": "EUR", "seen": "|"})
    shop.adviser.submit("/desk/stock/L-2/status", {"status": "sold"})
    line = next(e for e in shop.adviser.read("/desk/stock?show=sold").of_class("line") if "L-2" in e.text)
    assert "the model’s price: €2,345" in line.text
    assert "L-2" not in shop.adviser.read("/desk/stock").text
