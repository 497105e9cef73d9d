"""Owns: real far ends for the tests of messages: receivers of webhooks with TLS, mail servers, and peers that misbehave
on purpose.

Must not know: how a message is sent.
How it works: everything listens on 127.0.0.1. Certificates come from the openssl program, for `localhost` and for one
invented name. What is received is kept for the test to look at.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

from gateway.model import Priority
from gateway.uplink.message import Message
from tests.uplink.rig import free_port

NAME = "calls.example"
USER, PASSWORD = "barn", "hay-Heu-ü-9"


def message(**changed: Any) -> Message:
    """A call as uplink composes it; barn and horses are invented."""
    fields: dict[str, Any] = {
        "id": "notice-0123456789abcdef01234567",
        "contact": "Ana",
        "language": "en",
        "kind": "alarm.call",
        "priority": Priority.NOW,
        "made_wall_s": 1_782_907_200.5,  # 2026-07-01 12:00:00.5 UTC, by `date -u -d @1782907200`
        "subject": "Now: heat at the north stalls",
        "text": "Now: heat at the north stalls\nWet the horses: 31 °C.\n",
        "data": {"barn": "North", "alarms": [{"alarm": "heat:north", "episode": 2}]},
    }
    return Message(**(fields | changed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Papers:
    """A certificate authority and a certificate of it for localhost and NAME."""

    folder: Path

    @property
    def ca_file(self) -> Path:
        return self.folder / "ca.crt"

    def server(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.folder / "far.crt", self.folder / "far.key")
        return context


def make_papers(folder: Path) -> Papers:
    folder.mkdir(parents=True, exist_ok=True)

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    openssl("req", "-x509", *curve, "-keyout", "ca.key", "-out", "ca.crt", "-days", "2", "-subj", "/CN=Test CA")
    openssl("req", *curve, "-keyout", "far.key", "-out", "far.csr", "-subj", "/CN=far")
    (folder / "names").write_text("subjectAltName=" + ",".join(f"DNS:{name}" for name in ("localhost", NAME)) + "\n")
    openssl(
        "x509", "-req", "-in", "far.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
        "-out", "far.crt", "-days", "2", "-extfile", "names",
    )  # fmt: skip
    return Papers(folder=folder)


def not_yet_valid(papers: Papers) -> None:
    """Make the certificate count from 2099 on. Old versions of the openssl program cannot."""
    authority = x509.load_pem_x509_certificate(papers.ca_file.read_bytes())
    ca_key, key = (
        serialization.load_pem_private_key((papers.folder / name).read_bytes(), None) for name in ("ca.key", "far.key")
    )
    assert isinstance(ca_key, EllipticCurvePrivateKey) and isinstance(key, EllipticCurvePrivateKey)
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name.from_rfc4514_string("CN=far"))
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(datetime(2099, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2100, 1, 1, tzinfo=UTC))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(ca_key, hashes.SHA256())
    )
    (papers.folder / "far.crt").write_bytes(made.public_bytes(serialization.Encoding.PEM))


def secret_file(folder: Path, text: str) -> Path:
    path = folder / "secret"
    path.touch(mode=0o600)
    path.write_text(text + "\n")
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Got:
    path: str
    headers: dict[str, str]
    body: bytes


class Receiver:
    """Takes POSTs and answers `status` with `headers` and `body`. `named` has the TLS name each visitor asked for."""

    def __init__(self, papers: Papers | None = None, *, address: str = "127.0.0.1", port: int = 0) -> None:
        self.got: list[Got] = []
        self.named: list[str | None] = []
        self.status, self.headers, self.body = 204, dict[str, str](), b""
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.got.append(Got(path=self.path, headers=dict(self.headers), body=body))
                self.send_response(receiver.status)
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
                if receiver.body:
                    self.send_header("Content-Length", str(len(receiver.body)))
                self.end_headers()
                self.wfile.write(receiver.body)

            def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, request: Any, client_address: Any) -> None:
                """A visitor who does not trust us hangs up."""

        self._server = Server((address, port), Handler)
        self.port = self._server.server_port
        if papers is not None:
            context = papers.server()
            context.sni_callback = lambda _, name, __: self.named.append(name)
            self._server.socket = context.wrap_socket(
                self._server.socket, server_side=True, do_handshake_on_connect=False
            )
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join(5)
        self._server.server_close()


class Peer:
    """A listener whose every connection is served by `serve`, a script of the test, which may outlive its visitor."""

    def __init__(self, serve: Callable[[socket.socket], None], papers: Papers | None = None) -> None:
        self._serve, self._tls = serve, papers.server() if papers else None
        self.visits = 0
        self.over = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self.over.set()
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), 5).close()
        self._thread.join(10)
        self._server.close()

    def drip(self, sock: socket.socket, text: bytes) -> None:
        """A byte every twentieth of a second, for ever."""
        while text and not self.over.wait(0.05):
            sock.sendall(text[:1])
            text = text[1:] + text[:1]

    def _run(self) -> None:
        while not self.over.is_set():
            sock, _ = self._server.accept()
            if self.over.is_set():
                sock.close()
                return
            self.visits += 1
            with sock, contextlib.suppress(OSError):
                sock.settimeout(5)
                if self._tls is None:
                    self._serve(sock)
                else:
                    with self._tls.wrap_socket(sock, server_side=True) as secured:
                        self._serve(secured)


@dataclass(slots=True)
class _Inbox:
    """What aiosmtpd calls. `answers` has what to say to RCPT and to DATA."""

    mails: list[tuple[str, list[str], bytes]] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)
    tls: list[bool] = field(default_factory=list)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        answer = self.answers.get("RCPT", "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        self.tls.append(session.ssl is not None or server.transport.get_extra_info("sslcontext") is not None)
        if "DATA" in self.answers:
            return self.answers["DATA"]
        self.mails.append((envelope.mail_from, list(envelope.rcpt_tos), bytes(envelope.content)))
        return "250 taken"


class MailServer:
    """aiosmtpd with TLS from the first byte or by STARTTLS, that asks for a user and a password."""

    def __init__(self, papers: Papers | None, *, starttls: bool) -> None:
        self.inbox, self.port = _Inbox(), free_port()
        self.tried: list[tuple[bytes, bytes]] = []
        tls: dict[str, Any] = {}
        if papers is not None:
            tls = {"tls_context": papers.server()} if starttls else {"ssl_context": papers.server()}
        self._controller = Controller(
            self.inbox,
            hostname="127.0.0.1",
            port=self.port,
            server_hostname="localhost",
            require_starttls=starttls and papers is not None,
            auth_required=starttls and papers is not None,
            auth_require_tls=starttls,  # aiosmtpd does not see that a connection had TLS from its first byte
            authenticator=self._may_enter,
            ready_timeout=30,
            **tls,
        )
        self._controller.start()

    @property
    def mails(self) -> list[EmailMessage]:
        return [parsed(content) for _, _, content in self.inbox.mails]

    def close(self) -> None:
        self._controller.stop()

    def _may_enter(self, server: Any, session: Any, envelope: Any, mechanism: str, auth: LoginPassword) -> AuthResult:
        self.tried.append((auth.login, auth.password))
        good = (auth.login, auth.password) == (USER.encode(), PASSWORD.encode())
        return AuthResult(success=good, handled=False)


def parsed(content: bytes) -> EmailMessage:
    return message_from_bytes(content, policy=policy.default)


@contextlib.contextmanager
def open_peer(serve: Callable[[socket.socket], None], papers: Papers | None = None) -> Iterator[Peer]:
    peer = Peer(serve, papers)
    try:
        yield peer
    finally:
        peer.close()
