"""The composing page: from an enquiry, for a walk-in, from the trial before; what a swap does; what is wrong is said where it stands."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import update

from service import tables
from service.trials import desk_reads
from tests.service import desk_shop, trial_cast
from tests.service.cast import DEALER
from tests.service.desk_shop import Shop, form_to, send
from tests.service.page import Element, Page

TODAY = dt.datetime.now(dt.UTC).date()
WALK_IN = "/desk/compose?instrument=double_bass+german&budget=4000&minutes=60"


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    """A shop with its adviser signed in."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def ticked(page: Page) -> set[str]:
    """Return the serials of the bows that are chosen."""
    return {e.get("value") for e in page.all("input", name="copies") if "checked" in e.attributes}


def offered(page: Page) -> set[str]:
    return {e.get("value") for e in page.all("input", name="copies")}


def promise(page: Page) -> str:
    return page.by_id("effect").text


def test_an_enquiry_becomes_a_trial_of_the_advised_bows(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/compose?enquiry={shop.enquire()}")
    assert page.h1 == "A trial for Clara Ahrens (invented)"
    advised = ticked(page)
    assert advised
    trial = send(shop.adviser, page, "/desk/compose", go="set")
    assert trial.h1 == "Trial 1, Clara Ahrens (invented)"
    assert {serial for serial in offered(page) if shop.status(serial) == "reserved"} == advised


def test_the_contact_is_not_asked_where_the_enquiry_gave_it(shop: Shop) -> None:
    assert not shop.adviser.read(f"/desk/compose?enquiry={shop.enquire()}").all("input", name="name")
    assert shop.adviser.read(f"/desk/compose?enquiry={shop.enquire(contact=None)}").all("input", name="name")


def folded(element: Element) -> bool:
    fold = element.within("details")
    return fold is not None and "open" not in fold.attributes


def test_a_walk_in_is_asked_three_things_in_the_open_and_nothing_is_complained_of_before(shop: Shop) -> None:
    page = shop.adviser.read("/desk/compose")
    assert {e.get("name") for e in page.controls if not folded(e)} - {"q"} == {
        "instrument",
        "budget",
        "amount",
        "minutes",
    }
    besides = {e.get("name") for e in page.controls if folded(e)}
    assert {"own_bow", "own_mass_g", "own_rating_overall", "priority_1", "wish_mass", "settings"} <= besides
    assert not page.of_class("faults")
    assert len(page.all("input", name="instrument")) == 5


def test_three_taps_propose_bows_for_a_walk_in(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    assert ticked(page)
    assert "Double bass · German hold · up to €4,000" in page.text.replace("\u00a0", " ")
    assert all(serial.startswith("DB-") for serial in offered(page))
    assert page.by_id("instrument-double_bass german").get("checked") is not None


def test_while_few_trials_stand_behind_it_no_percentage_is_shown(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    assert "likes at least one of these" in promise(page)
    assert "%" not in promise(page)


def test_no_bow_chosen_is_said_and_written_nowhere(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    looked = send(shop.adviser, page, "/desk/compose", copies=[], go="look")
    assert "No bow is chosen yet." in promise(looked)
    refused = send(shop.adviser, page, "/desk/compose", copies=[], go="set")
    assert refused.status == 422
    assert "Bows: Choose at least one bow, and at most twelve." in refused.of_class("faults")[0].text
    assert "No trials yet." in shop.adviser.read("/desk/trials").text


def test_looking_at_another_choice_keeps_it_and_writes_nothing(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    other = sorted(offered(page) - ticked(page))[:1]
    looked = send(shop.adviser, page, "/desk/compose", copies=other, go="look")
    assert ticked(looked) == set(other)
    assert "likes this bow better than the own one" in promise(looked)
    assert shop.status(other[0]) == "in_stock"


def test_the_same_form_sent_twice_is_one_trial(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    first = send(shop.adviser, page, "/desk/compose", go="set")
    again = send(shop.adviser, page, "/desk/compose", go="set")
    assert first.address == again.address
    assert len(shop.adviser.read("/desk/trials").of_class("line")) == 1


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("on", "soon", 'Day: Got "soon"; expected a day, as 2026-11-30.'),
        ("due_back", "2020-01-01", "Due back: The bows cannot be back before the trial"),
        ("email", "clara", "E-mail: This does not look like an e-mail address"),
    ],
)
def test_wrong_input_keeps_what_was_typed_and_says_what_is_right(shop: Shop, field: str, typed: str, said: str) -> None:
    page = shop.adviser.read(WALK_IN)
    changes = {field: [typed], "name": ["Bo (invented)"], "consent_advice": ["yes"], "go": "set"}
    refused = send(shop.adviser, page, "/desk/compose", **changes)
    assert refused.status == 422
    assert said in refused.of_class("faults")[0].text
    assert refused.by_id(field).get("value") == typed
    assert refused.by_id("name").get("value") == "Bo (invented)"
    assert "Error:" in refused.all("title")[0].text


def test_a_name_without_consent_is_not_kept(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    refused = send(shop.adviser, page, "/desk/compose", name=["Bo (invented)"], go="set")
    assert refused.status == 422
    assert "Consent: Without your consent we keep no name" in refused.of_class("faults")[0].text


def test_a_parcel_needs_to_know_its_country(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    refused = send(shop.adviser, page, "/desk/compose", place=["post"], go="set")
    assert "Country: For a trial by post we need the country it goes to" in refused.of_class("faults")[0].text
    # ISO 3166-1: the United Kingdom is GB; UK is kept for it and no country's code.
    british = send(shop.adviser, page, "/desk/compose", place=["post"], country=["uk"], go="set")
    assert "expected GB for the United Kingdom" in british.of_class("faults")[0].text
    trial = send(shop.adviser, page, "/desk/compose", place=["post"], country=["at"], blinding=["masked"], go="set")
    assert "by post" in trial.text
    assert "Austria" in trial.text


def test_a_bow_that_was_taken_meanwhile_is_named_and_nothing_is_set_aside(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    serial = min(ticked(page))
    shop.compose(copies=[serial])
    refused = send(shop.adviser, page, "/desk/compose", go="set")
    assert refused.status == 409
    notice = refused.of_class("notice")[0].text
    assert serial in notice
    assert "trial 1" in notice
    assert ticked(refused) == ticked(page)
    assert len(shop.adviser.read("/desk/trials").of_class("line")) == 1


def test_a_reserved_bow_is_shown_with_why_it_cannot_be_had(shop: Shop) -> None:
    serial = min(ticked(shop.adviser.read(WALK_IN)))
    shop.compose(copies=[serial])
    page = shop.adviser.read(WALK_IN)
    box = next(e for e in page.all("input", name="copies") if e.get("value") == serial)
    assert "checked" not in box.attributes
    assert "trial 1" in page.by_id(box.get("aria-describedby")).text


OWN_BOW = "&own_bow=yes&own_kind=carbon&own_rating_overall=7&own_rating_response=3"
WISHES = "&priority_1=response&priority_2=ease&wish_mass=-1&settings=orchestra&settings=solo"


def test_a_walk_ins_own_bow_and_wishes_count_and_are_kept_with_the_trial(shop: Shop) -> None:
    rated, plain = (shop.adviser.read(f"{WALK_IN}{more}") for more in (OWN_BOW + WISHES, ""))
    assert promise(rated) != promise(plain), "to better a bow that is loved is less likely"
    assert rated.by_id("own-fold").get("open") is not None
    assert rated.by_id("own_rating_overall-7").get("checked") is not None
    trial = send(shop.adviser, rated, "/desk/compose", go="set")
    with shop.desk.database.reading() as session:
        answers = trial_cast.composition(session, trial.address.rsplit("/", 1)[-1]).answers
    assert answers["own_bow"] == {"kind": "carbon", "ratings": {"overall": 7, "response": 3}}
    assert answers["priorities"] == ["response", "ease"]
    assert answers["wishes"] == {"mass": -1}
    assert answers["settings"] == ["orchestra", "solo"]


@pytest.mark.parametrize(
    ("more", "field", "said"),
    [
        ("&own_bow=yes&own_mass_g=3", "own_mass_g", "Its weight: Got 3; expected a mass from 30 to 250 grams."),
        ("&priority_1=ease&priority_2=ease", "priority_2", "Second: This is chosen already"),
    ],
)
def test_what_a_walk_in_says_of_it_is_checked_as_on_the_form(shop: Shop, more: str, field: str, said: str) -> None:
    page = shop.adviser.read(f"{WALK_IN}{more}")
    assert page.status == 422
    assert said in page.of_class("faults")[0].text
    assert page.by_id(field).get("aria-invalid") == "true"
    assert not folded(page.by_id(field))


def test_a_known_player_finds_the_wishes_of_the_last_visit_and_may_change_them(shop: Shop) -> None:
    asked = shop.enquire(priorities=["response"], wishes={"mass": 1})
    trial = send(shop.adviser, shop.adviser.read(f"/desk/compose?enquiry={asked}"), "/desk/compose", go="set")
    with shop.desk.database.reading() as session:
        player = desk_reads.trial(session, DEALER, trial.address.rsplit("/", 1)[-1]).player.key
    page = shop.adviser.read(f"/desk/compose?player={player}")
    assert page.by_id("wish_mass-1").get("checked") is not None
    changed = shop.adviser.read(f"{WALK_IN}&player={player}&wish_mass=-1&priority_1=")
    assert changed.by_id("wish_mass--1").get("checked") is not None
    trial = send(shop.adviser, changed, "/desk/compose", go="set")
    with shop.desk.database.reading() as session:
        answers = trial_cast.composition(session, trial.address.rsplit("/", 1)[-1]).answers
    assert answers["wishes"] == {"mass": -1}
    assert not answers.get("priorities")


def test_each_candidate_is_a_row_of_the_picture_with_its_numbers_behind_a_fold(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN + OWN_BOW)
    bows = page.of_class("bow")
    assert {e.get("value") for row in bows for e in row.walk() if e.get("name") == "copies"} == offered(page)
    for row in bows:
        own, dot = (next(e for e in row.walk() if e.get("class") == name) for name in ("own", "dot"))
        low, high = (
            float(next(e for e in row.walk() if e.get("class") == "bar").get(x).rstrip("%")) for x in ("x1", "x2")
        )
        assert float(own.get("x1").rstrip("%")) == 97.0, "the own bow got the highest mark there is"
        assert low < float(dot.get("cx").rstrip("%")) < high
    numbers = page.by_id("numbers-fold")
    assert "open" not in numbers.attributes
    assert all(serial in numbers.text for serial in offered(page))


def test_beside_another_choice_stands_what_the_advised_bows_promise(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    assert "With the advised bows" not in promise(page)
    looked = send(shop.adviser, page, "/desk/compose", copies=sorted(ticked(page))[:1], go="look")
    said = promise(looked)
    assert "With the advised bows" in said
    assert all(serial in said for serial in ticked(page))


def test_who_plays_is_asked_before_the_bows(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    names = [e.get("name") for e in page.controls]
    assert names.index("name") < names.index("consent_model") < names.index("copies") < names.index("on")


@pytest.mark.parametrize(
    "query", ["enquiry=no-such", "previous=no-such", "player=no-such", "instrument=violin&player=no-such"]
)
def test_what_is_not_this_dealers_is_not_there(shop: Shop, query: str) -> None:
    assert shop.adviser.get(f"/desk/compose?{query}").status_code == 404


def test_an_amount_that_can_be_read_in_two_ways_is_asked_again(shop: Shop) -> None:
    page = shop.adviser.read("/desk/compose?instrument=violin&amount=2,600&minutes=40")
    assert page.status == 422
    assert "Budget: Got “2,600”, which can be read in two ways" in page.of_class("faults")[0].text
    assert page.by_id("amount").get("value") == "2,600"
    assert page.by_id("instrument-violin").get("checked") is not None


def test_a_trial_leads_to_the_next_one_with_what_was_learnt(shop: Shop) -> None:
    key = shop.opened()
    shop.rate(key, [6, 4, 5, 3, 4])
    shop.adviser.post(f"/desk/trials/{key}/close", {"sure": "yes"})
    page = shop.adviser.read(f"/desk/compose?previous={key}")
    assert page.h1.startswith("A trial for ")
    assert ticked(page)
    trial = send(shop.adviser, page, "/desk/compose", go="set")
    assert trial.h1.startswith("Trial 2")
    assert "The trial before" in trial.text


def test_who_is_not_signed_in_is_led_to_the_sign_in(shop: Shop) -> None:
    reply = shop.desk.nobody().get("/desk/compose")
    assert reply.status_code == 303
    assert reply.headers["location"].startswith("/desk/sign-in")


def test_a_form_of_another_session_is_refused(shop: Shop) -> None:
    page = shop.adviser.read(WALK_IN)
    fields = desk_shop.fields_of(form_to(page, "/desk/compose")) | {"go": ["set"]}
    reply = shop.desk.sign_in("stranger").send("POST", "/desk/compose", data=fields)
    assert reply.status_code == 403


def test_a_player_is_never_told_on_the_next_page_that_the_own_bow_was_not_rated_or_offered_first_what_was_disliked(
    shop: Shop,
) -> None:
    asked = shop.enquire(own_bow={"kind": "wood"})
    first = send(shop.adviser, shop.adviser.read(f"/desk/compose?enquiry={asked}"), "/desk/compose", go="set")
    key = first.address.rsplit("/", 1)[-1]
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Player).values(in_model=True))
    shop.adviser.post(f"/desk/trials/{key}/open")
    with shop.desk.database.reading() as session:
        slots = trial_cast.slots(session, key)
        bows = sorted({slot.copy for slot in slots if slot.copy})
    # The first bow is liked, the others are not; the own bow gets a 4.
    shop.rate(key, [4 if slot.copy is None else 6 if slot.copy == bows[0] else 2 for slot in slots])
    shop.adviser.post(f"/desk/trials/{key}/close")
    for way in (f"previous={key}", f"enquiry={asked}"):
        page = shop.adviser.read(f"/desk/compose?{way}")
        assert "did not rate the own bow" not in page.text, way
        assert "rated the own bow 4 on" in page.text, way
        assert bows[0] in ticked(page), way
        assert not set(bows[1:]) & ticked(page), way
        assert "rated 6" in page.text, way
        trial = send(shop.adviser, page, "/desk/compose", go="look")
        assert promise(trial) == promise(page), way


def test_a_bow_that_is_out_today_is_set_aside_for_a_day_on_which_it_is_back(shop: Shop) -> None:
    shop.opened()
    page = shop.adviser.read(WALK_IN)
    out = next(e for e in page.all("input", name="copies") if e.get("value") == trial_cast.BOWS[0])
    assert "is out on trial 1 until" in page.text
    assert "disabled" not in out.attributes, "the day is chosen below: what is not here today can be ticked for another"
    week = (TODAY + dt.timedelta(days=7)).isoformat()
    chosen = {"copies": [trial_cast.BOWS[0]]}
    again = send(shop.adviser, page, "/desk/compose", go="look", on=week, **chosen)
    assert "is out on trial 1 until" not in again.text
    refused = shop.adviser.send(
        "POST", "/desk/compose", data=desk_shop.fields_of(form_to(page, "/desk/compose")) | chosen | {"go": "set"}
    )
    assert refused.status_code == 409
    assert "is out on trial 1 until" in refused.text
    trial = send(shop.adviser, again, "/desk/compose", go="set")
    assert trial.h1.startswith("Trial 2")


def test_a_planned_trial_is_offered_what_is_back_by_its_day(shop: Shop) -> None:
    shop.opened()
    with shop.desk.database.writing() as session:
        week = (TODAY + dt.timedelta(days=7)).isoformat()
        key = trial_cast.compose(session, copies=["DB-juniper-3"], on=week)
    page = shop.adviser.read(f"/desk/trials/{key}")
    offered_in = [
        e.get("value")
        for select in page.all("select")
        if select.get("name") == "into"
        for e in select.walk()
        if e.tag == "option"
    ]
    assert trial_cast.BOWS[0] in offered_in
    assert "DB-juniper-3" not in offered_in
