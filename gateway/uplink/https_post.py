"""Owns: one POST to an address that a person wrote into the site file, and what the answer means.

Must not know: what is posted, signatures, how often.
How it works: the name is resolved once and the connection goes to an address that was judged: a name that leads
elsewhere a moment later changes nothing. No redirect is followed, no proxy and no cookie is known.

    2xx             delivered
    408 425 429     away, for as long as Retry-After says
    3xx 4xx         refused; a certificate that does not hold; an address of the inside that is not allowed
    5xx, all else   away: no connection, no answer in time, half an answer, no HTTP
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from gateway.errors import GatewayError
from gateway.uplink.addresses import is_outside, stands_in
from gateway.uplink.credentials import tls_context
from gateway.uplink.http_exchange import Answer, posted
from gateway.uplink.reach import Connect, Hurry, Resolve, addresses_of, by_system, connected, directly, secured, tried
from gateway.uplink.verdict import Outcome, Verdict

WITHIN_S = 15.0
LONGEST_WAIT_S = 3600.0
PASSES = (408, 425, 429)
_TOLD = 160  # letters of what an answer says
_USUAL = {True: 443, False: 80}


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where a POST goes. Only `place` is ever told: the path may hold a key."""

    tls: bool
    host: str
    port: int
    path: str

    @property
    def place(self) -> str:
        return f"{self._bracketed}:{self.port}"

    @property
    def header(self) -> str:
        """The header Host."""
        return self._bracketed if self.port == _USUAL[self.tls] else self.place

    @property
    def _bracketed(self) -> str:
        return f"[{self.host}]" if ":" in self.host else self.host


class Poster:
    """`inside` are the "host:port" of the barn's own network that may be posted to. Any thread."""

    def __init__(
        self,
        inside: frozenset[str],
        *,
        resolve: Resolve = by_system,
        connect: Connect = directly,
        within_s: float = WITHIN_S,
    ) -> None:
        self._inside, self._resolve, self._connect, self._within_s = inside, resolve, connect, within_s

    def post(self, url: str, ca_file: Path | None, body: bytes, headers: Mapping[str, str]) -> Verdict:
        """One try. Raises GatewayError when `url` is no address of the web."""
        target = target_of(url)
        return tried(target.place, lambda: self._once(target, ca_file, body, headers))

    def _once(self, target: Target, ca_file: Path | None, body: bytes, headers: Mapping[str, str]) -> Verdict:
        tls = tls_context(ca_file) if target.tls else None
        hurry = Hurry(self._within_s)
        found = addresses_of(target.host, target.port, hurry, self._resolve)
        sock = connected(self._allowed(target, found), target.port, hurry, self._connect)
        if tls is not None:
            sock = secured(sock, tls, target.host, hurry)
        with sock:
            answer = posted(sock, host=target.header, path=target.path, body=body, headers=headers, hurry=hurry)
        return _judged(target.place, answer)

    def _allowed(self, target: Target, addresses: tuple[str, ...]) -> tuple[str, ...]:
        allowed = tuple(address for address in addresses if self._may(target, address))
        if addresses and not allowed:
            cure = f'if that is meant, write "{target.place}" into [alarms] inside'
            if not target.tls:
                raise GatewayError(f"{target.place}: http without TLS goes to the inside only; use https, or {cure}")
            raise GatewayError(f"{target.place} leads to {addresses[0]}, no address of the internet; {cure}")
        return allowed

    def _may(self, target: Target, address: str) -> bool:
        named = any(stands_in(self._inside, host, target.port) for host in (target.host, address))
        return named or (target.tls and is_outside(address))


def target_of(url: str) -> Target:
    """Where an address of the web leads. Raises GatewayError."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        host = host if ":" in host else host.encode("idna").decode()
    except ValueError:  # UnicodeError is one; what it says quotes the address
        raise GatewayError("url is no address of the web; write https://HOST/PATH") from None
    if parts.scheme not in ("https", "http") or not host or port == 0 or "@" in parts.netloc:
        raise GatewayError("url must be https://HOST/PATH, without a name or password before the host")
    tls = parts.scheme == "https"
    return Target(tls=tls, host=host, port=port or _USUAL[tls], path=_path(parts))


def _path(parts: SplitResult) -> str:
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    if not all("!" <= letter <= "~" for letter in path):
        raise GatewayError("the path of url may hold ASCII letters, digits and signs only; write others as %XX")
    return path


def _judged(place: str, answer: Answer) -> Verdict:
    status = answer.status
    if 200 <= status < 300:
        return Verdict(outcome=Outcome.DELIVERED)
    why = f"{place} answers {status}: {answer.said[:_TOLD]}".rstrip(": ")
    if 300 <= status < 400:
        why = f"{place} answers {status}, a redirect, which is not followed: write the address it points to into url"
    if 300 <= status < 500 and status not in PASSES:
        return Verdict(outcome=Outcome.REFUSED, why=why)
    return Verdict(outcome=Outcome.AWAY, why=why, wait_s=_seconds(answer.retry_after))


def _seconds(text: str) -> float | None:
    """Only the form in seconds: a date would need a clock that both of us trust."""
    return min(float(text), LONGEST_WAIT_S) if text.isascii() and text.isdigit() else None
