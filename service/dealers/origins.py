"""Origins: where a dealer's pages are, as browsers name it: scheme, host and port (RFC 6454; HTML, 'origin').

A page says its origin itself, so it must be written exactly as a browser writes it: in small letters, the host in ASCII, without
the port that goes without saying.
"""

import hashlib
import ipaddress
import re
from urllib.parse import urlsplit

import idna

from service.core.language import _

MOST = 10
"""So many origins has a dealer; each is named in a header of every page that is framed."""
_AT_HOME = ("localhost", "127.0.0.1", "[::1]")
"""Hosts of one's own machine, which may go without https while a page is being made."""
_LABEL = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)")
_DEFAULT_PORTS = {"http": 80, "https": 443}


def read(text: str) -> str:
    """Return an origin as browsers write it; raises ``ValueError`` with one sentence on what would be right."""
    text = text.strip()
    try:
        parts = urlsplit(text)
        port, host = parts.port, _host(parts.hostname or "")
    except ValueError:
        raise ValueError(_wrong(text)) from None
    if parts.scheme not in _DEFAULT_PORTS or not host or port == 0 or "\\" in text:
        raise ValueError(_wrong(text))
    if parts.path not in ("", "/") or parts.query or parts.fragment or parts.username is not None:
        raise ValueError(
            _("{text} names more than an origin; expected only scheme and host, as https://shop.example.").format(
                text=text[:100]
            )
        )
    if parts.scheme == "http" and host not in _AT_HOME:
        raise ValueError(
            _("{text} is not safe: expected https; http is for trying on localhost only.").format(text=text[:100])
        )
    ending = "" if port in (None, _DEFAULT_PORTS[parts.scheme]) else f":{port}"
    return f"{parts.scheme}://{host}{ending}"


def read_all(text: str) -> tuple[tuple[str, ...], list[str]]:
    """Return the origins in a text, each once, and one sentence for each part of it that is none."""
    found: dict[str, None] = {}
    wrong = []
    for part in text.split():
        try:
            found[read(part)] = None
        except ValueError as error:
            wrong.append(str(error))
    if len(found) > MOST:
        wrong.append(_("Got {count} origins; expected at most {most}.").format(count=len(found), most=MOST))
    return tuple(found), wrong


def ident(origin: str) -> str:
    """Return the short name of an origin in the address of an embedded page: 48 bits of its SHA-256."""
    return hashlib.sha256(origin.encode()).hexdigest()[:12]


def _host(host: str) -> str:
    """Return a host in ASCII (IDNA 2008, UTS 46), empty where it cannot be one."""
    if ":" in host:
        return f"[{ipaddress.IPv6Address(host)}]"
    if host.replace(".", "").isdigit():
        return str(ipaddress.IPv4Address(host))
    try:
        ascii_host = idna.encode(host, uts46=True).decode("ascii") if host else ""
    except idna.IDNAError:
        return ""
    return ascii_host if all(map(_LABEL.fullmatch, ascii_host.split("."))) else ""


def _wrong(text: str) -> str:
    return _("{text} is no origin; expected scheme and host, as https://shop.example.").format(text=text[:100])
