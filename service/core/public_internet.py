"""Which addresses are on the public internet: a list of the code's own, since Python's differs from version to version.

Everything special is left out, also the few blocks that are reachable (anycast relays, AS112): no shop's system stands there.
"""

import ipaddress
from typing import Final

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address

_UNICAST_V6: Final = ipaddress.IPv6Network("2000::/3")
"""All that is given out for the internet (RFC 4291, 2.4; RFC 3587): mapped, translated, local and multicast lie outside."""
_SPECIAL_V6: Final = (
    ipaddress.IPv6Network("2001::/23"),  # IETF protocols: Teredo, benchmarks, AMT, AS112, ORCHID, drones (RFC 2928)
    ipaddress.IPv6Network("2001:db8::/32"),  # documentation (RFC 3849)
    ipaddress.IPv6Network("2002::/16"),  # 6to4, wraps an IPv4 address (RFC 3056)
    ipaddress.IPv6Network("2620:4f:8000::/48"),  # AS112 (RFC 7534)
    ipaddress.IPv6Network("3fff::/20"),  # documentation (RFC 9637)
)
_SPECIAL_V4: Final = (
    ipaddress.IPv4Network("0.0.0.0/8"),  # this network (RFC 791)
    ipaddress.IPv4Network("10.0.0.0/8"),  # private (RFC 1918)
    ipaddress.IPv4Network("100.64.0.0/10"),  # shared by a provider's customers (RFC 6598)
    ipaddress.IPv4Network("127.0.0.0/8"),  # loopback (RFC 1122)
    ipaddress.IPv4Network("169.254.0.0/16"),  # link-local, and clouds' metadata (RFC 3927)
    ipaddress.IPv4Network("172.16.0.0/12"),  # private (RFC 1918)
    ipaddress.IPv4Network("192.0.0.0/24"),  # IETF protocols (RFC 6890)
    ipaddress.IPv4Network("192.0.2.0/24"),  # documentation (RFC 5737)
    ipaddress.IPv4Network("192.31.196.0/24"),  # AS112 (RFC 7535)
    ipaddress.IPv4Network("192.52.193.0/24"),  # AMT (RFC 7450)
    ipaddress.IPv4Network("192.88.99.0/24"),  # 6to4 relays, given up (RFC 7526)
    ipaddress.IPv4Network("192.168.0.0/16"),  # private (RFC 1918)
    ipaddress.IPv4Network("192.175.48.0/24"),  # AS112 (RFC 7534)
    ipaddress.IPv4Network("198.18.0.0/15"),  # benchmarks (RFC 2544)
    ipaddress.IPv4Network("198.51.100.0/24"),  # documentation (RFC 5737)
    ipaddress.IPv4Network("203.0.113.0/24"),  # documentation (RFC 5737)
    ipaddress.IPv4Network("224.0.0.0/4"),  # multicast (RFC 5771)
    ipaddress.IPv4Network("240.0.0.0/4"),  # reserved, and limited broadcast (RFC 1112, RFC 8190)
)
"""IANA's special-purpose address registries for IPv4 and IPv6 as updated to October 2025 (RFC 6890, RFC 8190), and multicast."""


def is_public(address: IPAddress) -> bool:
    """Say whether an address is one that the internet at large gives out."""
    if isinstance(address, ipaddress.IPv6Address):
        return address in _UNICAST_V6 and not any(address in block for block in _SPECIAL_V6)
    return not any(address in block for block in _SPECIAL_V4)
