"""The web server of `serve` and `demo`, apart: its libraries and all pages take a second to load, which no other command needs."""

import os
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from uvicorn.supervisors import Multiprocess

from service.app import create_app
from service.core import logs
from service.operations.metrics import SHARED
from service.settings import Settings

THIS_MACHINE = "127.0.0.1,::1"
"""Whose word on the visitor's address is taken where no proxy is named."""

STARTING_SECONDS = 60
"""A process that has not answered for so long is ended and begun anew: loading takes seconds, on a busy machine many."""


def run(settings: Settings, listening: socket.socket) -> int:
    """Serve by this process until it is told to end; return the exit status."""
    logs.set_up(settings.log_level)
    server = uvicorn.Server(_config(settings, create_app(settings)))
    server.run(sockets=[listening])
    return 0 if server.started else 1


def run_many(settings: Settings, listening: socket.socket, workers: int) -> int:
    """Serve by so many processes until they are told to end; return the exit status."""
    logs.set_up(settings.log_level)
    with _counting_together(settings):
        Multiprocess(_config(settings, "service.app:create_app", workers), sockets=[listening]).run()
    return 0


@contextmanager
def _counting_together(settings: Settings) -> Iterator[None]:
    """Give the processes begun within a folder in which they count together, where figures are kept."""
    if settings.metrics_token is None or SHARED in os.environ:
        yield
        return
    with tempfile.TemporaryDirectory(prefix="bows-metrics-") as folder:
        os.environ[SHARED] = folder
        try:
            yield
        finally:
            del os.environ[SHARED]


def _config(settings: Settings, app: object, workers: int = 1) -> uvicorn.Config:
    return uvicorn.Config(
        app,  # type: ignore[arg-type] # an application or, for several workers, where to find it
        factory=isinstance(app, str),
        workers=workers,
        loop="uvloop",
        # By name, so that a new process can say that it lives before it has loaded anything.
        http="service.cli.protocol:BoundedHttp",
        timeout_worker_healthcheck=STARTING_SECONDS,
        log_config=None,  # `service.core.logs` has set it up, and does so again in each worker process
        log_level=settings.log_level,
        # Addresses of enquiries are secrets: they stay out of every log.
        access_log=False,
        forwarded_allow_ips=settings.forwarded_allow_ips or THIS_MACHINE,
    )
