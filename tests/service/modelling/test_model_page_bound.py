"""The model's page for those who are bound to a dealer: what was learnt of all, and by name the bows of that dealer only."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import update

from service import tables
from service.modelling import fits
from tests import factories
from tests.service import cast, desk_world
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.desk_world import PEOPLE
from tests.service.page import Page

BOWS = re.compile(r"VN-\d+|DB-[a-z]+-\d+|V-linnet-\d+")
HERE, THERE = {"VN-1", "VN-2", "VN-3"}, {"VN-4"}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Desk]:
    """The desk with a fitted model: three bows at one dealer, one at another, one at the workshop."""
    folder = tmp_path_factory.mktemp("desk")
    with cast.opened(folder, _migrated_file) as opened:
        desk_world.World(opened)
        factories.load(opened.database, folder / "given", factories.history(6, 5))
        with opened.database.writing() as session:
            for dealer, serials in ((DEALER, HERE), (OTHER, THERE), (None, {"VN-5"})):
                session.execute(update(tables.Copy).where(tables.Copy.serial.in_(serials)).values(dealer=dealer))
        fits.fit(opened.database)
        yield opened


def named(desk: Desk, name: str) -> set[str]:
    reply = desk.sign_in(name).get("/desk/model")
    assert reply.status_code == 200
    return {serial for serial in BOWS.findall(reply.text) if serial.startswith("VN-")}


def test_the_free_ones_see_every_bow(desk: Desk) -> None:
    assert named(desk, "workshop") == named(desk, "owner") >= {*HERE, *THERE, "VN-5"}


@pytest.mark.parametrize("name", ["bound workshop", "bound owner", "strange workshop", "strange owner"])
def test_the_bound_ones_see_the_bows_of_their_dealer_by_name_and_no_other(desk: Desk, name: str) -> None:
    assert named(desk, name) == (HERE if PEOPLE[name][1] == DEALER else THERE)
    page = Page(desk.sign_in(name).get("/desk/model"))
    assert page.faults == Page(desk.sign_in("workshop").get("/desk/model")).faults
    dealer = "Harbour Strings (invented)" if PEOPLE[name][1] == DEALER else "Hill Strings (invented)"
    assert f"Only the bows of {dealer} are shown one by one." in page.text
    assert ("Of these bows only VN-4 has been rated" in page.text) == (PEOPLE[name][1] == OTHER)
    assert "6\u00a0players" in page.text or "6 players" in page.text
