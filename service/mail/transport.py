"""The last step of a mail: to a server by SMTP, or into a folder.

A transport either has handed the mail over when it returns, or raises: `TransientError` where a later try may do, `PermanentError` where the
server will not have this mail. Both carry the server's own words.
"""

import os
import secrets
import smtplib
import ssl
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path
from typing import Protocol

from service.core.language import _
from service.mail.mail_server import MailServer
from service.mail.message import Letter

LONGEST_WORDS = 500


class TransientError(Exception):
    """It cannot be sent at present; a later try may do."""


class PermanentError(Exception):
    """It cannot be sent, however often it is tried."""


class Transport(Protocol):
    """What `sending` needs of a way out."""

    def send(self, letter: Letter, message: EmailMessage) -> None:
        """Hand over one mail; raises `TransientError` or `PermanentError`."""

    def kept(self) -> frozenset[str]:
        """Return the left halves of the Message-IDs of the mails it keeps."""

    def forget(self, kept: Collection[str]) -> None:
        """Forget mails that it keeps."""


@dataclass(frozen=True, slots=True)
class Smtp:
    """A mail server, spoken to by SMTP (RFC 5321); its certificate is always verified."""

    server: MailServer

    def send(self, letter: Letter, message: EmailMessage) -> None:
        """Hand over one mail on a connection of its own; raises `TransientError` or `PermanentError` with the server's words."""
        try:
            with self._connected() as connection:
                _hand_over(connection, letter, message)
        # Whatever goes wrong before the mail itself is named is the connection's fault, not this mail's.
        except smtplib.SMTPResponseException as error:
            raise TransientError(words(error.smtp_code, error.smtp_error)) from None
        except ssl.SSLCertVerificationError as error:
            raise TransientError(
                _("The mail server’s certificate cannot be trusted: {reason}.").format(reason=error.verify_message)
            ) from None
        except (smtplib.SMTPException, OSError) as error:
            raise TransientError(plain(str(error) or type(error).__name__)) from None

    def kept(self) -> frozenset[str]:
        """Return nothing: what was sent is not kept."""
        return frozenset()

    def forget(self, kept: Collection[str]) -> None:
        """Forget nothing, since nothing is kept."""

    @contextmanager
    def _connected(self) -> Iterator[smtplib.SMTP]:
        server, host = self.server, self.server.host or ""
        context = ssl.create_default_context(cafile=server.trusted)
        name = server.sender.domain
        connection: smtplib.SMTP
        if server.security == "tls":
            connection = smtplib.SMTP_SSL(host, server.port, name, timeout=server.timeout, context=context)
        else:
            connection = smtplib.SMTP(host, server.port, name, timeout=server.timeout)
        try:
            if server.security == "starttls":
                connection.starttls(context=context)
            if server.user and server.password:
                connection.login(server.user, server.password)
            yield connection
            # The mail has been taken; how the farewell goes changes nothing.
            with suppress(smtplib.SMTPException, OSError):
                connection.quit()
        finally:
            connection.close()


def _hand_over(connection: smtplib.SMTP, letter: Letter, message: EmailMessage) -> None:
    connection.ehlo_or_helo_if_needed()
    options = []
    if letter.needs_utf8:
        if not connection.has_extn("smtputf8"):
            raise PermanentError(
                _("The mail server takes no address with letters beyond a to z before the @; ask for another address.")
            )
        options = ["SMTPUTF8", "BODY=8BITMIME"]
    try:
        connection.sendmail(str(letter.sender), [str(letter.to)], message.as_bytes(), options)
    except smtplib.SMTPRecipientsRefused as error:
        _give_up(*next(iter(error.recipients.values())))
    except smtplib.SMTPResponseException as error:
        _give_up(error.smtp_code, error.smtp_error)


def _give_up(code: int, said: bytes | str) -> None:
    """Raise what an answer to the mail itself means: 5xx is final (RFC 5321, 4.2.1), anything else is not."""
    raise (PermanentError if 500 <= code <= 599 else TransientError)(words(code, said)) from None


def words(code: int, said: bytes | str) -> str:
    """Return what a server said: '452 4.2.2 Mailbox full'."""
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return plain(f"{code} {text}")


def plain(text: str) -> str:
    """Return a stranger's words on one line, without control characters and of bounded length."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())[:LONGEST_WORDS]


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that takes the place of a mail server: one file a mail, which only its owner may read."""

    path: Path

    def send(self, letter: Letter, message: EmailMessage) -> None:
        """Write one mail, whole or not at all; a repeat replaces it. Raises `TransientError` where the folder cannot be written."""
        temporary = self.path / f".{secrets.token_hex(8)}"
        try:
            self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
            with os.fdopen(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
                file.write(message.as_bytes())
            temporary.replace(self._file(letter.message_id))
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise TransientError(f"{self.path}: {error.strerror}") from None

    def read(self, message_id: str) -> str | None:
        """Return the source of a mail, None where it is not in this folder."""
        try:
            return self._file(message_id).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return None

    def kept(self) -> frozenset[str]:
        """Return the left halves of the Message-IDs of the mails in the folder."""
        return frozenset(file.stem for file in self.path.glob("*.eml"))

    def forget(self, kept: Collection[str]) -> None:
        """Delete mails."""
        for message_id in kept:
            self._file(message_id).unlink(missing_ok=True)

    def _file(self, message_id: str) -> Path:
        return self.path / f"{message_id.partition('@')[0]}.eml"


def transport_of(server: MailServer, folder: Path) -> Transport:
    """Return the way out that the settings name: the server, else the folder."""
    return Smtp(server) if server.host else Folder(folder)
