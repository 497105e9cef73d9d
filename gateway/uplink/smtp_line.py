"""Owns: one connection to a mail server, from its greeting to its end, within a bounded time.

Must not know: mails, persons, what a refusal means.
How it works: smtplib speaks; what it reads and writes goes through here, so that each read gets what is left of the
time and a reply without end is cut. TLS begins with the first byte or by STARTTLS, and is verified; nothing but the
request for it is ever said in the clear. What comes in the same breath as the answer to STARTTLS is of unknown origin:
it ends the connection.
"""

from __future__ import annotations

import base64
import contextlib
import smtplib
import socket
import ssl

from gateway.errors import GatewayError
from gateway.uplink.reach import Hurry, secured

LONGEST_REPLY = 65_536
_READY, _DONE = 220, 250


class SmtpLine(smtplib.SMTP):
    """Over a connection that stands. `open` before anything else."""

    def __init__(self, sock: socket.socket, hurry: Hurry) -> None:
        here, *_ = sock.getsockname()
        # RFC 5321, section 4.1.4: who has no name of his own says his address
        super().__init__(local_hostname=f"[IPv6:{here}]" if ":" in here else f"[{here}]")
        self.sock: socket.socket | None = sock
        self._hurry, self._unread = hurry, b""

    def open(self, tls: ssl.SSLContext, host: str, *, starttls: bool) -> None:
        """Greet, with TLS. Raises SMTPException, OSError, GatewayError."""
        if not starttls:
            self._secure(tls, host)
        self._expect(_READY, *self.getreply())
        self._expect(_DONE, *self.ehlo())
        if starttls:
            if not self.has_extn("starttls"):
                raise GatewayError(f"{host} offers no STARTTLS, and nothing is sent in the clear; ask for its TLS port")
            self._expect(_READY, *self.docmd("STARTTLS"))
            if self._unread:
                raise ConnectionError("somebody has put words into the connection before TLS began")
            self._secure(tls, host)
            self._expect(_DONE, *self.ehlo())

    def enter(self, user: str, password: str) -> None:
        """Raises SMTPException."""
        if "PLAIN" in self.esmtp_features.get("auth", "").upper().split():
            words = base64.b64encode(f"\0{user}\0{password}".encode()).decode()  # RFC 4616: UTF-8
            code, said = self.docmd("AUTH", f"PLAIN {words}")
            if code != 235:
                raise smtplib.SMTPAuthenticationError(code, said)
        elif (user + password).isascii():
            self.login(user, password)
        else:
            raise GatewayError("the server takes no user or password beyond ASCII; change them")

    def cut(self) -> None:
        """Say goodbye if that is quick, and close. Never raises; idempotent."""
        with contextlib.suppress(OSError, smtplib.SMTPException):
            if self.sock is not None:
                self._hurry = Hurry(1.0)
                self.docmd("QUIT")
        self.close()

    def getreply(self) -> tuple[int, bytes]:
        """As in the library, bounded."""
        lines: list[bytes] = []
        size = 0
        while True:
            line = self._line()
            size += len(line)
            if size > LONGEST_REPLY:
                raise smtplib.SMTPServerDisconnected("it answers without end")
            lines.append(line[4:].strip())
            if not line[:3].isdigit():
                raise smtplib.SMTPServerDisconnected("it answers what is no SMTP")
            if line[3:4] != b"-":
                return int(line[:3]), b"\n".join(lines)

    def send(self, s: bytes | str) -> None:  # type: ignore[override]
        """As in the library, bounded."""
        left = memoryview(s.encode("ascii") if isinstance(s, str) else s)
        while left:
            left = left[self._timed().send(left) :]

    def _line(self) -> bytes:
        while b"\n" not in self._unread:
            try:
                got = self._timed().recv(4096)
            except OSError as error:
                raise smtplib.SMTPServerDisconnected(str(error)) from error
            if not got:
                self.close()
                raise smtplib.SMTPServerDisconnected("it hung up")
            self._unread += got
            if len(self._unread) > LONGEST_REPLY:
                raise smtplib.SMTPServerDisconnected("it answers without end")
        line, _, self._unread = self._unread.partition(b"\n")
        return line

    def _timed(self) -> socket.socket:
        if self.sock is None:
            raise smtplib.SMTPServerDisconnected("the connection is over")
        self.sock.settimeout(self._hurry.left_s())
        return self.sock

    def _secure(self, tls: ssl.SSLContext, host: str) -> None:
        plain, self.sock = self.sock, None
        if plain is None:
            raise smtplib.SMTPServerDisconnected("the connection is over")
        self.sock = secured(plain, tls, host, self._hurry)

    def _expect(self, wanted: int, code: int, said: bytes) -> None:
        if code != wanted:
            raise smtplib.SMTPResponseException(code, said)
