"""The desk's page that loads what a tablet saved to a file."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import func, select

from service import tables
from service.devices import tablets
from tests.service import cast, tablet_file, trial_rows
from tests.service.cast import DEALER, Desk, Member
from tests.service.page import Page

ADDRESS = "/desk/tablets/load"
SAVED = "2026-03-02T12:00:00.000Z"


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


def file_of(desk: Desk) -> bytes:
    """Return what a tablet of the dealer saves with one sheet waiting."""
    with desk.database.writing() as session:
        trial_rows.add_dealer(session, DEALER)
        tablet, key = trial_rows.add_tablet(session, DEALER, "By the window")
        trial_rows.add_trial(session, DEALER)
    body = {"revision": 1, "position": 1, "letter": "F", "rater": "player", "ratings": {"overall": 5}}
    waiting = {
        "kind": "sheet",
        "trial": "trial-one",
        "id": "0000-0001",
        "body": body | {"note": None, "rated_at": SAVED},
    }
    return tablet_file.signed(tablets.file_key(key), tablet, SAVED, [waiting])


def send(member: Member, content: bytes, token: str | None = None) -> httpx.Response:
    files = {"file": ("waiting-sheets.json", content, "application/json")}
    return member.send("POST", ADDRESS, data={"csrf": member.csrf if token is None else token}, files=files)


def stored(desk: Desk) -> int:
    with desk.database.reading() as session:
        return session.scalar(select(func.count()).select_from(tables.Sheet)) or 0


def test_an_adviser_loads_a_file_and_is_told_what_came_of_it_however_often(desk: Desk) -> None:
    adviser, content = desk.sign_in("adviser"), file_of(desk)
    for _time in range(2):
        page = Page(send(adviser, content))
        assert "1 sheet of By the window is stored now." in page.text
    assert stored(desk) == 1


def test_an_altered_file_is_refused_in_a_sentence_and_nothing_is_stored(desk: Desk) -> None:
    reply = send(desk.sign_in("adviser"), file_of(desk).replace(b"overall", b"clarity"))
    assert reply.status_code == 422
    assert "something in it was changed" in reply.text
    assert stored(desk) == 0


def test_an_adviser_of_another_dealer_cannot_load_it(desk: Desk) -> None:
    reply = send(desk.sign_in("stranger"), file_of(desk))
    assert reply.status_code == 422
    assert "never enrolled here" in reply.text
    assert stored(desk) == 0


def test_without_a_file_the_page_asks_for_one(desk: Desk) -> None:
    reply = desk.sign_in("adviser").post(ADDRESS)
    assert reply.status_code == 422
    assert "Choose the file first" in reply.text


def test_who_is_not_signed_in_or_has_no_token_loads_nothing(desk: Desk) -> None:
    content = file_of(desk)
    assert send(desk.nobody(), content, "x").status_code == 303
    assert send(desk.sign_in("workshop"), content).status_code == 403
    assert send(desk.sign_in("adviser"), content, "0" * 64).status_code == 403
    assert stored(desk) == 0


def test_the_page_keeps_the_rules_of_every_page(desk: Desk) -> None:
    assert desk.sign_in("adviser").read(ADDRESS).h1
