"""The form's pages, from the start to the answer, as a reader without a script meets them."""

import datetime as dt
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import delete, select, update

from model.domain.vocabulary import LEADING, Instrument
from service import tables
from service.core.database import Database
from service.privacy import retention
from service.tables.advice import DRAFT_LIFE
from tests.service.client import add_small_range, serving, settings_in
from tests.service.page import Page, Reader

STEPS = ("instrument", "work", "own-bow", "wishes", "budget", "contact")
BASS = {"instrument": "double_bass", "hold": "german", "strings": "4", "string_length_mm": "1.050,5"}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Give the served database; the reader's application stands beside it."""
    with serving(settings_in(tmp_path_factory.mktemp("form"), demo=True, advice_per_minute=0)) as client:
        add_small_range(client.database)
        _readers.append(Reader(client.app))
        yield client.database
        _readers.clear()


_readers: list[Reader] = []


@pytest.fixture
def reader(served: Database) -> Reader:
    return _readers[0]


def begun(reader: Reader, dealer: str = "") -> Page:
    return reader.send(reader.get(f"/?dealer={dealer}"))


def address_of(page: Page) -> str:
    return page.address.split("/")[2]


def at(reader: Reader, step: str, instrument: str = "violin") -> Page:
    """Return a step's page of a new draft whose instrument is chosen."""
    page = reader.send(begun(reader), {"instrument": instrument, "hold": "either"})
    return reader.get(f"/form/{address_of(page)}/{step}")


def drafts_kept(served: Database) -> list[tuple[object, ...]]:
    with served.reading() as session:
        return [tuple(row) for row in session.execute(select(*tables.Draft.__table__.columns))]


def enquiries(served: Database) -> list[tables.Enquiry]:
    with served.reading() as session:
        return list(session.scalars(select(tables.Enquiry)))


def faults_of(page: Page) -> dict[str, str]:
    """Return the summary's lines by the control that each leads to."""
    links = [e for e in page.by_id("faults").walk() if e.tag == "a"]
    return {link.get("href")[1:]: link.text.strip() for link in links}


# The start


def test_the_start_page_offers_to_begin_and_makes_nothing(reader: Reader, served: Database) -> None:
    before = drafts_kept(served)
    page = reader.get("/")
    assert [button.text.strip() for button in page.all("button")] == ["Begin"]
    assert "invented" in page.text
    assert drafts_kept(served) == before


def test_the_start_page_names_the_dealer_and_says_when_it_knows_none(reader: Reader) -> None:
    assert "Harbour Strings (invented)" in reader.get("/?dealer=harbour").text
    unknown = reader.get("/?dealer=<script>alert(1)</script>")
    assert "not known here" in unknown.text
    assert "alert" not in unknown.source


def test_a_draft_has_an_address_that_nobody_guesses(reader: Reader) -> None:
    addresses = {address_of(begun(reader)) for _ in range(3)}
    assert len(addresses) == 3
    # Four characters of base 64 hold three bytes (RFC 4648, 5).
    assert all(len(address) * 6 >= 128 for address in addresses)


# The whole way


def test_the_double_bass_is_led_to_an_answer_that_holds_what_was_typed(reader: Reader, served: Database) -> None:
    page = reader.send(begun(reader, "harbour"), BASS)
    page = reader.send(page, {"settings": ["orchestra", "jazz"]})
    ratings = {"own_rating_overall": "4", "own_rating_response": "3"}
    page = reader.send(page, {"own_bow": "yes", "own_kind": "wood", "own_mass_g": "134,5", **ratings})
    page = reader.send(page, {"priority_1": "response", "priority_3": "ease", "wish_mass": "-1", "wish_tone": "0"})
    page = reader.send(
        page, {"amount": "2 600", "currency": "EUR", "stretch_percent": "10", "minutes": "40", "place": "post"}
    )
    page = reader.send(page)
    assert page.status == 200
    assert page.address.startswith("/advice/")
    kept = enquiries(served)[-1]
    assert kept.contact is None
    assert kept.answers == {
        "instrument": "double_bass",
        "hold": "german",
        "strings": 4,
        "string_length_mm": 1050.5,
        "settings": ["orchestra", "jazz"],
        "own_bow": {"kind": "wood", "mass_g": 134.5, "ratings": {"overall": 4, "response": 3}},
        "priorities": ["response", "ease"],
        "wishes": {"mass": -1, "tone": 0},
        "budget": {"amount": 2600, "currency": "EUR", "stretch_percent": 10},
        "trial": {"minutes": 40, "place": "post"},
        "dealer": "harbour",
    }


def test_not_sure_is_an_answer_everywhere(reader: Reader) -> None:
    page = reader.send(begun(reader), {"instrument": "violin"})
    for step in STEPS[1:]:
        assert page.address.endswith(step)
        page = reader.send(page)
    assert page.address.startswith("/advice/")
    assert "%" not in page.text, "no trial stands behind this answer"


def test_without_the_questions_in_place_the_double_bass_has_a_page_of_its_own(reader: Reader) -> None:
    page = reader.send(begun(reader), {"instrument": "double_bass"})
    assert page.address.endswith("/double-bass")
    missing = reader.send(page, {"strings": "5"})
    assert missing.status == 422
    assert list(faults_of(missing)) == ["hold-german"]
    page = reader.send(missing, {"hold": "french"})
    assert page.address.endswith("/work")
    back = reader.get(page.address.replace("work", "instrument"))
    chosen = {e.get("id") for e in back.controls if "checked" in e.attributes}
    assert chosen == {"instrument-double_bass", "hold-french", "strings-5"}


@pytest.mark.parametrize("step", STEPS)
def test_every_step_says_how_far_it_is_and_asks_why(reader: Reader, step: str) -> None:
    page = at(reader, step)
    assert f"{STEPS.index(step) + 1} of 6" in page.text
    assert page.all("form")[0].get("action").endswith(step)
    questions = [e for e in page.elements if e.tag == "fieldset" or "field" in e.get("class").split()]
    assert questions
    for question in questions:
        inner = list(question.walk())
        is_scale = any(e.get("class") == "seven" for e in inner)
        assert is_scale or any("why" in e.get("class").split() for e in inner), question.text


@pytest.mark.parametrize("instrument", list(Instrument))
def test_the_own_bow_is_asked_what_leads_for_the_instrument(reader: Reader, instrument: Instrument) -> None:
    page = at(reader, "own-bow", str(instrument))
    rows = page.of_class("seven")
    named = [next(e.get("name") for e in row.walk() if e.tag == "input") for row in rows]
    assert named == ["own_rating_overall", *(f"own_rating_{criterion}" for criterion in LEADING[instrument])]
    for row in rows:
        steps = [e for e in row.walk() if e.tag == "input"]
        assert [e.get("value") for e in steps] == list("1234567")
        assert all(not e.get("aria-label").isdigit() for e in steps), "the number is never the only label"


# What is wrong


def test_a_wrong_answer_is_kept_named_and_led_to(reader: Reader) -> None:
    page = reader.send(at(reader, "own-bow"), {"own_bow": "yes", "own_mass_g": "5", "own_rating_tone": "6"})
    assert page.status == 422
    assert page.all("title")[0].text.startswith("Error")
    first = page.all("main")[0].inside
    assert next(e for e in first if not isinstance(e, str)).get("id") == "faults", "the summary heads the page"
    assert "autofocus" in page.by_id("faults").attributes
    (anchor, sentence), *others = faults_of(page).items()
    assert not others
    control = page.by_id(anchor)
    assert (control.get("name"), control.get("value")) == ("own_mass_g", "5")
    assert control.get("aria-invalid") == "true"
    assert "own_mass_g-fault" in control.get("aria-describedby").split()
    assert "30 to 250" in sentence
    assert "checked" in page.by_id("own_rating_tone-6").attributes, "the usable answers stay"


WRONG = [
    ("instrument", {"instrument": "kazoo"}, "instrument-violin"),
    ("instrument", {**BASS, "string_length_mm": "two metres"}, "string_length_mm"),
    ("instrument", {**BASS, "string_length_mm": "12"}, "string_length_mm"),
    ("instrument", {**BASS, "strings": "9"}, "strings-3"),
    ("instrument", {**BASS, "hold": "loose"}, "hold-german"),
    ("work", {"settings": ["orchestra", "circus"]}, "settings-orchestra"),
    ("own-bow", {"own_bow": "perhaps"}, "own_bow-yes"),
    ("own-bow", {"own_bow": "yes", "own_kind": "glass"}, "own_kind-wood"),
    ("own-bow", {"own_bow": "yes", "own_mass_g": "1e3"}, "own_mass_g"),
    ("own-bow", {"own_bow": "yes", "own_rating_tone": "8"}, "own_rating_tone-1"),
    ("own-bow", {"own_bow": "yes", "own_rating_tone": "0"}, "own_rating_tone-1"),
    ("own-bow", {"own_bow": "yes", "own_rating_tone": "4.5"}, "own_rating_tone-1"),
    ("wishes", {"priority_1": "tone", "priority_2": "tone"}, "priority_2"),
    ("wishes", {"priority_1": "overall"}, "priority_1"),
    ("wishes", {"wish_mass": "2"}, "wish_mass--1"),
    ("wishes", {"wish_tone": "dark"}, "wish_tone--1"),
    ("budget", {"amount": "2,600"}, "amount"),
    ("budget", {"amount": "-5"}, "amount"),
    ("budget", {"amount": "1e999"}, "amount"),
    ("budget", {"amount": "100", "currency": "gold"}, "currency"),
    ("budget", {"amount": "100", "stretch_percent": "101"}, "stretch_percent-0"),
    ("budget", {"minutes": "5"}, "minutes-20"),
    ("budget", {"place": "moon"}, "place-shop"),
    ("contact", {"name": "A", "email": "nobody", "consent_advice": "yes"}, "email"),
    ("contact", {"name": "A", "email": "a@b.example\r\nBcc: c@d.example", "consent_advice": "yes"}, "email"),
    ("contact", {"phone": "call me", "consent_advice": "yes"}, "phone"),
    ("contact", {"name": "x" * 300, "consent_advice": "yes"}, "name"),
    ("contact", {"name": "Ada"}, "consent_advice"),
]


@pytest.mark.parametrize(("step", "answers", "anchor"), WRONG)
def test_each_wrong_answer_is_led_to_and_makes_no_enquiry(
    reader: Reader, served: Database, step: str, answers: dict[str, str | list[str]], anchor: str
) -> None:
    before = len(enquiries(served))
    page = at(reader, step)
    fields = {"csrf": page.all("input", name="csrf")[0].get("value"), "go": "next"}
    page = reader.post(page.address, fields | answers)
    assert page.status == 422
    assert anchor in faults_of(page)
    assert all(sentence.endswith(".") and "_" not in sentence for sentence in faults_of(page).values())
    assert len(enquiries(served)) == before


def test_what_is_wrong_is_named_in_the_order_of_the_page(reader: Reader) -> None:
    page = reader.send(at(reader, "contact"), {"name": "Ada Example", "email": "nobody"})
    assert list(faults_of(page)) == ["email", "consent_advice"]


def test_what_is_typed_is_escaped_wherever_it_is_shown_again(reader: Reader) -> None:
    script = "<script>alert('here')</script>"
    page = reader.send(at(reader, "own-bow"), {"own_bow": "yes", "own_mass_g": script})
    assert page.by_id("own_mass_g").get("value") == script
    assert "<script>alert" not in page.source
    page = reader.send(at(reader, "contact"), {"name": script, "consent_advice": "yes", "email": script})
    assert "<script>alert" not in page.source
    assert page.by_id("name").get("value") == script


def test_the_end_cannot_be_reached_past_a_wrong_answer(reader: Reader, served: Database) -> None:
    before = len(enquiries(served))
    page = reader.send(at(reader, "budget"), {"amount": "lots"}, go="back")
    last = reader.get(page.address.replace("wishes", "contact"))
    page = reader.send(last)
    assert page.address.endswith("/budget")
    assert list(faults_of(page)) == ["amount"]
    page = reader.send(page, {"amount": "900"})
    assert page.address.endswith("/contact"), "mended, the reader is back at the end"
    assert len(enquiries(served)) == before


def test_without_an_instrument_every_address_leads_to_the_first_question(reader: Reader) -> None:
    page = begun(reader)
    for step in STEPS[1:]:
        assert reader.get(page.address.replace("instrument", step)).address == page.address


# Back, again, later


def test_going_back_keeps_what_was_typed_even_where_it_is_wrong(reader: Reader) -> None:
    page = reader.send(at(reader, "budget"), {"amount": "about 900", "minutes": "60"}, go="back")
    assert page.status == 200
    assert page.address.endswith("/wishes")
    page = reader.send(page)
    assert page.by_id("amount").get("value") == "about 900"
    assert "checked" in page.by_id("minutes-60").attributes
    assert not page.of_class("faults"), "nothing is complained of before it is sent"


def test_a_draft_goes_on_where_it_was_left(reader: Reader) -> None:
    page = reader.send(at(reader, "work"), {"settings": "folk"})
    again = Reader(reader.app).get(f"/form/{address_of(page)}")
    assert again.address == page.address


def test_an_answer_changed_from_the_last_step_leads_back_there(reader: Reader) -> None:
    page = reader.send(at(reader, "contact"), go="work")
    assert page.address.endswith("/work")
    page = reader.send(page, {"settings": "early_music"})
    assert page.address.endswith("/contact")
    assert "early music" in page.text


def test_a_changed_instrument_drops_what_is_without_sense_and_says_so(reader: Reader, served: Database) -> None:
    page = reader.send(begun(reader), BASS)
    page = reader.send(reader.send(page), {"own_bow": "yes", "own_rating_steadiness": "2", "own_rating_overall": "5"})
    first = reader.get(page.address.replace("wishes", "instrument"))
    page = reader.send(first, {"instrument": "violin"})
    assert "no longer among your answers" in page.text
    own = reader.get(page.address.replace("work", "own-bow"))
    assert "checked" in own.by_id("own_rating_overall-5").attributes
    page = reader.get(own.address.replace("own-bow", "contact"))
    assert "no longer among your answers" in page.text, "said until the reader has gone on"
    reader.send(page)
    answers = enquiries(served)[-1].answers
    assert answers["own_bow"] == {"kind": "unknown", "ratings": {"overall": 5}}
    assert not {"hold", "strings", "string_length_mm"} & answers.keys()


def test_sending_the_end_twice_gives_one_enquiry_at_one_address(reader: Reader, served: Database) -> None:
    last = at(reader, "contact")
    before = len(enquiries(served))
    answers = [reader.send(last) for _ in range(3)]
    assert len({page.address for page in answers}) == 1
    assert len(enquiries(served)) == before + 1
    for step in ("", "/instrument", "/contact"):
        assert reader.get(f"/form/{address_of(last)}{step}").address == answers[0].address
    changed = reader.post(last.address, {"csrf": last.all("input", name="csrf")[0].get("value"), "name": "Ada"})
    assert changed.address == answers[0].address


def test_looking_at_pages_changes_nothing(reader: Reader, served: Database) -> None:
    last = at(reader, "contact")
    answer = reader.send(at(reader, "contact")).address
    before = drafts_kept(served), len(enquiries(served))
    for step in (*STEPS, "double-bass", "budget?check=yes&then=check"):
        reader.get(f"/form/{address_of(last)}/{step}")
    reader.get(f"/form/{address_of(last)}")
    reader.get(answer)
    reader.request("GET", f"{answer}/again")
    assert (drafts_kept(served), len(enquiries(served))) == before


def test_changing_the_answers_begins_a_new_draft_that_holds_them(reader: Reader, served: Database) -> None:
    page = reader.send(begun(reader, "harbour"), BASS)
    page = reader.send(page, {"settings": "theatre"})
    page = reader.send(page, {"own_bow": "none"})
    page = reader.send(page, {"priority_1": "ease", "wish_tone": "1"})
    page = reader.send(page, {"amount": "1500", "currency": "EUR", "stretch_percent": "20", "minutes": "75"})
    answer = reader.send(page)
    stored = enquiries(served)[-1].answers
    again = reader.send(answer, go="change")
    assert again.address.endswith("/instrument")
    last = reader.get(again.address.replace("instrument", "contact"))
    second = reader.send(last)
    assert second.address != answer.address
    assert enquiries(served)[-1].answers == stored
    assert reader.get(answer.address).h1 == answer.h1, "the first answer stays"


# Who may


@pytest.mark.parametrize("token", ["", "0" * 64, "ü"])
def test_a_form_from_elsewhere_changes_nothing(reader: Reader, served: Database, token: str) -> None:
    page = at(reader, "work")
    before = drafts_kept(served)
    for address in ("/form", page.address, "/advice/nowhere/again"):
        refused = reader.post(address, {"csrf": token, "settings": "jazz", "go": "next"})
        assert refused.status == 403
    assert drafts_kept(served) == before


def test_the_token_of_one_draft_does_not_open_another(reader: Reader) -> None:
    one, other = at(reader, "work"), at(reader, "work")
    token = one.all("input", name="csrf")[0].get("value")
    assert reader.post(other.address, {"csrf": token, "go": "next"}).status == 403


@pytest.mark.parametrize("address", ["/form/nowhere", "/form/nowhere/work", "/advice/nowhere"])
def test_an_unknown_address_says_so_and_offers_to_start_again(reader: Reader, address: str) -> None:
    page = reader.get(address)
    assert page.status == 404
    assert [e.get("href") for e in page.of_class("go")] == ["/"]


def test_an_unknown_step_is_not_found(reader: Reader) -> None:
    assert reader.get(at(reader, "work").address + "-out").status == 404


def test_a_draft_that_nobody_touched_for_a_fortnight_is_gone(reader: Reader, served: Database) -> None:
    page = at(reader, "work")
    old = dt.datetime.now(dt.UTC) - DRAFT_LIFE - dt.timedelta(minutes=1)
    with served.writing() as session:
        session.execute(update(tables.Draft).where(tables.Draft.id == address_of(page)).values(updated_at=old))
    assert reader.get(page.address).status == 404
    retention.sweep(served, dt.datetime.now(dt.UTC))
    assert address_of(page) not in {row[0] for row in drafts_kept(served)}


def test_a_name_is_stored_with_consent_only_and_in_one_place(reader: Reader, served: Database) -> None:
    page = at(reader, "contact")
    refused = reader.send(page, {"name": "Ada Example", "email": "ada@example.org"})
    assert list(faults_of(refused)) == ["consent_advice"]
    assert refused.by_id("name").get("value") == "Ada Example"
    assert "Ada" not in str(drafts_kept(served))
    agreed = {"consent_advice": "yes", "consent_mail": "yes"}
    answer = reader.send(refused, agreed)
    contact = enquiries(served)[-1].contact
    assert contact is not None
    assert (contact["name"], contact["email"]) == ("Ada Example", "ada@example.org")
    assert contact["consent"] == {"advice": True, "mail": True, "model": False}
    assert "Ada" not in str(drafts_kept(served))
    assert "Ada" not in answer.source, "a link may be handed on"


@pytest.mark.parametrize(
    "text", ["\0", "x" * 5_000, "\u202e1 g", "\ud83c\udfbb".encode("utf-16", "surrogatepass").decode("utf-16")]
)
def test_odd_text_is_refused_in_plain_words(reader: Reader, text: str) -> None:
    page = reader.send(at(reader, "own-bow"), {"own_bow": "yes", "own_mass_g": text + "1"})
    assert page.status == 422
    assert list(faults_of(page)) == ["own_mass_g"]
    assert reader.get(page.address).status == 200


def test_a_file_or_a_flood_of_fields_is_refused(reader: Reader) -> None:
    page = at(reader, "work")
    token = page.all("input", name="csrf")[0].get("value")
    upload = reader.request("POST", page.address, data={"csrf": token}, files={"settings": b"x"})
    assert upload.status_code == 400
    flood = reader.request("POST", page.address, data={"csrf": token, **{f"f{n}": "1" for n in range(500)}})
    assert flood.status_code == 422
    assert len(flood.text) < 60_000


# Many at once


def ready(reader: Reader) -> Page:
    """Return the last step of a draft that can be finished."""
    page = reader.send(begun(reader, "harbour"), {"instrument": "violin"})
    return reader.get(page.address.replace("work", "contact"))


def test_the_end_sent_to_two_servers_at_once_gives_one_enquiry(any_database: Database, tmp_path: Path) -> None:
    url = any_database.url.render_as_string(hide_password=False)
    add_small_range(any_database)
    settings = settings_in(tmp_path, database_url=url)
    with serving(settings) as one, serving(settings) as other:
        readers = [Reader(one.app), Reader(other.app)]
        last = ready(readers[0])
        with ThreadPoolExecutor(len(readers)) as pool:
            answers = list(pool.map(lambda reader: reader.send(last), readers))
    assert {page.status for page in answers} == {200}
    assert len({page.address for page in answers}) == 1
    assert len(enquiries(any_database)) == 1


def test_a_dealer_who_has_gone_does_not_stop_the_player(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path)) as client:
        with client.database.writing() as session:
            session.add(tables.Dealer(slug="harbour", name="Harbour Strings (invented)"))
        reader = Reader(client.app)
        last = ready(reader)
        with client.database.writing() as session:
            session.execute(delete(tables.Dealer))
        assert reader.send(last).address.startswith("/advice/")


def test_one_address_that_asks_without_end_is_told_to_wait(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path, advice_per_minute=2)) as client:
        reader = Reader(client.app)
        pages = [begun(reader) for _ in range(3)]
    assert [page.status for page in pages] == [200, 200, 429]
    assert int(pages[-1].headers["retry-after"]) > 0
