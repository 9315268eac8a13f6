"""The tablet's and the phone's doors: who may, what is told, and what is said where something is not right."""

import datetime as dt
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import select, update

from model.domain.vocabulary import Place
from service import tables
from service.devices import tablets
from service.trials import paired_comparison, rater_links
from tests.service import trial_rows
from tests.service.client import BROWSER, Client, serving, settings_in
from tests.service.trial_rows import TrialRows

RUN = "3f0c9a52-aaaa-bbbb-cccc-000000000001"
SECRETS = (
    *trial_rows.COPIES,
    *trial_rows.TIERS,
    *(tier.capitalize() for tier in trial_rows.TIERS),
    "1234",
    "5678",
    "1,234",
)
"""What no screen of a player's or a listener's may hold: serials, tiers by slug and name, prices."""


class Shop(Client):
    """The application with an invented trial, and a tablet's way to ask it."""

    rows: TrialRows

    def with_key(self, method: str, path: str, key: str | None = None, **request: Any) -> httpx.Response:
        headers = {"Authorization": f"Bearer {self.rows.tablet_key if key is None else key}"}
        return self.send(method, path, headers=headers | request.pop("headers", {}), **request)

    def put(self, body: Any, run: str = RUN, trial: str = "trial-one", key: str | None = None) -> httpx.Response:
        return self.with_key("PUT", f"/api/v1/trials/{trial}/runs/{run}", key, json=body)

    def sheets(self) -> list[tables.Sheet]:
        with self.database.reading() as session:
            return list(session.scalars(select(tables.Sheet).order_by(tables.Sheet.id)))

    def link(self, rater: str = "player") -> str:
        with self.database.writing() as session:
            return rater_links.open_seat(
                session, self.rows.user, "quayside", "trial-one", rater, signer=self.app.state.signer
            )

    def set_state(self, state: str) -> None:
        with self.database.writing() as session:
            composition = session.scalars(select(tables.Composition)).one()
            composition.closed_at = trial_rows.OPENED
            composition.state = state


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    with serving(settings_in(tmp_path)) as client:
        shop = Shop(client.app)
        with shop.database.writing() as session:
            shop.rows = trial_rows.add_all(session)
        yield shop


def sheet(**changes: Any) -> dict[str, Any]:
    return {
        "revision": 1,
        "position": 1,
        "letter": "F",
        "rater": "player",
        "ratings": {"overall": 5, "response": "cannot_tell"},
        "note": None,
        "rated_at": "2026-03-02T12:00:00Z",
    } | changes


def problems(answer: httpx.Response) -> dict[str, str]:
    return {each["path"]: each["detail"] for each in answer.json()["errors"]}


# The API's door for sheets


def test_a_sheet_is_stored_and_the_answer_says_so(shop: Shop) -> None:
    answer = shop.put(sheet())
    assert (answer.status_code, answer.json()) == (200, {"stored_revision": 1, "flags": []})
    assert shop.put(sheet()).json() == {"stored_revision": 1, "flags": []}
    assert [(one.run, one.sender) for one in shop.sheets()] == [(RUN, f"tablet {shop.rows.tablet}")]


def test_an_odd_sheet_is_stored_with_its_flags(shop: Shop) -> None:
    assert shop.put(sheet(letter="Z")).json()["flags"] == ["unknown_letter"]


@pytest.mark.parametrize(
    ("changes", "path"),
    [
        ({"revision": 0}, "revision"),
        ({"position": "one"}, "position"),
        ({"letter": None}, "letter"),
        ({"rater": "maker"}, "rater"),
        ({"ratings": {"overall": 8}}, "ratings.overall"),
        ({"ratings": {"sparkle": 3}}, "ratings"),
        ({"ratings": {"carrying": 3}}, "ratings"),
        ({"rated_at": "yesterday"}, "rated_at"),
        ({"rated_at": "2026-03-02T12:00:00"}, "rated_at"),
        ({"serial": "DB-9101"}, "serial"),
    ],
)
def test_a_malformed_sheet_is_refused_with_the_fields_path_and_a_sentence(
    shop: Shop, changes: dict[str, Any], path: str
) -> None:
    answer = shop.put(sheet(**changes))
    assert answer.status_code == 422
    assert problems(answer).keys() == {path}
    assert all(sentence.endswith(".") for sentence in problems(answer).values())
    assert shop.sheets() == []


def test_a_missing_field_and_what_is_no_json_are_refused(shop: Shop) -> None:
    without = sheet()
    del without["letter"]
    assert problems(shop.put(without))["letter"].startswith("This is needed")
    broken = shop.with_key(
        "PUT",
        f"/api/v1/trials/trial-one/runs/{RUN}",
        content=b'{"revision": ',
        headers={"Content-Type": "application/json"},
    )
    assert broken.status_code == 422
    assert "not JSON" in problems(broken)[""]
    plain = shop.with_key(
        "PUT", f"/api/v1/trials/trial-one/runs/{RUN}", content=b"x", headers={"Content-Type": "text/plain"}
    )
    assert plain.status_code == 415


def test_an_id_that_is_none_is_refused(shop: Shop) -> None:
    assert problems(shop.put(sheet(), run="short")).keys() == {"run_id"}


def test_a_note_keeps_its_lines_and_loses_what_no_database_keeps(shop: Shop) -> None:
    assert shop.put(sheet(note="bright\nbut \x00thin")).status_code == 200
    assert shop.sheets()[0].note == "bright\nbut  thin"


@pytest.mark.parametrize("key", ["", "nobody", "trial-one.AAAA"])
def test_without_a_key_that_opens_nothing_is_stored(shop: Shop, key: str) -> None:
    assert shop.put(sheet(), key=key).status_code == 401
    assert shop.sheets() == []


def test_a_revoked_tablet_is_told_401_and_nothing_is_stored(shop: Shop) -> None:
    with shop.database.writing() as session:
        tablets.revoke(session, shop.rows.user, "quayside", shop.rows.tablet)
    assert shop.put(sheet()).status_code == 401
    assert shop.with_key("GET", "/tablet/trials").status_code == 401
    assert shop.sheets() == []


def test_a_tablet_of_another_dealer_finds_nothing(shop: Shop) -> None:
    with shop.database.writing() as session:
        trial_rows.add_dealer(session, "hillside")
        _id, key = trial_rows.add_tablet(session, "hillside")
    assert shop.put(sheet(), key=key).status_code == 404
    assert shop.with_key("GET", "/tablet/trials", key).json() == {"trials": []}
    assert shop.with_key("GET", "/tablet/trials/trial-one", key).status_code == 404
    assert shop.sheets() == []


def test_a_link_sends_for_its_own_trial_and_rater_only(shop: Shop) -> None:
    token = shop.link("listener").removeprefix("/play/")
    with shop.database.writing() as session:
        trial_rows.add_trial(session, key="trial-two", letters=("M", "N"))
    listened = sheet(rater="listener", ratings={"overall": 4, "carrying": 6})
    assert shop.put(listened, key=token).status_code == 200
    assert problems(shop.put(sheet(), key=token)).keys() == {"rater"}
    assert shop.put(listened, trial="trial-two", key=token).status_code == 404
    assert [one.rater for one in shop.sheets()] == ["listener"]


def test_what_waited_on_a_phone_is_taken_after_its_link_has_ended(shop: Shop) -> None:
    token = shop.link().removeprefix("/play/")
    with shop.database.writing() as session:
        session.execute(update(tables.Seat).values(expires_at=dt.datetime.now(dt.UTC) - dt.timedelta(minutes=1)))
    assert shop.put(sheet(), key=token).json() == {"stored_revision": 1, "flags": ["late"]}


# The tablet's own doors


def test_a_tablet_is_enrolled_by_a_code_that_works_once(shop: Shop) -> None:
    with shop.database.writing() as session:
        code = tablets.make_code(session, shop.rows.user, "quayside", "By the window")
    answer = shop.send("POST", "/tablet/enrol", json={"code": f" {code[:4]}-{code[4:].lower()} "})
    assert answer.status_code == 201
    told = answer.json()
    assert (told["name"], told["dealer"], told["dealer_name"]) == (
        "By the window",
        "quayside",
        "Quayside Strings (invented)",
    )
    assert shop.with_key("GET", "/tablet/trials", told["key"]).status_code == 200
    assert shop.send("POST", "/tablet/enrol", json={"code": code}).status_code == 404


def test_codes_cannot_be_tried_out(shop: Shop) -> None:
    answers = [shop.send("POST", "/tablet/enrol", json={"code": f"CODE{n:04}"}).status_code for n in range(12)]
    assert answers[:10] == [404] * 10
    assert answers[-1] == 429


def test_the_tablets_list_tells_number_and_first_name_and_no_more(shop: Shop) -> None:
    with shop.database.writing() as session:
        trial_rows.add_trial(session, key="trial-two", letters=("M", "N"), state="planned")
        trial_rows.add_trial(session, key="trial-three", letters=("M", "N"), name="")
    listed = shop.with_key("GET", "/tablet/trials").json()["trials"]
    assert listed == [
        {"id": "trial-three", "number": 3, "name": "", "pairs": False},
        {"id": "trial-one", "number": 1, "name": "Anna", "pairs": False},
    ]


def test_a_trial_that_is_planned_only_is_not_on_the_tablet(shop: Shop) -> None:
    shop.set_state("planned")
    assert shop.with_key("GET", "/tablet/trials/trial-one").status_code == 404


def test_the_screen_asks_overall_first_then_what_leads_then_what_matters_most_to_the_player(shop: Shop) -> None:
    with shop.database.writing() as session:
        session.scalars(select(tables.Trial)).one().priorities = "ease response"
    screen = shop.with_key("GET", "/tablet/trials/trial-one").json()
    asked = [each["name"] for each in screen["criteria"]]
    assert asked == ["overall", "response", "clarity", "dynamic_range", "steadiness", "ease"]
    assert screen["criteria"][1]["question"] == "Response: how does a soft note begin?"
    assert [slot["letter"] for slot in screen["slots"]] == ["F", "C", "", "R", "K", ""]
    assert [slot["own"] for slot in screen["slots"]] == [False, False, True, False, False, True]


def test_another_tablet_is_told_which_bows_have_a_sheet_but_not_what_is_on_it(shop: Shop) -> None:
    shop.put(sheet(note="a secret word"))
    screen = shop.with_key("GET", "/tablet/trials/trial-one")
    assert screen.json()["rated"] == [1]
    assert "secret word" not in screen.text


def pages_and_payloads(shop: Shop) -> dict[str, str]:
    """Return everything that a tablet, a player's phone or a listener gets, by address."""
    with shop.database.writing() as session:
        head = paired_comparison.start(session, shop.rows.user, "quayside", "trial-one", ("F", "C"))
    pair = {"head_to_head": head, "number": 1, "preferred": "first", "rated_at": "2026-03-02T12:00:00Z"}
    got = {
        "sheet": shop.put(sheet()).text,
        "pair": shop.with_key("PUT", "/tablet/trials/trial-one/pairs/pair-0001", json=pair).text,
    }
    for path in ("/tablet/trials", "/tablet/trials/trial-one"):
        got[path] = shop.with_key("GET", path).text
    for path in ("/tablet", "/tablet/enrol", "/tablet-worker.js"):
        got[path] = shop.get(path, headers=BROWSER).text
    for rater in ("player", "listener"):
        link = shop.link(rater)
        got |= {path: shop.get(path, headers=BROWSER).text for path in (link, *(f"{link}/{n}" for n in range(1, 7)))}
    return got


def test_no_page_and_no_payload_of_a_player_holds_a_serial_a_tier_or_a_price(shop: Shop) -> None:
    got = pages_and_payloads(shop)
    assert len(got) == 2 + 2 + 3 + 2 * 7
    assert {path: word for path, text in got.items() for word in SECRETS if word in text} == {}
    letters = "".join(got[path] for path in got if path.startswith("/play/"))
    assert all(letter in letters for letter in trial_rows.LETTERS)


def test_the_check_for_secrets_sees_one(shop: Shop) -> None:
    with shop.database.writing() as session:
        session.scalars(select(tables.Contact)).one().name = "DB-9102"
    assert any(word in shop.with_key("GET", "/tablet/trials").text for word in SECRETS)


def test_the_worker_keeps_what_the_pages_need_and_every_file_is_there(shop: Shop) -> None:
    script = shop.get("/tablet-worker.js")
    assert script.headers["content-type"].startswith("text/javascript")
    assert script.headers["cache-control"] == "no-cache"
    found = re.search(r"^const FILES = (\[.*\]);$", script.text, re.MULTILINE)
    assert found is not None
    files = json.loads(found[1])
    assert {shop.get(path).status_code for path in files} == {200}
    pages = shop.get("/tablet").text + shop.get(shop.link()).text
    asked = set(re.findall(r'(?:href|src)="(/static/[^"?]+)[?"]', pages))
    assert asked <= set(files)


def test_every_module_that_a_script_imports_is_kept_for_offline(shop: Shop) -> None:
    script = shop.get("/tablet-worker.js").text
    for path in re.findall(r'"(/static/[^"]+\.js)"', script):
        for name in re.findall(r'from "\./([^"]+)"', shop.get(path).text):
            assert f'"{path.rsplit("/", 1)[0]}/{name}"' in script


# The phone, without scripts


def filled(page: httpx.Response, **fields: str) -> dict[str, str]:
    token = re.search(r'name="csrf" value="([0-9a-f]+)"', page.text)
    assert token is not None
    return {"csrf": token[1], **fields}


def test_a_trial_by_post_is_played_through_with_plain_forms(shop: Shop) -> None:
    link = shop.link()
    assert f'href="{link}/1"' in shop.get(link).text
    address = f"{link}/1"
    for number in range(1, 7):
        form = filled(shop.get(address), overall=str(number), response="cannot_tell", note=f"bow {number}")
        answer = shop.send("POST", address, data=form)
        assert answer.status_code == 303
        address = answer.headers["location"]
    assert address == link
    assert "Thank you, every bow is rated" in shop.get(link).text
    kept = [(one.position, one.ratings, one.note, one.counts) for one in shop.sheets()]
    assert kept == [(n, {"overall": n, "response": "cannot_tell"}, f"bow {n}", True) for n in range(1, 7)]


def test_the_eight_strokes_are_played_with_plain_forms_one_by_one(shop: Shop) -> None:
    bow = f"{shop.link()}/2"
    answer = shop.send("POST", bow, data=filled(shop.get(bow), overall="4", then="strokes"))
    address = answer.headers["location"]
    begin = shop.get(address).text
    assert "first pain, tingling or numbness" in begin
    address = re.search(rf'href="({address}/1)"', begin)[1]  # type: ignore[index]
    twice = filled(shop.get(address)) | {"mark": ["clean", "broken"]}
    refused = shop.send("POST", address, data=twice)
    assert refused.status_code == 422
    assert "marked twice" in refused.text
    unknown = shop.send("POST", address, data=filled(shop.get(address), mark="fine"))
    assert unknown.status_code == 422
    assert "Choose one of the three" in unknown.text
    for mark in ("broken", *["clean"] * 7):
        answer = shop.send("POST", address, data=filled(shop.get(address), mark=mark))
        address = answer.headers["location"]
    assert "7 of 8 clean" in shop.get(address).text
    assert shop.send("GET", f"{bow}/strokes/9").status_code == 404
    assert shop.send("GET", f"{shop.link()}/99/strokes").status_code == 404
    last = shop.sheets()[-1]
    assert (last.ratings, last.counts) == ({"overall": 4}, True)
    assert sorted((last.strokes or "").split()) == [*"0000000", "2"]


def test_a_form_sent_twice_is_one_sheet_and_a_changed_one_a_later_revision(shop: Shop) -> None:
    address = f"{shop.link()}/2"
    form = filled(shop.get(address), overall="4")
    for _time in range(2):
        shop.send("POST", address, data=form)
    shop.send("POST", address, data=form | {"overall": "6"})
    assert [(one.revision, one.ratings["overall"], one.counts) for one in shop.sheets()] == [
        (1, 4, False),
        (2, 6, True),
    ]
    assert re.search(r'id="overall-6" value="6" checked', shop.get(address).text)


def test_a_form_without_overall_says_what_is_missing_and_keeps_what_was_chosen(shop: Shop) -> None:
    address = f"{shop.link()}/1"
    answer = shop.send("POST", address, data=filled(shop.get(address), response="3"), headers=BROWSER)
    assert answer.status_code == 422
    assert "Say first how you like it as a whole" in answer.text
    assert re.search(r'id="response-3" value="3" checked', answer.text)
    assert shop.sheets() == []


def test_a_form_with_another_token_changes_nothing(shop: Shop) -> None:
    assert shop.send("POST", f"{shop.link()}/1", data={"csrf": "0" * 64, "overall": "4"}).status_code == 403
    assert shop.sheets() == []


def test_the_listener_is_asked_what_is_heard_across_the_room(shop: Shop) -> None:
    page = shop.get(f"{shop.link('listener')}/1").text
    assert re.findall(r'id="(\w+)-1"', page) == ["overall", "tone", "clarity", "carrying"]


def test_a_link_that_was_not_made_here_or_is_altered_leads_nowhere(shop: Shop) -> None:
    link = shop.link()
    for path in (f"{link[:-1]}{'A' if link[-1] != 'A' else 'B'}", "/play/x", "/play/x.y", f"{link}/99", f"{link}/x"):
        assert shop.get(path, headers=BROWSER).status_code in (404, 422)


def test_a_closed_link_says_that_the_trial_is_over(shop: Shop) -> None:
    link = shop.link()
    shop.set_state("closed")
    page = shop.get(link, headers=BROWSER)
    assert page.status_code == 200
    assert "This trial is over" in page.text
    assert shop.get(f"{link}/1", headers=BROWSER).status_code == 404


@pytest.mark.parametrize(
    ("place", "said"), [(Place.SHOP, "has not opened this trial yet"), (Place.POST, "Your parcel")]
)
def test_the_link_of_a_trial_that_has_not_begun_says_so_and_a_strangers_says_nothing(
    shop: Shop, place: Place, said: str
) -> None:
    link = shop.link()
    shop.set_state("planned")
    with shop.database.writing() as session:
        session.execute(update(tables.Trial).values(place=place))
    page = shop.get(link, headers=BROWSER)
    assert page.status_code == 200
    assert page.headers["cache-control"] == "no-store"
    assert 'name="robots" content="noindex' in page.text
    assert "Not begun yet" in page.text
    assert said in page.text
    assert "Anna" not in page.text
    assert shop.get(f"{link}/1", headers=BROWSER).status_code == 404
    assert shop.get(f"{link[:-1]}{'A' if link[-1] != 'A' else 'B'}", headers=BROWSER).status_code == 404


def test_a_form_that_was_open_when_the_trial_was_closed_is_kept_and_flagged(shop: Shop) -> None:
    address = f"{shop.link()}/1"
    form = filled(shop.get(address), overall="4")
    shop.set_state("closed")
    assert shop.send("POST", address, data=form).status_code == 303
    assert [one.flags for one in shop.sheets()] == ["late"]


def test_a_stroke_marked_when_the_link_had_just_closed_is_kept_and_flagged(shop: Shop) -> None:
    link = shop.link()
    address = f"{link}/1/strokes/1"
    form = filled(shop.get(address), mark="clean")
    shop.set_state("closed")
    answer = shop.send("POST", address, data=form)
    assert (answer.status_code, answer.headers.get("location")) == (303, link)
    assert [(one.flags, (one.strokes or "").count("0")) for one in shop.sheets()] == [("late", 1)]
    assert shop.get(address).status_code == 404


@pytest.mark.parametrize(("rater", "said"), [("player", True), ("listener", False)])
def test_the_player_alone_is_told_to_warm_up_without_scripts_too(shop: Shop, rater: str, said: bool) -> None:
    page = shop.get(shop.link(rater)).text
    listed = page[: page.index("<template")]
    assert ("First play your own bow for a few minutes, to warm up." in listed) is said


def test_links_are_kept_out_of_search_engines_and_caches(shop: Shop) -> None:
    page = shop.get(shop.link())
    assert page.headers["cache-control"] == "no-store"
    assert 'name="robots" content="noindex' in page.text
    assert page.headers["referrer-policy"] == "no-referrer"


def test_the_same_link_is_shown_again(shop: Shop) -> None:
    assert shop.link() == shop.link()
    assert shop.link() != shop.link("listener")
    with shop.database.reading() as session:
        paths = rater_links.open_paths(session, "quayside", "trial-one", signer=shop.app.state.signer)
    assert paths == {"player": shop.link(), "listener": shop.link("listener")}
