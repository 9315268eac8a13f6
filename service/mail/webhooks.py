"""Messages to a dealer's own system: what has happened, as ids and codes, signed, through the outbox.

The body is JSON without any contact data. It is signed by the Standard Webhooks specification, with every secret that is valid:
while one is being replaced with both, and while the service's key is being changed with those of each key. Receivers set up
before have headers of an older form (``Bow-…``) and a secret of their own, which go on beside. Only https to public addresses
is spoken, checked after the name is resolved and at the very address that is then connected to, so that a name cannot point
elsewhere a moment later; redirects are not followed.
"""

import asyncio
import base64
import datetime as dt
import hashlib
import hmac
import ipaddress
import json
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import select
from sqlalchemy.orm import Session
from standardwebhooks import Webhook

from service.core.language import N_, _
from service.core.public_internet import IPAddress, is_public
from service.mail import outbox
from service.mail.mail_kinds import ObsoleteError
from service.mail.transport import PermanentError, TransientError, plain
from service.tables import Door, OutboxItem

TIME_HEADER, SIGNATURE_HEADER, ID_HEADER = "Bow-Time", "Bow-Signature", "Bow-Event-Id"
NEXT_HEADER = "Bow-Signature-Next"
EVENTS = {"enquiry": "enquiry.created", "outcome": "outcome.recorded", "reopened": "trial.reopened"}
"""The type that a receiver reads, by what is queued; `service/docs/api.md` lists them."""
BOTH_FOR = dt.timedelta(days=3)
"""So long a secret that was replaced signs beside the new one: as long as a message is tried."""
TIMEOUT = 10.0
"""Seconds for everything: resolving apart, connecting, sending and the head of the answer."""
_LATER = frozenset({408, 425, 429})
"""Statuses of the 4xx that ask to come again (RFC 9110, 15.5.9; RFC 8470, 5.2; RFC 6585, 4)."""


def secret_of(server_secret: str, dealer: str, number: int) -> str:
    """Return the secret that signs the messages to a dealer's system; a new ``number`` makes a new one."""
    return hmac.new(server_secret.encode(), f"webhook:{dealer}:{number}".encode(), hashlib.sha256).hexdigest()


def secrets_of(keys: Sequence[str], dealer: str, number: int) -> tuple[str, str]:
    """Return the secret that signs now in the older form and the one that will once older keys are retired; ``keys``: the newest first."""
    return secret_of(keys[-1], dealer, number), secret_of(keys[0], dealer, number)


def valid_secrets(
    keys: Sequence[str], dealer: str, number: int, renewed_at: dt.datetime | None, now: dt.datetime
) -> tuple[str, ...]:
    """Return the secrets that sign, as Standard Webhooks writes them: the one to set up first; ``keys``: the newest first."""
    numbers = [number, number - 1] if renewed_at is not None and now < renewed_at + BOTH_FOR else [number]
    made = [_standard_secret(key, dealer, each) for each in numbers for key in keys]
    return tuple(dict.fromkeys(made))


def _standard_secret(server_secret: str, dealer: str, number: int) -> str:
    made = hmac.new(server_secret.encode(), f"whsec:{dealer}:{number}".encode(), hashlib.sha256).digest()
    return "whsec_" + base64.b64encode(made).decode()


def signature(secret: str, time: str, body: bytes) -> str:
    """Return the signature of a body sent at a time, in the older form."""
    return hmac.new(secret.encode(), time.encode() + b"." + body, hashlib.sha256).hexdigest()


def queue(session: Session, dealer: str | None, kind: str, about: str, values: dict[str, Any]) -> None:
    """Queue a message where the dealer has an address for them; ``kind``: 'enquiry', 'outcome', 'reopened'; no contact data."""
    address = session.scalar(select(Door.webhook).where(Door.dealer == dealer)) if dealer else None
    if dealer and address:
        outbox.add(session, [going(session, address, dealer, kind, about, values)])


def going(session: Session, address: str, dealer: str, kind: str, about: str, values: dict[str, Any]) -> dict[str, Any]:
    """Return a message to the address of a dealer's system as it stands in the outbox; see `queue`."""
    recipient = outbox.To(address, dealer=dealer, channel="webhook")
    return outbox.going(session, f"{kind}_event", about, recipient, {"event": kind, **values})


@dataclass(frozen=True, slots=True)
class Call:
    """One message ready to go: ``secrets`` sign it; in the older form ``secret``, and ``next_secret`` where it is another."""

    address: str
    body: bytes
    event_id: str
    time: str
    secret: str = field(repr=False)
    next_secret: str = field(default="", repr=False)
    secrets: tuple[str, ...] = field(default=(), repr=False)

    @property
    def headers(self) -> dict[str, str]:
        """The headers that say when it was sent and by whom."""
        following = {NEXT_HEADER: signature(self.next_secret, self.time, self.body)} if self.next_secret else {}
        of_all = {"Content-Type": "application/json", "User-Agent": "bow-trial"}
        older = {ID_HEADER: self.event_id, TIME_HEADER: self.time}
        older[SIGNATURE_HEADER] = signature(self.secret, self.time, self.body)
        return self._standard | following | of_all | older

    @property
    def _standard(self) -> dict[str, str]:
        sent_at, text = dt.datetime.fromtimestamp(int(self.time), dt.UTC), self.body.decode()
        signed = [Webhook(secret).sign(self.event_id, sent_at, text) for secret in self.secrets]
        return {"webhook-id": self.event_id, "webhook-timestamp": self.time, "webhook-signature": " ".join(signed)}


def call_of(session: Session, keys: Sequence[str], row: OutboxItem, now: dt.datetime) -> Call:
    """Return the message of a row as the dealer's door is set up now; raises `ObsoleteError` where it has no address any more."""
    door = session.get(Door, row.dealer) if row.dealer else None
    if door is None or not door.webhook:
        raise ObsoleteError(N_("The dealer’s system has no address any more."))
    ident = row.message_id.partition("@")[0]
    secret, following = secrets_of(keys, door.dealer, door.webhook_number)
    queued_at = row.queued_at.isoformat()
    data = {name: value for name, value in row.values.items() if name != "event"}
    told = {"type": EVENTS[row.values["event"]], "timestamp": queued_at, "data": {"dealer": row.dealer, **data}}
    older = {"id": ident, "dealer": row.dealer, "at": queued_at, **row.values}
    return Call(
        address=door.webhook,
        body=json.dumps(told | older, ensure_ascii=False, separators=(",", ":")).encode(),
        event_id=ident,
        time=str(int(now.timestamp())),
        secret=secret,
        next_secret=following if following != secret else "",
        secrets=valid_secrets(keys, door.dealer, door.webhook_number, door.webhook_renewed_at, now),
    )


# Where it may go


def fault(address: str) -> str | None:
    """Return what is wrong with an address for messages, in one sentence; None where it looks usable."""
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        return _("This is no address; expected one like https://shop.example/bows.")
    if parts.scheme != "https" or not parts.hostname or port == 0:
        return _("Messages go to addresses that begin with https:// only; expected one like https://shop.example/bows.")
    if parts.username is not None or parts.fragment or not address.isprintable() or " " in address:
        return _("Leave user names, blanks and everything after a # out of the address.")
    return None


def resolve(host: str, port: int) -> list[str]:
    """Return every address of a host; raises ``OSError`` where it has none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_rest, address in found))


@dataclass(frozen=True, slots=True)
class Caller:
    """Speaks to dealers' systems."""

    resolve: Callable[[str, int], Sequence[str]] = resolve  # a host's addresses
    may_connect: Callable[[IPAddress], bool] = is_public  # whether one of them may be spoken to; all must
    context: ssl.SSLContext | None = None  # the certificates trusted; None: the system's
    timeout: float = TIMEOUT

    def send(self, call: Call) -> None:
        """Deliver one message; raises `TransientError` or `PermanentError` with what the other side said."""
        import httpx  # noqa: PLC0415 - slow to load, which no page should wait for

        wrong = fault(call.address)
        if wrong:
            raise PermanentError(wrong)
        url = httpx.URL(call.address)
        chosen = self._checked(url.host, url.port or 443)
        try:
            status = asyncio.run(self._post(call, chosen))
        except TimeoutError:
            raise TransientError(
                _("The system did not answer within {count} seconds.").format(count=f"{self.timeout:g}")
            ) from None
        except (httpx.HTTPError, OSError) as error:
            raise TransientError(plain(str(error) or type(error).__name__)) from None
        _judge(status)

    def _checked(self, host: str, port: int) -> str:
        """Return the address to connect to; raises `PermanentError` where the host has one that is not public."""
        try:
            found = self.resolve(host, port)
        except OSError:
            raise TransientError(_("The name {host} cannot be resolved.").format(host=host)) from None
        for address in found:
            if not self.may_connect(ipaddress.ip_address(address.partition("%")[0])):
                raise PermanentError(_("The name {host} leads to an address that is not public.").format(host=host))
        if not found:
            raise TransientError(_("The name {host} cannot be resolved.").format(host=host))
        return found[0]

    async def _post(self, call: Call, address: str) -> int:
        """Send it to the checked address under the host's own name, and return the answer's status; its body is not read."""
        import httpx  # noqa: PLC0415

        url = httpx.URL(call.address)
        verify = self.context or ssl.create_default_context()
        async with (
            asyncio.timeout(self.timeout),
            # No proxy or certificate of the environment: it would connect elsewhere than was checked.
            httpx.AsyncClient(verify=verify, trust_env=False, follow_redirects=False, timeout=self.timeout) as client,
            client.stream(
                "POST",
                url.copy_with(host=address),
                content=call.body,
                headers=call.headers | {"Host": url.netloc.decode("ascii")},
                extensions={"sni_hostname": url.raw_host.decode("ascii")},
            ) as answer,
        ):
            return answer.status_code


def _judge(status: int) -> None:
    if 200 <= status <= 299:
        return
    said = _("The system answered {status}.").format(status=status)
    if 300 <= status <= 399:
        raise PermanentError(f"{said} {_('Redirects are not followed; enter the final address.')}")
    if 400 <= status <= 499 and status not in _LATER:
        raise PermanentError(said)
    raise TransientError(said)
