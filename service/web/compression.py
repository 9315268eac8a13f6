"""Answers made smaller on their way (gzip, RFC 1952), where the reader takes them so.

A page may hold a secret, as a form's token, beside something that was typed into its address. Who can have such a page asked
for again and again, and sees how large it is on the wire, could guess the one from the other (the BREACH attack, 2013). So a
random number of bytes, a file's name that nobody reads, is put into the head of each ('Heal the BREACH', Palacios and others 2022).
"""

import re
import secrets
import zlib
from http import HTTPStatus

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LEAST, MOST = 1_000, 4_000_000
"""Bytes: what is smaller gains nothing, what is larger would stand twice in memory."""
LEVEL = 5
LONGEST_NAME = 100
"""Bytes of the name that hides the size, at most."""
_KINDS = re.compile(r"text/|application/(?:json|problem\+json|javascript|manifest\+json|xml)|image/svg")
_TAKES_IT = re.compile(r"(?:^|,)\s*(?:x-)?(?:gzip|\*)\s*(?:;\s*q=(?P<weight>[01](?:\.[0-9]{0,3})?))?\s*(?=,|$)")
_HEAD = b"\x1f\x8b\x08\x08\x00\x00\x00\x00\x00\xff"
"""Of a member: deflate, with a file's name, no time, unknown system (RFC 1952, 2.3)."""


class Compression:
    """Compresses what is worth it and whole in one piece or several; everything else passes as it is."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; its answer may come back smaller."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        await self.app(scope, receive, _Smaller(send, takes_gzip(Headers(scope=scope).get("accept-encoding", ""))))


class _Smaller:
    """A ``send`` that holds an answer back until it is whole, where it is to be packed."""

    def __init__(self, send: Send, packs: bool) -> None:
        self.send, self.packs = send, packs
        self.start: Message | None = None
        self.parts: list[bytes] = []

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start" and _is_worth_it(message) and self.packs:
            self.start = message
        elif self.start is None:
            await self.send(message)
        else:
            self.parts.append(message.get("body", b""))
            if not message.get("more_body", False):
                await self._finish(self.start, b"".join(self.parts))

    async def _finish(self, start: Message, body: bytes) -> None:
        small = gzipped(body)
        headers = MutableHeaders(scope=start)
        headers["Content-Encoding"] = "gzip"
        headers["Content-Length"] = str(len(small))
        tag = headers.get("etag")
        if tag and not tag.startswith("W/"):
            headers["ETag"] = f"W/{tag}"  # the same content, other bytes (RFC 9110, 8.8.1)
        await self.send(start)
        await self.send({"type": "http.response.body", "body": small})


def takes_gzip(accepted: str) -> bool:
    """Say whether a reader takes gzip (RFC 9110, 12.5.3); what is named with weight 0 is refused."""
    found = _TAKES_IT.search(accepted.lower())
    return found is not None and float(found["weight"] or 1) > 0


def gzipped(body: bytes) -> bytes:
    """Return a body as one gzip member of a size that tells little of what is in it."""
    name = secrets.token_urlsafe(LONGEST_NAME)[: secrets.randbelow(LONGEST_NAME)].encode()
    deflate = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = deflate.compress(body) + deflate.flush()
    tail = zlib.crc32(body).to_bytes(4, "little") + (len(body) & 0xFFFFFFFF).to_bytes(4, "little")
    return _HEAD + name + b"\0" + packed + tail


def _is_worth_it(start: Message) -> bool:
    """Say whether an answer is to be compressed; one that could have been says that it depends on what the reader takes."""
    headers = MutableHeaders(scope=start)
    if not _KINDS.match(headers.get("content-type", "")):
        return False
    headers.add_vary_header("Accept-Encoding")
    length = headers.get("content-length", "")
    return (
        start["status"] not in (HTTPStatus.PARTIAL_CONTENT, HTTPStatus.NOT_MODIFIED)
        and "content-encoding" not in headers
        and length.isdigit()
        and LEAST <= int(length) <= MOST
    )
