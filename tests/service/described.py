"""Requests drawn from the API's own description, sent to the whole application with a real stock and every kind of key."""

import asyncio
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import httpx
import schemathesis
from fastapi import FastAPI
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi import checks
from sqlalchemy import select

from service import tables
from service.accounts import users
from service.core.limits import RateLimit
from service.dealers import api_keys
from service.dealers import site as doors
from service.devices import tablets
from service.settings import Settings
from service.trials import lifecycle
from service.web import api_schema
from tests.service import trial_cast
from tests.service.client import serving

PAGE = "https://shop.example"
RUN = "3f0c9a52-aaaa-bbbb-cccc-000000000001"
ALWAYS = (
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
)
"""What every answer must keep, whatever was asked."""
UNPROMISED = re.compile(
    r"dealer|tried\.\d+\.copy|answers\.dealer|answers\.tried\.\d+\.copy|copies(\.\d+)?|enquiry|player|id|date|due_back"
    r"|hold|instrument|answers\.hold|copy|reason|outcome|on|after"
)
"""Fields whose values a description can promise nothing about: whether a bow, dealer, player or enquiry of this name is here,
whether an id was used for something else or a mark is of this list, and what follows from several of them together (hold, days, what was kept)."""


@dataclass
class World:
    """The application with an open trial and an enquiry of one dealer; ``keys``: headers by who asks."""

    app: FastAPI
    keys: Mapping[str, Mapping[str, str]]
    trial: str
    enquiry: str
    serials: tuple[str, ...]
    loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.new_event_loop)

    def __post_init__(self) -> None:
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False, client=("127.0.0.1", 50_000))
        self.http = httpx.AsyncClient(transport=transport, base_url="http://bows.example")
        self.described = schemathesis.openapi.from_dict(self.app.openapi())
        # Keys are given here, real ones; headers that no route reads are refused by none.
        self.described.config.generation.update(with_security_parameters=False, allow_extra_parameters=False)

    def send(self, case: Any, who: str) -> httpx.Response:
        """Send a drawn request with somebody's key."""
        sent = case.as_transport_kwargs(base_url="http://bows.example")
        content = {"json": sent["json"]} if "json" in sent else {"content": sent.get("data")}
        asked = self.http.request(
            sent["method"],
            sent["url"],
            params=sent.get("params"),
            headers={**sent["headers"], **self.keys[who]},
            **content,
        )
        return self.loop.run_until_complete(asked)

    def judge(self, case: Any, who: str, reply: httpx.Response | None = None) -> list[str]:
        """Return what is wrong with the answer to a drawn request, which is sent if need be; empty where all is well."""
        reply = self.send(case, who) if reply is None else reply
        required = [*ALWAYS, checks.negative_data_rejection]
        try:
            case.validate_response(reply, checks=required, headers=dict(self.keys[who]))
        except FailureGroup as group:
            return [f"{who}: {case.as_curl_command()}\n{failure}" for failure in group.exceptions]
        mode = case.meta.generation.mode if case.meta else None
        if mode is GenerationMode.POSITIVE and reply.status_code in (400, 413, 415, 422):
            told = api_schema.Problem.model_validate(reply.json()).errors
            wrong = [each for each in told if not UNPROMISED.fullmatch(each.path)]
            if wrong or not told:
                return [f"{who}: {case.as_curl_command()}\nrefused although as described: {wrong or reply.text}"]
        return []

    def close(self) -> None:
        """End what was begun."""
        self.loop.run_until_complete(self.http.aclose())
        self.loop.close()


@contextmanager
def world(settings: Settings) -> Iterator[World]:
    """Give the application on an empty database, with a small stock, an enquiry, an open trial, and one key of each kind."""
    with serving(settings) as client:
        trial_cast.open_shop(client.database)
        with client.database.writing() as session:
            doors.set_pages(session, None, trial_cast.SHOP, PAGE, "", "")
            kinds = ("website", "server", "test")
            site, server, test = (api_keys.make(session, None, trial_cast.SHOP, kind) for kind in kinds)
            user = users.add(session, "owner@bows.example", "owner", trial_cast.SHOP).account.id
            _tablet, tablet = tablets.enrol(session, tablets.make_code(session, user, trial_cast.SHOP, "Room"))
            trial = trial_cast.compose(session)
            lifecycle.open_(session, None, trial_cast.SHOP, trial)
            serials = tuple(session.scalars(select(tables.Copy.serial).where(tables.Copy.dealer == trial_cast.SHOP)))
        bearer = {"site": site, "server": server, "test": test, "tablet": tablet}
        who: dict[str, dict[str, str]] = {name: {"Authorization": f"Bearer {key}"} for name, key in bearer.items()}
        who["site"]["Origin"] = PAGE
        enquiry = client.advice(trial_cast.BASS, who["server"]).json()["id"]
        # As with the other limits, which settings lift: more is asked here in a minute than any server may.
        client.app.state.server_limit = client.app.state.test_limit = RateLimit(0)
        made = World(client.app, {"anonymous": {}, **who}, trial, enquiry, serials)
        try:
            yield made
        finally:
            made.close()


def requests(world: World, method: str, path: str, mode: GenerationMode) -> st.SearchStrategy[tuple[Any, str]]:
    """Draw requests of one operation, each with who sends it; half of them about things that are really here."""
    cases = world.described[path][method].as_strategy(generation_mode=mode)
    return st.builds(
        lambda case, real, serials, who: (_about_real(world, case, serials) if real else case, who),
        cases,
        st.booleans(),
        st.lists(st.sampled_from(world.serials), min_size=1, max_size=3, unique=True),
        st.sampled_from(("server", "server", "tablet" if path.endswith("{run_id}") else "server", *world.keys)),
    )


def _about_real(world: World, case: Any, serials: list[str]) -> Any:
    """Put bows, trial and enquiry that are here in the place of drawn ones, where the request has such."""
    if isinstance(case.path_parameters.get("trial"), str):
        case.path_parameters["trial"] = world.trial
    if isinstance(case.path_parameters.get("enquiry"), str):
        case.path_parameters["enquiry"] = world.enquiry
    body = case.body
    if isinstance(body, dict):
        _real_answers(body, serials)
        if isinstance(body.get("answers"), dict):
            _real_answers(body["answers"], serials)
        if isinstance(body.get("copies"), list):
            body["copies"] = serials
        if isinstance(body.get("copy"), str):
            body["copy"] = serials[0]
        if isinstance(body.get("enquiry"), str):
            body["enquiry"] = world.enquiry
        body.pop("player", None)
    return case


def _real_answers(body: dict[str, Any], serials: list[str]) -> None:
    tried = body.get("tried")
    for one, serial in zip(tried if isinstance(tried, list) else [], serials, strict=False):
        if isinstance(one, dict) and isinstance(one.get("copy"), str):
            one["copy"] = serial
    if isinstance(body.get("dealer"), str):
        body["dealer"] = trial_cast.SHOP
