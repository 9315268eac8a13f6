"""A real mail server on the loopback (aiosmtpd) that can be told to misbehave, and what is written to it."""

import asyncio
import datetime as dt
import email
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, Envelope, Session
from sqlalchemy.orm import Session as Tables

from service import tables
from service.advice import advice_mails
from service.core.database import Database
from service.mail.addresses import parse
from service.mail.mail_server import MailServer
from service.mail.mail_service import MailService, open_mail_service
from service.registry import MAILS
from tests.service.client import SECRET
from tests.service.documents import document

BASE = "https://bows.example"


class Received:
    """A server's handler: keeps what it takes, and answers each command as it is told; None: it hangs up."""

    def __init__(self, *answers: str | None, rcpt: str = "", hang: float = 0) -> None:
        self.answers, self.rcpt, self.hang = list(answers), rcpt, hang
        self.taken: list[bytes] = []
        self.recipients: list[str] = []

    @property
    def messages(self) -> list[EmailMessage]:
        return [email.message_from_bytes(raw, _class=EmailMessage, policy=policy.default) for raw in self.taken]

    @property
    def ids(self) -> list[str]:
        return [message["Message-ID"] for message in self.messages]

    # The library finds these by their names, and calls them with all it knows.
    async def handle_RCPT(self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _opt: Any) -> str:  # noqa: N802 - as above
        if self.rcpt:
            return self.rcpt
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 - as above
        if self.hang:
            await asyncio.sleep(self.hang)
        content = envelope.content
        assert isinstance(content, bytes)
        answer = self.answers.pop(0) if self.answers else "250 OK"
        if answer is None or answer.startswith("2"):
            self.taken.append(content)
            self.recipients += envelope.rcpt_tos
        if answer is None:
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
            return "451 gone"
        return answer


@contextmanager
def mail_server(handler: Received, port: int = 0, **options: Any) -> Iterator[int]:
    """Serve ``handler`` on the loopback and give the port."""
    ready, end = threading.Event(), asyncio.Event()
    ports: list[int] = []
    loop = asyncio.new_event_loop()

    async def serve() -> None:
        made = await loop.create_server(
            lambda: SMTP(handler, hostname="mx.example", loop=loop, **options), "127.0.0.1", port
        )
        ports.append(made.sockets[0].getsockname()[1])
        ready.set()
        await end.wait()
        made.close()
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()
        await asyncio.sleep(0.01)

    def run() -> None:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            runner.run(serve())

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(5)
    try:
        yield ports[0]
    finally:
        loop.call_soon_threadsafe(end.set)
        thread.join(5)


def closed_port() -> int:
    """Return a port of the loopback on which nobody listens."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def certificate(folder: Path, name: str = "localhost") -> Path:
    """Make a self-signed certificate with its key in one file."""
    file = folder / f"{name}.pem"
    key = folder / f"{name}.key"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-keyout", str(key), "-out", str(file), "-days", "2", "-subj", f"/CN={name}"),
            *("-addext", f"subjectAltName=DNS:{name},IP:127.0.0.1"),
        ],
        check=True,
        capture_output=True,
    )
    file.write_text(file.read_text() + key.read_text())
    return file


def server_context(certificate: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return context


def office_to(port: int, **changes: Any) -> MailService:
    """Return a mail service that sends to a server on the loopback."""
    given: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "timeout": 5.0,
        "sender": parse("bows@maker.example"),
    }
    return open_mail_service(MailServer(**(given | changes)), Path("/nowhere"), BASE, SECRET, MAILS)


class Clock:
    """A clock that goes only when it is told to."""

    def __init__(self) -> None:
        self.now = dt.datetime.now(dt.UTC) + dt.timedelta(seconds=1)

    def __call__(self) -> dt.datetime:
        return self.now

    def pass_(self, **time: float) -> None:
        self.now += dt.timedelta(**time)


def add_dealer(session: Tables, **door: Any) -> None:
    """Add an invented dealer and its door."""
    session.add(tables.Dealer(slug="harbour", name="Harbour Strings (invented)", currency="EUR"))
    session.flush()
    session.add(tables.Door(dealer="harbour", changed_at=dt.datetime.now(dt.UTC), **door))
    session.flush()


def add_enquiry(
    session: Tables,
    number: int = 1,
    email: str = "anna@player.example",
    *,
    name: str | None = "Anna Invented",
    agreed: bool = True,
    dealer: str | None = "harbour",
    language: str = "en",
) -> tables.Enquiry:
    """Add an invented enquiry with an address."""
    doc = document(id=f"00000000-0000-4000-8000-{number:012d}")
    enquiry = tables.Enquiry(
        id=doc["id"],
        address=f"address-{number}",
        created_at=dt.datetime.now(dt.UTC),
        dealer=dealer,
        language=language,
        answers=doc["answers"],
        contact={"name": name, "email": email, "consent": {"advice": True, "mail": agreed, "model": False}},
        advice=doc,
    )
    session.add(enquiry)
    session.flush()
    return enquiry


def queue_advice(database: Database, count: int = 1, **enquiry: Any) -> None:
    """Queue the mails of so many enquiries of an invented dealer, each of another player."""
    with database.writing() as session:
        if session.get(tables.Dealer, "harbour") is None:
            add_dealer(session)
        for number in range(1, count + 1):
            given = {"email": f"player{number}@player.example"} | enquiry
            advice_mails.advice(session, add_enquiry(session, number, **given))


def rows(database: Database) -> list[tables.OutboxItem]:
    """Return what is in the outbox, in the order of queueing."""
    with database.reading() as session:
        return list(session.query(tables.OutboxItem).order_by(tables.OutboxItem.id))
