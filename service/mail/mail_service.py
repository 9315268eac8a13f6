"""What senders and pages of mail need besides the database, put together once by the wiring."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from jinja2 import Environment

from service.core.signed_links import Signer
from service.mail import addresses, markup
from service.mail.mail_kinds import MailKind
from service.mail.mail_server import MailServer
from service.mail.transport import Folder, Transport, transport_of
from service.mail.webhooks import Caller
from service.web import templating

USUAL_BASE = "http://127.0.0.1:8000"


@cache
def _of_texts() -> Environment:
    # Text, not HTML: the HTML part is made by a template of its own, which escapes everything. A tag alone on its line
    # leaves an empty one, which parts paragraphs and nothing else.
    return templating.environment().overlay(
        autoescape=False, finalize=markup.safe, trim_blocks=False, lstrip_blocks=False
    )


@dataclass(frozen=True)
class MailService:
    """The way out and what is written on everything that takes it. ``transport``, ``caller``: how mails leave, and messages to dealers' systems."""

    base: str  # address under which readers reach the service, without a slash at its end
    sender: addresses.Address  # whose mail it is
    secret: str = field(repr=False)  # the key that signs links; those of `older` keys are read too
    transport: Transport
    kinds: Mapping[str, MailKind]  # every kind of mail that is sent, by name
    caller: Caller = field(default_factory=Caller)
    older: tuple[str, ...] = field(default=(), repr=False)

    @cached_property
    def templates(self) -> Environment:
        """The environment of texts: what somebody typed cannot begin a line with a mark of `markup`."""
        return _of_texts()

    @cached_property
    def pages(self) -> Environment:
        """The environment of HTML."""
        return templating.environment()

    @property
    def signer(self) -> Signer:
        """What signs and reads the links in mails."""
        return Signer(self.secret, self.older)

    @property
    def secrets(self) -> tuple[str, ...]:
        """Every key that is accepted, the newest first."""
        return (self.secret, *self.older)

    @property
    def folder(self) -> Folder | None:
        """The folder that mails are written to, None where there is a mail server."""
        return self.transport if isinstance(self.transport, Folder) else None


def open_mail_service(
    server: MailServer, folder: Path, base: str | None, secret: str, kinds: Mapping[str, MailKind], **changes: Any
) -> MailService:
    """Return the mail service of the settings; ``folder`` takes the mails where there is no mail server."""
    given = {"transport": transport_of(server, folder)} | changes
    return MailService(
        base=base or server.base or USUAL_BASE, sender=server.sender, secret=secret, kinds=kinds, **given
    )
