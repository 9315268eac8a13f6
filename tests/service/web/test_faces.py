"""The two faces that the pages are set in come with the service, small, and are kept by browsers for as long as they stay the same."""

import hashlib
import re
from collections.abc import Iterator

import pytest

from service.web.static_files import STATIC_FILES
from tests.service.client import Client, serving, settings_in

FACES = sorted((STATIC_FILES / "faces").iterdir())
LARGEST = 60_000
"""Bytes of all faces together."""
YEAR = 31_536_000
ADDRESS = re.compile(r"""url\(["']?([^"')]+)|(?:href|src)="([^"]+\.woff2)""")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("faces"))) as client:
        yield client


def test_faces_are_small_and_bear_their_digest_in_their_name() -> None:
    assert {file.suffix for file in FACES} == {".woff2"}
    assert 0 < sum(file.stat().st_size for file in FACES) <= LARGEST
    for file in FACES:
        content = file.read_bytes()
        assert content.startswith(b"wOF2")  # WOFF File Format 2.0, 4.1
        assert file.name.split(".")[1] == hashlib.sha256(content).hexdigest()[:8], "a changed face needs another name"


@pytest.mark.parametrize("path", ["/", "/desk/sign-in", "/tablet"])
def test_pages_ask_for_the_faces_that_there_are_and_for_nobody_elses(client: Client, path: str) -> None:
    page = client.get(path).text
    sheets = [f"/static/{name}" for name in re.findall(r'<link rel="stylesheet" href="/static/([^"]+)"', page)]
    assert [sheet.partition("?v=")[0] for sheet in sheets[:3]] == [
        f"/static/{name}.css" for name in ("faces", "tokens", "style")
    ]
    asked = set[str]()
    for text, base in ((page, ""), *((client.get(sheet).text, "/static/") for sheet in sheets)):
        for found in ADDRESS.finditer(text):
            address = found[1] or found[2]
            asked.add(address if address.startswith("/") else base + address)
    assert asked == {f"/static/faces/{file.name}" for file in FACES}


def test_an_address_that_says_what_is_in_it_may_be_kept_for_a_year_and_no_other(client: Client) -> None:
    (sheet,) = re.findall(r'href="(/static/style.css[?]v=[^"]+)"', client.get("/").text)
    content = client.get(sheet)
    assert hashlib.sha256(content.content).hexdigest().startswith(sheet.partition("?v=")[2])
    assert content.headers["cache-control"] == f"public, max-age={YEAR}, immutable"  # RFC 9111, 5.2.2.1; RFC 8246
    for other in ("/static/style.css", "/static/style.css?v=00000000", f"{sheet}&x=1"):
        assert client.get(other).headers["cache-control"] == "no-cache"
    none = client.get("/static/none.css?v=00000000")
    assert none.status_code == 404
    assert "max-age" not in none.headers["cache-control"]


def test_a_face_says_what_it_is_and_may_be_kept_for_a_year(client: Client) -> None:
    for file in FACES:
        reply = client.get(f"/static/faces/{file.name}")
        assert reply.headers["content-type"] == "font/woff2"  # RFC 8081, 4.4.6
        assert reply.headers["cache-control"] == f"public, max-age={YEAR}, immutable"  # RFC 9111, 5.2.2.1; RFC 8246
    # One that is not there may be there after an upgrade.
    assert "max-age" not in client.get("/static/faces/none.00000000.woff2").headers["cache-control"]
    assert client.get("/static/faces.css").headers["cache-control"] == "no-cache"


def test_the_licence_lies_beside_the_faces_and_the_tablet_keeps_them(client: Client) -> None:
    licence = client.get("/static/faces-licence.txt").text
    for name in ("SIL OPEN FONT LICENSE Version 1.1", *(file.name.split(".")[0] for file in FACES)):
        assert name in licence
    worker = client.get("/tablet-worker.js").text
    assert all(f'"/static/faces/{file.name}"' in worker for file in FACES)


def test_the_policy_lets_faces_come_from_the_service_alone(client: Client) -> None:
    policy = client.get("/").headers["content-security-policy"]
    assert "font-src 'self';" in policy  # CSP Level 3, 6.1.4
