"""From where somebody is signed in, so that its owner knows it again: browser, system, and the network, never the whole address."""

import ipaddress
import re
from dataclasses import dataclass

from service.core.language import _

_BROWSERS = (
    ("Edge", re.compile(r"\bEdg(?:e|A|iOS)?/")),
    ("Opera", re.compile(r"\bOPR/|\bOpera\b")),
    ("Samsung Internet", re.compile(r"\bSamsungBrowser/")),
    ("Firefox", re.compile(r"\b(?:Firefox|FxiOS)/")),
    ("Chrome", re.compile(r"\b(?:Headless)?(?:Chrome|CriOS|Chromium)/")),
    ("Safari", re.compile(r"\bVersion/\S+ .*\bSafari/")),
)
"""In this order: most say that they are like those further down, too."""
_SYSTEMS = (
    ("iPhone", re.compile(r"\biPhone\b")),
    ("iPad", re.compile(r"\biPad\b")),
    ("Android", re.compile(r"\bAndroid\b")),
    ("Windows", re.compile(r"\bWindows\b")),
    ("ChromeOS", re.compile(r"\bCrOS\b")),
    ("macOS", re.compile(r"\bMac OS X\b|\bMacintosh\b")),
    ("Linux", re.compile(r"\bLinux\b|\bX11\b")),
)
_LONGEST = 1000
_IPV4_BITS, _IPV6_BITS = 24, 48
"""So much of an address is kept: about a provider's neighbourhood, not a household."""


@dataclass(frozen=True, slots=True)
class Device:
    """A browser, its system, and the network it asked from: '203.0.113.0/24'. Each None where it cannot be told."""

    browser: str | None = None
    system: str | None = None
    network: str | None = None

    @property
    def words(self) -> str:
        """What it is called: 'Firefox on Windows'."""
        if self.browser and self.system:
            return _("{browser} on {system}").format(browser=self.browser, system=self.system)
        return self.browser or self.system or _("a browser that is not known")


def device(agent: str, host: str) -> Device:
    """Return what a ``User-Agent`` (RFC 9110, 10.1.5) and an address tell; whatever they hold, only words of ours come out."""
    told = agent[:_LONGEST]
    return Device(_first(_BROWSERS, told), _first(_SYSTEMS, told), network(host))


def network(host: str) -> str | None:
    """Return the network of an address, an IPv4-mapped one's as of IPv4; None for what is no address."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return None
    if isinstance(address, ipaddress.IPv6Address):
        address = address.ipv4_mapped or address
    bits = _IPV4_BITS if address.version == 4 else _IPV6_BITS
    return str(ipaddress.ip_network(f"{address}/{bits}", strict=False))


def _first(known: tuple[tuple[str, re.Pattern[str]], ...], told: str) -> str | None:
    return next((name for name, pattern in known if pattern.search(told)), None)
