"""One function that makes every mail: headers by RFC 5322, text and HTML beside each other (RFC 2046, 5.1.4)."""

import datetime as dt
from dataclasses import dataclass
from email import policy
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import format_datetime

from service.mail.addresses import Address

_IN_ONE_PIECE = {"list-unsubscribe", "message-id"}


class _Rules(EmailPolicy):
    """The library's rules for SMTP, except that an address is never broken.

    It would turn one longer than a line into encoded words (RFC 2047), which RFC 2369 does not allow in these headers and
    which mail programs do not read there.
    """

    def fold(self, name: str, value: str) -> str:
        """Return a header in lines, an address in one."""
        return f"{name}: {value}{self.linesep}" if name.lower() in _IN_ONE_PIECE else super().fold(name, value)

    def fold_binary(self, name: str, value: str) -> bytes:
        """Return a header in lines, an address in one, as bytes."""
        if name.lower() in _IN_ONE_PIECE:
            return self.fold(name, value).encode()
        return super().fold_binary(name, value)


# 78 is what RFC 5322, 2.1.1 asks for; the library goes one beyond where an encoded name stands before its address.
_RULES = _Rules(linesep=policy.SMTP.linesep, max_line_length=76)
_RULES_UTF8 = _RULES.clone(utf8=True)


@dataclass(frozen=True, slots=True)
class Letter:
    """What one mail says and to whom.

    ``to``, ``name``: the reader's address and name. ``sender``, ``sender_name``: whose mail it is; the name is the dealer's.
    ``unsubscribe``: address of the page, and of the one-click post, that ends the mails; None for a mail that was asked for.
    """

    to: Address
    sender: Address
    subject: str
    text: str
    html: str
    language: str
    message_id: str
    name: str | None = None
    sender_name: str | None = None
    reply_to: Address | None = None  # where an answer goes; None: to the sender
    unsubscribe: str | None = None
    calendar: bytes | None = None  # a file for the reader's calendar, None for none

    @property
    def needs_utf8(self) -> bool:
        """Say whether only a server with SMTPUTF8 (RFC 6531) can take it."""
        return self.to.needs_utf8 or self.sender.needs_utf8


def make_message(letter: Letter, now: dt.datetime) -> EmailMessage:
    """Return the mail; raises `addresses.Unusable` for a name that could begin another header."""
    message = EmailMessage(policy=_RULES_UTF8 if letter.needs_utf8 else _RULES)
    message["From"] = letter.sender.named(letter.sender_name)
    message["To"] = letter.to.named(letter.name)
    if letter.reply_to:
        message["Reply-To"] = letter.reply_to.named(letter.sender_name)
    message["Subject"] = " ".join(letter.subject.split())
    message["Date"] = format_datetime(now)
    message["Message-ID"] = f"<{letter.message_id}>"
    # RFC 3834, 5: no out-of-mail service note answers a mail that says so.
    message["Auto-Submitted"] = "auto-generated"
    if letter.unsubscribe:
        message["List-Unsubscribe"] = f"<{letter.unsubscribe}>"  # RFC 2369
        if letter.unsubscribe.startswith("https://"):
            message["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"  # RFC 8058 knows https only
    message.set_content(letter.text, cte="quoted-printable")
    message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    if letter.calendar is not None:
        # RFC 5546, 1.4 and RFC 6047, 2.4: the method stands with the type, as it does in the calendar.
        words = letter.calendar.decode()
        method = next(line.partition(":")[2] for line in words.splitlines() if line.startswith("METHOD:"))
        message.add_attachment(words, subtype="calendar", filename="trial.ics", params={"method": method})
    message["Content-Language"] = letter.language  # of the whole: what was set before went into the first part
    return message
