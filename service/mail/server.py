"""How mail leaves: the settings of the mail server, read by `service.settings`.

``SMTP_HOST``, ``SMTP_PORT``, ``SMTP_USER``, ``SMTP_PASSWORD`` (or ``SMTP_PASSWORD_FILE``), ``SMTP_SECURITY`` (starttls, tls
or none), ``SMTP_CA`` (a file of certificates to trust in place of the system's), ``SMTP_TIMEOUT`` (seconds a server may be
silent), ``MAIL_FROM``. Without ``SMTP_HOST`` every mail is written to a folder instead.
"""

import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from service.errors import Refused
from service.mail import addresses

PORTS = {"starttls": 587, "tls": 465, "none": 25}
"""The usual port by security (RFC 6409, RFC 8314, RFC 5321)."""
TIMEOUT, LONGEST_TIMEOUT = 30, 300
NOBODY = addresses.Address("bows", "localhost.invalid")
"""Whose mails those in the folder are while no sender is set; the domain exists nowhere (RFC 6761)."""
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True, slots=True)
class MailServer:
    """The mail server and the sender.

    Attributes
    ----------
    host : None where there is no server and mails are written to a folder.
    security : ``starttls`` (asked for, and nothing is sent without it), ``tls`` from the first byte, or ``none``.
    trusted : a file of certificates to trust in place of the system's.
    timeout : seconds for which a server may be silent.
    base : where the links in mails lead while no public address is set: the very address listened on.
    """

    host: str | None = None
    port: int = 0
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    security: str = "starttls"
    trusted: Path | None = None
    timeout: float = TIMEOUT
    sender: addresses.Address = NOBODY
    base: str | None = None


def read(value: Callable[[str], str | None]) -> MailServer:
    """Return the server from the settings; ``value`` gives a setting's text or None. Raises `Refused` naming a bad one."""
    host, security = value("SMTP_HOST"), _security(value("SMTP_SECURITY"))
    made = MailServer(
        host=host,
        port=_whole("SMTP_PORT", value("SMTP_PORT"), PORTS[security], 65535),
        user=value("SMTP_USER"),
        password=value("SMTP_PASSWORD"),
        security=security,
        trusted=_trusted(value("SMTP_CA")),
        timeout=_whole("SMTP_TIMEOUT", value("SMTP_TIMEOUT"), TIMEOUT, LONGEST_TIMEOUT),
        sender=_sender(value("MAIL_FROM"), needed=host is not None),
    )
    _check_login(made)
    return made


def _security(value: str | None) -> str:
    security = (value or "starttls").lower()
    if security not in PORTS:
        raise Refused(f"SMTP_SECURITY: got {value!r}, expected starttls, tls or none.")
    return security


def _whole(name: str, value: str | None, usual: int, most: int) -> int:
    if value is None:
        return usual
    if not (value.isascii() and value.isdigit() and 1 <= int(value) <= most):
        raise Refused(f"{name}: got {value!r}, expected a whole number from 1 to {most}.")
    return int(value)


def _trusted(value: str | None) -> Path | None:
    if value is None:
        return None
    try:
        ssl.create_default_context(cafile=value)
    except (OSError, ssl.SSLError):
        raise Refused(f"SMTP_CA names {value}, which is no readable file of certificates in PEM form.") from None
    return Path(value)


def _sender(value: str | None, *, needed: bool) -> addresses.Address:
    if value is None:
        if needed:
            raise Refused("MAIL_FROM is not set; expected the address that mails come from, as bows@example.org.")
        return NOBODY
    try:
        return addresses.parse(value)
    except addresses.Unusable as error:
        raise Refused(f"MAIL_FROM: {error}") from None


def _check_login(server: MailServer) -> None:
    if (server.user is None) != (server.password is None):
        raise Refused("SMTP_USER and SMTP_PASSWORD belong together; got one of the two.")
    if server.user and server.security == "none" and server.host not in _LOOPBACK:
        raise Refused("SMTP_SECURITY=none would send the password in the clear; expected starttls or tls.")
