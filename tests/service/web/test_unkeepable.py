"""What no database keeps and no calendar reckons with, in every place where it can stand: refused in plain words, on both databases."""

import json
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.core.database import Database
from service.web import api_schema
from tests.service import described
from tests.service.client import BROWSER, Client, settings_in
from tests.service.described import RUN, World

NUL, LONE = "\\u0000", "\\ud800"
"""As JSON writes them: NUL, and half of a character beyond the sixteen bits (RFC 8259, section 8.2)."""


@pytest.fixture
def world(any_database: Database, tmp_path: Path) -> Iterator[World]:
    url = any_database.url.render_as_string(hide_password=False)
    with described.world(settings_in(tmp_path, database_url=url)) as world:
        yield world


def sent(world: World, method: str, path: str, body: str) -> tuple[int, list[str]]:
    """Send JSON's text as the dealer's server; return the status and the fields named."""
    headers = dict(world.keys["server"]) | {"Content-Type": "application/json"}
    reply = Client(world.app).send(method, path, content=body.encode(), headers=headers)
    told = [] if reply.status_code == 200 else api_schema.Problem.model_validate(reply.json()).errors
    assert all(each.detail.endswith(".") for each in told)
    return reply.status_code, [each.path for each in told]


def bodies(world: World) -> dict[str, tuple[str, str, dict[str, Any]]]:
    """Return a good body of every operation that takes one, with every text in it that can be given."""
    answers: dict[str, Any] = {"instrument": "double_bass", "hold": "german"}
    contact = {"name": "Ada", "email": "ada@example.org", "phone": "1", "consent": {"advice": True}}
    advice: dict[str, Any] = {**answers, "dealer": "harbour", "language": "de", "contact": contact}
    advice |= {
        "tried": [{"copy": "DB-juniper-1", "ratings": {"overall": 5}}],
        "budget": {"amount": 1, "currency": "EUR"},
    }
    trial = {
        "id": str(uuid.uuid4()),
        "enquiry": world.enquiry,
        "player": "p",
        "copies": ["DB-juniper-2"],
        "country": "DE",
    }
    sheet = {"revision": 1, "position": 1, "letter": "A", "rater": "player", "ratings": {"overall": 4}, "note": "n"}
    return {
        "advice": ("POST", "/api/v1/advice", advice),
        "trial": ("POST", "/api/v1/trials", {**trial, "answers": answers, "date": "2027-05-04"}),
        "sheet": ("PUT", f"/api/v1/trials/{world.trial}/runs/{RUN}", sheet | {"rated_at": "2026-03-02T12:00:00Z"}),
        "outcome": ("POST", f"/api/v1/trials/{world.trial}/outcome", {"outcome": "kept", "copy": "DB-juniper-0"}),
    }


def texts(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every text in a body."""
    if isinstance(value, str):
        yield path
    for name, part in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield from texts(part, (*path, name))


def spoilt(body: dict[str, Any], path: tuple[Any, ...], with_: str) -> str:
    """Return the body's JSON with something appended to the text at a path."""
    copy = json.loads(json.dumps(body))
    holder = copy
    for name in path[:-1]:
        holder = holder[name]
    holder[path[-1]] += "@@"
    return json.dumps(copy).replace("@@", with_)


DAYS = [
    "0001-01-01",
    "1999-12-31",
    "2100-01-01",
    "9999-12-31",
    "2027-02-30",
    "2027-05-03T00:00:00",
    "20270503",
    20270503,
]


MOMENTS = [
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    "1899-12-31T23:59:59Z",
    "9000-01-01T00:00:00Z",
    "2026-03-02T12:00:00+99:00",
    "2026-03-02T12:00:00+24:00",
    "2026-03-02T12:00:00",
    "2026-03-02",
    "2026-03-02 12:00Z",
    1772452800,
    "1772452800",
]


WRITTEN = ["urn:uuid:{}", "{{{}}}", " {}", "{}\n"]
"""Ways of writing a UUID that are not the one described."""


def test_nul_and_half_a_character_are_refused_in_every_text_of_every_body(world: World) -> None:
    for method, path, body in bodies(world).values():
        found = list(texts(body))
        assert found
        for place in found:
            for bad in (NUL, LONE):
                status, _fields = sent(world, method, path, spoilt(body, place, bad))
                # A word about a bow is kept whatever a keyboard puts into it: a blank stands for the control character.
                assert status == (200 if (place, bad) == (("note",), NUL) else 422), (place, bad)


def test_a_day_that_is_none_of_our_time_is_refused_at_its_field(world: World) -> None:
    for day in DAYS:
        for name, field in (("trial", "date"), ("trial", "due_back"), ("outcome", "date")):
            method, path, body = bodies(world)[name]
            body |= {field: day, "open": True} if name == "trial" else {field: day}
            body.pop("player", None)
            assert sent(world, method, path, json.dumps(body)) == (422, [field]), (day, field)


def test_a_moment_that_overflows_or_is_written_otherwise_is_refused_at_its_field(world: World) -> None:
    method, path, body = bodies(world)["sheet"]
    for moment in MOMENTS:
        for field in ("rated_at", "sent_at"):
            assert sent(world, method, path, json.dumps(body | {field: moment})) == (422, [field]), moment


def test_an_id_is_a_uuid_as_it_is_described(world: World) -> None:
    for name in ("advice", "trial"):
        method, path, body = bodies(world)[name]
        body.pop("player", None)
        for id_ in (*(written.format(uuid.uuid4()) for written in WRITTEN), uuid.uuid4().hex):
            assert sent(world, method, path, json.dumps(body | {"id": id_})) == (422, ["id"]), id_


def test_a_text_of_the_form_that_cannot_be_kept_is_refused_at_its_field(world: World) -> None:
    client = Client(world.app)
    for dealer in ("\0", "har\0bour"):
        begun = _post(client, "/form", {"csrf": world.app.state.tokens.make("begin"), "dealer": dealer})
        assert begun.status_code == 303
        assert "Harbour" not in client.get(begun.headers["location"], headers=BROWSER).text
    address = begun.headers["location"].split("/")[2]
    token = {"csrf": world.app.state.tokens.make(address)}
    assert _post(client, f"/form/{address}/instrument", token | {"instrument": "violin"}).status_code == 303
    for bad in ("\0", "A\0da", "\\ud800", "\\ud83c\\udfbb"):
        # A form's bytes may claim any character set; one of Python's own writes halves of characters.
        claimed = "unicode_escape" if "\\" in bad else "utf-8"
        reply = _post(client, f"/form/{address}/contact", token | {"name": bad, "advice": "yes"}, claimed)
        assert reply.status_code == 422
        assert "control characters" in reply.text


def _post(client: Client, path: str, fields: dict[str, str], claimed: str = "utf-8") -> httpx.Response:
    parts = "".join(
        f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n' for name, value in fields.items()
    )
    kind = {"Content-Type": f"multipart/form-data; boundary=x; charset={claimed}"}
    return client.send("POST", path, headers=BROWSER | kind, content=f"{parts}--x--\r\n".encode())
