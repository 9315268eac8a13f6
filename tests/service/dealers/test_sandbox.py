"""A test key: a whole trial by the real code, after which nothing real has changed, on both databases."""

import asyncio
import datetime as dt
import uuid
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import httpx
import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from service import tables
from service.core import tokens
from service.core.database import Database
from service.core.errors import InvalidInputError
from service.core.limits import RateLimit
from service.dealers import api_keys, keyed, sandbox
from service.modelling import catalogue
from service.privacy import retention
from service.web import api_schema
from service.web.error_pages import CodedHTTPException
from tests.service import trial_cast
from tests.service.client import Client, serving, settings_in
from tests.service.front_door import routes
from tests.service.trial_cast import BASS, SHOP

NOW = dt.datetime(2026, 11, 25, 10, tzinfo=dt.UTC)
EMAIL, NOTE = "quillfeather@bows.example", "said Quillfeather to the teacher"
ADA = {"name": "Ada (invented)", "email": EMAIL, "consent": {"advice": True, "mail": True, "model": True}}
THREE = ["DB-juniper-0", "DB-juniper-1", "DB-bramble-0"]


@dataclass
class World:
    """The application with two test keys and a server's of one dealer."""

    client: Client
    test: str
    second: str
    server: str
    answers: list[Mapping[str, Any]] = field(default_factory=list, init=False)

    @property
    def database(self) -> Database:
        return self.client.database

    def send(self, method: str, path: str, body: object = None, key: str | None = None, **more: Any) -> httpx.Response:
        given = {"Authorization": f"Bearer {key or self.test}"} | more.pop("headers", {})
        return self.client.send(method, f"/api/v1/{path}", headers=given, json=body, **more)

    def ask(self, method: str, path: str, body: object = None, key: str | None = None) -> Any:
        """Return the answer to what must go well."""
        reply = self.send(method, path, body, key)
        assert reply.status_code == 200, reply.text
        self.answers.append(reply.json())
        return reply.json()

    def compose(self, key: str | None = None, **changes: Any) -> Any:
        body = {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "copies": THREE, "open": True}
        return self.ask("POST", "trials", body | changes, key)

    def rate(self, trial: Mapping[str, Any], place: Mapping[str, Any], overall: int = 5) -> Any:
        return self.ask("PUT", f"trials/{trial['id']}/runs/{uuid.uuid4()}", sheet(place, overall))

    def kept(self, key: str) -> tables.Sandbox | None:
        with self.database.reading() as session:
            return session.get(tables.Sandbox, tokens.digest(key))

    def real(self) -> dict[str, list[Any]]:
        """Return every row of every table but the sandboxes', the day on which keys were used left out."""
        found: dict[str, list[Any]] = {}
        with self.database.reading() as session:
            for table in tables.Base.metadata.sorted_tables:
                if table.name != "sandboxes":
                    columns = [each for each in table.columns if (table.name, each.name) != ("api_keys", "used_on")]
                    found[table.name] = sorted(map(repr, session.execute(select(*columns))))
        return found


def sheet(place: Mapping[str, Any], overall: int) -> dict[str, Any]:
    told = {"revision": 1, "position": place["position"], "letter": place["letter"], "rater": "player", "note": NOTE}
    return told | {"ratings": {"overall": overall, "response": "cannot_tell"}, "rated_at": NOW.isoformat()}


@pytest.fixture
def world(any_database: Database, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    settings = settings_in(tmp_path_factory.mktemp("sandbox"), database_url=any_database.url, advice_per_minute=0)
    with serving(settings) as client:
        trial_cast.open_shop(client.database)
        with client.database.writing() as session:
            made = [api_keys.make(session, None, SHOP, kind) for kind in ("test", "test", "server")]
            session.add(tables.Door(dealer=SHOP, notify="shop@bows.example", changed_at=NOW))
            session.get_one(tables.Door, SHOP).webhook = "https://system.bows.example/hook"
        yield World(client, *made)


@pytest.fixture
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """The same on SQLite alone, for what does not hang on the database."""
    with serving(settings_in(tmp_path_factory.mktemp("sandbox"), advice_per_minute=0)) as client:
        trial_cast.open_shop(client.database)
        with client.database.writing() as session:
            made = [api_keys.make(session, None, SHOP, kind) for kind in ("test", "test", "server")]
        yield World(client, *made)


def lead(world: World) -> Mapping[str, Any]:
    """Lead a trial from the question to what came of it, and read it in every way; return the trial."""
    enquiry = world.ask("POST", "advice?explain=1", BASS | {"contact": ADA})
    trial = world.compose(enquiry=enquiry["id"], instrument=None, hold=None, copies=enquiry["trial"]["bring"])
    for place in trial["runs"]:
        world.rate(trial, place, 3 if place["own"] else 6)
    standing = world.ask("GET", f"trials/{trial['id']}/standing")
    assert (standing["sheets_in"], standing["sheets_of"]) == (len(trial["runs"]), len(trial["runs"]))
    kept = enquiry["trial"]["bring"][0]
    world.ask("POST", f"trials/{trial['id']}/outcome", {"outcome": "kept", "copy": kept, "reason": "sound"})
    told = world.ask("GET", f"trials/{trial['id']}")
    assert (told["state"], [each["copy"] for each in told["outcomes"]]) == ("closed", [kept])
    assert [each["id"] for each in world.ask("GET", "trials")["trials"]] == [trial["id"]]
    assert [each["id"] for each in world.ask("GET", "enquiries")["enquiries"]] == [enquiry["id"]]
    assert world.ask("GET", f"enquiries/{enquiry['id']}")["trials"] == [trial["id"]]
    assert kept not in {bow["copy"] for bow in world.ask("GET", "stock")["copies"]}, "it is sold, in the sandbox"
    assert world.ask("GET", "range")["tiers"]
    return {**trial, "kept": kept}


def test_a_whole_trial_with_a_test_key_says_so_in_every_answer_and_changes_no_real_row(world: World) -> None:
    before = world.real()
    assert len(before) > 40
    lead(world)
    assert len(world.answers) > 10
    assert [told for told in world.answers if told.get("test") is not True] == []
    assert world.real() == before
    assert before["outbox"] == before["enquiries"] == before["trials"] == before["trial_copies"] == []
    untested = world.ask("POST", "advice", BASS, world.server)
    assert "test" not in untested
    assert world.real() != before, "what is real does change, so the comparison would tell"


def test_two_test_keys_do_not_see_each_other_and_the_server_sees_neither(world: World) -> None:
    first = world.compose(id="00000000-0000-4000-8000-000000000001", minutes=45)
    second = world.compose(world.second, id=first["id"], copies=["DB-juniper-0"], minutes=60)
    assert (first["number"], second["number"]) == (1, 1)
    for key, minutes, copies in ((world.test, 45, sorted(THREE)), (world.second, 60, ["DB-juniper-0"])):
        told = world.ask("GET", f"trials/{first['id']}", key=key)
        assert (told["minutes"], sorted(told["copies"])) == (minutes, copies)
    assert world.send("GET", f"trials/{first['id']}", key=world.server).status_code == 404
    assert world.ask("GET", "trials", key=world.server)["trials"] == []
    real = world.compose(world.server, copies=["DB-juniper-0"])
    assert real["state"] == "open", "no bow is taken by what was tried"
    assert world.send("GET", f"trials/{real['id']}").status_code == 404


def test_where_bows_are_in_a_sandbox_is_never_taken_for_where_they_are(small: World) -> None:
    before = small.ask("POST", "advice", BASS, small.server)["trial"]["bring"]
    trial = small.compose(copies=before)
    for bow in before:
        assert small.send("POST", "trials", {**taken(bow), "date": None}).json()["code"] == "bows_taken"
    for first, second in ((small.test, small.server), (small.server, small.test)):
        catalogue._memory.clear()  # as in a process that has just begun
        told = {key: set(small.ask("POST", "advice", BASS, key)["trial"]["bring"]) for key in (first, second)}
        assert told[small.server] == set(before)
        assert told[small.test].isdisjoint(before)
    at = {bow["copy"]: bow["trial"] for bow in small.ask("GET", "stock")["copies"]}
    assert {at[bow] for bow in before} == {trial["id"]}
    other = min(set(at) - set(before))
    with small.database.writing() as session:
        session.get_one(tables.Copy, before[0]).mass_g = 131.5
        session.get_one(tables.Copy, other).status = "in_repair"
    found = {bow["copy"]: bow for bow in small.ask("GET", "stock")["copies"]}
    assert (found[before[0]]["mass_g"], found[other]["status"]) == (131.5, "in_repair")
    assert {found[bow]["trial"] for bow in before} == {trial["id"]}, "what is tried goes on beside what changes"


def taken(bow: str) -> dict[str, Any]:
    return {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "copies": [bow]}


def test_what_an_enquirys_answers_did_is_never_told_of_another_of_the_same_id(small: World) -> None:
    same = BASS | {"id": str(uuid.uuid4())}
    told = ((same | {"strings": 5}, small.test), (same | {"settings": ["jazz"]}, small.server))
    asked = [small.ask("POST", "advice?explain=1", body, key) for body, key in told]
    names = [{each["answer"] for each in advice["influence"]} for advice in asked]
    assert ("settings" in names[0], "settings" in names[1]) == (False, True)


def test_nothing_of_a_person_is_kept_of_what_is_tried(small: World) -> None:
    trial = lead(small)
    for told in small.answers:
        assert not told.get("contact")
    row = small.kept(small.test)
    assert row is not None
    content = zlib.decompress(row.content)
    assert trial["id"].encode() in content
    for said in (EMAIL, "Ada", NOTE, "Quillfeather"):
        assert said.encode() not in content


def test_a_test_key_is_secret_and_opens_what_a_servers_opens_and_nothing_else(small: World) -> None:
    reply = small.send("POST", "advice", BASS, headers={"Origin": "https://shop.example"})
    assert (reply.status_code, reply.json()["code"]) == (403, "secret_key_in_page")
    reply = small.client.get("/tablet/trials", headers={"Authorization": f"Bearer {small.test}"})
    assert reply.status_code in (401, 404)
    assert small.test.startswith("test_")
    reply = small.send("POST", "advice", BASS | {"dealer": "quay"})
    assert reply.json()["errors"][0]["path"] == "dealer"


def test_a_revoked_test_key_opens_nothing_and_its_sandbox_is_gone(world: World) -> None:
    trial = world.compose()
    with world.database.writing() as session:
        api_keys.revoke(session, None, SHOP, tokens.digest(world.test))
    assert world.kept(world.test) is None
    place = trial["runs"][0]
    for method, path, body in (
        ("POST", "advice", BASS),
        ("POST", "trials", taken(THREE[0])),
        ("GET", f"trials/{trial['id']}", None),
        ("GET", f"trials/{trial['id']}/standing", None),
        ("POST", f"trials/{trial['id']}/outcome", {"outcome": "none"}),
        ("PUT", f"trials/{trial['id']}/runs/{uuid.uuid4()}", sheet(place, 4)),
        *(("GET", name, None) for name in ("enquiries", "trials", "range", "stock")),
    ):
        reply = world.send(method, path, body)
        assert (reply.status_code, reply.json()["code"]) == (401, "key_unknown"), path


def test_a_key_that_is_revoked_while_its_call_waits_writes_nothing(world: World) -> None:
    with world.database.reading() as session:
        found = api_keys.of(session, world.test)
    assert found is not None
    with world.database.writing() as session:
        api_keys.revoke(session, None, SHOP, found.digest)
    with (
        pytest.raises(CodedHTTPException) as refused,
        world.database.writing() as session,
        keyed.for_key(session, found) as at,
    ):
        trial_cast.compose(at.session)
    assert refused.value.status_code == 401
    assert world.kept(world.test) is None


@pytest.mark.parametrize("bound", ["MOST_CALLS", "MOST_BYTES"])
def test_so_many_calls_are_taken_and_no_more_and_reading_goes_on(
    small: World, monkeypatch: pytest.MonkeyPatch, bound: str
) -> None:
    trial = small.compose()
    monkeypatch.setattr(sandbox, bound, 1)
    before = small.kept(small.test)
    for method, path, body in (
        ("POST", "advice", BASS),
        ("PUT", f"trials/{trial['id']}/runs/{uuid.uuid4()}", sheet(trial["runs"][0], 4)),
    ):
        reply = small.send(method, path, body)
        problem = api_schema.Problem.model_validate(reply.json())
        assert (reply.status_code, problem.code) == (409, "test_key_spent")
        assert "make a new test key" in problem.detail
    after = small.kept(small.test)
    assert before is not None
    assert after is not None
    assert (after.calls, after.content) == (before.calls, before.content) == (1, before.content)
    assert small.ask("GET", f"trials/{trial['id']}")["state"] == "open"
    assert small.compose(small.second)["number"] == 1


def test_a_test_key_has_a_budget_of_its_own_a_minute(small: World) -> None:
    small.client.app.state.test_limit = RateLimit(2)
    for method, path, body in (("GET", "stock", None), ("POST", "advice", BASS)):
        statuses = [small.send(method, path, body).status_code for _time in range(3)]
        assert statuses[-1] == 429
    assert small.send("GET", "stock", key=small.server).status_code == 200
    assert small.send("GET", "stock", key=small.second).status_code == 200


def test_a_refused_call_leaves_the_sandbox_as_it_was(small: World) -> None:
    trial = small.compose()
    before = small.kept(small.test)
    assert small.send("POST", f"trials/{trial['id']}/outcome", {"outcome": "kept", "copy": "DB-quay-0"}).is_error
    assert small.send("POST", "trials", taken("V-linnet-0")).status_code == 422
    after = small.kept(small.test)
    assert before is not None
    assert after is not None
    assert (after.calls, after.content) == (before.calls, before.content)


def test_requests_at_once_with_one_key_are_all_kept(world: World) -> None:
    trial = world.compose()
    places, headers = trial["runs"], {"Authorization": f"Bearer {world.test}"}

    async def together() -> list[httpx.Response]:
        transport = httpx.ASGITransport(world.client.app, client=("127.0.0.1", 50_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://bows.example", headers=headers) as client:
            put = [
                client.put(f"/api/v1/trials/{trial['id']}/runs/{uuid.uuid4()}", json=sheet(place, 5))
                for place in places
            ]
            asked = [client.post("/api/v1/advice", json=BASS | {"id": str(uuid.uuid4())}) for _time in range(3)]
            return list(await asyncio.gather(*put, *asked))

    assert {reply.status_code for reply in asyncio.run(together())} == {200}
    assert world.ask("GET", f"trials/{trial['id']}")["sheets_in"] == len(places)
    assert len(world.ask("GET", "enquiries")["enquiries"]) == 3


def test_calls_of_two_machines_with_one_key_come_one_after_the_other(postgres_database: Database) -> None:
    trial_cast.open_shop(postgres_database)
    with postgres_database.writing() as session:
        found = api_keys.of(session, api_keys.make(session, None, SHOP, "test"))
    assert found is not None
    locked = select(tables.ApiKey.digest).where(tables.ApiKey.digest == found.digest).with_for_update(nowait=True)
    calling, beside = postgres_database.writing(), postgres_database.writing()
    with calling as session, keyed.for_key(session, found), pytest.raises(OperationalError), beside as other:
        other.execute(locked)
    with postgres_database.writing() as other:
        assert other.scalar(locked) == found.digest


def test_a_sandbox_ends_after_thirty_days_or_with_other_tables_and_begins_anew(world: World) -> None:
    trial = world.compose()
    for change in ({"begun_at": dt.datetime.now(dt.UTC) - sandbox.LIFE}, {"revision": "0001"}):
        with world.database.writing() as session:
            session.execute(update(tables.Sandbox).values(**change))
        assert world.send("GET", f"trials/{trial['id']}").status_code == 404
        assert world.compose(id=trial["id"])["number"] == 1
        row = world.kept(world.test)
        assert row is not None
        assert (row.calls, row.begun_at > dt.datetime.now(dt.UTC) - dt.timedelta(hours=1)) == (1, True)


def test_a_sandbox_that_speaks_of_a_bow_that_is_gone_begins_anew(small: World) -> None:
    trial = small.compose(copies=["DB-juniper-3"])
    with small.database.writing() as session:
        session.delete(session.get_one(tables.Copy, "DB-juniper-3"))
    assert small.send("GET", f"trials/{trial['id']}").status_code == 404
    assert small.compose(copies=["DB-juniper-2"])["number"] == 1


def test_the_daily_sweep_erases_sandboxes_that_had_their_time(small: World) -> None:
    small.compose()
    small.compose(small.second)
    with small.database.writing() as session:
        old = update(tables.Sandbox).where(tables.Sandbox.key == tokens.digest(small.test))
        session.execute(old.values(begun_at=NOW - sandbox.LIFE - dt.timedelta(hours=1)))
        session.execute(
            update(tables.Sandbox).where(tables.Sandbox.key == tokens.digest(small.second)).values(begun_at=NOW)
        )
    assert retention.sweep(small.database, NOW).spent == 1
    assert small.kept(small.test) is None
    assert small.kept(small.second) is not None


def test_a_dealer_has_so_many_test_keys_at_once(small: World) -> None:
    with small.database.writing() as session:
        for _number in range(api_keys.MOST_TEST_KEYS - 2):
            last = api_keys.make(session, None, SHOP, "test")
        with pytest.raises(InvalidInputError) as refused:
            api_keys.make(session, None, SHOP, "test")
        assert [problem.path for problem in refused.value.problems] == ["kind"]
        assert api_keys.make(session, None, "quay", "test")
        api_keys.revoke(session, None, SHOP, tokens.digest(last))
        assert api_keys.make(session, None, SHOP, "test")


def test_no_route_that_takes_a_dealers_key_reads_or_writes_past_it(small: World) -> None:
    """A session that a route asks for by itself would be of the real database, whichever the key."""
    keyed = [route for route in routes(small.client.app) if {"_server", "_caller"} & set(route.asks)]
    assert len(keyed) == 10
    assert [route.path for route in keyed if {"_reading", "_writing"} & set(route.asks)] == []
