"""The edge: whose name a request is for, HEAD, Allow, redirects and links that no header bends, and what stands for programs.

RFC 9110 and 9112 (HTTP), 9116 (security.txt), 9309 (robots.txt).
"""

import asyncio
import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import iter_route_contexts

from service.core.errors import ConflictError
from service.settings import Settings
from service.web import api_schema, hosts
from tests.service import cast
from tests.service.client import BROWSER, Client, add_small_range, serving, settings_in

EVIL = b"evil.example"
SERVICE = Path(hosts.__file__).parents[1]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("edge"), public_address="https://bows.example")) as client:
        add_small_range(client.database)
        yield client


@pytest.fixture(scope="module")
def unnamed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """The service as it is without any setting about names."""
    with serving(settings_in(tmp_path_factory.mktemp("unnamed"), allowed_hosts=())) as client:
        yield client


def ask(
    client: Client, path: str, *named: bytes, method: str = "GET", version: str = "1.1", cookie: str = ""
) -> tuple[int, str, str]:
    """Send a request with exactly these Host headers, which no client library would; return status, headers and body."""
    raw, _mark, query = path.partition("?")
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": version,
        "method": method,
        "scheme": "http",
        "path": raw,
        "raw_path": raw.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": [*((b"host", name) for name in named), (b"accept", b"text/html"), (b"cookie", cookie.encode())],
        "client": ("127.0.0.1", 50_000),
        "server": ("192.0.2.7", 8000),
    }
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(client.app(scope, receive, send))
    headers = "\n".join(f"{name.decode()}: {value.decode('latin-1')}" for name, value in sent[0]["headers"])
    return sent[0]["status"], headers, b"".join(message.get("body", b"") for message in sent[1:]).decode()


# Whose name


@pytest.mark.parametrize(
    ("named", "status"),
    [
        ((b"bows.example",), 200),
        ((b"BOWS.Example:8443",), 200),
        ((b"bows.example.",), 200),
        ((b"127.0.0.1:8000",), 200),
        ((b"[::1]:8000",), 200),
        ((b"localhost",), 200),
        ((), 400),
        ((b"",), 400),
        ((b"bows.example", b"bows.example"), 400),
        ((b"bows.example", EVIL), 400),
        ((b"bows.example,evil.example",), 400),
        ((b"bows.example/evil",), 400),
        ((b"evil@bows.example",), 400),
        ((b"bows.example:99999",), 400),
        ((b"bows.example:80:80",), 400),
        ((b"[::1",), 400),
        ((b"[:::]",), 400),
        ((b"b\xf6ws.example",), 400),
        ((EVIL,), 421),
        ((b"bows.example.evil.example",), 421),
        ((b"evil-bows.example",), 421),
        ((b"10.0.0.5",), 421),
    ],
)
def test_only_one_host_of_ours_is_answered(client: Client, named: tuple[bytes, ...], status: int) -> None:
    # RFC 9112, 3.2 (400) and RFC 9110, 7.4 (421); ASVS 5.0, 4.2.1 and 13.4.
    got, headers, body = ask(client, "/", *named)
    assert got == status
    assert "evil.example" not in headers + body
    assert "content-security-policy" in headers


def test_a_refusal_is_in_the_readers_language(client: Client) -> None:
    german = client.send("GET", "/", headers={"Host": "evil.example", "Accept-Language": "de-AT"})
    english = client.send("GET", "/", headers={"Host": "evil.example"})
    assert (german.status_code, english.status_code) == (421, 421)
    assert "antwortet der Dienst nicht" in german.text
    assert "does not answer" in english.text


@pytest.mark.parametrize("named", [(), (EVIL,)])
def test_a_refusal_has_the_one_shape_of_errors(client: Client, named: tuple[bytes, ...]) -> None:
    _status, _headers, body = ask(client, "/api/v1/advice", *named, method="POST")
    told = api_schema.Problem.model_validate_json(body)
    assert "Host" in told.detail or "ALLOWED_HOSTS" in told.detail


@pytest.mark.parametrize(
    ("named", "status"),
    [
        (b"127.0.0.1:8000", 200),
        (b"192.168.1.20:8000", 200),
        (b"[fe80::1]", 200),
        (b"localhost:8000", 200),
        (b"shop-pc", 200),
        (b"shop-pc.local", 200),
        (b"bows.example", 421),
        (EVIL, 421),
        (b"192.168.1.20.evil.example", 421),
        (b"local.evil.example", 421),
    ],
)
def test_without_any_setting_numbers_and_the_houses_own_names_are_answered(
    unnamed: Client, named: bytes, status: int
) -> None:
    # What a stranger can register, and have resolve to this machine (DNS rebinding), is none of them.
    assert ask(unnamed, "/", named)[0] == status


def test_a_load_balancer_may_ask_by_any_one_name(client: Client) -> None:
    assert ask(client, "/healthz", b"10.0.0.5:8000")[0] == 200
    assert ask(client, "/healthz", version="1.0")[0] == 200
    assert ask(client, "/healthz")[0] == 400
    assert ask(client, "/healthz", b"10.0.0.5", b"10.0.0.6")[0] == 400
    assert ask(client, "/", version="1.0")[0] == 400


def test_settings_say_which_names(tmp_path: Path) -> None:
    given = {
        "DATA_DIR": str(tmp_path),
        "ALLOWED_HOSTS": "Bows.example, 192.0.2.1,[2001:DB8::1]",
        "SECRET_KEY": "x" * 32,
    }
    settings = Settings.from_environment(given | {"PUBLIC_ADDRESS": "https://bögen.example:8443/bows"})
    assert settings.hosts() == {"bows.example", "192.0.2.1", "2001:db8::1", "xn--bgen-5qa.example"}
    for wrong in ("https://bows.example", "bows.example:80", "*", "a b", "-x.example"):
        with pytest.raises(ConflictError, match="ALLOWED_HOSTS"):
            Settings.from_environment(given | {"ALLOWED_HOSTS": wrong})


def test_a_name_is_read_as_it_is_written_in_a_header() -> None:
    assert hosts.name_of("[2001:DB8:0::1]:443") == "2001:db8::1"
    assert hosts.name_of("a:0") == "a"


@pytest.mark.parametrize(
    ("path", "header"), [("/\0", b""), ("/?dealer=%00", b""), ("/form/a\0b/work", b""), ("/", b"a\0b")]
)
def test_nul_is_refused_in_plain_words(client: Client, path: str, header: bytes) -> None:
    named = (b"bows.example", header) if header else (b"bows.example",)
    status, _headers, body = ask(client, path, *named)
    assert status == 400
    assert "NUL" in body


# Links and redirects


def test_a_slash_too_many_is_taken_away_without_naming_a_host(client: Client) -> None:
    status, headers, _body = ask(client, "/privacy/?dealer=harbour", b"127.0.0.1")
    assert (status, "location: /privacy?dealer=harbour" in headers.splitlines()) == (307, True)
    for path in ("//evil.example/", "//evil.example//", "/nowhere/", "/privacy//x/"):
        assert ask(client, path, b"bows.example")[0] == 404
    assert "location: /privacy" in ask(client, "//privacy//", b"bows.example")[1].splitlines()


def test_no_redirect_and_no_page_repeats_the_host(unnamed: Client) -> None:
    # The name is one that is answered, but not the one of the socket: nothing may be made from it.
    pages = [context.path or "" for context in iter_route_contexts(unnamed.app.routes)]
    open_pages = [path for path in pages if path and "{" not in path]
    assert len(open_pages) > 20
    for path in [*open_pages, "/desk/", "/privacy/", "/embed/harbour", "/embed/harbour/x", "/static", "/static/"]:
        _status, headers, body = ask(unnamed, path, b"unlikely-name.local:8001")
        assert "unlikely-name" not in headers + body, path


def test_no_module_makes_an_address_from_the_host() -> None:
    # The framework's ways to one all read the Host header; the preview of the framed form compares it with an origin.
    sources = {path: path.read_text(encoding="utf-8") for path in SERVICE.rglob("*.py")}
    reads = re.compile(r"\bbase_url\b|\burl_for\b|request\.url\.(hostname|netloc|replace)|str\(request\.url\)")
    assert [str(path.relative_to(SERVICE)) for path, text in sources.items() if reads.search(text)] == ["form/embed.py"]


@pytest.mark.parametrize(
    ("public", "shown"), [(None, "http://192.0.2.7:8000/"), ("https://bows.example", "https://bows.example/")]
)
def test_links_lead_to_the_public_address_else_to_the_one_listened_on(
    tmp_path: Path, public: str | None, shown: str
) -> None:
    with serving(settings_in(tmp_path, public_address=public)) as client:
        add_small_range(client.database)
        owner = cast.Desk(client).sign_in("owner")
        cookie = f"{owner.cookie if public is None else '__Host-desk'}={owner.secret}"
        status, _headers, body = ask(client, "/desk/website", b"localhost:1234", cookie=cookie)
    assert status == 200
    assert f"{shown}?dealer=harbour" in body
    assert "localhost" not in body


# Methods


def test_head_is_answered_as_get_is_without_the_body(client: Client) -> None:
    # RFC 9110, 9.3.2: the same header fields, no content.
    pages = {
        context.path or "" for context in iter_route_contexts(client.app.routes) if "GET" in (context.methods or ())
    }
    assert len(pages) > 50
    for path in sorted(pages | {"/static/style.css", "/nowhere"}):
        address = path.replace("{", "").replace("}", "").replace(":path", "")
        got, head = (client.send(method, address, headers=BROWSER) for method in ("GET", "HEAD"))
        assert head.status_code == got.status_code, path
        assert head.content == b"", path
        assert _steady(head.headers) == _steady(got.headers), path


def _steady(headers: Any) -> dict[str, str]:
    """Return the fields that are alike each time; what is only known once the content is made may be left out of HEAD (9.3.2)."""
    changing = {"set-cookie", "date", "x-request-id", *(("content-length",) if "content-encoding" in headers else ())}
    return {name: value for name, value in headers.items() if name not in changing}


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("DELETE", "/healthz", {"GET", "HEAD"}),
        ("OPTIONS", "/api/v1/advice", {"POST"}),
        ("GET", "/api/v1/advice", {"POST"}),
        ("OPTIONS", "/desk/sign-in", {"GET", "HEAD", "POST"}),
        ("PATCH", "/desk/users", {"GET", "HEAD", "POST"}),
        ("TRACE", "/", {"GET", "HEAD"}),
        ("POST", "/static/style.css", {"GET", "HEAD"}),
        ("POST", "/robots.txt", {"GET", "HEAD"}),
    ],
)
def test_a_method_that_is_not_taken_is_told_all_that_are(
    client: Client, method: str, path: str, allow: set[str]
) -> None:
    # RFC 9110, 15.5.6; ASVS 5.0, 4.1.4: methods that are not used explicitly are refused.
    reply = client.send(method, path)
    assert reply.status_code == 405
    assert set(reply.headers["allow"].split(", ")) == allow


# For programs


def test_security_txt_says_whom_to_tell(tmp_path: Path) -> None:
    contact = {"security_contact": "mailto:security@bows.example", "public_address": "https://bows.example"}
    with serving(settings_in(tmp_path, **contact)) as client:
        reply = client.get("/.well-known/security.txt")
    assert (reply.status_code, reply.headers["content-type"]) == (200, "text/plain; charset=utf-8")
    fields = dict(line.split(": ", 1) for line in reply.text.splitlines())
    assert fields["Contact"] == "mailto:security@bows.example"
    assert fields["Canonical"] == "https://bows.example/.well-known/security.txt"
    # RFC 9116, 2.5.5: a moment of RFC 3339, recommended to be less than a year ahead.
    ahead = dt.datetime.fromisoformat(fields["Expires"]) - dt.datetime.now(dt.UTC)
    assert dt.timedelta(days=30) < ahead < dt.timedelta(days=365)


def test_where_nobody_is_named_there_is_no_security_txt(client: Client) -> None:
    assert client.get("/.well-known/security.txt").status_code == 404


def test_the_contact_is_an_address(tmp_path: Path) -> None:
    given = {"DATA_DIR": str(tmp_path), "SECRET_KEY": "x" * 32}
    read = Settings.from_environment
    assert (
        read(given | {"SECURITY_CONTACT": "security@bows.example"}).security_contact == "mailto:security@bows.example"
    )
    assert (
        read(given | {"SECURITY_CONTACT": "https://bows.example/tell"}).security_contact == "https://bows.example/tell"
    )
    for wrong in ("somebody", "http://bows.example", "a@b.example\nExpires: never", "https://", "javascript:alert(1)"):
        with pytest.raises(ConflictError, match="SECURITY_CONTACT"):
            read(given | {"SECURITY_CONTACT": wrong})


@pytest.mark.parametrize(
    ("path", "may"),
    [
        ("/", True),
        ("/?dealer=harbour", True),
        ("/privacy", True),
        ("/privacy?dealer=harbour", True),
        ("/static/style.css", True),
        ("/desk", False),
        ("/desk/sign-in", False),
        ("/advice/x", False),
        ("/form", False),
        ("/data/x", False),
        ("/api/v1/advice", False),
        ("/openapi.json", False),
        ("/healthz", False),
    ],
)
def test_robots_are_let_to_what_is_public_and_told_of_nothing_else(client: Client, path: str, may: bool) -> None:
    reply = client.get("/robots.txt")
    assert (reply.status_code, reply.headers["content-type"]) == (200, "text/plain; charset=utf-8")
    assert _may_fetch(reply.text, path) is may
    assert not any(secret in reply.text for secret in ("desk", "advice", "form", "data", "erase", "play", "tablet"))


def _may_fetch(text: str, path: str) -> bool:
    """Decide as RFC 9309, 2.2.2 does: the longest rule that matches; '$' ends a pattern."""
    first, *rules = (line.split(": ", 1) for line in text.splitlines())
    assert first == ["User-agent", "*"]
    fitting = [
        (len(pattern), what == "Allow")
        for what, pattern in rules
        if (path == pattern[:-1] if pattern.endswith("$") else path.startswith(pattern))
    ]
    return max(fitting)[1]
