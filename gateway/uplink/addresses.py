"""Owns: which addresses belong to the internet, and which of the barn's own network a message may go to.

Must not know: names, connections.
How it works: `ipaddress` knows the special ranges as they were when Python was released, so that a version six address
must also lie in the part that is given out for the internet. Addresses that carry a version four address inside
(IPv4-mapped, 6to4) lead to wherever that leads: none is let through but NAT64, which is judged by what it carries.

Reference: IANA special-purpose address registries (RFC 6890); RFC 4291, section 2.4; RFC 6052, section 2.1.
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address

_GIVEN_OUT = IPv6Network("2000::/3")
_NAT64 = IPv6Network("64:ff9b::/96")
_NEVER_V6 = (IPv6Network("2002::/16"), IPv6Network("3fff::/20"))  # 6to4; documentation, RFC 9637
_NEVER_V4 = IPv4Network("192.88.99.0/24")  # relays of 6to4, withdrawn by RFC 7526


def is_outside(address: str) -> bool:
    """Whether this is one machine of the internet. What is no address at all is not."""
    try:
        found = ip_address(address)
    except ValueError:
        return False
    if isinstance(found, IPv6Address) and found in _NAT64:
        found = IPv4Address(int(found) & 0xFFFF_FFFF)
    if not found.is_global or found.is_multicast:
        return False
    if isinstance(found, IPv4Address):
        return found not in _NEVER_V4
    return found in _GIVEN_OUT and not any(found in network for network in _NEVER_V6)


def stands_in(inside: Iterable[str], host: str, port: int) -> bool:
    """Whether "host:port" is one of these; an address may be written in any of its forms."""
    return (_plain(host), str(port)) in {_parts(entry) for entry in inside}


def _parts(entry: str) -> tuple[str, str]:
    host, _, port = entry.strip().rpartition(":")
    return _plain(host), port


def _plain(host: str) -> str:
    bare = host.strip("[]").lower().rstrip(".")
    try:
        return str(ip_address(bare))
    except ValueError:
        return bare
