"""Refusals stay small and cheap, whatever is sent: bytes are measured, and instead of time the calls that a refusal takes."""

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import httpx
import pytest

from service.core.errors import MOST_TOLD, FieldProblem, InvalidInputError
from service.dealers import api_keys
from service.devices import tablets
from service.questionnaire import lengths
from tests.service import cast
from tests.service.cast import DEALER, Desk, hidden
from tests.service.client import BROWSER, Client
from tests.service.front_door import BOMBS, DOORS, FORM
from tests.service.page import Page

SMALL = 64 * 1024
FEW = 40_000
"""Calls of functions: an ordinary refusal takes some five thousand; one of thousands of empty bows took over three millions."""


@dataclass
class World:
    """The desk, with keys, and how to send a body to each door of the API."""

    desk: Desk
    tablet: str
    server: str

    def send(self, door: str, body: bytes) -> httpx.Response:
        """Send a body to one of `DOORS`."""
        method, path, whose = DOORS[door]
        key = {"tablet": self.tablet, "server": self.server}.get(whose)
        headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {key}"} if key else {})
        return Client(self.desk.app).send(method, path, content=body, headers=headers)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    with cast.opened(
        tmp_path_factory.mktemp("refusals"), _migrated_file, advice_per_minute=0, cost_per_minute=0
    ) as desk:
        desk.app.state.enrol_limit.per_minute = desk.app.state.sign_in_limit.per_minute = 0
        with desk.database.writing() as session:
            _, tablet = tablets.enrol(session, tablets.make_code(session, desk.ids["owner"], DEALER, "window"))
            server = api_keys.make(session, None, DEALER, api_keys.SERVER)
        yield World(desk, tablet, server)


def counted(act: Callable[[], httpx.Response]) -> tuple[httpx.Response, int]:
    """Return what an act answers and how many calls of functions it took, Python's and C's, in this thread."""
    calls = 0

    def count(_frame: object, event: str, _argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        answer = act()
    finally:
        sys.setprofile(None)
    return answer, calls


@pytest.mark.parametrize("bomb", BOMBS)
@pytest.mark.parametrize("door", DOORS)
def test_a_refusal_is_small_and_cheap(world: World, door: str, bomb: str) -> None:
    world.send(door, b"{}")  # what is made once in a process is made before
    answer, calls = counted(lambda: world.send(door, BOMBS[bomb]))
    assert answer.status_code == 422
    assert len(answer.content) < SMALL
    assert 1 <= len(answer.json()["errors"]) <= MOST_TOLD
    assert calls < FEW


def test_lengths_are_told_by_path_before_contents(world: World) -> None:
    told = world.send("advice", BOMBS["empty bows"]).json()["errors"]
    assert [(each["path"], each["code"]) for each in told] == [("tried", "wrong_length")]
    assert told[0]["detail"] == f"Expected at most {lengths.MOST_ITEMS} entries here."
    told = world.send("advice", BOMBS["a number without end"]).json()["errors"]
    assert [(each["path"], each["code"]) for each in told] == [("strings", "wrong_length")]
    assert told[0]["detail"] == "This number has too many digits; expected at most 40."


def test_at_most_fifty_problems_are_asked_for() -> None:
    asked = 0

    def problems() -> Iterator[FieldProblem]:
        nonlocal asked
        for asked in range(1, 1_000):
            yield FieldProblem(str(asked), "No.")

    assert len(InvalidInputError(problems()).problems) == asked == 50


def test_the_largest_answers_that_can_be_used_are_not_too_large(world: World) -> None:
    ratings = dict.fromkeys(("overall", "response", "clarity", "dynamic_range", "steadiness", "ease", "tone"), 4)
    tried = [{"copy": f"nowhere-{'x' * 80}{number:03}", "ratings": ratings} for number in range(20)]
    body = {
        "instrument": "violin",
        "settings": ["orchestra", "theatre", "chamber", "solo", "early_music", "jazz", "folk", "study", "teaching"],
        "own_bow": {"kind": "wood", "ratings": ratings},
        "tried": tried,
    }
    answer = world.send("advice", json.dumps(body).encode())
    # All lengths fit; that no bow is here by these serials is found out from their contents.
    assert {problem["path"] for problem in answer.json()["errors"]} <= {f"tried.{number}.copy" for number in range(20)}
    note = "🎻" * 2_000
    lengths.require_bounded(json.dumps({"note": note}).encode())


FORMS: dict[str, dict[str, Any]] = {
    "an ordinary mistake": {"email": "x"},
    "as many fields as fit": {"": [""] * 15_000},
    "many fields": {f"f{number}": "1" for number in range(10_000)},
    "a long value": {"email": "<" * 30_000},
    "as much as is read": {"email": "'" * 5_500},
    "many values": {"settings": ["x"] * 10_000},
    "more than is read": {"email": "x" * 200_000},
}


STATUSES: dict[str, int] = {
    "an ordinary mistake": 422,
    "as many fields as fit": 422,
    "many fields": 413,
    "a long value": 413,
    "as much as is read": 422,
    "many values": 413,
    "more than is read": 413,
}
"""What each of `FORMS` is answered with: 413 is decided by the bytes, before anything is read."""
READ = ("an ordinary mistake", "as much as is read")
"""Those whose fields are read."""
READ_AS = {"/form": 303, "/advice/x/again": 403}
"""What they are answered with where fields do not matter: a questionnaire begins; no token of that advice is in them."""


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("path", ["/privacy", "/desk/sign-in", "/form", "/form/{step}", "/advice/x/again"])
def test_forms_that_anybody_may_send_are_refused_as_small_and_cheaply(world: World, path: str, form: str) -> None:
    member = world.desk.nobody()
    expected = READ_AS.get(path, STATUSES[form]) if form in READ else STATUSES[form]
    if path == "/form/{step}":
        begun = member.send("POST", "/form", data=hidden(Page(member.get("/"))))
        path = begun.headers["location"].replace("instrument", "contact")
        token = {"csrf": world.desk.app.state.tokens.make(path.split("/")[2])}
    else:
        shown = member.get({"/form": "/", "/advice/x/again": "/"}.get(path, path))
        token = hidden(Page(shown)) if path != "/advice/x/again" else {}
    member.send("POST", path, data=token | {"email": "before"})  # what is made once in a process is made before
    content, headers = urlencode(token | FORMS[form], doseq=True), {"Content-Type": FORM}
    answer, calls = counted(lambda: member.send("POST", path, content=content, headers=headers))
    assert answer.status_code == expected
    assert len(answer.content) < SMALL
    assert calls < FEW


@pytest.mark.parametrize(
    "address", ["/" + "%22" * 5_000, "/?dealer=" + "%22" * 5_000, "/privacy?dealer=" + "%3C" * 5_000]
)
def test_a_long_address_is_answered_shortly(world: World, address: str) -> None:
    """As long as a head may be at all."""
    answer = Client(world.desk.app).get(address, headers=BROWSER)
    assert len(answer.content) < SMALL


def test_no_path_stands_longer_in_a_refusal_than_it_can_be_read(world: World) -> None:
    answer = world.send("advice", json.dumps({quote("ß" * 4_000): 1}).encode())
    assert all(len(problem["path"]) <= 60 for problem in answer.json()["errors"])
