"""Which names the service is reached under: what a ``Host`` header may say (RFC 9110, 7.2; RFC 9112, 3.2).

No link is ever made from that header. It is still held to the names that are known, so that no page of another name, which
somebody had resolve to this machine (DNS rebinding), is answered as if it were ours.
"""

import ipaddress
import re
import socket
from collections.abc import Collection
from urllib.parse import urlsplit

import idna

AT_HOME = ("localhost", "127.0.0.1", "::1")
"""This machine's own names: a proxy beside the service, and whoever looks after it, ask by these."""
_HOST = re.compile(r"(?:\[(?P<six>[0-9a-f:.]+)\]|(?P<name>[a-z0-9._-]+))(?::(?P<port>[0-9]{1,5}))?", re.IGNORECASE)
_LABELS = re.compile(r"(?!-)[a-z0-9_-]{1,63}(?<!-)(?:\.(?!-)[a-z0-9_-]{1,63}(?<!-))*")
_OF_THE_HOUSE = (".local", ".localhost", ".internal", ".home.arpa")
"""Endings that no stranger can register (RFC 6762, RFC 6761, RFC 8375; .internal is reserved by ICANN)."""


def name_of(header: str) -> str | None:
    """Return the name in a ``Host`` header, in small letters and without the port; None where it is no host."""
    found = _HOST.fullmatch(header)
    if found is None or int(found["port"] or 0) > 65535:
        return None
    return _plain(found["six"] or found["name"])


def read(text: str) -> tuple[str, ...]:
    """Return the names in a comma-separated list; raises ``ValueError`` with the first that is none."""
    names = [part.strip() for part in text.split(",") if part.strip()]
    for name in names:
        if _written(name) is None:
            raise ValueError(name)
    return tuple(dict.fromkeys(filter(None, map(_written, names))))


def of_address(address: str) -> str | None:
    """Return the name in a whole address such as https://bows.example, as a browser sends it."""
    return _written(urlsplit(address).hostname or "")


def answers_to(name: str, known: Collection[str]) -> bool:
    """Say whether the service answers to a name of `name_of`; of none ``known``, to those alone that no stranger can own."""
    # These are numbers, ``localhost``, this machine's own name, names without a dot and the endings that are a
    # house's own: so a tablet in the shop needs no setting, while a name that somebody registered is refused.
    if known:
        return name in known or name in AT_HOME
    local = _is_number(name) or "." not in name or name.endswith(_OF_THE_HOUSE)
    return local or name == socket.gethostname().lower()


def _written(name: str) -> str | None:
    """Return a name as browsers send it, in ASCII (IDNA 2008, UTS 46); None where it is none."""
    bare = name.removeprefix("[").removesuffix("]")
    if _is_number(bare):
        return _plain(bare)
    try:
        ascii_name = name if name.isascii() else idna.encode(name, uts46=True).decode("ascii")
    except idna.IDNAError:
        return None
    return _plain(ascii_name) if _LABELS.fullmatch(ascii_name.lower().removesuffix(".")) else None


def _plain(name: str) -> str | None:
    if ":" not in name:
        return name.lower().removesuffix(".") or None
    return str(ipaddress.ip_address(name)) if _is_number(name) else None


def _is_number(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
