"""A dealer's own system on the loopback, a real https server under a name of its own, and what speaks to it."""

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from service.advice import advice_mails
from service.core.database import Database
from service.mail.mail_server import MailServer
from service.mail.mail_service import MailService, open_mail_service
from service.mail.webhooks import Caller
from service.registry import MAILS
from tests.service.client import SECRET
from tests.service.mail_server import BASE, add_dealer, add_enquiry, server_context

HOST = "hooks.example"


class System:
    """A dealer's system: what it was sent, and the statuses it answers with."""

    def __init__(self, port: int) -> None:
        self.port, self.statuses, self.wait = port, list[int](), threading.Event()
        self.hangs = False
        self.received: list[tuple[str, dict[str, str], bytes]] = []

    @property
    def address(self) -> str:
        return f"https://{HOST}:{self.port}/bows?shop=1"


@contextmanager
def serving(own_certificate: Path) -> Iterator[System]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            made.received.append((self.path, dict(self.headers), body))
            if made.hangs:
                made.wait.wait(5)
            self.send_response(made.statuses.pop(0) if made.statuses else 204)
            self.send_header("Location", "https://127.0.0.1/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_arguments: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.socket = server_context(own_certificate).wrap_socket(server.socket, server_side=True)
    made = System(server.server_address[1])
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield made
    finally:
        made.wait.set()
        server.shutdown()
        thread.join(5)
        server.server_close()


def trusting(own_certificate: Path, **changes: Any) -> Caller:
    """Return a caller that knows the system's certificate and may speak to the loopback."""
    given: dict[str, Any] = {
        "resolve": lambda _host, _port: ["127.0.0.1"],
        "may_connect": lambda _address: True,
        "context": ssl.create_default_context(cafile=own_certificate),
    }
    return Caller(**(given | changes))


def office_with(caller: Caller, folder: Path) -> MailService:
    return open_mail_service(MailServer(), folder / "mail", BASE, SECRET, MAILS, caller=caller)


def queue_enquiry(database: Database, address: str) -> None:
    with database.writing() as session:
        add_dealer(session, webhook=address)
        advice_mails.enquiry_notice(session, add_enquiry(session))
