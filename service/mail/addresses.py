"""Addresses of mail: which can be written to, how they are sent, and what is kept of one that wants no more mail."""

import hashlib
import hmac
import re
import unicodedata
from dataclasses import dataclass
from email.headerregistry import Address as Mailbox

import idna

from service.core.language import N_, _

LONGEST_LOCAL, LONGEST = 64, 254
"""Octets before the @ and in all (RFC 5321, 4.5.3.1; 254 is what is left of a path of 256)."""
LONGEST_NAME = 60
_DOT_STRING = re.compile(r"[^\s\x00-\x1f\x7f()<>\[\]:;@\\,.\"]+(\.[^\s\x00-\x1f\x7f()<>\[\]:;@\\,.\"]+)*")
"""A local part without quotes (RFC 5321, 4.1.2), letters beyond ASCII included (RFC 6531, 3.3)."""
_NAME = re.compile(r"(?:[^\W\d_]\w*['’]?|[-–'’]|\.(?=\s|$|-)|\s)+")
"""What a greeting repeats: words of letters. Nothing that a mail program would make a link of."""
_ODD = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_COMMENT = re.compile(r"\([^()]*\)")
_NOWHERE = re.compile("[\u00ad\u200b-\u200f\u2060\ufeff]")
"""Letters that are not seen."""

NOT_AN_ADDRESS = N_("{address} is no address that mail can be sent to; expected one like name@example.org.")
NOT_A_DOMAIN = N_("{domain} is no domain that mail can be sent to; look for a mistyped letter after the @.")


class UnusableAddressError(Exception):
    """No mail can be made for this address or name; the text is one plain sentence for the desk."""


@dataclass(frozen=True, slots=True)
class Address:
    """An address as it is sent: the part before the @ as given, the domain in ASCII (IDNA 2008, RFC 5891)."""

    local: str
    domain: str

    def __str__(self) -> str:
        return f"{self.local}@{self.domain}"

    @property
    def needs_utf8(self) -> bool:
        """Say whether the server must take letters beyond ASCII before the @ (SMTPUTF8, RFC 6531)."""
        return not self.local.isascii()

    def named(self, name: str | None) -> Mailbox:
        """Return the address with a name for a header; raises `UnusableAddressError` for a name that could begin another header."""
        if any(unicodedata.category(letter) in _ODD for letter in name or ""):
            raise UnusableAddressError(
                _("The name holds line breaks or control characters; nothing was sent. Mend it first.")
            )
        return Mailbox(display_name=name or "", username=self.local, domain=self.domain)


def masked(text: str) -> str:
    """Return an address as whoever left it knows it again and nobody else learns it: 'm…@e….org'."""
    local, _at, domain = text.strip().rpartition("@")
    name, dot, rest = domain.rpartition(".")
    return f"{local[:1]}…@{name[:1]}…{dot}{rest}"


def parse(text: str) -> Address:
    """Return an address that mail can be sent to; raises `UnusableAddressError` with what is wrong."""
    local, _at, domain = text.strip().rpartition("@")
    if not _DOT_STRING.fullmatch(local) or any(unicodedata.category(letter) in _ODD for letter in text):
        raise UnusableAddressError(_(NOT_AN_ADDRESS).format(address=shown(text)))
    if len(local.encode()) > LONGEST_LOCAL:
        raise UnusableAddressError(_("The part before the @ is longer than 64 characters, which no mail server takes."))
    try:
        coded = idna.encode(domain, uts46=True).decode("ascii")
    except idna.IDNAError:
        coded = ""
    if "." not in coded.strip(".") or coded.endswith("."):
        raise UnusableAddressError(_(NOT_A_DOMAIN).format(domain=shown(domain)))
    made = Address(unicodedata.normalize("NFC", local), coded)
    if len(str(made).encode()) > LONGEST:
        raise UnusableAddressError(_("The address is longer than 254 characters, which no mail server takes."))
    return made


def shown(text: str) -> str:
    """Return what somebody typed, fit to stand in a sentence."""
    return "".join(" " if unicodedata.category(letter) in _ODD else letter for letter in text)[:LONGEST].strip()


def greeting_name(name: str | None) -> str:
    """Return the name to greet by; empty where it is more than a name, since anybody may type one into a form."""
    name = " ".join((name or "").split())
    return name if name and len(name) <= LONGEST_NAME and _NAME.fullmatch(name) else ""


def digest(secret: str, address: str) -> str:
    """Return the keyed digest by which a closed address is known (RFC 2104, SHA-256); upper and lower case are one, as to every player."""
    try:
        address = str(parse(address))
    except UnusableAddressError:
        address = address.strip()
    return hmac.new(secret.encode(), f"address:{address.lower()}".encode(), hashlib.sha256).hexdigest()


# For counting only: never to tell whose an address is, and never to write to


def counted(address: str) -> str:
    """Return what the spellings of an address that may reach one mailbox have in common."""
    # Case, compatibility forms, comments and quotes (RFC 5322, 3.2.2, 3.2.4), a tag (RFC 5233), dots and a dot at the
    # end of the domain are taken off. Two mailboxes may come out as one: they share a count, and nothing else.
    local, _at, domain = without_tag(address).rpartition("@")
    return f"{local.replace('.', '')}@{domain}"


def without_tag(address: str) -> str:
    """Return an address in one spelling, without what leads to the same mailbox; dots stay, which some servers heed."""
    plain = unicodedata.normalize("NFKC", _COMMENT.sub("", _NOWHERE.sub("", address))).strip().casefold()
    local, _at, domain = plain.rpartition("@")
    if len(local) > 1 and local[0] == local[-1] == '"':
        local = re.sub(r"\\(.)", r"\1", local[1:-1])
    return f"{local.strip().partition('+')[0] or local}@{_counted_domain(domain)}"


def _counted_domain(domain: str) -> str:
    bare = domain.strip().rstrip(".\u3002")
    try:
        return idna.encode(bare, uts46=True).decode("ascii").lower()
    except idna.IDNAError:
        return bare
