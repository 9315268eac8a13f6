"""A tier's picture at the desk: its copies, those out of character, what a player can be expected to like, what to make next."""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from model.features import bench_traits
from service import tables
from service.bench import tier_gaps, tier_page, tier_picture
from service.bench.liking_map import LikingMap
from service.core.scopes import OneDealer
from tests.service import desk_shop
from tests.service.cast import DEALER, OTHER
from tests.service.desk_shop import Shop

MASSES = [127.0, 128.0, 129.0, 130.0, 131.0, 132.0, 133.0]
PATH = "/desk/tiers/bramble/picture"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with nine measured bows of a tier: one far too heavy, one sold, one another dealer's, one not measured."""
    with desk_shop.opened(tmp_path_factory.mktemp("tier"), _migrated_file) as shop:
        with shop.desk.database.writing() as session:
            for place, mass in enumerate([*MASSES, 150.0]):
                session.add(
                    tables.Copy(
                        serial=f"BR-{place}",
                        tier="bramble",
                        hold="german",
                        dealer=OTHER if place == 1 else DEALER,
                        status="sold" if place == 2 else "on_trial" if place == 3 else "in_stock",
                        mass_g=mass,
                        balance_mm=210.0 + 2.0 * (place % 3),
                    )
                )
            session.add(tables.Copy(serial="BR-bare", tier="bramble", hold="german", dealer=DEALER, status="in_stock"))
            for place, mass in enumerate((140.0, 142.0, 144.0)):
                bow = session.get_one(tables.Copy, f"DB-juniper-{place}")
                bow.mass_g, bow.balance_mm = mass, 205.0 + place
        yield shop


def drawn(source: str) -> str:
    """Return the picture."""
    found = re.search(r'<svg class="picture tier-map".*</figure>', source, re.DOTALL)
    assert found is not None
    return found[0]


def test_copies_stand_where_they_were_measured_and_sold_ones_apart(shop: Shop) -> None:
    source = shop.adviser.get(PATH).text
    shown = drawn(source)
    at = {
        name: (float(x), float(y), kind)
        for x, y, kind, name in re.findall(
            r'<svg x="([\d.]+)%" y="([\d.]+)" overflow="visible" class="copy (\w+)"><title>([^<]+)', shown
        )
    }
    # The other dealer's bow, and those of which nothing was measured, are not there.
    assert set(at) == {f"BR-{place}" for place in (0, 2, 3, 4, 5, 6, 7)}
    assert [at[f"BR-{place}"][2] for place in (0, 2, 3)] == ["stock", "sold", "away"]
    assert at["BR-0"][0] < at["BR-4"][0] < at["BR-7"][0]
    assert at["BR-5"][1] < at["BR-4"][1] < at["BR-3"][1]  # 214, 212 and 210 mm: higher is more
    assert shown.count('class="ring"') == 1
    page = shop.adviser.read(PATH)
    text = page.root.text.replace("\u00a0", " ")
    assert "BR-7 Mass 150.0 g, 19.5 g above the model’s middle" in " ".join(text.split())
    # The median of eight, the other dealer's with them, and 127 to 150 g.
    assert "130.5 g" in text
    assert "Not drawn, since one of the two was not measured: five bows." in text
    rows = [row.text.split() for row in page.all("tr")]
    assert next(row for row in rows if row[:1] == ["BR-2"])[1] == "sold"
    assert not [row for row in rows if row[:1] == ["BR-1"]]
    # Tiers at 130.5 and 142 g with copies 2 or 3 g apart, the one odd bow of 150 g aside.
    spread = next(row for row in page.all("tr") if "In words" not in row.text and row.text.split()[:2] == ["Mass", "8"])
    assert spread.text.replace("\u00a0", " ").split("± ")[1].startswith("3.0 g")  # 2.0 g from the median, 1.4826 of it


def test_any_two_quantities_may_be_chosen_and_what_cannot_be_shown_is_passed_over(shop: Shop) -> None:
    turned = shop.adviser.read(f"{PATH}?across=balance_mm&up=mass_g")
    assert [option.get("value") for option in turned.all("option") if "selected" in option.attributes] == [
        *("balance_mm", "mass_g")
    ]
    for odd in ("across=taste&up=mass_g", "across=mass_g&up=mass_g", "across=loss_factor"):
        page = shop.adviser.read(f"{PATH}?{odd}")
        assert [o.get("value") for o in page.all("option") if "selected" in o.attributes] == ["mass_g", "balance_mm"]
    assert "There is no picture yet" in shop.adviser.read("/desk/tiers/linnet/picture").root.text
    assert shop.adviser.get("/desk/tiers/nothing/picture").status_code == 404


def rated(marks: dict[str, int]) -> list[dict[str, object]]:
    return [{"copy": serial, "ratings": {"overall": mark}} for serial, mark in marks.items()]


def test_the_region_lies_where_a_player_who_likes_heavy_bows_can_be_expected_to(shop: Shop) -> None:
    heavy = {"BR-6": 7, "BR-5": 7, "BR-4": 6, "BR-0": 1, "BR-2": 2}
    enquiry = shop.enquire(tried=rated(heavy))
    source = shop.adviser.get(f"{PATH}?enquiry={enquiry}").text
    bars = [
        (float(x), float(width))
        for x, width in re.findall(r'<rect x="([\d.]+)%" y="[\d.]+" width="([\d.]+)%" h', source)
    ]
    middle = sum((x + width / 2) * width for x, width in bars) / sum(width for _x, width in bars)
    assert middle > 60.0
    assert "Expected to be liked better: heavier" in source
    # The other way round, for who marked them the other way round.
    enquiry = shop.enquire(tried=rated({serial: 8 - mark for serial, mark in heavy.items()}))
    assert "Expected to be liked better: lighter" in shop.adviser.get(f"{PATH}?enquiry={enquiry}").text


def test_the_picture_for_a_player_is_reached_where_a_seller_stands(shop: Shop) -> None:
    enquiry = shop.enquire(tried=rated({"BR-6": 7, "BR-5": 7, "BR-4": 6, "BR-0": 1, "BR-2": 2}))
    key = shop.compose(enquiry=enquiry, copies=["DB-juniper-0"])
    with shop.desk.database.reading() as session:
        player = session.scalars(select(tables.Player.key).join(tables.Trial).where(tables.Trial.key == key)).one()
    of_player = f"{PATH}?player={player}"
    for page, href in (
        (f"/desk/players/{player}", of_player),
        (f"/desk/trials/{key}", of_player.replace("bramble", "juniper")),
        (f"/desk/enquiries/{enquiry}", f"{PATH}?enquiry={enquiry}"),
    ):
        (link,) = [e for e in shop.adviser.read(page).all("a") if e.get("href") == href]
        assert link.text.startswith("See the picture"), page
    shown = shop.adviser.read(of_player)
    assert "Expected to be liked better: heavier" in shown.text
    assert {"player": player} == {
        e.get("name"): e.get("value") for e in shown.all("input") if e.get("name") == "player"
    }
    assert f"/desk/players/{player}" in {e.get("href") for e in shown.all("a")}
    assert shop.adviser.get(f"{PATH}?player=nobody").status_code == 404
    assert shop.desk.sign_in("stranger").get(of_player).status_code == 404
    assert shop.desk.sign_in("workshop").get(of_player).status_code == 404


def test_without_anything_told_no_region_is_drawn_and_it_says_so(shop: Shop) -> None:
    source = shop.adviser.get(f"{PATH}?enquiry={shop.enquire()}").text
    assert "tells no bow of this picture from another" in source
    assert 'class="liked"' not in source
    violin = shop.enquire(instrument="violin", hold=None, tried=[])
    assert "not for the player’s instrument or hold" in shop.adviser.get(f"{PATH}?enquiry={violin}").text
    assert shop.adviser.get(f"{PATH}?enquiry=nobodys").status_code == 404
    assert shop.desk.sign_in("stranger").get(f"{PATH}?enquiry={violin}").status_code == 404
    assert shop.desk.sign_in("workshop").get(f"{PATH}?enquiry={violin}").status_code == 404


def gaps(shop: Shop, dealer: str = DEALER) -> tuple[str, ...]:
    with shop.desk.database.reading() as session:
        scope = OneDealer(dealer)
        picture = tier_picture.read(session, scope, "bramble")
        return tier_page.make_next(tier_gaps.read(session, scope, picture))


def test_a_quantity_that_spreads_by_its_own_size_has_its_picture_all_the_same(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for place in range(8):
            session.get_one(tables.Copy, f"BR-{place}").loss_factor = 0.0005 if place == 0 else 0.009
    enquiry = shop.enquire(tried=rated({"BR-6": 7, "BR-5": 7, "BR-4": 7, "BR-0": 1, "BR-2": 1}))
    for query in ("across=loss_factor&up=mass_g", "across=mass_g&up=loss_factor"):
        assert shop.adviser.get(f"{PATH}?{query}&enquiry={enquiry}").status_code == 200


def test_what_is_expected_is_said_on_the_scale_of_marks(shop: Shop) -> None:
    with shop.desk.database.reading() as session:
        picture = tier_picture.read(session, OneDealer(DEALER), "bramble")
    steps = np.linspace(0.0, 1.0, 9)
    for liking, said in ((6.0 + 1.1 * steps, "From 6 to 7 over"), (0.6 + 1.4 * steps, "From 1 to 2 over")):
        over = LikingMap(steps, steps, np.tile(liking, (9, 1)), 0.8, trials=True)
        assert said in tier_page.liked(replace(picture, liking=over))[0]


def test_what_to_make_next_is_what_was_asked_for_and_stock_lacks(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Too little to say it by" in gaps(shop, OTHER)[0]
    monkeypatch.setattr(tier_gaps, "MOST_ENQUIRIES", 7)  # those of the other tests are older
    for _ in range(5):
        shop.enquire(wishes={"mass": -1, "tone": 0})
    # Whose own bow weighs 150 g is given a lighter one by any bow of the tier.
    shop.enquire(wishes={"mass": -1}, own_bow={"kind": "wood", "mass_g": 150})
    shop.enquire(wishes={"mass": 1})
    with shop.desk.database.writing() as session:
        for place in (0, 1):
            session.get_one(tables.Copy, f"BR-{place}").status = "in_repair"
    said = gaps(shop)[0]
    assert said.startswith(
        "Make next: lighter. Five of seven players who spoke of it wished for that. In stock here, clearly on that side of the model’s mean: 0 of"
    )
    with shop.desk.database.writing() as session:
        for place in (4, 5, 6, 7):
            session.get_one(tables.Copy, f"BR-{place}").mass_g = 127.0
    assert gaps(shop)[0].startswith("Nothing that stock lacks")
    hole = tier_gaps.WishedSide(bench_traits.TRAIT_NAMES[0], -1, 5, 7, there=0, stock=0)
    (alone,) = tier_page.make_next(tier_gaps.TierGaps((hole,), (), 7, 0))
    assert alone.endswith("wished for that. No bow of this model is in stock here.")


def test_marks_tell_a_side_only_where_enough_bows_have_them() -> None:
    traits = {f"{side}{place}": [side] for side in (-1.0, 1.0) for place in range(3)}
    marks = {serial: [5.0, 6.0, 5.0, 6.0] if of[0] > 0 else [3.0, 4.0, 4.0, 3.0] for serial, of in traits.items()}
    arrays = {serial: np.array(of) for serial, of in traits.items()}
    stock = np.array([[-1.0], [-1.0], [-1.0], [1.0]])
    found = tier_gaps.liked_side(0, arrays, marks, stock)
    assert found is not None
    assert (found.side, found.mark, found.other, found.marks, found.there, found.stock) == (1, 5.5, 3.5, 24, 1, 4)
    assert found.is_hole
    few = {serial: given[:2] for serial, given in marks.items()}
    assert tier_gaps.liked_side(0, arrays, few, stock) is None
    alike = {serial: [4.0, 5.0, 4.0, 5.0] for serial in marks}
    assert tier_gaps.liked_side(0, arrays, alike, stock) is None


@pytest.mark.parametrize("bows", [10, 12, 30])
def test_no_side_is_asked_for_where_no_bow_is_better_than_another(bows: int) -> None:
    rng, repeats, said, nothing = np.random.default_rng(bows), 400, 0, np.zeros((0, len(bench_traits.TRAITS)))
    for _ in range(repeats):
        traits = {f"a{place}": of for place, of in enumerate(rng.normal(size=(bows, len(bench_traits.TRAITS))))}
        given = np.clip(np.rint(rng.normal(4.8, 1.2, (bows, 6))), 1, 7)
        marks = {serial: of.tolist() for serial, of in zip(traits, given, strict=True)}
        said += any(tier_gaps.liked_side(at, traits, marks, nothing) for at in range(len(bench_traits.TRAITS)))
    assert said / repeats <= 0.06


def test_a_side_that_is_liked_better_by_far_is_found_among_all_traits() -> None:
    rng, found = np.random.default_rng(4), 0
    for _ in range(50):
        drawn = rng.normal(size=(24, len(bench_traits.TRAITS)))
        traits = {f"a{place}": of for place, of in enumerate(drawn)}
        marks = {
            serial: np.clip(np.rint(rng.normal(4.5 + of[0], 1.0, 6)), 1, 7).tolist() for serial, of in traits.items()
        }
        side = tier_gaps.liked_side(0, traits, marks, drawn[:0])
        found += side is not None and side.side == 1
    assert found >= 45
