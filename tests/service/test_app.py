"""The wiring: headers on every answer, one shape for every error, limits, and tokens in forms."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import APIRouter
from sqlalchemy.exc import OperationalError
from starlette.exceptions import HTTPException

from service.core.errors import ConflictError, InvalidInputError
from service.web import api_schema, security
from tests.service.client import BROWSER, Client, serving, settings_in

FAULTY = APIRouter()


@FAULTY.get("/faulty/{kind}", include_in_schema=False)
async def faulty(kind: str) -> None:
    faults: dict[str, Exception] = {
        "invalid": InvalidInputError([("budget.amount", "Got <b>0</b>; expected more.")]),
        "refused": ConflictError("There is nothing to try yet."),
        "busy": OperationalError("SELECT secret", {}, Exception("database is locked")),
        "unforeseen": RuntimeError("secret detail"),
        "gone": HTTPException(410),
    }
    raise faults[kind]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("app"))) as client:
        client.app.include_router(FAULTY)
        yield Client(client.app, forgiving=True)


ERRORS: list[tuple[int, str, str, dict[str, Any]]] = [
    (404, "GET", "/nowhere", {}),
    (404, "GET", "/static/nothing.css", {}),
    (404, "GET", "/advice/AAAAAAAAAAAAAAAAAAAAAAAA", {}),
    (404, "GET", "/form/AAAAAAAAAAAAAAAAAAAAAAAA", {}),
    (405, "GET", "/api/v1/advice", {}),
    (405, "DELETE", "/healthz", {}),
    (413, "POST", "/api/v1/advice", {"content": b" " * 300_000, "headers": {"Content-Type": "application/json"}}),
    (415, "POST", "/api/v1/advice", {"content": b"instrument=violin", "headers": {"Content-Type": "text/plain"}}),
    (415, "POST", "/api/v1/advice", {"content": b"{}"}),
    (422, "POST", "/api/v1/advice", {"json": {}}),
    (422, "GET", "/faulty/invalid", {}),
    (409, "GET", "/faulty/refused", {}),
    (503, "GET", "/faulty/busy", {}),
    (500, "GET", "/faulty/unforeseen", {}),
    (410, "GET", "/faulty/gone", {}),
]


@pytest.mark.parametrize(("status", "method", "path", "request_"), ERRORS)
def test_every_error_has_the_one_shape(
    client: Client, status: int, method: str, path: str, request_: dict[str, Any]
) -> None:
    answer = client.send(method, path, **request_)
    assert answer.status_code == status
    told = api_schema.Problem.model_validate(answer.json())
    assert told.detail.endswith(".")
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(("status", "method", "path"), [case[:3] for case in ERRORS if case[1] == "GET"])
def test_a_browser_gets_every_error_as_a_page_except_from_the_api(
    client: Client, status: int, method: str, path: str
) -> None:
    answer = client.send(method, path, headers=BROWSER)
    assert answer.status_code == status
    if path.startswith("/api/"):
        api_schema.Problem.model_validate(answer.json())
    else:
        assert answer.headers["content-type"].startswith("text/html")
        assert answer.text.count("<h1") == 1
        # What may be there in a moment is asked for again where it is: whoever is amid a form loses nothing.
        assert ('<a class="go" href="">' in answer.text) == (status >= 500)
        assert "Traceback" not in answer.text
        assert "secret" not in answer.text


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/"),
        ("GET", "/healthz"),
        ("GET", "/openapi.json"),
        ("GET", "/static/style.css"),
        ("GET", "/nowhere"),
        ("GET", "/faulty/unforeseen"),
        ("POST", "/api/v1/advice"),
    ],
)
def test_every_answer_is_protected_by_its_headers(client: Client, method: str, path: str) -> None:
    headers = client.send(method, path).headers
    for name, value in security.EVERYWHERE.items():
        assert headers[name] == value
    assert headers["cache-control"] == ("no-cache" if path.startswith("/static/") else "no-store")


def test_no_inline_script_or_style_and_no_frame_is_allowed() -> None:
    allowed = dict(part.split(" ", 1) for part in security.CONTENT_SECURITY_POLICY.split("; "))
    assert allowed["default-src"] == allowed["frame-ancestors"] == allowed["base-uri"] == "'none'"
    assert not {"'unsafe-inline'", "'unsafe-eval'", "*", "data:"} & set(" ".join(allowed.values()).split())


@pytest.mark.parametrize("path", ["/form/abc/instrument", "/advice/abc"])
def test_unguessable_addresses_are_neither_kept_nor_indexed(client: Client, path: str) -> None:
    headers = client.get(path).headers
    assert headers["cache-control"] == "no-store"
    assert "noindex" in headers["x-robots-tag"]


def test_encryption_is_kept_up_where_the_public_address_has_it(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path, public_address="https://bows.example")) as client:
        assert "max-age" in client.get("/healthz").headers["strict-transport-security"]
        assert "strict-transport-security" in client.send("POST", "/nowhere").headers


def test_without_encryption_none_is_promised(client: Client) -> None:
    assert "strict-transport-security" not in client.get("/healthz").headers


def test_a_body_that_hides_its_length_is_cut_off_at_the_limit(client: Client) -> None:
    sent = 0

    async def endless() -> Any:
        nonlocal sent
        for _ in range(1_000):
            sent += 10_000
            yield b" " * 10_000

    answer = client.send("POST", "/api/v1/advice", content=endless(), headers={"Content-Type": "application/json"})
    assert answer.status_code == 413
    assert sent < security.LARGEST_BODY + 50_000


def test_a_body_within_the_limit_passes(client: Client) -> None:
    body = b'{"instrument": "harp"}' + b" " * (security.LARGEST_BODY - 100)
    assert client.advice(body).status_code == 422


def test_the_address_that_takes_another_method_names_it(client: Client) -> None:
    assert client.get("/api/v1/advice").headers["allow"] == "POST"


def test_the_pages_that_would_load_scripts_from_elsewhere_are_off(client: Client) -> None:
    assert {client.get(path).status_code for path in ("/docs", "/redoc")} == {404}


def test_too_many_questions_are_told_when_to_come_back(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path, advice_per_minute=3)) as client:
        assert [client.advice({}).status_code for _ in range(4)] == [422, 422, 422, 429]
        answer = client.advice({})
        assert 1 <= int(answer.headers["retry-after"]) <= 20
        assert answer.json()["detail"].startswith("Please wait")
        assert Client(client.app, host="198.51.100.7").advice({}).status_code == 422


def test_a_token_fits_its_own_address_under_its_own_key_only() -> None:
    tokens = security.FormTokens("key one")
    token = tokens.make("address")
    assert tokens.fits("address", token)
    assert not tokens.fits("another", token)
    assert not security.FormTokens("key two").fits("address", token)
    assert not tokens.fits("address", "")
    assert not tokens.fits("address", "käse\ud800")
    assert "key one" not in repr(tokens)


def test_a_form_without_its_token_is_refused_and_begins_nothing(client: Client) -> None:
    answer = client.send("POST", "/form", data={"dealer": ""}, headers=BROWSER)
    assert answer.status_code == 403
    assert "nothing was changed" in answer.text


@pytest.mark.parametrize(
    "path",
    [
        *("/static", "/static/", "/static/tablet", "/static/tablet/"),
        *(
            "/static/../app.py",
            "/static/%2e%2e/app.py",
            "/static/..%2f..%2f.git/config",
            "/static/%2e%2e%2f%2e%2e%2fREADME.md",
        ),
        *("/.git/config", "/pyproject.toml", "/service/app.py", "/static//etc/passwd"),
    ],
)
def test_files_are_served_from_one_folder_and_none_is_listed(client: Client, path: str) -> None:
    reply = client.get(path)
    assert reply.status_code in (307, 308, 404)
    assert "desk.js" not in reply.text
    assert "create_app" not in reply.text


def test_what_was_asked_is_never_sent_back_whole(client: Client) -> None:
    # TRACE (RFC 9110, 9.3.8) would show a script the cookies and keys that it may not read.
    reply = client.send("TRACE", "/", headers={"Cookie": "desk=a-secret"})
    assert reply.status_code == 405
    assert "a-secret" not in reply.text


def test_styles_scripts_and_pages_say_what_they_are(client: Client) -> None:
    kinds = {"/": "text/html", "/static/style.css": "text/css", "/static/tablet.js": "text/javascript"}
    for path, kind in kinds.items():
        assert client.get(path).headers["content-type"] == f"{kind}; charset=utf-8"
    described = client.get("/openapi.json")
    assert (described.status_code, described.headers["content-type"]) == (200, "application/json")
