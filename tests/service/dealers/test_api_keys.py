"""A dealer's two keys: what each opens, from where, and how a browser asks first (Fetch, 'CORS protocol')."""

import json
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from service import tables
from service.core import tokens
from service.core.errors import InvalidInputError, NotFoundError
from service.core.limits import RateLimit
from service.dealers import api_keys, site
from service.trials import trials_api
from service.web import api_schema
from tests.service import trial_cast
from tests.service.client import Client, serving, settings_in
from tests.service.trial_cast import BASS, SHOP, open_shop

PAGE, OTHERS_PAGE, NOBODYS_PAGE = "https://shop.example", "https://quay.example", "https://evil.example"
NOW = "2026-11-25T10:00:00Z"


@dataclass
class World:
    """The application, with a website's key and a server's of one dealer, and a server's of another."""

    client: Client
    site: str
    server: str
    others: str

    def advice(self, key: str | None, origin: str | None = None, **changes: Any) -> httpx.Response:
        return self.client.advice(BASS | changes, headers(key, origin))

    def send(self, method: str, path: str, key: str | None = None, body: object = None) -> httpx.Response:
        return self.client.send(method, path, headers=headers(key or self.server), json=body)


def headers(key: str | None, origin: str | None = None) -> dict[str, str]:
    given = {"Authorization": f"Bearer {key}" if key else None, "Origin": origin}
    return {name: value for name, value in given.items() if value}


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    with serving(settings_in(tmp_path_factory.mktemp("keys"), advice_per_minute=0)) as client:
        open_shop(client.database)
        with client.database.writing() as session:
            site.set_pages(session, None, SHOP, PAGE, "", "")
            site.set_pages(session, None, "quay", OTHERS_PAGE, "", "")
            made = [
                api_keys.make(session, None, *whose)
                for whose in ((SHOP, "website"), (SHOP, "server"), ("quay", "server"))
            ]
        yield World(client, *made)


def said(reply: httpx.Response) -> str:
    return api_schema.Problem.model_validate(reply.json()).detail


# The keys themselves


def test_a_key_is_kept_as_a_digest_and_says_by_its_first_word_what_it_is(world: World) -> None:
    assert world.site.startswith("site_")
    assert world.server.startswith("server_")
    with world.client.database.reading() as session:
        row = session.get_one(tables.ApiKey, tokens.digest(world.server))
        assert world.server not in json.dumps([row.hint, row.note, row.digest])
        assert api_keys.of(session, world.server) == api_keys.KeyFound(SHOP, "server", row.digest, world.server[-4:])
        assert api_keys.of(session, "server_" + "x" * 43) is None


def test_a_key_of_another_kind_or_with_a_long_note_is_not_made(world: World) -> None:
    with world.client.database.writing() as session, pytest.raises(InvalidInputError) as refused:
        api_keys.make(session, None, SHOP, "master", "x" * 81)
    assert [problem.path for problem in refused.value.problems] == ["kind", "note"]


def test_a_revoked_key_opens_nothing_at_once_and_nobody_elses_can_be_revoked(world: World) -> None:
    with world.client.database.writing() as session:
        key = api_keys.make(session, None, SHOP, "server", "lost")
        with pytest.raises(NotFoundError):
            api_keys.revoke(session, None, "quay", tokens.digest(key))
    assert world.advice(key).status_code == 200
    with world.client.database.writing() as session:
        api_keys.revoke(session, None, SHOP, tokens.digest(key))
        (info,) = [each for each in api_keys.listed(session, SHOP) if each.note == "lost"]
        assert (info.revoked, info.used_on is not None) == (True, True)
    reply = world.advice(key)
    assert (reply.status_code, reply.headers["www-authenticate"]) == (401, 'Bearer error="invalid_token"')
    assert "revoked" in said(reply)


# Advice


def test_a_server_is_told_which_bows_to_bring_from_its_own_stock(world: World) -> None:
    told = api_schema.Advice.model_validate(world.advice(world.server).json())
    assert told.trial is not None
    with world.client.database.reading() as session:
        stock = set(session.scalars(select(tables.Copy.serial).where(tables.Copy.dealer == SHOP)))
    assert len(told.trial.bring) == told.trial.copies > 0
    assert set(told.trial.bring) <= stock


def test_a_website_is_told_what_a_player_may_see(world: World) -> None:
    reply = world.advice(world.site, PAGE)
    assert reply.status_code == 200
    assert "bring" not in reply.json()["trial"]
    assert "DB-" not in reply.text


@pytest.mark.parametrize("kind", ["site", "server"])
def test_an_enquiry_made_with_a_key_is_the_keys_dealers(world: World, kind: str) -> None:
    key, origin = (world.site, PAGE) if kind == "site" else (world.server, None)
    id_ = str(uuid.uuid4())
    assert world.advice(key, origin, id=id_).status_code == 200
    (kept,) = [row for row in world.client.enquiries() if row.id == id_]
    assert kept.dealer == SHOP
    reply = world.advice(key, origin, dealer="quay")
    assert (reply.status_code, reply.json()["errors"][0]["path"]) == (422, "dealer")


def test_the_same_id_with_another_dealers_key_gives_nothing_away(world: World) -> None:
    id_ = str(uuid.uuid4())
    assert world.advice(world.server, id=id_).status_code == 200
    reply = world.advice(world.others, id=id_)
    assert (reply.status_code, reply.json()["errors"][0]["path"]) == (422, "id")


@pytest.mark.parametrize(
    "origin", [None, OTHERS_PAGE, NOBODYS_PAGE, "null", f"{PAGE}.evil.example", "http://shop.example"]
)
def test_a_websites_key_is_refused_elsewhere_than_on_its_dealers_pages(world: World, origin: str | None) -> None:
    before = world.client.count()
    reply = world.advice(world.site, origin)
    assert reply.status_code == 403
    assert "own pages only" in said(reply)
    assert world.client.count() == before


def test_a_servers_key_is_refused_from_any_page(world: World) -> None:
    for origin in (PAGE, NOBODYS_PAGE):
        reply = world.advice(world.server, origin)
        assert reply.status_code == 403
        assert "secret" in said(reply)


@pytest.mark.parametrize("header", ["Bearer nothing", "Bearer ", "Basic c2l0ZTo=", "site_x", "Bearer server_é"])
def test_what_is_no_key_is_refused_and_not_taken_for_none(world: World, header: str) -> None:
    reply = world.client.send("POST", "/api/v1/advice", json=BASS, headers={"Authorization": header.encode()})
    assert reply.status_code == 401
    assert "Authorization: Bearer" in said(reply)


def test_advice_without_a_key_stays_open(world: World) -> None:
    reply = world.advice(None)
    assert reply.status_code == 200
    assert "bring" not in reply.json()["trial"]


# What a browser asks first


def preflight(world: World, origin: str, wanted: str = "authorization,content-type") -> httpx.Response:
    asked = {"Origin": origin, "Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": wanted}
    return world.client.send("OPTIONS", "/api/v1/advice", headers=asked)


def test_a_dealers_page_is_granted_the_asking_and_the_answer(world: World) -> None:
    granted = preflight(world, PAGE)
    assert granted.status_code == 204
    assert granted.headers["access-control-allow-origin"] == PAGE
    assert granted.headers["access-control-allow-methods"] == "POST"
    assert "authorization" in granted.headers["access-control-allow-headers"].lower()
    for reply in (granted, world.advice(world.site, PAGE), world.advice(world.site, PAGE, instrument="lute")):
        assert reply.headers["access-control-allow-origin"] == PAGE
        assert "Origin" in reply.headers["vary"].split(", ")
        assert "access-control-allow-credentials" not in reply.headers


def test_nobody_elses_page_is_granted_anything(world: World) -> None:
    for reply in (
        preflight(world, NOBODYS_PAGE),
        preflight(world, "null"),
        preflight(world, PAGE, "content-type"),
        world.advice(world.site, NOBODYS_PAGE),
        world.advice(None, PAGE),
    ):
        assert "access-control-allow-origin" not in reply.headers


@pytest.mark.parametrize("path", ["/api/v1/trials", "/healthz", "/form"])
def test_no_other_address_is_ever_granted(world: World, path: str) -> None:
    asked = {"Origin": PAGE, "Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization"}
    reply = world.client.send("OPTIONS", path, headers=asked)
    assert reply.status_code == 405
    assert "access-control-allow-origin" not in reply.headers


# Trials


def trial(**changes: Any) -> dict[str, Any]:
    """Return a trial to be composed of one bow that is set aside for nobody, on a far day."""
    body = {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "copies": ["DB-juniper-3"]}
    return body | {"date": "2030-01-01"} | changes


def sheet(place: dict[str, Any], overall: int) -> dict[str, Any]:
    return {
        "revision": 1,
        "position": place["position"],
        "letter": place["letter"],
        "rater": "player",
        "ratings": {"overall": overall, "response": "cannot_tell"},
        "rated_at": NOW,
        "sent_at": NOW,
    }


def test_a_server_leads_a_trial_from_its_composition_to_what_came_of_it(world: World) -> None:
    copies = ["DB-juniper-0", "DB-juniper-1", "DB-bramble-0"]
    body = {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "copies": copies, "open": True}
    reply = world.send("POST", "/api/v1/trials", body=body | {"minutes": 45})
    assert reply.status_code == 200
    made = trials_api.TrialMade.model_validate(reply.json())
    assert (made.id, made.state) == (body["id"], "open")
    assert "DB-" not in reply.text
    assert {run.letter for run in made.runs if run.own} == {""}
    for run in reply.json()["runs"]:
        stored = world.send(
            "PUT", f"/api/v1/trials/{made.id}/runs/{uuid.uuid4()}", body=sheet(run, 3 if run["own"] else 6)
        )
        assert (stored.status_code, stored.json()["stored_revision"]) == (200, 1)
    reply = world.send("GET", f"/api/v1/trials/{made.id}/standing")
    stands = trials_api.Standing.model_validate(reply.json())
    assert (stands.sheets_in, stands.sheets_of, stands.revealed) == (len(made.runs), len(made.runs), False)
    assert stands.recommendation.text
    assert sum(bow.best or 0 for bow in stands.bows) == pytest.approx(1, abs=0.01)
    assert "DB-" not in reply.text
    outcome = {"outcome": "kept", "copy": "DB-juniper-0", "reason": "sound"}
    money = {"price": 2300.5, "currency": "EUR", "note": "in two parts"}
    for more in ({}, money, {}):  # what is not said again stays as it was told
        reply = world.send("POST", f"/api/v1/trials/{made.id}/outcome", body=outcome | more)
        assert trials_api.OutcomeStored.model_validate(reply.json()).copy_ == "DB-juniper-0"
    assert reply.json() == reply.json() | {"price": 2300.5, "currency": "EUR"}
    (told,) = world.send("GET", f"/api/v1/trials/{made.id}").json()["outcomes"]
    assert told == told | {"price": 2300.5, "currency": "EUR"}
    assert "note" not in told  # it may name somebody
    with world.client.database.reading() as session:
        assert trial_cast.status(session, "DB-juniper-0") == "sold"


def test_the_same_trial_again_is_the_same_trial(world: World) -> None:
    body = trial()
    first, second = world.send("POST", "/api/v1/trials", body=body), world.send("POST", "/api/v1/trials", body=body)
    assert first.json() == second.json()
    assert first.json()["state"] == "planned"


def test_a_trial_of_an_enquiry_has_the_enquirys_answers(world: World) -> None:
    id_ = str(uuid.uuid4())
    world.advice(world.server, id=id_, strings=5)
    body = {"id": str(uuid.uuid4()), "enquiry": id_, "copies": ["DB-juniper-2"], "date": "2030-02-01"}
    key = world.send("POST", "/api/v1/trials", body=body).json()["id"]
    with world.client.database.reading() as session:
        kept = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
        assert (kept.strings, kept.hold) == (5, "german")
    reply = world.send("POST", "/api/v1/trials", body=body | {"id": str(uuid.uuid4()), "instrument": "cello"})
    assert [problem["path"] for problem in reply.json()["errors"]] == ["instrument"]


@pytest.mark.parametrize(
    ("changes", "path"),
    [
        ({"id": "x"}, "id"),
        ({"instrument": None, "hold": None}, "instrument"),
        ({"hold": None}, "hold"),
        ({"copies": []}, "copies"),
        ({"copies": ["DB-juniper-3", "DB-juniper-3"]}, "copies"),
        ({"copies": ["DB-9999"]}, "copies.0"),
        ({"copies": ["DB-quay-0"]}, "copies.0"),
        ({"copies": ["V-linnet-0"]}, "copies.0"),
        ({"enquiry": "nothing"}, "enquiry"),
        ({"player": "nobody"}, "player"),
        ({"place": "post"}, "country"),
        ({"place": "post", "country": "AT", "open": True}, "open"),
        ({"date": "tomorrow"}, "date"),
        ({"due_back": "2029-12-31"}, "due_back"),
        ({"minutes": 5}, "minutes"),
        ({"serials": ["DB-juniper-3"]}, "serials"),
    ],
)
def test_a_trial_that_cannot_be_is_refused_by_its_field(world: World, changes: dict[str, Any], path: str) -> None:
    reply = world.send("POST", "/api/v1/trials", body=trial() | changes)
    assert reply.status_code == 422
    problems = api_schema.Problem.model_validate(reply.json()).errors
    assert [problem.path for problem in problems] == [path]
    assert problems[0].detail.endswith(".")


@pytest.mark.parametrize(
    ("body", "path"),
    [
        ({}, "outcome"),
        ({"outcome": "sold"}, "outcome"),
        ({"outcome": "kept", "reason": "colour"}, "reason"),
        ({"outcome": "none", "date": "soon"}, "date"),
        ({"outcome": "none", "price": 2300}, "price"),
        ({"outcome": "kept", "copy": "DB-bramble-3", "price": 0}, "price"),
        ({"outcome": "kept", "copy": "DB-bramble-3", "currency": "EUR"}, "currency"),
        ({"outcome": "none", "note": "a" * 501}, "note"),
    ],
)
def test_an_outcome_that_cannot_be_is_refused_by_its_field(world: World, body: dict[str, Any], path: str) -> None:
    key = world.send("POST", "/api/v1/trials", body=trial(copies=["DB-bramble-3"])).json().get("id", "none")
    reply = world.send("POST", f"/api/v1/trials/{key}/outcome", body=body)
    assert reply.status_code == 422
    assert [problem["path"] for problem in reply.json()["errors"]] == [path]


def test_another_dealers_trial_is_not_there(world: World) -> None:
    key = world.send("POST", "/api/v1/trials", body=trial(copies=["DB-bramble-2"])).json()["id"]
    place = {"position": 1, "letter": "A"}
    for method, path, body in (
        ("GET", "standing", None),
        ("POST", "outcome", {"outcome": "none"}),
        ("PUT", f"runs/{uuid.uuid4()}", sheet(place, 4)),
    ):
        assert world.send(method, f"/api/v1/trials/{key}/{path}", world.others, body).status_code == 404


@pytest.mark.parametrize(("key", "status"), [("site", 403), ("none", 401), ("wrong", 401)])
def test_trials_need_a_servers_key(world: World, key: str, status: int) -> None:
    given = {"site": headers(world.site, PAGE), "none": {}, "wrong": headers("server_x")}[key]
    for method, path, body in (
        ("POST", "/api/v1/trials", trial()),
        ("GET", "/api/v1/trials/x/standing", None),
        ("POST", "/api/v1/trials/x/outcome", {"outcome": "none"}),
    ):
        reply = world.client.send(method, path, headers=given, json=body)
        assert reply.status_code == status, path
        assert said(reply)


@pytest.fixture
def two_a_minute(world: World) -> Iterator[None]:
    """Let a dealer's server ask twice a minute."""
    state = world.client.app.state
    before = state.server_limit
    state.server_limit = RateLimit(2)
    yield
    state.server_limit = before


@pytest.mark.usefixtures("two_a_minute")
@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("POST", "/api/v1/advice", {}, 422),
        ("POST", "/api/v1/trials", {}, 422),
        ("GET", "/api/v1/trials/x/standing", None, 404),
        ("POST", "/api/v1/trials/x/outcome", {"outcome": "none"}, 404),
        ("PUT", f"/api/v1/trials/x/runs/{'r' * 8}", {}, 422),
    ],
)
def test_a_dealers_server_asks_for_anything_so_often_a_minute(
    world: World, method: str, path: str, body: object, status: int
) -> None:
    # ASVS 5.0, 2.4.1: every function that a program could call without end has a limit.
    replies = [world.send(method, path, body=body) for _time in range(3)]
    assert [reply.status_code for reply in replies] == [status, status, 429]
    assert 0 < int(replies[-1].headers["retry-after"]) <= 60
    assert said(replies[-1])
    assert world.send(method, path, world.others, body).status_code == status, (
        "another dealer's has a budget of its own"
    )


def test_a_websites_key_sends_no_sheets(world: World) -> None:
    reply = world.send(
        "PUT", f"/api/v1/trials/x/runs/{uuid.uuid4()}", world.site, sheet({"position": 1, "letter": ""}, 4)
    )
    assert reply.status_code == 401


def test_the_description_says_which_routes_take_a_key_and_its_examples_are_true(world: World) -> None:
    description = world.client.get("/openapi.json").json()
    assert set(description["components"]["securitySchemes"]) == {
        "server_key",
        "test_key",
        "website_key",
        "tablet_key",
        "rater_link",
    }
    for path, operations in description["paths"].items():
        for operation in operations.values():
            keyed = operation.get("security", [])
            assert ({"server_key": []} in keyed) == ({"test_key": []} in keyed) == path.startswith("/api/"), path
            assert ({"website_key": []} in keyed) == ({} in keyed) == (path == "/api/v1/advice"), path
            assert ({"tablet_key": []} in keyed) == ({"rater_link": []} in keyed) == ("/runs/" in path), path
    (example,) = description["components"]["schemas"]["TrialIn"]["examples"]
    reply = world.send(
        "POST", "/api/v1/trials", body=example | {"copies": ["DB-bramble-1"], "date": "2030-03-01", "open": False}
    )
    assert reply.status_code == 200, reply.text
