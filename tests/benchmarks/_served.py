"""A server process to be measured: ``python -m tests.benchmarks._served service|empty FD``, FD being a listening socket."""

import os
import socket
import sys
from collections.abc import Sequence

import uvicorn
from fastapi import FastAPI

from service.app import create_app
from service.cli import web_server
from service.questionnaire.forms import Questionnaire
from service.settings import Settings


def empty() -> FastAPI:
    """Return an application whose one address takes the questionnaire and does nothing with it."""
    app = FastAPI(docs_url=None, redoc_url=None)

    @app.post("/")
    async def nothing(questionnaire: Questionnaire) -> dict[str, str]:
        del questionnaire
        return {}

    return app


def main(argv: Sequence[str]) -> int:
    """Serve one of the two applications on an inherited socket, as `python -m service serve` does, until told to end."""
    name, descriptor = argv
    settings = Settings.from_environment({"ADVICE_PER_MINUTE": "0", "COST_PER_MINUTE": "0", **os.environ})
    config = web_server.configured(settings, empty() if name == "empty" else create_app(settings))
    uvicorn.Server(config).run(sockets=[socket.socket(fileno=int(descriptor))])
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
