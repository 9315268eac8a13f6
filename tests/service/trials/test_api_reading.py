"""What a dealer's own server reads: what the ids in messages stand for, its own and nobody else's, page by page."""

import datetime as dt
import re
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from pydantic import BaseModel
from sqlalchemy import event, update

from service import tables
from service.advice import advise
from service.core import paging
from service.core.database import Database
from service.core.paging import Batch
from service.dealers import api_keys as keys
from service.inventory import inventory_api, stock
from service.questionnaire import forms
from service.trials import lifecycle, reading_api, told_to_servers
from service.trials.reading_api import Enquiry, Trial
from service.web import api_schema as schema
from tests.service import trial_cast
from tests.service.client import Client, serving, settings_in
from tests.service.trial_cast import BASS, SHOP

LISTS: Mapping[str, str] = {"enquiries": "id", "trials": "id", "range": "tier", "stock": "copy"}
"""Each list, and what its items are told apart by."""
NAMED = {"range": "tiers", "stock": "copies"}
ADA: dict[str, Any] = {
    "name": "Ada (invented)",
    "email": "ada@bows.example",
    "consent": {"advice": True, "model": True},
}


@dataclass
class World:
    """The application with two dealers and a server key of each, a website's key of the first, and things of both."""

    client: Client
    server: str
    others: str
    site: str

    def get(self, path: str, key: str | None = None, **more: Any) -> httpx.Response:
        given = {"Authorization": f"Bearer {key or self.server}"} | more.pop("headers", {})
        return self.client.get(f"/api/v1/{path}", headers=given, **more)

    def post(self, path: str, body: object, key: str | None = None) -> httpx.Response:
        given = {"Authorization": f"Bearer {key or self.server}"}
        return self.client.send("POST", f"/api/v1/{path}", headers=given, json=body)

    def asked(self, key: str | None = None, **changes: Any) -> str:
        reply = self.post("advice", {**BASS, "id": str(uuid.uuid4()), **changes}, key)
        assert reply.status_code == 200, reply.text
        return str(reply.json()["id"])

    def composed(self, key: str | None = None, **changes: Any) -> str:
        body = {"id": str(uuid.uuid4()), **BASS, "copies": ["DB-bramble-0", "DB-juniper-0"], **changes}
        body.pop("budget", None)
        reply = self.post("trials", body, key)
        assert reply.status_code == 200, reply.text
        return str(reply.json()["id"])

    def walked(self, name: str) -> list[str]:
        """Return the keys of a whole list, by following ``next``."""
        found: list[str] = []
        address: str | None = f"/api/v1/{name}"
        while address is not None:
            reply = self.client.get(address, headers={"Authorization": f"Bearer {self.server}"})
            told = reply.json()
            found += [item[LISTS[name]] for item in told[NAMED.get(name, name)]]
            address = told["next"]
            link = re.fullmatch(r'<([^>]+)>; rel="next"', reply.headers.get("link", ""))
            assert (link and link[1]) == address  # RFC 8288, section 3
        return found


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with serving(settings_in(tmp_path, advice_per_minute=0)) as client:
        trial_cast.open_shop(client.database)
        with client.database.writing() as session:
            whose = ((SHOP, "server"), ("quay", "server"), (SHOP, "website"))
            yield_ = [keys.make(session, None, *each) for each in whose]
        yield World(client, *yield_)


def test_an_enquiry_is_told_with_answers_contact_and_advice(world: World) -> None:
    id_ = world.asked(contact=ADA, settings=["orchestra"])
    told = Enquiry.model_validate(world.get(f"enquiries/{id_}").json())
    assert (told.id, told.instrument, told.hold, told.settled, told.trials) == (id_, "double_bass", "german", False, [])
    assert told.answers["settings"] == ["orchestra"]
    assert (told.contact or {})["email"] == "ada@bows.example"
    assert "contact" not in told.answers
    given = world.post("advice", {**BASS, "id": id_, "contact": ADA, "settings": ["orchestra"]}).json()
    assert world.get(f"enquiries/{id_}").json()["advice"] == given


def test_what_was_erased_of_an_enquiry_is_told_as_null(world: World) -> None:
    id_ = world.asked(contact=ADA)
    with world.client.database.writing() as session:
        session.execute(update(tables.Enquiry).values(contact=None))
    assert world.get(f"enquiries/{id_}").json()["contact"] is None


def test_a_trial_is_told_by_letter_until_its_key_is_revealed(world: World) -> None:
    enquiry = world.asked()
    key = world.composed(enquiry=enquiry, open=True)
    told = Trial.model_validate(world.get(f"trials/{key}").json())
    assert (told.id, told.number, told.state, told.enquiry) == (key, 1, "open", enquiry)
    assert told.copies == ["DB-bramble-0", "DB-juniper-0"]
    assert {run.copy_ for run in told.runs} == {None}
    assert world.get(f"enquiries/{enquiry}").json()["trials"] == [key]
    world.post(f"trials/{key}/outcome", {"outcome": "kept", "copy": "DB-juniper-0", "reason": "sound"})
    with world.client.database.writing() as session:
        session.add(tables.User(email="o@bows.example", role="owner", created_at=dt.datetime.now(dt.UTC)))
        session.flush()
        lifecycle.reveal(session, 1, SHOP, key)
    told = Trial.model_validate(world.get(f"trials/{key}").json())
    assert (told.state, told.outcome, told.revealed) == ("closed", "kept", True)
    assert [(each.outcome, each.copy_, each.reason) for each in told.outcomes] == [("kept", "DB-juniper-0", "sound")]
    assert {run.copy_ for run in told.runs if not run.own} == set(told.copies)


def test_the_range_has_the_dealers_prices_and_the_stock_says_where_each_bow_is(world: World) -> None:
    with world.client.database.writing() as session:
        session.add(tables.Price(tier="juniper", dealer=SHOP, price=2222, currency="EUR"))
        session.get_one(tables.Copy, "DB-bramble-3").status = "sold"
    key = world.composed(open=True)
    tiers = {tier["tier"]: tier for tier in world.get("range").json()["tiers"]}
    assert set(tiers) == {"bramble", "juniper", "linnet"}
    assert (tiers["juniper"]["price"], tiers["bramble"]["price"]) == (2222, 1380)
    assert tiers["juniper"]["at_hand"] == 3  # of four one is on trial
    bows = {bow["copy"]: bow for bow in world.get("stock").json()["copies"]}
    assert (bows["DB-bramble-0"]["status"], bows["DB-bramble-0"]["trial"]) == ("on_trial", key)
    assert (bows["DB-bramble-1"]["status"], bows["DB-bramble-1"]["trial"]) == ("in_stock", None)
    assert not {"DB-bramble-3", "DB-quay-0", "DB-shed-0"} & set(bows)


def test_another_dealers_things_are_not_there(world: World) -> None:
    # ASVS 5.0, 8.2.2: access to data by its key is bound to who may see it.
    id_, key = world.asked(), world.composed()
    for path in (f"enquiries/{id_}", f"trials/{key}"):
        assert world.get(path).status_code == 200
        refused = world.get(path, world.others)
        assert (refused.status_code, refused.json()["code"]) == (404, "not_found")
    assert world.get("enquiries", world.others).json()["enquiries"] == []
    assert world.get("trials", world.others).json()["trials"] == []
    assert [bow["copy"] for bow in world.get("stock", world.others).json()["copies"]] == ["DB-quay-0"]


@pytest.mark.parametrize("path", [*LISTS, "enquiries/x", "trials/x"])
def test_reading_needs_a_servers_key(world: World, path: str) -> None:
    assert world.client.get(f"/api/v1/{path}").json()["code"] == "key_missing"
    assert world.get(path, "server_x").json()["code"] == "key_unknown"
    page = {"Origin": "https://shop.example"}
    assert world.get(path, headers=page).json()["code"] == "secret_key_in_page"
    assert world.get(path, world.site).json()["code"] == "wrong_origin"


def filled(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put five of each there, two a page."""
    monkeypatch.setattr(paging, "A_PAGE", 2)
    enquiries = [world.asked(strings=4 + n % 2) for n in range(5)]
    for n in range(5):
        world.composed(enquiry=enquiries[n], date=f"2030-03-{n + 1:02}")


@pytest.mark.parametrize("name", LISTS)
def test_a_list_is_walked_to_its_end_and_later_on(world: World, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    filled(world, monkeypatch)
    found = world.walked(name)
    assert len(found) == len(set(found)) == {"range": 3, "stock": 12}.get(name, 5)
    last = world.get(name).json()
    while last["next"]:
        last = world.client.get(last["next"], headers={"Authorization": f"Bearer {world.server}"}).json()
    since = world.get(f"{name}?after={last['after']}").json()
    assert (since[NAMED.get(name, name)], since["next"], since["after"]) == ([], None, last["after"])
    if name in ("enquiries", "trials"):
        new = world.asked() if name == "enquiries" else world.composed(date="2031-01-01")
        since = world.get(f"{name}?after={last['after']}").json()
        assert [each["id"] for each in since[name]] == [new]


def test_what_comes_in_while_a_list_is_walked_moves_nothing(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(world, monkeypatch)
    before = world.walked("enquiries")
    first = world.get("enquiries").json()
    new = world.asked()
    rest = world.client.get(first["next"], headers={"Authorization": f"Bearer {world.server}"}).json()
    assert [each["id"] for each in (*first["enquiries"], *rest["enquiries"])] == before[:4]
    assert world.walked("enquiries") == [*before, new]


@pytest.mark.parametrize("mark", ["x", "WzE", "bnVsbA", "WyJhIiwxXQ", "a.b", "x" * 700])
@pytest.mark.parametrize("name", LISTS)
def test_a_mark_of_no_list_is_refused_by_its_field(world: World, name: str, mark: str) -> None:
    reply = world.get(f"{name}?after={mark}")
    assert reply.status_code == 422
    assert [each.path for each in schema.Problem.model_validate(reply.json()).errors] == ["after"]


def test_a_page_costs_as_many_statements_however_long_it_is(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    counted: list[int] = []
    for size in (2, 5):
        if size == 2:
            filled(world, monkeypatch)
        monkeypatch.setattr(paging, "A_PAGE", size)
        counted += [statements(world, name) for name in LISTS]
    assert counted[: len(LISTS)] == counted[len(LISTS) :]
    assert max(counted) <= 10


def statements(world: World, name: str) -> int:
    count = 0

    def one_more(*_event: object) -> None:
        nonlocal count
        count += 1

    engine = world.client.database.engine
    event.listen(engine, "before_cursor_execute", one_more)
    try:
        assert world.get(name).status_code == 200
    finally:
        event.remove(engine, "before_cursor_execute", one_more)
    return count


def test_both_databases_tell_the_same_lists(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paging, "A_PAGE", 2)
    trial_cast.open_shop(database)
    asked = [f"00000000-0000-4000-8000-00000000000{n}" for n in (3, 1, 2)]
    with database.writing() as session:
        for id_ in asked:
            body = {**BASS, "id": id_, "dealer": SHOP}
            advise.advise(session, forms.check(body))
        made = [trial_cast.compose(session, on=f"2030-03-0{n}") for n in (3, 2, 1)]
    with database.reading() as session:
        assert walked(lambda mark: told_to_servers.enquiries(session, SHOP, mark), "id") == asked
        assert walked(lambda mark: told_to_servers.trials(session, SHOP, mark), "id") == made
        bows = [bow.copy for bow in through(lambda mark: stock.page(session, SHOP, mark))]
        tiers = [tier.tier for tier in through(lambda mark: stock.range_page(session, SHOP, mark))]
    assert bows == sorted(bows)
    assert (len(bows), tiers) == (12, ["bramble", "juniper", "linnet"])


def through(read: Callable[[str], Batch[Any]]) -> list[Any]:
    """Return a whole list, batch by batch."""
    found: list[Any] = []
    mark, more = "", True
    while more:
        batch = read(mark)
        found += batch.rows
        mark, more = batch.last, batch.more
    return found


def walked(read: Callable[[str], Batch[Any]], name: str) -> list[Any]:
    return [each[name] for each in through(read)]


def test_reading_notes_that_the_key_was_used(world: World) -> None:
    world.get("stock")
    with world.client.database.reading() as session:
        (used,) = [each.used_on for each in keys.listed(session, SHOP) if each.hint == world.server[-4:]]
    assert used == dt.datetime.now(dt.UTC).date()


MODELS = (
    *(reading_api.Enquiries, reading_api.Enquiry, reading_api.Trials, reading_api.Trial),
    *(inventory_api.Range, inventory_api.Stock),
)


@pytest.mark.parametrize("model", MODELS)
def test_the_examples_are_true(world: World, model: type[BaseModel]) -> None:
    described = world.client.get("/openapi.json").json()["components"]["schemas"][model.__name__]
    assert described["examples"]
    for example in described["examples"]:
        model.model_validate(example)
