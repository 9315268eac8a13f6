"""The web server of `serve` and `demo`, apart: its libraries and all pages take a second to load, which no other command needs."""

import asyncio
import gc
import importlib
import multiprocessing
import signal
import socket
from functools import partial
from threading import Thread
from typing import Any

import uvicorn
from uvicorn._subprocess import subprocess_started
from uvicorn.supervisors import multiprocess

from model.domain.vocabulary import Hold, Instrument
from service.advice import advise
from service.app import create_app
from service.core import logs
from service.core.language import NAMES
from service.modelling import versions
from service.questionnaire.questions import Questionnaire
from service.settings import Settings
from service.web import templating

THIS_MACHINE = "127.0.0.1,::1"
"""Whose word on the visitor's address is taken where no proxy is named."""

PROTOCOL = "service.cli.protocol:BoundedHttp"
POINTS = "scipy.stats.qmc"
"""What draws the points of an advice, which takes a quarter of a second to load."""
STARTING_SECONDS = 60
"""A process that has not answered for so long is ended and begun anew: loading takes seconds, on a busy machine many."""


def run(settings: Settings, listening: socket.socket) -> int:
    """Serve by this process until it is told to end; return the exit status."""
    logs.set_up(settings.log_level)
    server = uvicorn.Server(configured(settings, create_app(settings)))
    # Beside the first requests: whoever asks for advice sooner waits for as much as is missing.
    Thread(target=importlib.import_module, args=(POINTS,), daemon=True).start()
    server.run(sockets=[listening])
    return 0 if server.started else 1


def run_many(settings: Settings, listening: socket.socket, workers: int) -> int:
    """Serve by so many processes until they are told to end; return the exit status."""
    logs.set_up(settings.log_level)
    _load_all(settings)
    # The supervisor knows no other way to say how a process begins.
    multiprocess.Process = Branch  # type: ignore[misc]
    config = configured(settings, partial(create_app, settings), workers)
    multiprocess.Multiprocess(config, sockets=[listening]).run()
    return 0


class Branch(multiprocess.Process):
    """A process that begins as a copy of this one: what is loaded here stands once in memory, and it serves at once."""

    def __init__(self, config: uvicorn.Config, sockets: list[socket.socket]) -> None:
        super().__init__(config, sockets)
        self.process = multiprocessing.get_context("fork").Process(target=self._begin, args=(sockets,))  # type: ignore[assignment]

    def start(self) -> None:
        """Begin; a signal that comes meanwhile waits until the copy answers to it by itself."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, multiprocess.SIGNALS)
        try:
            super().start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def _begin(self, sockets: list[socket.socket]) -> None:
        # The supervisor's own handlers, copied too, would only note a signal for a supervisor that is not here.
        for number in multiprocess.SIGNALS:
            signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, multiprocess.SIGNALS)
        subprocess_started(self.config, self.target, sockets, None)


def _load_all(settings: Settings) -> None:
    """Load what every process needs, and keep it where no process writes: a page of memory that is written to is copied.

    Nothing that is open may be among it, such as a connection or a thread: of a fork both have half.
    """
    templates = templating.environment()
    for name in templates.list_templates(extensions=["html", "txt", "xml"]):
        templates.get_template(name)
    app = create_app(settings.model_copy(update={"metrics_token": None}))
    app.openapi()
    with app.state.database.reading() as session:
        for instrument in Instrument:
            hold = Hold.GERMAN if instrument is Instrument.DOUBLE_BASS else None
            advise.consider(session, Questionnaire(instrument=instrument, hold=hold))
    asyncio.run(_look_at(app))
    versions.wait()
    app.state.database.close()
    for name in (PROTOCOL.partition(":")[0], "uvloop", POINTS):
        importlib.import_module(name)
    del app
    gc.collect()
    gc.freeze()


async def _look_at(app: Any) -> None:
    """Ask for a page in every language, so that catalogues and what a request passes through stand once in memory too."""
    import httpx  # noqa: PLC0415 - slow to load, and one process alone does without

    async with httpx.AsyncClient(transport=httpx.ASGITransport(app, raise_app_exceptions=False)) as reader:
        for language in NAMES:
            await reader.get("http://127.0.0.1/", headers={"Accept-Language": language})


def configured(settings: Settings, app: object, workers: int = 1) -> uvicorn.Config:
    """Return how the server is set up."""
    return uvicorn.Config(
        app,  # type: ignore[arg-type] # an application or, for several workers, what makes one
        factory=workers > 1,
        workers=workers,
        loop="uvloop",
        # By name, so that a new process can say that it lives before it has loaded anything.
        http=PROTOCOL,
        timeout_worker_healthcheck=STARTING_SECONDS,
        log_config=None,  # `service.core.logs` has set it up, and does so again in each worker process
        log_level=settings.log_level,
        # Addresses of enquiries are secrets: they stay out of every log.
        access_log=False,
        # Whom a request is bound to is nothing to the next one of its connection, which it would else begin in its own context.
        reset_contextvars=True,
        forwarded_allow_ips=settings.forwarded_allow_ips or THIS_MACHINE,
    )
