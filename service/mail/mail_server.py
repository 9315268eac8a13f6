"""How mail leaves: the mail server, as `service.settings` reads it. Without one every mail is written to a folder instead."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from service.mail import addresses

Security = Literal["starttls", "tls", "none"]
PORTS: dict[Security, int] = {"starttls": 587, "tls": 465, "none": 25}
"""The usual port by security (RFC 6409, RFC 8314, RFC 5321)."""
TIMEOUT, LONGEST_TIMEOUT = 30, 300
NOBODY = addresses.Address("bows", "localhost.invalid")
"""Whose mails those in the folder are while no sender is set; the domain exists nowhere (RFC 6761)."""


@dataclass(frozen=True, slots=True)
class MailServer:
    """The mail server and the sender; ``security``: ``starttls`` or nothing is sent, ``tls`` from the first byte, or ``none``."""

    host: str | None = None  # None where there is no server and mails are written to a folder
    port: int = 0
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    security: Security = "starttls"
    trusted: Path | None = None  # a file of certificates to trust in place of the system's
    timeout: float = TIMEOUT  # seconds for which a server may be silent
    sender: addresses.Address = NOBODY
    base: str | None = None  # where links in mails lead while no public address is set: the very address listened on
