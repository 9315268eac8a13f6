"""HTTP/1.1 as `serve` speaks it: uvicorn's, with a deadline for heads and bodies and a limit on what a head may hold.

uvicorn waits for ever for the rest of a head, takes heads of any size, and answers what it cannot read in plain text.
"""

import json
from asyncio import TimerHandle, Transport

from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol

from service.core import problems
from service.core.errors import Code
from service.web import security

HEAD_SECONDS = 10.0
"""From a connection, or the first byte of a further request, to the end of its head: a telephone at the edge of its net needs two."""
LARGEST_HEAD = 16 * 1024
"""Bytes of the request's line and all headers; a browser sends a thousand, cookies included."""
MOST_HEADERS = 100
"""Headers; a browser sends twenty, proxies add ten."""
BODY_SECONDS = security.BODY_SECONDS + 10.0
"""To the end of a body that no route reads; where one does, the application says sooner that it took too long."""
SAID = {
    400: "This is no request in HTTP/1.1; please send it again.",
    408: problems.KINDS[Code.TOO_SLOW].detail,
    431: problems.KINDS[Code.HEAD_TOO_LARGE].detail,
}
"""Before a head is whole nobody knows its reader's language."""


class BoundedHttp(HttpToolsProtocol):
    """One connection.

    ``_part`` is what comes next from the client: 'head' or 'body'. ``_received`` counts bytes of a head that is not whole yet,
    ``_size`` those of what the parser made of it. Once something was ``_refused``, nothing more is read.
    """

    _part = "head"
    _received = 0
    _size = 0
    _refused = False
    _timer: TimerHandle | None = None

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override] # as uvicorn has it
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._wait(HEAD_SECONDS)

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        self._stop_waiting()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came, unless the head has become too large."""
        if self._refused:
            return
        if self._part == "head":
            self._received += len(data)
            if self._timer is None:
                self._wait(HEAD_SECONDS)
        super().data_received(data)
        if self._refused or (self._part == "head" and self._received > LARGEST_HEAD):
            self._refuse(431)

    def on_message_begin(self) -> None:
        """Begin a head."""
        self._size = 0
        super().on_message_begin()

    def on_url(self, url: bytes) -> None:
        """Count and take a part of the address."""
        self._size += len(url)
        super().on_url(url)

    def on_header(self, name: bytes, value: bytes) -> None:
        """Count and take a header."""
        self._size += len(name) + len(value) + len(": \r\n")
        if len(self.headers) >= MOST_HEADERS or self._size > LARGEST_HEAD:
            self._refused = True
        if not self._refused:
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        """Begin to answer, unless the head is refused."""
        self._refused = self._refused or self._size > LARGEST_HEAD
        self._part = "body"
        self._wait(BODY_SECONDS)
        if not self._refused:
            super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        """Take a part of a body."""
        if not self._refused:
            super().on_body(body)

    def on_message_complete(self) -> None:
        """End a request; the next head is waited for from its first byte on."""
        self._part, self._received = "head", 0
        self._stop_waiting()
        if not self._refused:
            super().on_message_complete()

    def send_400_response(self, msg: str) -> None:
        """Answer what cannot be read, in the one shape of errors."""
        del msg  # the parser's words; uvicorn has logged them
        self._refuse(400)

    def _wait(self, seconds: float) -> None:
        self._stop_waiting()
        self._timer = self.loop.call_later(seconds, self._is_late)

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _is_late(self) -> None:
        """End a connection that is too slow; one that sent nothing, as browsers open them ahead, without a word (RFC 9110, 15.5.9)."""
        self._timer = None
        if self._part == "head" and self._received:
            self._refuse(408)
        else:
            self._refused = True
            self.transport.close()

    def _refuse(self, status: int) -> None:
        """Answer with an error and close; while another answer is on its way, only close."""
        self._refused = True
        self._stop_waiting()
        if self.transport.is_closing():
            return
        if self.cycle is None or self.cycle.response_complete:
            self.transport.write(_answer(status, self.server_state.default_headers))
        self.transport.close()


def _answer(status: int, usual: list[tuple[bytes, bytes]]) -> bytes:
    content = json.dumps(problems.details(problems.of_status(status), SAID[status])).encode()
    headers = security.headers_for("/") | {
        "Content-Type": problems.MEDIA_TYPE,
        "Content-Length": str(len(content)),
        "Connection": "close",
    }
    told = [*usual, *((name.encode(), value.encode()) for name, value in headers.items())]
    lines = [STATUS_LINE[status], *(name + b": " + value + b"\r\n" for name, value in told)]
    return b"".join(lines) + b"\r\n" + content
