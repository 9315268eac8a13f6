"""Today, enquiries, players and the stock: what waits is said with one action each, and nobody sees another dealer's."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from tests.service import desk_shop
from tests.service.cast import Member
from tests.service.desk_shop import Shop, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS

TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def groups(page: Page) -> dict[str, list[str]]:
    """Return what waits, by the heading it stands under."""
    found: dict[str, list[str]] = {}
    for section in page.all("section"):
        heading = next(e.text.strip() for e in section.walk() if e.tag == "h2")
        found[heading] = [e.text for e in section.walk() if "line" in e.get("class").split()]
    return found


# Today


def test_a_quiet_day_says_so(shop: Shop) -> None:
    assert "Nothing to do." in shop.adviser.read("/desk").text


def test_today_shows_what_waits_each_with_one_action(shop: Shop) -> None:
    shop.enquire()
    shop.opened(copies=[BOWS[0]])
    shop.compose(copies=[BOWS[1]])
    page = shop.adviser.read("/desk")
    waiting = groups(page)
    assert {"New enquiries", "Being played", "Planned for today"} <= set(waiting)
    assert "Clara Ahrens (invented)" in waiting["New enquiries"][0]
    assert "0 of" in waiting["Being played"][0]
    for line in page.of_class("line"):
        assert len([e for e in line.walk() if e.tag == "a"]) == 1


def test_what_is_overdue_stands_first_with_its_days(shop: Shop) -> None:
    key = shop.opened(copies=[BOWS[0]])
    with shop.desk.database.writing() as session:
        trial = session.query(tables.Trial).filter_by(key=key).one()
        composition = session.get_one(tables.Composition, trial.id)
        carried = session.query(tables.TrialCopy).filter_by(trial=trial.id).one()
        for row in (composition, carried):
            row.out_from, row.due_back = TODAY - dt.timedelta(days=9), TODAY - dt.timedelta(days=3)
    waiting = groups(shop.adviser.read("/desk"))
    assert next(iter(waiting)) == "Due back"
    assert "3 days ago" in waiting["Due back"][0]
    assert "One bow" in waiting["Due back"][0]


def test_a_trial_with_an_odd_sheet_is_to_be_looked_at(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6])
    shop.rate(key, [2])
    assert "Sheets to look at" in groups(shop.adviser.read("/desk"))


# Enquiries


def test_an_enquiry_shows_its_advice_in_the_words_that_the_player_read(shop: Shop) -> None:
    id_ = shop.enquire()
    page = shop.adviser.read(f"/desk/enquiries/{id_}")
    link = next(e.get("href") for e in page.all("a") if e.get("href").startswith("/advice/"))
    theirs = Page(shop.desk.nobody().get(link))
    for tier in theirs.of_class("tier"):
        assert tier.text in page.by_id("advice-title").within("section").text  # type: ignore[union-attr]  # it stands in one
    assert "clara@bows.example" in page.text
    assert "yes, we may write" in page.text


def test_an_enquiry_without_a_contact_says_so(shop: Shop) -> None:
    assert "No contact was given" in shop.adviser.read(f"/desk/enquiries/{shop.enquire(contact=None)}").text


def test_a_settled_enquiry_is_new_no_more(shop: Shop) -> None:
    id_ = shop.enquire()
    page = send(shop.adviser, shop.adviser.read(f"/desk/enquiries/{id_}"), "/settle")
    assert page.address == "/desk/enquiries"
    assert not page.of_class("line")
    everything = shop.adviser.read("/desk/enquiries?show=all")
    assert "Settled without a trial" in everything.of_class("line")[0].text


def of_nobody(shop: Shop) -> str:
    """Let a player ask nobody in particular, where two dealers would do."""
    return shop.enquire(dealer=None)


def test_an_enquiry_of_no_dealer_is_nobodys_until_an_owner_takes_it_for_one(shop: Shop) -> None:
    id_ = of_nobody(shop)
    address = f"/desk/enquiries/{id_}"
    stranger, owner = shop.desk.sign_in("stranger"), shop.desk.sign_in("owner")
    for member in (shop.adviser, stranger, shop.desk.sign_in("strange owner")):
        assert member.get(address).status_code == 404
        assert member.post(f"{address}/take").status_code == 404
        assert not member.read("/desk/enquiries?show=nobodys").of_class("line")
        assert "Of no dealer" not in member.read("/desk/enquiries").text
    assert "Enquiries of no dealer" in groups(owner.read("/desk"))
    assert len(owner.read("/desk/enquiries?show=nobodys").of_class("line")) == 1
    page = owner.read(address)
    assert [e.get("action") for e in page.all("form", method="post") if id_ in e.get("action")] == [f"{address}/take"]
    assert "Take it for Harbour Strings (invented)" in page.text
    assert send(owner, page, "/take").address == address
    assert shop.adviser.read(address).h1 == "Clara Ahrens (invented)"
    assert stranger.get(address).status_code == 404
    assert "Of no dealer" in owner.read("/desk/enquiries").text
    assert not owner.read("/desk/enquiries?show=nobodys").of_class("line")


def test_that_an_enquiry_was_taken_is_written_down_once_and_nobody_takes_it_away_again(shop: Shop) -> None:
    address = f"/desk/enquiries/{of_nobody(shop)}"
    owner = shop.desk.sign_in("owner")
    for _again in range(2):
        assert owner.post(f"{address}/take").status_code == 303
    for_another = shop.desk.sign_in("owner", acts_for="hill")
    assert for_another.get(address).status_code == 404
    assert for_another.post(f"{address}/take").status_code == 404
    with shop.desk.database.reading() as session:
        entry = session.query(tables.AuditEntry).filter_by(did="took an enquiry of no dealer").one()
        assert (entry.dealer, entry.about) == (
            "harbour",
            address.removeprefix("/desk/").replace("enquiries/", "enquiry "),
        )


def test_the_dealer_is_told_of_an_enquiry_that_was_taken_for_it_once(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        moment = dt.datetime.now(dt.UTC)
        session.add(tables.Door(dealer="harbour", notify="desk@bows.example", changed_at=moment))
    id_ = of_nobody(shop)
    owner = shop.desk.sign_in("owner")
    for _again in range(2):
        owner.post(f"/desk/enquiries/{id_}/take")
    with shop.desk.database.reading() as session:
        notices = session.query(tables.OutboxItem).filter_by(kind="enquiry_notice").all()
        assert [(item.address, item.enquiry) for item in notices] == [("desk@bows.example", id_)]


def test_what_is_of_no_dealer_can_be_neither_composed_from_nor_settled_before_it_is_taken(shop: Shop) -> None:
    id_ = of_nobody(shop)
    owner = shop.desk.sign_in("owner")
    assert owner.get(f"/desk/compose?enquiry={id_}").status_code == 404
    assert owner.post(f"/desk/enquiries/{id_}/settle").status_code == 404


def test_the_tab_that_is_shown_is_marked(shop: Shop) -> None:
    page = shop.adviser.read("/desk/trials?state=open")
    tabs = page.of_class("tabs")[0]
    assert [e.text.strip() for e in tabs.walk() if e.get("aria-current") == "page"] == ["Being played"]
    assert shop.adviser.read("/desk/trials?state=<b>").status == 200


# Players


def test_a_player_is_found_by_a_part_of_the_name_and_shown_with_trials(shop: Shop) -> None:
    shop.compose(copies=["DB-juniper-3"])
    page = shop.adviser.read(f"/desk/compose?enquiry={shop.enquire()}")
    send(shop.adviser, page, "/desk/compose", go="set")
    found = shop.adviser.read("/desk/players?search=ahr")
    assert len(found.of_class("line")) == 1
    link = next(e.get("href") for e in found.of_class("line")[0].walk() if e.tag == "a")
    player = shop.adviser.read(link)
    assert player.h1 == "Clara Ahrens (invented)"
    assert "Trial 2" in player.text
    assert "Nobody is found" in shop.adviser.read("/desk/players?search=zebra").text
    assert shop.adviser.read("/desk/players?search=%25_%27").status == 200


# Stock


def test_the_stock_says_what_was_done_last_to_each_bow_and_when(shop: Shop) -> None:
    done = [("2025-03-01", "repaired"), ("2026-10-02", "rehaired"), ("2024-01-05", "moved")]
    with shop.desk.database.writing() as session:
        for day, event in done:
            session.add(tables.Event(copy=BOWS[0], on=dt.date.fromisoformat(day), event=event))
    rows = {row.text.split()[0]: row for row in shop.adviser.read("/desk/stock").all("tr") if BOWS[0][:2] in row.text}
    last = {
        serial: " ".join(e.text for e in row.walk() if e.get("data-name") == "Last done")
        for serial, row in rows.items()
    }
    assert (
        next(text for serial, text in last.items() if serial.startswith(BOWS[0])).strip() == "Rehaired 2 October 2026"
    )
    assert next(text for serial, text in last.items() if serial.startswith(BOWS[1])).strip() == "–"


def test_the_stock_says_where_each_bow_is_and_for_which_trial(shop: Shop) -> None:
    key = shop.opened(copies=[BOWS[0]])
    page = shop.adviser.read("/desk/stock")
    row = next(row for row in page.all("tr") if BOWS[0] in row.text)
    assert "On trial 1" in row.text
    assert [e.get("href") for e in row.walk() if e.tag == "a"] == [f"/desk/stock/{BOWS[0]}", f"/desk/trials/{key}"]
    violins = shop.adviser.read("/desk/stock?instrument=violin")
    assert "V-linnet-0" in violins.text
    assert BOWS[0] not in violins.text


def test_a_rehair_is_recorded_and_what_it_does_is_said(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    assert "Nothing is recorded." in page.text
    assert "at hand" not in page.text
    done = send(shop.adviser, page, "/event", event="rehaired", note="at our own bench")
    assert [e for e in done.of_class("notice") if e.get("role") == "status"]
    assert "Rehaired" in done.of_class("events")[0].text
    assert "at our own bench" in done.text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "What was done: Choose what was done."),
        ({"event": "rehaired", "on": "yesterday"}, 'Day: Got "yesterday"; expected a day, as 2026-11-30.'),
        ({"event": "rehaired", "on": "2999-01-01"}, "Day: This day is still to come"),
        ({"event": "rehaired", "note": "x" * 5000}, "Note: The note is longer than"),
    ],
)
def test_an_event_that_cannot_be_used_keeps_what_was_typed(shop: Shop, changes: dict[str, str], said: str) -> None:
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    refused = send(shop.adviser, page, "/event", **{"note": "mine"} | changes)
    assert refused.status == 422
    assert said in refused.of_class("faults")[0].text
    assert refused.by_id("note").get("value") == changes.get("note", "mine")


def test_status_and_place_of_a_bow_are_changed(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    assert "In repair" in send(shop.adviser, page, "/status", status="in_repair").of_class("lead")[0].text
    moved = send(shop.adviser, page, "/place", to="workshop")
    assert moved.address == "/desk/stock"
    assert shop.adviser.get(f"/desk/stock/{BOWS[0]}").status_code == 404


def test_a_bow_on_trial_cannot_be_moved_and_the_trial_is_named(shop: Shop) -> None:
    shop.opened(copies=[BOWS[0]])
    page = send(shop.adviser, shop.adviser.read(f"/desk/stock/{BOWS[0]}"), "/place", to="workshop")
    assert page.status == 409
    assert "trial 1" in " ".join(e.text.lower() for e in page.of_class("notice"))


def test_an_adviser_sends_a_bow_to_the_workshop_only(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    places = [e.get("value") for e in page.by_id("to").walk() if e.tag == "option"]
    assert places == ["", "workshop"]


# Who may


def test_the_workshop_sees_every_bow_but_no_player(shop: Shop) -> None:
    workshop = shop.desk.sign_in("workshop")
    assert BOWS[0] in workshop.read("/desk/stock").text
    assert workshop.get("/desk/players").status_code == 403
    assert workshop.get("/desk").headers["location"] == "/desk/stock"


@pytest.mark.parametrize("path", ["/desk/enquiries/{enquiry}", "/desk/stock/{copy}", "/desk/players/{player}"])
def test_another_dealers_adviser_sees_404(shop: Shop, path: str) -> None:
    page = shop.adviser.read(f"/desk/compose?enquiry={shop.enquire()}")
    trial = send(shop.adviser, page, "/desk/compose", go="set")
    player = next(e.get("href").split("/")[-1] for e in trial.all("a") if e.get("href").startswith("/desk/players/"))
    enquiry = next(e.get("href").split("/")[-1] for e in trial.all("a") if e.get("href").startswith("/desk/enquiries/"))
    address = path.format(enquiry=enquiry, copy=BOWS[0], player=player)
    stranger: Member = shop.desk.sign_in("stranger")
    assert shop.adviser.get(address).status_code == 200
    assert stranger.get(address).status_code == 404
