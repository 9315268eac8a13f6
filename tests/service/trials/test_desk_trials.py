"""The page of a trial: its one next step in every state, letters until the key is revealed, sheets that are odd, what came of it."""

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from service import tables
from service.trials import desk_reads, sheets
from service.trials.standing import standing
from tests.service import desk_shop
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, form_to, send
from tests.service.page import Page
from tests.service.trial_cast import BOWS, composition


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def read(shop: Shop, key: str) -> Page:
    return shop.adviser.read(f"/desk/trials/{key}")


def next_step(page: Page) -> str:
    """Return the words of the button that goes on."""
    buttons = [e for e in page.of_class("next")[0].walk() if "go" in e.get("class").split()]
    assert len(buttons) == 1
    return buttons[0].text.strip()


def act(shop: Shop, key: str, name: str, **fields: str) -> Page:
    return shop.adviser.submit(f"/desk/trials/{key}/{name}", fields)


def shown(page: Page) -> str:
    """Return what is read of a page without opening a fold."""
    texts = [
        e.text
        for e in page.elements
        if e.tag in ("p", "td", "th", "li", "h1", "h2", "button") and not e.within("details")
    ]
    return " ".join(texts)


# The next step


def test_a_trial_in_the_shop_goes_from_step_to_step(shop: Shop) -> None:
    key = shop.compose()
    assert next_step(read(shop, key)) == "Open the trial"
    assert next_step(act(shop, key, "open")) == "Close the trial"
    assert shop.state(key) == "open"
    assert next_step(act(shop, key, "close", sure="yes")) == "Record it"
    done = act(shop, key, "outcome", what="none price")
    assert "Nothing kept; reason: the price" in done.text
    assert not done.of_class("next")


def test_the_order_speaks_of_an_own_bow_only_where_there_is_one(shop: Shop) -> None:
    key = shop.compose()
    assert "The own bow comes first" in read(shop, key).text
    with shop.desk.database.writing() as session:
        composition(session, key).own_plays = 0
    assert "The own bow comes first" not in read(shop, key).text
    assert "The bows come in this order." in read(shop, key).text


def test_a_parcel_across_a_border_waits_until_somebody_is_named(shop: Shop) -> None:
    shop.in_country("DE")
    key = shop.compose(place="post", country="AT", blinding="masked")
    page = read(shop, key)
    assert next_step(page) == "The materials are confirmed"
    assert BOWS[0] in page.of_class("next")[0].text
    refused = act(shop, key, "confirm", by="")
    assert refused.status == 422
    assert "Name who confirmed it" in refused.of_class("faults")[0].text
    page = act(shop, key, "confirm", by="Ada Lindqvist (invented)")
    assert "Materials confirmed by Ada Lindqvist (invented)" in page.text
    assert next_step(page) == "The parcel is sent"


def test_what_was_typed_of_a_parcel_is_kept_where_a_bow_was_left_out(shop: Shop) -> None:
    shop.in_country("DE")
    key = shop.compose(place="post", country="DE", blinding="masked")
    page = send(shop.adviser, read(shop, key), "/send", **{f"condition.{BOWS[0]}": ["a scratch at the frog"]})
    assert page.status == 422
    assert shop.state(key) == "planned"
    assert page.by_id(f"condition.{BOWS[0]}").get("value") == "a scratch at the frog"
    assert BOWS[1] in page.of_class("faults")[0].text
    assert page.by_id(f"condition.{BOWS[1]}").get("aria-invalid") == "true"


def test_a_parcel_is_sent_and_taken_back_with_the_condition_of_each_bow(shop: Shop) -> None:
    shop.in_country("DE")
    key = shop.compose(place="post", country="DE", blinding="masked")
    conditions = {f"condition.{serial}": f"sound {number}" for number, serial in enumerate(BOWS)}
    page = act(shop, key, "send", **conditions)
    assert shop.state(key) == "open"
    assert next_step(page) == "Take these bows back"
    assert "sound 2" in page.text
    page = act(shop, key, "take-back", **conditions | {f"condition.{BOWS[0]}": ""})
    assert [e.get("name") for e in form_to(page, "/take-back").walk() if "condition." in e.get("name")] == [
        f"condition.{BOWS[0]}"
    ]
    page = act(shop, key, "take-back", **{f"condition.{BOWS[0]}": "sound"})
    assert next_step(page) == "Close the trial"
    assert shop.status(BOWS[0]) == "in_stock"


def test_a_step_that_cannot_be_done_shows_the_trial_with_why(shop: Shop) -> None:
    key = shop.opened()
    page = act(shop, key, "swap", out=BOWS[0], into="")
    assert page.status == 409
    assert [e.text for e in page.of_class("notice") if e.get("role") == "alert"]
    assert page.h1.startswith("Trial 1")


def test_a_trial_is_given_up_and_its_bows_are_free(shop: Shop) -> None:
    key = shop.compose()
    assert shop.status(BOWS[0]) == "reserved"
    page = act(shop, key, "cancel")
    assert "Cancelled" in page.text
    assert shop.status(BOWS[0]) == "in_stock"


# The case


def test_a_bow_is_swapped_while_the_trial_is_planned(shop: Shop) -> None:
    key = shop.compose()
    page = read(shop, key)
    form = form_to(page, "/swap")
    assert "DB-juniper-2" in form.text
    assert "V-linnet-0" not in form.text
    case = act(shop, key, "swap", out=BOWS[0], into="DB-juniper-2").by_id("case-fold").text
    assert "DB-juniper-2" in case
    assert BOWS[0] not in case


def test_a_swap_of_nothing_is_refused_in_words(shop: Shop) -> None:
    key = shop.compose()
    page = act(shop, key, "swap", out="", into="")
    assert page.status == 409
    assert "Choose a bow to take out, one to put in, or both." in page.text


# Letters until the key is revealed


def test_serials_stand_behind_a_fold_and_never_beside_a_letter_before_the_key_is_revealed(shop: Shop) -> None:
    key = shop.opened()
    letters = shop.rate(key, [6, 4, 5, 3, 4])
    page = read(shop, key)
    seen = shown(page)
    assert not [serial for serial in BOWS if serial in seen]
    assert "Juniper" not in seen
    assert all(f"Bow {letter}" in seen for letter in letters if letter)
    for row in (row for row in page.all("tr") if any(serial in row.text for serial in BOWS)):
        assert "Bow " not in row.text


def test_an_open_trial_shows_each_bow_beside_its_letter_and_a_blind_one_leads_to_the_key_alone(shop: Shop) -> None:
    key = shop.opened(blinding="open")
    order = read(shop, key).by_id("order").text
    with shop.desk.database.reading() as session:
        slots = [slot for slot in desk_reads.key_sheet(session, DEALER, key) if slot.copy]
    assert all(f"Bow {slot.letter} {slot.copy}" in order for slot in slots)
    first = min(slots, key=lambda slot: slot.position)
    assert f"Bow {first.letter} ({first.copy}" in order
    assert f"/desk/trials/{key}/print/key" not in [e.get("href") for e in read(shop, key).by_id("order").walk()]


def test_a_blind_trial_stays_blind_on_the_page_and_on_every_screen(shop: Shop) -> None:
    key = shop.opened()
    order = read(shop, key).by_id("order")
    assert not [serial for serial in BOWS if serial in order.text]
    assert f"/desk/trials/{key}/print/key" in [e.get("href") for e in order.walk()]
    with shop.desk.database.reading() as session:
        screens_show = [json.dumps(sheets.for_screen(session, key, rater, DEALER)) for rater in ("player", "listener")]
    assert not [serial for serial in BOWS if any(serial in shown_there for shown_there in screens_show)]


@pytest.mark.parametrize("state", ["planned", "open", "closed", "cancelled"])
def test_every_state_has_one_primary_action_at_most(shop: Shop, state: str) -> None:
    key = shop.compose() if state == "planned" else shop.opened()
    if state == "closed":
        act(shop, key, "close", sure="yes")
    if state == "cancelled":
        act(shop, key, "cancel")
    page = read(shop, key)
    folds = [(e, e.within("details")) for e in page.of_class("go")]
    primary = [e for e, fold in folds if fold is None or "open" in fold.attributes]
    assert len(primary) == (0 if state == "cancelled" else 1)


def test_bow_by_criterion_the_own_one_is_the_reference_and_chance_alone_is_no_difference(shop: Shop) -> None:
    key = shop.opened()
    with shop.desk.database.reading() as session:
        slots = desk_reads.trial(session, DEALER, key).slots
    bows = [slot for slot in slots if not slot.own]
    marks = dict(zip((slot.letter for slot in bows), (7, 1, 4), strict=False)) | {"": 4}
    shop.rate(key, [marks.get(slot.letter, 4) for slot in slots])
    table = read(shop, key).of_class("criteria")[0]
    said = {
        row.text.strip(): [e.get("aria-label") for e in row.walk() if e.tag == "svg"]
        for row in (e for e in table.walk() if e.tag == "tr")
    }
    expected = {7: "better than the own bow", 1: "worse than the own bow", 4: "about as the own bow"}
    for slot in bows:
        assert said[f"Bow {slot.letter}"] == [expected[marks.get(slot.letter, 4)]]
    numbers = read(shop, key).by_id("marks-fold")
    assert "open" not in numbers.attributes
    assert "Own bow 4.0" in numbers.text


def test_the_key_is_revealed_only_after_it_was_asked(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4, 5, 3, 4])
    asked = shop.adviser.read(f"/desk/trials/{key}/reveal")
    assert asked.h1 == "Reveal the key of Trial 1?"
    assert "for good" in asked.text
    page = send(shop.adviser, asked, "/reveal")
    table = page.of_class("standing")[0].text
    assert BOWS[0] in table
    assert "Juniper" in table
    assert "Key revealed" in page.text
    assert "The key is revealed." in shop.adviser.read(f"/desk/trials/{key}/reveal").text


# How the bows stand


def test_the_standing_is_a_picture_with_words_and_a_table_of_the_same_numbers(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4, 5, 3, 4])
    page = read(shop, key)
    picture = page.of_class("picture")[0]
    described = next(e for e in picture.walk() if e.tag == "desc").text
    assert described.startswith("On a scale from 1 to 7.")
    rows = [row for row in page.of_class("standing")[0].walk() if row.tag == "tr"][1:]
    for row in rows:
        cells = [cell.text.strip() for cell in row.walk() if cell.tag in ("th", "td")]
        if cells[0].startswith("Bow"):
            assert f"{cells[0]}: {cells[2]}, from " in described
    with shop.desk.database.reading() as session:
        assert page.of_class("advice")[0].text.strip() == standing(session, DEALER, key).recommendation.text


def test_what_may_change_while_one_looks_is_marked_and_found_by_its_id(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4])
    page = read(shop, key)
    live = [e for e in page.elements if "data-live" in e.attributes]
    assert {e.get("id") for e in live} >= {"standing", "order", "sheets"}
    assert [e for e in page.elements if e.get("data-live-page") == "5"]
    act(shop, key, "close", sure="yes")
    assert not [e for e in read(shop, key).elements if e.get("data-live-page")]


def test_nobody_is_told_to_go_on_where_the_trial_is_over(shop: Shop) -> None:
    key = shop.opened()
    assert "Go on with the next bow." in read(shop, key).by_id("standing").text
    text = act(shop, key, "close", sure="yes").by_id("standing").text
    assert "The trial ended before anything was rated." in text
    assert "Go on" not in text


def test_what_is_to_be_handed_over_is_said(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6])
    order = read(shop, key).by_id("order")
    names = [item.text.strip() for item in order.walk() if item.tag == "li"]
    assert f"Hand over next: {names[1]}." in order.text
    assert names[0].endswith("rated")


def test_what_a_listener_heard_stands_beside(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4])
    shop.rate(key, [7], "listener", "fills the hall")
    page = read(shop, key)
    assert "What the listener heard" in page.text
    assert "fills the hall" in page.by_id("standing").text
    assert "cannot tell" in page.by_id("standing").text


# Sheets that are odd


def test_a_sheet_from_a_second_screen_can_be_made_to_count(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6])
    shop.rate(key, [2])
    page = read(shop, key)
    assert "second screen" in page.by_id("sheets").text
    counted = send(shop.adviser, page, "/count", sheet=page.all("button", name="sheet")[0].get("value"))
    marks = [row.text for row in counted.of_class("spare")]
    assert len(marks) == 1
    assert " 6 " in marks[0]
    assert "until you choose it" not in counted.by_id("sheets").text
    assert "look which of them counts" not in counted.text


@pytest.mark.parametrize("sheet", ["", "x", "99999", "٣", "9" * 30])
def test_a_sheet_that_is_not_there_is_refused(shop: Shop, sheet: str) -> None:
    key = shop.opened()
    assert shop.adviser.post(f"/desk/trials/{key}/count", {"sheet": sheet}).status_code in (404, 409)


# Phones and pairs


def test_a_link_for_a_phone_is_made_once_and_shown_as_a_code(shop: Shop) -> None:
    key = shop.opened()
    page = send(shop.adviser, read(shop, key), "/seat", rater="player")
    link = page.by_id("link-player").get("value")
    assert link.startswith("http://bows.example/play/")
    again = act(shop, key, "seat", rater="player")
    assert again.by_id("link-player").get("value") == link
    assert page.of_class("qr")[0].get("viewbox") or page.of_class("qr")[0].get("viewBox")
    assert act(shop, key, "seat", rater="judge").status == 409


def test_two_bows_are_set_against_each_other(shop: Shop) -> None:
    key = shop.opened()
    letters = [letter for letter in shop.rate(key, [6, 4, 5, 3, 4, 4]) if letter]
    page = send(shop.adviser, read(shop, key), "/head-to-head", one=letters[0], other="own", go="start")
    handing = page.by_id("handing").text
    assert f"Bow {letters[0]} and Own bow" in handing
    assert "Pair 1: hand over " in handing
    ended = act(shop, key, "head-to-head", go="end")
    assert "Pair 1" not in ended.by_id("handing").text


def test_a_bow_against_itself_is_refused(shop: Shop) -> None:
    key = shop.opened()
    letter = next(letter for letter in shop.rate(key, [6, 4, 5]) if letter)
    assert act(shop, key, "head-to-head", one=letter, other=letter, go="start").status == 409


# What came of it


def test_a_kept_bow_is_named_by_its_letter_before_the_key_is_revealed(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4, 5, 3, 4])
    page = act(shop, key, "close", sure="yes")
    tap = next(e for e in page.all("button", name="what") if e.text.strip().startswith("Bow "))
    assert tap.get("value").startswith("kept - letter:")
    kept = act(shop, key, "outcome", what=tap.get("value"))
    assert "Kept: DB-" in kept.by_id("outcome-title").within("section").text  # type: ignore[union-attr]  # it stands in one
    assert "sold" in [shop.status(serial) for serial in BOWS]


def test_bows_that_may_be_kept_are_offered_in_the_order_in_which_they_stand(shop: Shop) -> None:
    key = shop.opened()
    with shop.desk.database.reading() as session:
        slots = sorted(desk_reads.key_sheet(session, DEALER, key), key=lambda slot: slot.position)
    bow_of = {slot.letter: str(slot.copy) for slot in slots}
    bows = sorted(set(bow_of.values()))
    mark_of = dict(
        zip(bows, (3, 7, 1, 5), strict=True)
    )  # the bow with two letters gets its mark twice: the order is plain
    shop.rate(key, [mark_of[str(slot.copy)] for slot in slots])
    page = act(shop, key, "close", sure="yes")
    taps = [e.get("value").removeprefix("kept - letter:") for e in page.all("button", name="what")]
    offered = [mark_of[bow_of[each]] for each in taps if each in bow_of]
    assert len(offered) == 4
    assert offered == sorted(offered, reverse=True)


def test_a_kept_bow_that_comes_back_is_recorded_with_why(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "outcome", what=f"kept - {BOWS[0]}")
    tap = next(e for e in page.all("button", name="what") if e.get("value") == f"returned sound {BOWS[0]}")
    assert "reason: the sound" in act(shop, key, "outcome", what=tap.get("value")).text


def test_more_bows_asked_for_lead_on_to_the_next_composition(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    reply = shop.adviser.post(f"/desk/trials/{key}/outcome", {"what": "more_asked"})
    assert reply.headers["location"] == f"/desk/compose?previous={key}"


@pytest.mark.parametrize("what", ["", "sold", "kept", "kept - letter:Q", "kept - DB-nowhere", "none wind"])
def test_an_outcome_that_makes_no_sense_is_refused_in_words(shop: Shop, what: str) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "outcome", what=what)
    assert page.status in (409, 422) or (what == "none wind" and page.status == 200)


# Asked before it ends


def test_closing_with_sheets_missing_asks_and_names_the_places(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4])
    page = act(shop, key, "close")
    assert page.h1 == "Close this trial?"
    assert shop.state(key) == "open"
    with shop.desk.database.reading() as session:
        order = desk_reads.trial(session, DEALER, key).slots
    missing = [item.text.strip() for item in page.of_class("asked")[0].walk() if item.tag == "li"]
    names = ["Own bow" if slot.own else f"Bow {slot.letter}" for slot in order]
    assert missing == [f"{name}, place {place} of {len(order)}" for place, name in enumerate(names, 1) if place > 2]
    assert "The trial is closed." in send(shop.adviser, page, "/close").text
    assert shop.state(key) == "closed"


def test_closing_with_every_sheet_in_does_not_ask(shop: Shop) -> None:
    key = shop.opened()
    with shop.desk.database.reading() as session:
        places = len(desk_reads.trial(session, DEALER, key).slots)
    shop.rate(key, [5] * places)
    assert "The trial is closed." in act(shop, key, "close").text


def test_an_outcome_tapped_while_a_trial_is_played_asks_first(shop: Shop) -> None:
    key = shop.opened()
    letters = [letter for letter in shop.rate(key, [6, 4, 5]) if letter]
    page = act(shop, key, "outcome", what=f"kept - letter:{letters[0]}")
    assert page.h1 == "Record this, and close the trial?"
    assert f"Kept: Bow {letters[0]}" in page.text
    assert not [serial for serial in BOWS if serial in page.source]
    assert "can be opened again until its key is revealed." in page.text
    assert shop.state(key) == "open"
    act(shop, key, "reveal")
    # What is closed after that can be opened again all the same.
    assert "can be opened again." in act(shop, key, "outcome", what="none - price").text
    recorded = send(shop.adviser, page, "/outcome")
    assert "Kept: DB-" in recorded.text
    assert shop.state(key) == "closed"


def test_a_trial_closed_by_mistake_is_opened_again_from_its_page(shop: Shop) -> None:
    key = shop.opened()
    letters = [letter for letter in shop.rate(key, [6, 4, 5]) if letter]
    page = act(shop, key, "outcome", what=f"kept - letter:{letters[0]}", sure="yes")
    assert f"/desk/trials/{key}/reopen" in [e.get("href") for e in page.all("a")]
    asked = shop.adviser.read(f"/desk/trials/{key}/reopen")
    assert "Kept: DB-" in asked.text
    again = send(shop.adviser, asked, "/reopen")
    assert "The trial is open again." in again.text
    assert "Kept" not in again.by_id("outcome-title").within("section").text.replace("A bow was kept", "")  # type: ignore[union-attr]
    assert [shop.status(serial) for serial in BOWS] == ["on_trial"] * 3


def test_once_the_key_is_revealed_a_closed_trial_is_not_opened_again(shop: Shop) -> None:
    key = shop.opened()
    act(shop, key, "close", sure="yes")
    page = act(shop, key, "reveal")
    assert f"/desk/trials/{key}/reopen" not in [e.get("href") for e in page.all("a")]
    assert act(shop, key, "reopen").status == 409
    assert shop.state(key) == "closed"


# Who may


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_dealers_adviser_sees_nothing_at_every_address(shop: Shop, method: str) -> None:
    key = shop.opened()
    stranger = shop.desk.sign_in("stranger")
    paths = {"GET": ["", "/reveal", "/print/sheet", "/print/key"], "POST": ["/open", "/close", "/reveal", "/outcome"]}
    for path in paths[method]:
        fields = {"csrf": stranger.csrf, "what": "none price"} if method == "POST" else None
        assert stranger.send(method, f"/desk/trials/{key}{path}", data=fields).status_code == 404, path


def test_a_trial_read_from_a_file_is_shown_with_what_came_of_it(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        player = tables.Player(key="P 0001 & Söhne?")
        session.add(player)
        session.flush()
        session.add(
            tables.Trial(
                key="T 0001#1", player=player.id, dealer="harbour", on=dt.date(2024, 5, 1), instrument="violin"
            )
        )
    listed = shop.adviser.read("/desk/trials?state=files")
    assert len(listed.of_class("line")) == 1
    assert not shop.adviser.read("/desk/trials").of_class("line")
    assert not shop.desk.sign_in("stranger").read("/desk/trials?state=files").of_class("line")
    page = read(shop, "T%200001%231")
    assert page.h1.startswith("Trial T 0001#1")
    link = next(e.get("href") for e in page.all("a") if e.get("href").startswith("/desk/players/"))
    player_page = shop.adviser.read(link)
    assert "/desk/trials/T%200001%231" in [e.get("href") for e in player_page.all("a")]
    assert not page.of_class("order")
