"""A proxy in front of the served application that lets some requests go wrong as a shop's network and server do."""

import http.client
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

SECONDS = 15
_OWN = {"connection", "transfer-encoding", "keep-alive", "content-length"}
FAULTS = ("busy", "lost", "dropped")
"""Answered with 503 before the application sees it; done, but the reply never arrives; never arrived."""


class Weather:
    """What goes wrong next: ``share`` of the requests that touch the trial, in one of the ``faults``, drawn by a seed; none at first."""

    def __init__(self, seed: int = 0) -> None:
        self._random, self._lock = random.Random(seed), threading.Lock()
        self.share = 0.0
        self.faults: tuple[str, ...] = FAULTS
        self.counted = dict.fromkeys(FAULTS, 0)

    def next(self, path: str) -> str:
        """Return what happens to a request: 'fine' or one of `FAULTS`."""
        with self._lock:
            if not path.startswith(("/api/", "/tablet/trials", "/play/")) or self._random.random() >= self.share:
                return "fine"
            fault = self._random.choice(self.faults)
            self.counted[fault] += 1
            return fault


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    weather: Weather
    port: int

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name is the base class's
        """Say nothing."""

    def _pass(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        fault = self.weather.next(self.path)
        if fault == "dropped":
            self.close_connection = True
        elif fault == "busy":
            self._answer(503, [("Content-Type", "text/plain"), ("Retry-After", "1")], b"busy")
        else:
            self._forward(body, lost=fault == "lost")

    def _forward(self, body: bytes, lost: bool) -> None:
        upstream = http.client.HTTPConnection("127.0.0.1", self.port, timeout=SECONDS)
        upstream.request(self.command, self.path, body, dict(self.headers))
        answer = upstream.getresponse()
        content = answer.read()
        upstream.close()
        if lost:
            self.close_connection = True
            return
        self._answer(answer.status, [(k, v) for k, v in answer.getheaders() if k.lower() not in _OWN], content)

    def _answer(self, status: int, headers: list[tuple[str, str]], content: bytes) -> None:
        self.send_response_only(status)
        for name, value in headers:
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        try:
            self.wfile.write(content)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True  # the page was left before its answer came

    do_GET = do_PUT = do_POST = do_HEAD = _pass


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that went away in the middle is what this proxy is for; what the application did is checked in its tables."""


@contextmanager
def in_front_of(port: int, weather: Weather) -> Iterator[str]:
    """Give the address of a proxy before a port of this machine."""
    handler = type("Handler", (_Handler,), {"weather": weather, "port": port})
    server = _Server(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        # Service workers run on http only where the host is this machine.
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join(SECONDS)
