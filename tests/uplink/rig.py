"""Owns: real brokers and far ends for the tests of uplink: Mosquitto as a process, paho-mqtt as the other client, and a
broker of our own that misbehaves on purpose.

Must not know: how uplink works.
How it works: everything lives on 127.0.0.1 and in the test's own folder. Certificates come from the openssl program.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from gateway.site import Broker
from tests.engine.fakes import until

USER, PASSWORD, NODE = "gateway", "hay-and-water", "node"


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class Mosquitto:
    """A broker with a password for each client, an ACL, and TLS if asked for."""

    def __init__(self, folder: Path, *, tls: bool = False) -> None:
        self.folder, self.port, self.tls = folder, free_port(), tls
        folder.mkdir(parents=True, exist_ok=True)
        self._process: subprocess.Popen[bytes] | None = None
        passwords = folder / "passwords"
        passwords.touch(mode=0o600)
        for user in (USER, NODE):
            subprocess.run(["mosquitto_passwd", "-b", str(passwords), user, PASSWORD], check=True)
        (folder / "acl").write_text(
            f"user {USER}\ntopic readwrite barn/#\ntopic write loosebox/#\nuser {NODE}\ntopic readwrite #\n"
        )
        if tls:
            self.make_certificates()
        self._write(passwords)

    def start(self) -> None:
        config = str(self.folder / "mosquitto.conf")
        log = (self.folder / "mosquitto.log").open("ab")
        self._process = subprocess.Popen(["/usr/sbin/mosquitto", "-c", config], stdout=log, stderr=log)
        log.close()
        until(self._listens, limit_s=10)

    def kill(self) -> None:
        """As by power loss."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Connections stay, nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def broker(self, password_file: Path | None = None, **changed: Any) -> Broker:
        """How a site file would name it."""
        fields: dict[str, Any] = {
            "host": "localhost",
            "port": self.port,
            "tls": self.tls,
            "ca_file": self.folder / "ca.crt" if self.tls else None,
            "user": USER,
            "password_file": password_file or self.secret(PASSWORD),
            "prefix": "loosebox",
        }
        return Broker(**(fields | changed))

    def secret(self, password: str) -> Path:
        path = self.folder / "secret"
        path.touch(mode=0o600)
        path.write_text(password + "\n")
        return path

    def make_certificates(self) -> None:
        """A certificate authority of our own and a certificate for localhost."""

        def openssl(*arguments: str) -> None:
            subprocess.run(["openssl", *arguments], cwd=self.folder, check=True, capture_output=True)

        curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
        openssl("req", "-x509", *curve, "-keyout", "ca.key", "-out", "ca.crt", "-days", "2", "-subj", "/CN=Test CA")
        openssl("req", *curve, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=localhost")
        (self.folder / "names").write_text("subjectAltName=DNS:localhost\n")
        openssl(
            "x509", "-req", "-in", "broker.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-out", "broker.crt", "-days", "2", "-extfile", "names",
        )  # fmt: skip

    def _write(self, passwords: Path) -> None:
        lines = [
            f"listener {self.port} 127.0.0.1",
            "user root" if os.getuid() == 0 else "",  # else it gives up its rights and cannot read this folder
            "allow_anonymous false",
            "max_queued_messages 0",  # else it drops what a slow listener of a test has not taken in
            f"password_file {passwords}",
            f"acl_file {self.folder / 'acl'}",
            "persistence false",
        ]
        if self.tls:
            lines += [
                f"{key} {self.folder / name}" for key, name in (("certfile", "broker.crt"), ("keyfile", "broker.key"))
            ]
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def _listens(self) -> bool:
        with socket.socket() as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0


class Far:
    """Another client of the broker: publishes as a node does, and keeps what it hears."""

    def __init__(self, broker: Mosquitto, *topics: str, client_id: str = "far") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.username_pw_set(NODE, PASSWORD)
        if broker.tls:
            self._client.tls_set(ca_certs=str(broker.folder / "ca.crt"))
        self._client.reconnect_delay_set(1, 1)
        ready = threading.Event()
        self._topics = topics
        self._client.on_connect = self._joined
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _, __, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.connect("localhost", broker.port, keepalive=10)
        self._client.loop_start()
        if topics:
            assert ready.wait(10)
        else:
            until(self._client.is_connected, limit_s=10)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> None:
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(5)

    def _joined(self, client: paho.Client, *_: Any) -> None:
        for topic in self._topics:
            client.subscribe(topic, 1)

    def payloads(self, topic: str) -> list[bytes]:
        return [payload for name, payload, _ in self.heard if name == topic]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class OwnBroker:
    """A listener whose every connection is served by `serve`, a script of the test. `joined` has each CONNECT."""

    def __init__(self, serve: Callable[[socket.socket, bytes], None]) -> None:
        self._serve = serve
        self.joined: list[bytes] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._open = True
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def broker(self) -> Broker:
        return Broker(
            host="127.0.0.1", port=self.port, tls=False, ca_file=None, user="", password_file=None, prefix="loosebox"
        )

    def close(self) -> None:
        self._open = False
        socket.create_connection(("127.0.0.1", self.port)).close()
        self._thread.join(5)
        self._server.close()

    def _run(self) -> None:
        while self._open:
            sock, _ = self._server.accept()
            with sock:
                sock.settimeout(5)
                try:
                    if connect := sock.recv(1024):
                        self.joined.append(connect)
                        self._serve(sock, connect)
                except OSError:
                    pass
