"""Refusals as problem details (RFC 9457): each code, on whole requests and on fields, is brought about from outside, and documented."""

import asyncio
import datetime as dt
import re
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import APIRouter
from sqlalchemy.exc import OperationalError

from service.cli.protocol import MOST_HEADERS
from service.core.limits import RateLimit
from service.dealers import api_keys, sandbox
from service.dealers import site as doors
from service.devices import tablets
from service.trials import lifecycle, paired_comparison
from service.web import api_schema, security
from tests.service import cast, trial_cast
from tests.service.cast import DEALER, OTHER, Desk
from tests.service.client import Client
from tests.service.front_door import JSON, Request, never
from tests.service.web.test_protocol import ASK, sent

PAGE = "https://shop.example"
PAGES = Path(__file__).resolve().parents[3] / "service" / "docs" / "api.md"
BASS: dict[str, Any] = {"instrument": "double_bass", "hold": "german"}
FAULTY = APIRouter()


@FAULTY.get("/faulty/{kind}", include_in_schema=False)
async def faulty(kind: str) -> None:
    raise OperationalError("SELECT 1", {}, Exception("locked")) if kind == "busy" else RuntimeError("secret detail")


@dataclass
class World:
    """The desk's application, a client, and a key of every kind; ``others``: the server key of another dealer."""

    desk: Desk
    client: Client
    site: str
    server: str
    others: str
    test: str
    tablet: str

    def send(self, method: str, path: str, key: str | None = None, **request: Any) -> httpx.Response:
        given = {"Authorization": f"Bearer {key}"} if key else {}
        return self.client.send(method, path, headers=given | request.pop("headers", {}), **request)

    def trial(self, key: str | None = None, **changes: Any) -> httpx.Response:
        body = {"id": str(uuid.uuid4()), **BASS, "copies": ["DB-juniper-0"], "date": "2030-03-01"} | changes
        return self.send("POST", "/api/v1/trials", key or self.server, json=body)

    def advice(self, key: str | None = None, **changes: Any) -> httpx.Response:
        return self.send("POST", "/api/v1/advice", key, json=BASS | changes)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    with cast.opened(tmp_path_factory.mktemp("problems"), _migrated_file, advice_per_minute=0) as desk:
        desk.app.include_router(FAULTY)
        with desk.database.writing() as session:
            doors.set_pages(session, None, DEALER, PAGE, "", "")
            kinds = ((DEALER, "website"), (DEALER, "server"), (OTHER, "server"), (DEALER, "test"))
            site, server, others, test = (api_keys.make(session, None, *each) for each in kinds)
            code = tablets.make_code(session, desk.ids["owner"], DEALER, "Room")
            tablet = tablets.enrol(session, code)[1]
        yield World(desk, Client(desk.app, forgiving=True), site, server, others, test, tablet)


# Whole requests


def signed_in(world: World, name: str, method: str, path: str) -> httpx.Response:
    return world.desk.sign_in(name).send(method, path, headers={"Accept": "application/json"})


def too_slow(world: World) -> httpx.Response:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(security, "PATIENCE", 0.01)
        answer = asyncio.run(Request(world.desk.app, never).send("POST", "/api/v1/advice", {"Content-Type": JSON}))
    return httpx.Response(answer.status, headers=answer.headers, content=answer.body)


def too_often(world: World) -> httpx.Response:
    state = world.desk.app.state
    before, state.server_limit = state.server_limit, RateLimit(1)
    try:
        return [world.advice(world.server) for _time in range(2)][-1]
    finally:
        state.server_limit = before


def spent_test_key(world: World) -> httpx.Response:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sandbox, "MOST_CALLS", 1)
        return [world.advice(world.test) for _time in range(2)][-1]


def head_too_large(_world: World) -> httpx.Response:
    wire = sent(ASK + b"X-Many: 1\r\n" * MOST_HEADERS + b"\r\n")
    head, _, content = wire.written.partition(b"\r\n\r\n")
    lines = [line.split(": ", 1) for line in head.decode().split("\r\n")[1:]]
    return httpx.Response(wire.status or 0, headers=dict(lines), content=content)


def pair_on_two_screens(world: World) -> httpx.Response:
    with world.desk.database.writing() as session:
        today = dt.datetime.now(dt.UTC).date().isoformat()
        trial = trial_cast.compose(session, copies=["DB-bramble-0", "DB-bramble-1"], on=today)
        lifecycle.open_(session, None, DEALER, trial)
        letter_of = {slot.copy: slot.letter for slot in trial_cast.slots(session, trial)}
        head = paired_comparison.start(
            session, None, DEALER, trial, (letter_of["DB-bramble-0"], letter_of["DB-bramble-1"])
        )
    pair = {"head_to_head": head, "number": 1, "preferred": "first", "rated_at": "2026-11-25T10:00:00Z"}
    for _screen in range(2):
        reply = world.send("PUT", f"/tablet/trials/{trial}/pairs/{uuid.uuid4()}", world.tablet, json=pair)
    return reply


def bows_taken(world: World) -> httpx.Response:
    assert world.trial(copies=["DB-juniper-1"], date="2031-03-01").status_code == 200
    return world.trial(copies=["DB-juniper-1"], date="2031-03-01")


def id_taken(world: World) -> httpx.Response:
    made = world.trial(copies=["DB-juniper-2"], date="2032-03-01").json()["id"]
    return world.trial(world.others, id=made)


def not_played_yet(world: World) -> httpx.Response:
    made = world.trial(copies=["DB-juniper-2"], date="2033-03-01").json()["id"]
    return world.send("POST", f"/api/v1/trials/{made}/outcome", world.server, json={"outcome": "none"})


def kept_after_none(world: World) -> httpx.Response:
    made = world.trial(copies=["DB-juniper-3"], date=None, open=True).json()["id"]
    told: Iterator[dict[str, str]] = iter(({"outcome": "none"}, {"outcome": "kept", "copy": "DB-juniper-3"}))
    for each in told:
        reply = world.send("POST", f"/api/v1/trials/{made}/outcome", world.server, json=each)
    return reply


WHOLE: Mapping[str, Callable[[World], httpx.Response]] = {
    "malformed_request": lambda world: world.send("GET", "/api/v1/trials/x/standing?y=%00", world.server),
    "key_missing": lambda world: world.send("GET", "/api/v1/trials/x/standing"),
    "key_unknown": lambda world: world.send("GET", "/api/v1/trials/x/standing", "server_x"),
    "wrong_origin": lambda world: world.send("POST", "/api/v1/advice", world.site, json={}),
    "secret_key_in_page": lambda world: world.send(
        "POST", "/api/v1/advice", world.server, json={}, headers={"Origin": PAGE}
    ),
    "advice_only": lambda world: world.send("GET", "/api/v1/trials/x/standing", world.site, headers={"Origin": PAGE}),
    "not_allowed": lambda world: signed_in(world, "adviser", "GET", "/desk/users"),
    "sign_in_first": lambda world: world.send("GET", "/desk/trials"),
    "form_expired": lambda world: signed_in(world, "adviser", "POST", "/desk/compose"),
    "not_found": lambda world: world.send("GET", "/api/v1/trials/x/standing", world.server),
    "method_not_allowed": lambda world: world.send("DELETE", "/api/v1/advice"),
    "too_slow": too_slow,
    "not_possible": pair_on_two_screens,
    "bows_taken": bows_taken,
    "id_taken": id_taken,
    "wrong_state": not_played_yet,
    "contradicts_record": kept_after_none,
    "test_key_spent": spent_test_key,
    "too_large": lambda world: world.send(
        "POST", "/api/v1/advice", content=b" " * 300_000, headers={"Content-Type": JSON}
    ),
    "wrong_content_type": lambda world: world.send("POST", "/api/v1/advice", content=b"instrument=violin"),
    "wrong_host": lambda world: world.send("GET", "/api/v1/advice", headers={"Host": "elsewhere.example"}),
    "invalid_fields": lambda world: world.send("POST", "/api/v1/advice", json={}),
    "too_often": too_often,
    "head_too_large": head_too_large,
    "internal_error": lambda world: world.send("GET", "/faulty/unforeseen"),
    "busy": lambda world: world.client.crowded(
        ("GET", "/api/v1/trials/x/standing", {"Authorization": f"Bearer {world.server}"})
    )[0],
    "unavailable": lambda world: world.send("GET", "/faulty/busy"),
}
"""Each code, and what brings it about."""


def documented(table: str) -> dict[str, str]:
    """Return the first two columns of the table of the page for web developers that begins so."""
    text = PAGES.read_text(encoding="utf-8")
    rows = text[text.index(table) :].partition("\n\n")[0].splitlines()[2:]
    found = [re.match(r"\| `([a-z_]+)` \| ([^|]+) \|", row) for row in rows]
    return {row[1]: row[2] for row in found if row}


@pytest.mark.parametrize("code", WHOLE)
def test_every_kind_of_refusal_is_problem_details_with_its_code(world: World, code: str) -> None:
    # RFC 9457, 3 (media type), 3.1 (members; status repeats the answer's own) and 3.2 (extension members).
    reply = WHOLE[code](world)
    assert reply.headers["content-type"] == "application/problem+json"
    told = api_schema.Problem.model_validate_json(reply.content)
    assert (told.code, told.type) == (code, f"/problems/{code}")
    assert told.status == reply.status_code == int(documented("| code | status | means |")[code])
    assert told.title
    assert not told.title.endswith(".")
    assert told.detail.endswith(".")
    assert bool(told.errors) == (code == "invalid_fields")
    assert (told.request is not None) == (told.status >= 500)
    assert "secret" not in told.detail.replace("secret and belongs", "")


def test_every_code_is_documented_described_and_brought_about_and_no_other(world: World) -> None:
    described = world.client.get("/openapi.json").json()["components"]["schemas"]
    assert set(documented("| code | status | means |")) == set(WHOLE) == set(described["Code"]["enum"])
    assert set(documented("| code | means |")) == set(FIELDS) == set(described["FieldCode"]["enum"])


def test_who_waits_is_told_how_long(world: World) -> None:
    # RFC 9110, 10.2.3; RFC 6585, section 4.
    for code in ("too_often", "busy", "unavailable"):
        assert int(WHOLE[code](world).headers["retry-after"]) > 0


def test_without_a_key_no_error_of_one_is_told(world: World) -> None:
    # RFC 6750, 3.1: without any authentication information the answer should hold no code of an error.
    assert WHOLE["key_missing"](world).headers["www-authenticate"] == "Bearer"
    assert WHOLE["key_unknown"](world).headers["www-authenticate"] == 'Bearer error="invalid_token"'


@pytest.mark.parametrize("code", WHOLE)
def test_the_type_leads_to_a_page_in_the_readers_language(world: World, code: str) -> None:
    # RFC 9457, 3.1.1: a type that can be fetched gives documentation for people.
    told = [
        world.client.get(f"/problems/{code}", headers={"Accept-Language": language}).text for language in ("en", "de")
    ]
    assert all(code in page and page.count("<h1") == 1 for page in told)
    headings = [re.search(r"<h1>(.*?)</h1>", page) for page in told]
    assert len({heading[1] for heading in headings if heading}) == 2


def test_there_is_no_page_of_a_code_that_is_none(world: World) -> None:
    reply = world.client.get("/problems/teapot")
    assert (reply.status_code, reply.json()["code"]) == (404, "not_found")


def test_the_code_is_the_same_in_every_language_and_the_words_are_not(world: World) -> None:
    told = [world.advice(language=language, colour="red").json() for language in ("en", "de", "fr", "it")]
    assert {(each["code"], each["type"], each["errors"][0]["code"]) for each in told} == {
        ("invalid_fields", "/problems/invalid_fields", "unknown_name")
    }
    for words in ([each["title"] for each in told], [each["errors"][0]["detail"] for each in told]):
        assert len(set(words)) == 4


# Fields


def id_again(world: World) -> httpx.Response:
    ident = str(uuid.uuid4())
    world.advice(id=ident)
    return world.advice(id=ident, strings=5)


CONTACT = {"name": "Ada (invented)", "consent": {"advice": False}}
FIELDS: Mapping[str, tuple[str, Callable[[World], httpx.Response]]] = {
    "missing": ("instrument", lambda world: world.send("POST", "/api/v1/advice", json={})),
    "unknown_name": ("own_bow.ratings.loudness", lambda world: world.advice(own_bow={"ratings": {"loudness": 4}})),
    "wrong_type": ("strings", lambda world: world.advice(strings="four")),
    "not_one_of": ("instrument", lambda world: world.advice(instrument="lute")),
    "out_of_range": ("budget.amount", lambda world: world.advice(budget={"amount": 0, "currency": "EUR"})),
    "wrong_length": (
        "priorities",
        lambda world: world.advice(priorities=["response", "clarity", "steadiness", "ease"]),
    ),
    "wrong_form": ("id", lambda world: world.advice(id="mine")),
    "unreadable": (
        "",
        lambda world: world.send("POST", "/api/v1/advice", content=b'{"a"', headers={"Content-Type": JSON}),
    ),
    "not_here": (
        "tried.0.copy",
        lambda world: world.advice(tried=[{"copy": "DB-9999", "ratings": {"overall": 4}}]),
    ),
    "taken": ("id", id_again),
    "contradicts": ("hold", lambda world: world.advice(instrument="violin")),
    "not_open": ("player", lambda world: world.advice(player="p-1")),
    "unusable": ("contact.consent.advice", lambda world: world.advice(contact=CONTACT)),
}
"""Each code of a field, the field, and what brings it about."""


@pytest.mark.parametrize("code", FIELDS)
def test_every_kind_of_unusable_field_has_its_code(world: World, code: str) -> None:
    path, bring_about = FIELDS[code]
    told = api_schema.Problem.model_validate(bring_about(world).json())
    assert [(each.path, each.code) for each in told.errors] == [(path, code)]
    assert told.errors[0].detail.endswith(".")


@pytest.mark.parametrize(
    ("changes", "path", "code"),
    [
        ({"enquiry": "nothing"}, "enquiry", "not_here"),
        ({"player": "nobody"}, "player", "not_here"),
        ({"copies": ["V-linnet-0"]}, "copies.0", "contradicts"),
        ({"copies": ["DB-9999"]}, "copies.0", "not_here"),
        ({"copies": []}, "copies", "wrong_length"),
        ({"minutes": 5}, "minutes", "out_of_range"),
        ({"answers": BASS, "instrument": "violin", "hold": None}, "instrument", "contradicts"),
        ({"place": "post"}, "country", "contradicts"),
    ],
)
def test_a_trials_fields_have_codes_too(world: World, changes: dict[str, Any], path: str, code: str) -> None:
    reply = world.trial(**changes)
    assert [(each["path"], each["code"]) for each in reply.json()["errors"]] == [(path, code)]


@pytest.fixture(scope="module")
def open_trial(world: World) -> str:
    return str(world.trial(copies=["DB-bramble-3"], date=None, open=True).json()["id"])


@pytest.mark.parametrize(
    ("told", "path", "code"),
    [
        ({"outcome": "kept"}, "copy", "missing"),
        ({"outcome": "kept", "copy": "DB-juniper-0"}, "copy", "not_here"),
        ({"outcome": "none", "copy": "DB-bramble-3"}, "copy", "contradicts"),
        ({"outcome": "none", "date": "2001-01-01"}, "date", "contradicts"),
        ({"outcome": "none", "date": "2090-01-01"}, "date", "out_of_range"),
    ],
)
def test_an_outcomes_fields_have_codes_too(
    world: World, open_trial: str, told: dict[str, Any], path: str, code: str
) -> None:
    reply = world.send("POST", f"/api/v1/trials/{open_trial}/outcome", world.server, json=told)
    assert [(each["path"], each["code"]) for each in reply.json()["errors"]] == [(path, code)]
