"""Answers made smaller on their way, read back by another program's gzip."""

import gzip
import subprocess
from collections.abc import Iterator

import pytest

from service.web import compression
from tests.service.client import Client, serving, settings_in

SENTENCE = b"A bow that speaks at once on one instrument hisses on another. " * 40


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("packed"))) as client:
        yield client


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        # RFC 9110, 12.5.3: its own examples, but the first, an empty list, which takes nothing.
        ("", False),
        ("compress, gzip", True),
        ("*", True),
        ("compress;q=0.5, gzip;q=1.0", True),
        ("gzip;q=1.0, identity; q=0.5, *;q=0", True),
        ("gzip;q=0", False),
        ("gzip ; q=0.000", False),
        ("br, identity", False),
        ("notgzip, gzipped", False),
        ("GZIP", True),
        # 12.4.2: a weight has three digits at most; what is no weight is not taken.
        ("gzip;q=1.2.3", False),
        ("gzip;q=.", False),
        ("gzip;q=0.5", True),
    ],
)
def test_gzip_is_given_to_who_takes_it(accepted: str, takes: bool) -> None:
    assert compression.takes_gzip(accepted) is takes


def test_what_is_packed_is_read_by_other_programs_and_has_no_size_of_its_own() -> None:
    packed = {compression.gzipped(SENTENCE) for _ in range(40)}
    assert {gzip.decompress(each) for each in packed} == {SENTENCE}
    assert len({len(each) for each in packed}) > 5
    assert max(map(len, packed)) < len(SENTENCE) / 5
    told = subprocess.run(["gzip", "--test"], input=packed.pop(), capture_output=True, check=True)
    assert told.stderr == b""


def test_pages_styles_and_answers_in_json_come_packed(client: Client) -> None:
    for path in ("/", "/static/style.css", "/openapi.json"):
        plain = client.get(path, headers={"Accept-Encoding": "identity"})
        packed = client.get(path, headers={"Accept-Encoding": "gzip"})
        assert packed.headers["content-encoding"] == "gzip"
        assert "content-encoding" not in plain.headers
        assert int(packed.headers["content-length"]) < 0.6 * int(plain.headers["content-length"])
        assert packed.content == plain.content or path == "/"  # the form's page holds a token of its own
        assert "accept-encoding" in packed.headers["vary"].lower()
        assert "accept-encoding" in plain.headers["vary"].lower()


def test_small_answers_faces_and_parts_stay_as_they_are(client: Client) -> None:
    style, face = "/static/style.css", next(iter(compression_free(client)))
    assert "content-encoding" not in client.get("/healthz").headers
    assert "content-encoding" not in client.get(face).headers
    part = client.get(style, headers={"Range": "bytes=0-1999"})
    assert part.status_code == 206
    assert "content-encoding" not in part.headers
    tag = client.get(style).headers["etag"]
    assert client.get(style, headers={"If-None-Match": tag}).status_code == 304


def compression_free(client: Client) -> list[str]:
    """Return the addresses of the faces, which are packed already."""
    found = client.get("/static/faces.css").text.split("url(")[1:]
    return ["/static/" + part.split(")")[0].strip("\"'") for part in found]
