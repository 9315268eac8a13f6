"""What was recorded by mistake is corrected on a page of its own: stock and history follow, and the mistake is kept on record."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from service.trials import desk_reads
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, form_to, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS

TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def kept(shop: Shop, bow: str = BOWS[0]) -> str:
    """Return a trial that is over, in which a bow is recorded as kept."""
    key = shop.opened()
    for step, fields in (("close", {"sure": "yes"}), ("outcome", {"what": f"kept - {bow}"})):
        assert shop.adviser.post(f"/desk/trials/{key}/{step}", fields).status_code == 303
    return key


def asked(shop: Shop, key: str) -> Page:
    """Follow the trial's own link to where it is corrected."""
    page = shop.adviser.read(f"/desk/trials/{key}")
    link = next(e for e in page.all("a") if e.text == "Correct what was recorded")
    return shop.adviser.read(link.get("href"))


def options(page: Page, name: str) -> dict[str, str]:
    """Return the choices of a select by what is read."""
    select = next(iter(page.all("select", name=name)))
    return {" ".join(e.text.split()): e.get("value") for e in select.walk() if e.tag == "option"}


def recorded(shop: Shop, key: str) -> list[tuple[str, str | None, str | None]]:
    with shop.desk.database.reading() as session:
        rows = desk_reads.trial(session, DEALER, key).outcomes
        return [(str(row.outcome), row.copy, row.reason) for row in rows]


def test_another_bow_was_kept(shop: Shop) -> None:
    key = kept(shop)
    page = asked(shop, key)
    with shop.desk.database.reading() as session:
        letter = next(slot.letter for slot in desk_reads.key_sheet(session, DEALER, key) if slot.copy == BOWS[1])
    # The key is not revealed: no bow is named but the one that stood on the page before.
    assert BOWS[1] not in page.text
    done = send(shop.adviser, page, "/correct", what=options(page, "what")[f"Kept: Bow {letter}"], reason="sound")
    assert "Corrected." in done.text
    assert recorded(shop, key) == [("kept", BOWS[1], "sound")]
    assert [shop.status(bow) for bow in BOWS[:2]] == ["in_stock", "sold"]


def test_nothing_was_kept_after_all_and_the_mistake_stands_in_the_record_with_who_corrected_it(shop: Shop) -> None:
    key = kept(shop)
    page = asked(shop, key)
    send(shop.adviser, page, "/correct", what=options(page, "what")["Nothing kept"], reason="price")
    assert recorded(shop, key) == [("none", None, "price")]
    with shop.desk.database.reading() as session:
        entry = session.query(tables.AuditEntry).filter_by(did="corrected what came of a trial").one()
        assert entry.user == shop.desk.ids["adviser"]
        assert entry.detail["was"] == {"outcome": "kept", "copy": BOWS[0], "reason": None, "on": TODAY.isoformat()}


@pytest.mark.parametrize(
    ("changes", "status", "said"),
    [
        ({"what": ""}, 422, "Choose what came of it."),
        ({"what": "sold"}, 422, "Choose what came of it."),
        ({"what": "none", "on": "soon"}, 422, 'Got "soon"; expected a day, as 2026-11-30.'),
        ({"what": "none", "on": "2020-01-01"}, 422, "This is before the trial"),
        ({"what": "none", "wrong": "kept.2020-01-01.1.X"}, 422, "somebody may have changed them meanwhile"),
        ({"what": "kept letter:Q"}, 409, "There is no bow Q in this trial."),
        ({"what": "kept DB-nowhere"}, 422, "was not in this trial"),
        ({"what": f"returned {BOWS[0]}"}, 409, "cannot have been brought back"),
        ({"what": "none", "reason": "wind"}, 422, "Give one of these reasons"),
    ],
)
def test_what_cannot_be_right_is_refused_with_why_and_nothing_is_lost(
    shop: Shop, changes: dict[str, str], status: int, said: str
) -> None:
    key = kept(shop)
    page = asked(shop, key)
    before = desk_shop.fields_of(form_to(page, "/correct"))
    refused = Page(shop.adviser.send("POST", f"/desk/trials/{key}/correct", data=before | changes))
    assert refused.faults == []
    assert refused.status == status
    assert said in refused.text
    assert recorded(shop, key) == [("kept", BOWS[0], None)]
    assert shop.status(BOWS[0]) == "sold"


def test_a_second_correction_of_the_same_entry_is_told_that_it_changed_meanwhile(shop: Shop) -> None:
    key = kept(shop)
    fields = desk_shop.fields_of(form_to(asked(shop, key), "/correct"))
    assert shop.adviser.send("POST", f"/desk/trials/{key}/correct", data=fields | {"what": "none"}).status_code == 303
    again = shop.adviser.send("POST", f"/desk/trials/{key}/correct", data=fields | {"what": "more_asked"})
    assert again.status_code == 422
    assert recorded(shop, key) == [("none", None, None)]


def test_where_nothing_is_recorded_there_is_nothing_to_correct(shop: Shop) -> None:
    key = shop.opened()
    reply = Page(shop.adviser.get(f"/desk/trials/{key}/correct"))
    assert reply.status == 409
    assert "Nothing is recorded here that could be corrected." in reply.text


def test_another_dealers_adviser_corrects_nothing(shop: Shop) -> None:
    key = kept(shop)
    stranger = shop.desk.sign_in("stranger")
    assert stranger.get(f"/desk/trials/{key}/correct").status_code == 404
    assert stranger.post(f"/desk/trials/{key}/correct", {"what": "none"}).status_code == 404
