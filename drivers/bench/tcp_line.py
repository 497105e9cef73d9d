"""Owns: an emulated Modbus TCP device or gateway: its port on this machine, its connections, its header.

Must not know: drivers.modbus_frame, against which it is an independent second writing; what the units behind it are.
How it works: one thread waits on the port and on every connection. A request is answered in the order in which it
came, after the time that a device thinks. It listens only on the loopback address. `vanish` closes the port and cuts
every connection, which is what a device without power looks like to a client on the same machine.
Rules: "MODBUS Messaging on TCP/IP Implementation Guide V1.0b" (2006), section 3.
"""

from __future__ import annotations

import ipaddress
import logging
import selectors
import socket
import struct
import threading
from collections.abc import Callable, Mapping
from typing import Final

from drivers.bench.faults import TARGET_SILENT, Values
from drivers.bench.rtu import Reply, Request
from gateway.barn import BusSpec
from gateway.errors import SiteError

_log = logging.getLogger(__name__)

_TICK_S: Final = 0.05  # how soon the thread notices that it shall end or vanish
_RETRY_S: Final = 1.0
_HEADER: Final = struct.Struct(">HHHB")
_LENGTH_COUNTS_FROM: Final = 6
_LONGEST: Final = 254  # unit and PDU
_SILENT_TARGET_CODE: Final = 11


class TcpLine:
    """A port that answers. `turn_around_s` is how long a device thinks."""

    def __init__(self, bus: BusSpec, reply: Callable[[Request], Reply | None], *, turn_around_s: float) -> None:
        self._at = (str(bus.options["host"]), int(bus.options["tcp_port"]))
        self._name, self._reply, self._turn_around_s = bus.name, reply, turn_around_s
        self._selector = selectors.DefaultSelector()
        self._heard: dict[socket.socket, bytes] = {}
        self._listener: socket.socket | None = None
        self._ended, self._vanished = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bench line {bus.name}", daemon=True)

    def start(self) -> None:
        """The port is open when this returns. Raises SiteError when it is taken or not of this machine alone."""
        if not _is_loopback(self._at[0]):
            raise SiteError((f"{self._name}: host {self._at[0]}; the bench listens only on 127.0.0.1",))
        try:
            self._open()
        except OSError as error:
            raise SiteError((f"{self._name}: port {self._at[1]} of the bench cannot be opened: {error}",)) from error
        self._thread.start()

    def close(self) -> None:
        """Idempotent; waits for the thread."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        self._shut()
        self._selector.close()

    def tick(self, values: Mapping[str, Values], faults: Mapping[str, str], now_s: float) -> None:
        """Nothing to do: units speak when they are asked."""

    def vanish(self) -> None:
        self._vanished.set()

    def appear(self) -> None:
        self._vanished.clear()

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                self._turn()
            except OSError as error:
                _log.warning("bench line %s: %s", self._name, error)
                self._shut()
                self._ended.wait(_RETRY_S)

    def _turn(self) -> None:
        if self._vanished.is_set():
            self._shut()
            self._ended.wait(_TICK_S)
            return
        if self._listener is None:
            self._open()
        for key, _ in self._selector.select(_TICK_S):
            assert isinstance(key.fileobj, socket.socket)  # nothing else was registered
            if key.fileobj is self._listener:
                self._accept(key.fileobj)
            else:
                self._hear(key.fileobj)

    def _accept(self, listener: socket.socket) -> None:
        link, _ = listener.accept()
        link.setblocking(False)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._heard[link] = b""
        self._selector.register(link, selectors.EVENT_READ)

    def _hear(self, link: socket.socket) -> None:
        try:
            data = link.recv(4096)
            heard = self._heard[link] + data
            while data and (size := _whole(heard)):
                self._answer(link, heard[:size])
                heard = heard[size:]
            self._heard[link] = heard
        except (OSError, ValueError):  # the client went away, does not listen, or speaks something else
            data = b""
        if not data:
            self._drop(link)

    def _answer(self, link: socket.socket, frame: bytes) -> None:
        transaction, _, _, unit = _HEADER.unpack(frame[: _HEADER.size])
        reply = self._reply(Request(unit=unit, pdu=frame[_HEADER.size :]))
        answer = framed(transaction, reply) if reply else None
        if answer is not None and not self._ended.wait(self._turn_around_s):
            link.send(answer)

    def _open(self) -> None:
        listener = socket.create_server(self._at)
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ)
        self._listener = listener

    def _shut(self) -> None:
        for link in list(self._heard):
            self._drop(link)
        if self._listener is not None:
            self._selector.unregister(self._listener)
            self._listener.close()
            self._listener = None

    def _drop(self, link: socket.socket) -> None:
        del self._heard[link]
        self._selector.unregister(link)
        link.close()


def framed(transaction: int, reply: Reply) -> bytes | None:
    """A reply with its header; None is silence. A torn one is cut or belongs to another request, in turn."""
    unit, pdu = reply.unit, reply.pdu
    if reply.fault == "silence":
        return None
    if reply.fault == TARGET_SILENT:
        pdu = bytes((pdu[0] | 0x80, _SILENT_TARGET_CODE))
    if reply.fault == "foreign":
        unit ^= 0x5A
    if reply.fault == "torn" and reply.turn % 2:
        transaction ^= 0x00FF
    frame = _HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu
    return frame[:-1] if reply.fault == "torn" and not reply.turn % 2 else frame


def _whole(heard: bytes) -> int:
    """How many bytes the first request in `heard` has, 0 while it is not all there. Raises ValueError for noise."""
    if len(heard) < _HEADER.size + 1:
        return 0
    _, protocol, length, _ = _HEADER.unpack(heard[: _HEADER.size])
    if protocol != 0 or not 2 <= length <= _LONGEST:
        raise ValueError("no Modbus header")
    size = _LENGTH_COUNTS_FROM + int(length)
    return size if len(heard) >= size else 0


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
