"""Several sittings at home: the same letters on other days, all of it kept, each bow told of once."""

import datetime as dt
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.questionnaire.sheet_fields import check_sheet
from service.trials import by_server, lifecycle, player_result, rater_links, sheets, sittings, standing, told_to_servers
from tests.service import desk_shop, trial_cast
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop
from tests.service.page import Page

NOW = dt.datetime.now(dt.UTC)


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        shop.in_country("DE")
        yield shop


def lent(shop: Shop) -> tuple[str, str]:
    """Send a parcel; return the trial's key and the link to its sheets."""
    with shop.desk.database.writing() as session:
        key = trial_cast.lend(session, repeat=False)
        return key, rater_links.open_seat(session, None, DEALER, key, "player", signer=shop.desk.app.state.signer)


def places(shop: Shop, key: str) -> dict[int, list[tuple[int, str]]]:
    """Return by sitting the places and letters in their order."""
    found: dict[int, list[tuple[int, str]]] = {}
    with shop.desk.database.reading() as session:
        for slot in trial_cast.slots(session, key):
            found.setdefault(slot.sitting, []).append((slot.position, slot.letter))
    return found


def rate(shop: Shop, key: str, sitting: int, mark: int, at: dt.datetime = NOW) -> list[tuple[str, ...]]:
    """Rate every bow of a sitting alike, and return the flags of each sheet."""
    flags = []
    for position, letter in places(shop, key)[sitting]:
        body = {"revision": 1, "position": position, "letter": letter, "rater": "player", "rated_at": at}
        with shop.desk.database.writing() as session:
            sheet = check_sheet(body | {"ratings": {"overall": mark}})
            flags.append(sheets.record(session, DEALER, key, f"run-{position:05}", sheet, "a test", at=at).flags)
    return flags


def again(shop: Shop, link: str) -> Page:
    """Press the button for another sitting as a browser without scripts does."""
    nobody = shop.desk.nobody()
    form = next(each for each in Page(nobody.get(link)).all("form") if each.get("action").endswith("/sitting"))
    csrf = next(each.get("value") for each in form.walk() if each.get("name") == "csrf")
    return Page(nobody.send("POST", form.get("action"), data={"csrf": csrf}, follow=True))


def test_another_sitting_has_the_same_letters_the_other_way_round_at_places_of_its_own(shop: Shop) -> None:
    key, link = lent(shop)
    rate(shop, key, 1, 4)
    page = again(shop, link)
    assert not any(link.text.strip().endswith("rated") for link in page.all("a"))
    first, second = (places(shop, key)[number] for number in (1, 2))
    assert [letter for _place, letter in second] == [letter for _place, letter in reversed(first)]
    assert not {place for place, _letter in first} & {place for place, _letter in second}
    with shop.desk.database.reading() as session:
        days = {slot.on for slot in trial_cast.slots(session, key) if slot.sitting == 2}
    assert days <= {NOW.date() - dt.timedelta(days=1), NOW.date(), NOW.date() + dt.timedelta(days=1)}
    again(shop, link)
    assert set(places(shop, key)) == {1, 2}, "pressed twice it is one sitting"


def test_before_every_bow_is_rated_no_other_sitting_begins(shop: Shop) -> None:
    key, _link = lent(shop)
    with shop.desk.database.writing() as session:
        sittings.begin(session, DEALER, key)
    assert set(places(shop, key)) == {1}


def play_strokes(session: Session, key: str) -> list[tables.Slot]:
    """Play the strokes of every bow and rate none; return the order."""
    order = trial_cast.slots(session, key)
    for slot in order:
        played = {"revision": 1, "position": slot.position, "letter": slot.letter, "rater": "player", "rated_at": NOW}
        sheet = check_sheet(played | {"ratings": {}, "strokes": ["clean"] * 8})
        sheets.record(session, DEALER, key, f"run-{slot.position:05}", sheet, "a test", at=NOW)
    return order


def test_strokes_alone_rate_no_bow_and_another_sitting_waits_for_marks(shop: Shop) -> None:
    key, _link = lent(shop)
    with shop.desk.database.writing() as session:
        order = play_strokes(session, key)
        sittings.begin(session, DEALER, key)
        assert len(trial_cast.slots(session, key)) == len(order)
        assert sheets.for_screen(session, key)["rated"] == []
        stands = standing.standing(session, DEALER, key)
    assert (stands.sheets_in, [bow.letters for bow in stands.bows if bow.best or bow.plays]) == (0, [])
    page = shop.adviser.read(f"/desk/trials/{key}")
    assert not [item for item in page.by_id("order").walk() if item.tag == "li" and item.text.strip().endswith("rated")]
    assert f"0 of {len(order)} sheets in" in shop.adviser.read("/desk/trials").text
    assert "Own bow, played again" in page.text
    assert "Your own bow" not in page.text


def test_strokes_of_a_hidden_repeat_leave_it_hidden_until_it_is_rated(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        key = trial_cast.compose(session)
        lifecycle.open_(session, None, DEALER, key)
        order = play_strokes(session, key)
        first, again = next(pair for pair in combinations(order, 2) if pair[0].copy == pair[1].copy is not None)
        marked = {"position": first.position, "letter": first.letter, "rater": "player", "rated_at": NOW}
        sheet = check_sheet(marked | {"revision": 2, "ratings": {"overall": 6}})
        sheets.record(session, DEALER, key, f"run-{first.position:05}", sheet, "a test", at=NOW)
        letters = [bow["letters"] for bow in by_server.tell(session, DEALER, key)["bows"]]
        assert [first.letter] in letters
        assert [again.letter] in letters


def test_marks_of_all_sittings_are_kept_and_each_bow_is_told_of_once(shop: Shop) -> None:
    key, link = lent(shop)
    rate(shop, key, 1, 4)
    again(shop, link)
    rate(shop, key, 2, 6)
    with shop.desk.database.reading() as session:
        stands = standing.standing(session, DEALER, key)
    bows = [bow for bow in stands.bows if not bow.own]
    assert sorted(bow.letters for bow in bows) == sorted((letter,) for _place, letter in places(shop, key)[1] if letter)
    assert {bow.mark for bow in bows} == {5.0}
    assert {bow.plays for bow in bows} == {2}
    assert stands.repeat is None
    assert "the same" in (stands.drift or ""), "of the first sitting alone"
    told = shop.adviser.get(f"/desk/trials/{key}").text
    assert "Sitting 2" in told
    with shop.desk.database.writing() as session:
        lifecycle.reveal(session, shop.desk.ids["adviser"], DEALER, key)
    with shop.desk.database.reading() as session:
        result = player_result.of_dealer(session, DEALER, key)
    assert {bow.marks["overall"] for bow in result.bows} == {5.0}
    assert len(result.bows) == len({letter for _place, letter in places(shop, key)[1]})


def test_a_sitting_after_the_day_is_kept_and_flagged_and_one_on_its_evening_is_not(shop: Shop) -> None:
    key, link = lent(shop)
    with shop.desk.database.writing() as session:
        due = trial_cast.composition(session, key).due_back
    assert due is not None
    evening = dt.datetime.combine(due, dt.time(23, 30), dt.UTC)
    assert set(rate(shop, key, 1, 4, evening)) == {()}
    again(shop, link)
    assert set(rate(shop, key, 2, 5, evening + dt.timedelta(days=1))) == {("overdue",)}
    with shop.desk.database.reading() as session:
        runs = session.scalars(select(tables.Run.overall)).all()
    assert set(runs) == {4, 5}
    with shop.desk.database.writing() as session:
        loan = trial_cast.composition(session, key)
        loan.out_from = loan.due_back = NOW.date() - dt.timedelta(days=3)
    assert "The bows were due back on " in Page(shop.desk.nobody().get(link)).text
    assert "after the day by which the bows were due" in Page(shop.adviser.get(f"/desk/trials/{key}")).text


def test_a_sitting_rated_on_paper_is_printed_typed_in_and_told_to_a_server(shop: Shop) -> None:
    key, _link = lent(shop)
    own = f"/desk/trials/{key}"
    order = [letter for _place, letter in places(shop, key)[1]]
    sheet = shop.adviser.read(f"{own}/print/sheet?sitting=2")
    named = [e.text for e in sheet.all("h2") if e.get("id").startswith("slot-")]
    assert [text.split()[-1] for text in named if "Bow" in text] == [letter for letter in reversed(order) if letter]
    assert f"{own}/print/sheet?sitting=2" in [e.get("href") for e in shop.adviser.read(own).all("a")]
    page = shop.adviser.read(f"{own}/paper?sitting=2")
    lines = [e for e in page.all("input") if e.get("name").startswith("letter.") and e.get("type") == "hidden"]
    assert [e.get("value") for e in lines] == order[::-1]
    marks = {f"{e.get('name').removeprefix('letter.')}.overall": "6" for e in lines}
    early = desk_shop.send(shop.adviser, page, "/paper", on=NOW.date().isoformat(), **marks)
    assert (early.status, set(places(shop, key))) == (409, {1})
    assert "Not every bow of sitting 1 is rated yet" in early.text
    assert {e.get("value") for e in early.all("input") if e.get("name").endswith(".overall")} == {"6", ""}, (
        "all is there"
    )
    rate(shop, key, 1, 4)
    on = (NOW.date() - dt.timedelta(days=1)).isoformat()
    with shop.desk.database.writing() as session:
        session.scalars(select(tables.Trial)).one().on = NOW.date() - dt.timedelta(days=3)
    typed = desk_shop.send(shop.adviser, page, "/paper", on=on, **marks)
    assert f"{len(lines)} of {len(lines)} rated" in typed.text
    assert [letter for _place, letter in places(shop, key)[2]] == order[::-1]
    with shop.desk.database.reading() as session:
        told = told_to_servers.trial(session, DEALER, key)
        assert sorted(mark or 0 for mark in session.scalars(select(tables.Run.overall))) == [4] * len(order) + [
            6
        ] * len(order)
    assert [run["letter"] for run in told["runs"]] == order
    (later,) = told["later_sittings"]
    assert later["date"] == on
    mended = desk_shop.send(
        shop.adviser, shop.adviser.read(f"{own}/paper?sitting=2"), "/paper", **{next(iter(marks)): "5"}
    )
    assert "One sheet of paper is kept." in mended.text
    # Typed for another day it is of that day: the sitting, what servers are told of it, and every sheet.
    day = (NOW.date() - dt.timedelta(days=2)).isoformat()
    moved = desk_shop.send(shop.adviser, shop.adviser.read(f"{own}/paper?sitting=2"), "/paper", on=day)
    assert f"{len(lines)} sheets of paper are kept." in moved.text
    again = desk_shop.send(shop.adviser, shop.adviser.read(f"{own}/paper?sitting=2"), "/paper", on=day)
    assert "Nothing new was typed" in again.text
    with shop.desk.database.reading() as session:
        assert told_to_servers.trial(session, DEALER, key)["later_sittings"][0]["date"] == day
        of_paper = tables.Sheet.counts, tables.Sheet.sender.like("paper%")
        rated = session.scalars(select(tables.Sheet.rated_at).where(*of_paper))
        assert {each.date().isoformat() for each in rated if each} == {day}
    assert set(places(shop, key)) == {1, 2}, "a sheet that is corrected begins no other sitting"
    assert (later["sitting"], [(run["letter"], run["copy"]) for run in later["runs"]]) == (
        2,
        [(letter, None) for letter in reversed(order)],
    )


def test_sittings_have_an_end_and_belong_to_the_player_at_home(shop: Shop) -> None:
    key, link = lent(shop)
    for sitting in range(1, sittings.MOST + 1):
        rate(shop, key, sitting, 4)
        if sitting < sittings.MOST:
            again(shop, link)
    assert "/sitting" not in shop.desk.nobody().get(link).text
    with shop.desk.database.writing() as session:
        listener = rater_links.open_seat(session, None, DEALER, key, "listener", signer=shop.desk.app.state.signer)
    assert "/sitting" not in shop.desk.nobody().get(listener).text
    assert shop.desk.nobody().send("POST", f"{listener}/sitting", data={"csrf": "x"}).status_code in (403, 404)
    assert len(places(shop, key)) == sittings.MOST
