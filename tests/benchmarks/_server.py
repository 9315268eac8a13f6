"""Server processes and the CPU time they use; a reader who fills in the form."""

import ctypes
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import httpx

from model.domain.records import Trial
from model.preference.batch import with_own_ratings
from service.questionnaire.forms import STEPS
from service.settings import Settings
from tests.benchmarks._demo import Purse

HOST = "127.0.0.1"
SECONDS = 30.0
"""A server that has not answered by then is broken."""
TOKEN = re.compile(r'<input[^>]*name="csrf"[^>]*value="([0-9a-f]+)"')


class Server:
    """A server in a process of its own, and a client that talks to it over one connection."""

    def __init__(self, process: subprocess.Popen[bytes], client: httpx.Client) -> None:
        self.process, self.client = process, client
        self._clock = _cpu_clock(process.pid)

    def cpu(self) -> float:
        """Return the CPU time that the process has used so far, in milliseconds, all its threads together."""
        return time.clock_gettime_ns(self._clock) / 1e6

    def send(self, expected: int, method: str, path: str, **request: Any) -> httpx.Response:
        """Send a request; raises `RuntimeError` where the answer is another one than expected, so that no refusal is timed."""
        answer = self.client.request(method, path, **request)
        if answer.status_code != expected:
            msg = f"{method} {path}: got {answer.status_code} {answer.text[:200]!r}, expected {expected}"
            raise RuntimeError(msg)
        return answer


def _cpu_clock(pid: int) -> int:
    """Return the clock of a process's CPU time (clock_getcpuclockid, POSIX.1-2008), which counts in nanoseconds."""
    clock = ctypes.c_int()
    error = ctypes.CDLL(None).clock_getcpuclockid(ctypes.c_int(pid), ctypes.byref(clock))
    if error:
        raise OSError(error, os.strerror(error))
    return clock.value


@contextmanager
def running(name: str, settings: Settings) -> Iterator[Server]:
    """Give a server ('service' or 'empty') on a free port of this machine, ended afterwards."""
    with socket.create_server((HOST, 0)) as listening:
        handle, port = listening.fileno(), listening.getsockname()[1]
        command = [sys.executable, "-m", "tests.benchmarks._served", name, str(handle)]
        surroundings = {
            **os.environ,
            "DATABASE_URL": settings.database_url.render_as_string(hide_password=False),
            "DATA_DIR": str(settings.data_dir),
        }
        process = subprocess.Popen(command, pass_fds=[handle], env=surroundings)
    try:
        # The socket listens already: the first request waits until the process answers.
        with httpx.Client(base_url=f"http://{HOST}:{port}", timeout=SECONDS, trust_env=False) as client:
            yield Server(process, client)
    finally:
        process.terminate()
        process.wait(SECONDS)


def body_of(trial: Trial, purse: Purse, *, dealer: bool) -> dict[str, Any]:
    """Return what a trial's player would have posted, at the dealer's or about the whole range."""
    answers = with_own_ratings(trial)
    own = answers.own_bow.ratings if answers.own_bow else {}
    body: dict[str, Any] = {
        "instrument": str(answers.instrument),
        "settings": sorted(map(str, answers.settings)),
        "priorities": [str(criterion) for criterion in answers.priorities],
        "wishes": {"mass": answers.wish_mass, "tone": answers.wish_tone},
        "own_bow": {"kind": "wood", "ratings": {str(criterion): int(value) for criterion, value in own.items()}},
        "trial": {"minutes": 60, "place": str(trial.place)},
    }
    if answers.hold:
        body["hold"] = str(answers.hold)
    if purse.budget:
        body["budget"] = {"amount": purse.budget, "currency": purse.currency}
    if dealer:
        body["dealer"] = purse.dealer
    return body


class Reader:
    """Somebody who fills in the form, step by step, with the answers of a body of the API."""

    def __init__(self, server: Server, body: Mapping[str, Any]) -> None:
        self.server, self.body = server, body
        start = server.send(200, "GET", "/", params={"dealer": body.get("dealer", "")})
        asked = {"csrf": _token(start), "dealer": body.get("dealer", "")}
        begun = server.send(303, "POST", "/form", data=asked)
        self.address = begun.headers["location"].rsplit("/", 1)[0]

    def fields(self, step: str) -> dict[str, list[str]]:
        """Return what the reader posts on a step, its page's token among it."""
        page = self.server.send(200, "GET", f"{self.address}/{step}")
        filled = next(each for each in STEPS if each.name == step).fill(dict(self.body))
        return {**filled, "csrf": [_token(page)]}

    def answer(self, step: str) -> str:
        """Answer a step and return where that leads."""
        return self.server.send(303, "POST", f"{self.address}/{step}", data=self.fields(step)).headers["location"]

    def finish(self) -> str:
        """Answer every step and return the address of the result."""
        return [self.answer(step.name) for step in STEPS][-1]


def _token(page: httpx.Response) -> str:
    found = TOKEN.search(page.text)
    if found is None:
        msg = f"{page.url}: got a page without a token, expected a form"
        raise RuntimeError(msg)
    return found.group(1)
