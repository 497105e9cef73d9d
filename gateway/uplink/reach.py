"""Owns: a connection to a far end that the site file names, within a bounded time, and what a failure of it means.

Must not know: what is said over it, which addresses are allowed.
How it works: a name is resolved once, in a thread of its own, since the system's resolver keeps no limit. Its addresses
are tried in turn, each with its share of the time that is left. `Hurry` holds the limit for everything: whoever reads
or writes sets the socket's timeout from it anew each time, so that a byte a second does not stretch it.
"""

from __future__ import annotations

import logging
import socket
import ssl
import threading
import traceback
from collections.abc import Callable, Sequence
from ipaddress import ip_address

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.uplink.verdict import Outcome, Verdict

log = logging.getLogger(__name__)

Resolve = Callable[[str, int], Sequence[str]]
Connect = Callable[[str, int, float], socket.socket]
MOST_ADDRESSES = 4
LONGEST_WHY = 300
_NOT_YET_VALID = 9  # X509_V_ERR_CERT_NOT_YET_VALID of OpenSSL: our clock may not be set yet


class Hurry:
    """A bounded time that has begun."""

    def __init__(self, within_s: float) -> None:
        self._within_s, self._end_s = within_s, machine_s() + within_s

    def left_s(self) -> float:
        """Raises TimeoutError when nothing is left."""
        left_s = self._end_s - machine_s()
        if left_s <= 0:
            raise TimeoutError(f"not done within {self._within_s:g} s")
        return left_s


def by_system(host: str, port: int) -> Sequence[str]:
    """The addresses of a name, best first."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


def directly(address: str, port: int, within_s: float) -> socket.socket:
    """A connection to an address, which is a number: nothing is resolved."""
    return socket.create_connection((address, port), within_s)


def addresses_of(host: str, port: int, hurry: Hurry, resolve: Resolve) -> tuple[str, ...]:
    """What a name leads to; an address leads to itself. Raises OSError."""
    try:
        return (str(ip_address(host)),)
    except ValueError:
        pass
    found: list[Sequence[str] | Exception] = []

    def ask() -> None:
        try:
            found.append(resolve(host, port))
        except Exception as error:
            found.append(error)

    asking = threading.Thread(target=ask, name="resolve", daemon=True)
    asking.start()
    asking.join(hurry.left_s())
    if not found:
        raise TimeoutError(f"the name {host} is not resolved in time")
    if isinstance(found[0], Exception):
        raise found[0]
    return tuple(found[0])[:MOST_ADDRESSES]


def connected(addresses: Sequence[str], port: int, hurry: Hurry, connect: Connect) -> socket.socket:
    """The first of these that takes a connection. Raises OSError."""
    failed: OSError = ConnectionError("the name leads to no address")
    for count, address in enumerate(addresses):
        try:
            return connect(address, port, hurry.left_s() / (len(addresses) - count))
        except OSError as error:
            failed = error
    raise failed


def secured(sock: socket.socket, tls: ssl.SSLContext, host: str, hurry: Hurry) -> ssl.SSLSocket:
    """The same connection with TLS, begun and verified; closed if that fails. Raises OSError."""
    try:
        sock.settimeout(hurry.left_s())
        return tls.wrap_socket(sock, server_hostname=host)
    except BaseException:
        sock.close()
        raise


def tried(place: str, attempt: Callable[[], Verdict]) -> Verdict:
    """What came of one attempt, whatever it raises. Nothing of a secret may stand in what it raises."""
    try:
        return attempt()
    except GatewayError as error:
        return Verdict(outcome=Outcome.REFUSED, why=short(error))
    except ssl.SSLCertVerificationError as error:
        outcome = Outcome.AWAY if error.verify_code == _NOT_YET_VALID else Outcome.REFUSED
        return Verdict(outcome=outcome, why=short(f"{place}: its certificate does not hold: {error.verify_message}"))
    except OSError as error:
        return Verdict(outcome=Outcome.AWAY, why=short(f"{place}: {error.strerror or error or type(error).__name__}"))
    except Exception as error:
        where = "".join(traceback.format_tb(error.__traceback__))  # without what it says: that may be anything
        log.error("%s: defect, %s\n%s", place, type(error).__name__, where)
        return Verdict(outcome=Outcome.AWAY, why=f"{place}: defect, {type(error).__name__}; see the log")


def short(text: object) -> str:
    """What others said, on one line, with nothing in it that a terminal or a page would act on."""
    said = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
    return " ".join("".join(c if c.isprintable() else " " for c in said).split())[:LONGEST_WHY]
