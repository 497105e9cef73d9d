"""Owns: uplink's end of the link: what the broker delivers goes to core, what core tells goes to the broker.

Must not know: devices, how the broker is reached, what a message means.
How it works: one thread with one socket. Of each topic only the newest message waits for core, with the moment at
which it was heard: a flood, or a core that is away, costs no memory and brings nothing old. Messages go out in
batches, a few per second at most, so that a flood does not reach core. A command that cannot be published at once is
dropped: its relay sees no confirmation and asks anew.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import select
import socket
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from gateway.engine.clock import machine_s
from gateway.engine.link import RETRY_S
from gateway.engine.link_words import (
    LONGEST_FROM_CORE,
    LONGEST_PAYLOAD,
    AtBroker,
    Heard,
    OutsideTrouble,
    broker_line,
    heard_line,
    line,
    listen_from,
    tell_from,
    troubles_line,
    words,
)
from gateway.engine.snapshot import Snapshot, from_json
from gateway.errors import LinkError
from gateway.uplink.mqtt import Parcel
from gateway.uplink.session import Message

log = logging.getLogger(__name__)

BATCH_EVERY_S = 0.05
TURN_S = 0.5
SEND_S = 5.0
END_S = 2.0
HUNG_S = 30.0


class Courier:
    """`publish` takes what core tells, `listen` the topics that core wants."""

    def __init__(
        self, path: Path, *, publish: Callable[[Parcel], bool], listen: Callable[[tuple[str, ...]], None]
    ) -> None:
        self._path, self._publish, self._listen = path, publish, listen
        self._lock = threading.Lock()  # guards the five below, which other threads write too
        self._troubles: bytes = b""  # the line that is to be sent; empty once it was
        self._wanted: frozenset[str] = frozenset()
        self._waiting: dict[str, Heard] = {}
        self._state = AtBroker(up=False, why="the broker has not been reached yet")
        self._state_told = True
        self._oversized: set[str] = set()
        self.newest: Snapshot | None = None  # of core, None while it is away
        self._due_s = math.inf
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)

    def start(self) -> None:
        self._due_s = machine_s()
        self._thread.start()

    # --- the broker's thread

    def take(self, message: Message) -> None:
        """Keep a message for core, in place of an older one of its topic."""
        if len(message.payload) > LONGEST_PAYLOAD:
            return self._too_long(message)
        heard = Heard(topic=message.topic, payload=message.payload, retained=message.retained, at_s=machine_s())
        with self._lock:
            waiting = self._waiting.get(heard.topic)
            if heard.topic not in self._wanted or (heard.retained and waiting is not None and not waiting.retained):
                return
            self._waiting[heard.topic] = heard
        self._wake()

    def broker(self, up: bool, why: str) -> None:
        """The broker has been reached, or lost."""
        with self._lock:
            self._state, self._state_told = AtBroker(up=up, why=why), False
        self._wake()

    # --- anyone

    def troubles(self, troubles: Sequence[OutsideTrouble]) -> None:
        """Tell core all that is wrong out here; an empty list says that we live. To be called every few seconds."""
        with self._lock:
            self._troubles = troubles_line(troubles)
        self._wake()

    def hung_s(self) -> float:
        """For how long the thread has not shown itself although it should have; 0 while all is well."""
        late_s = machine_s() - self._due_s - HUNG_S
        return max(0.0, late_s) if self._thread.is_alive() else math.inf

    def close(self) -> None:
        """End the thread; idempotent."""
        self._ended.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(END_S)
        if not self._thread.is_alive():
            self._wake_in.close()
            self._wake_out.close()

    # --- the thread

    def _run(self) -> None:
        while not self._ended.is_set():
            self._due_s = machine_s()
            try:
                self._one_link()
            except LinkError as error:
                log.error("link: %s", error)  # said again at every try: only a person can help
            except OSError as error:
                log.debug("link: %s", error)
            except Exception:
                log.exception("link: defect; it is begun anew")
            self.newest = None
            self._ended.wait(RETRY_S)

    def _one_link(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
            sock.settimeout(SEND_S)
            sock.connect(str(self._path))
            sock.sendall(line(hello="uplink"))
            with self._lock:
                self._state_told = False
            heard = b""
            batch_s = -math.inf
            while not self._ended.is_set():
                self._due_s = machine_s()
                wait_s = max(0.0, batch_s + BATCH_EVERY_S - machine_s())
                readable, _, _ = select.select([sock, self._wake_in], [], [], wait_s if self._has_news() else TURN_S)
                if self._wake_in in readable:
                    with contextlib.suppress(BlockingIOError):
                        self._wake_in.recv(4096)
                if sock in readable:
                    heard = self._hear(heard + _received(sock))
                if self._has_news() and machine_s() >= batch_s + BATCH_EVERY_S:
                    batch_s = machine_s()
                    sock.sendall(self._news())

    def _has_news(self) -> bool:
        with self._lock:
            return bool(self._waiting or self._troubles) or not self._state_told

    def _news(self) -> bytes:
        with self._lock:
            waiting, self._waiting = self._waiting, {}
            state = None if self._state_told else broker_line(self._state)
            self._state_told = True
            troubles, self._troubles = self._troubles, b""
        return (state or b"") + troubles + b"".join(heard_line(heard) for heard in waiting.values())

    def _hear(self, received: bytes) -> bytes:
        """Take the whole lines; returns the rest."""
        *lines, rest = received.split(b"\n")
        if len(rest) > LONGEST_FROM_CORE:
            raise LinkError("core sends a line without end")
        for raw in lines:
            self._obey(words(raw))
        return rest

    def _obey(self, said: dict[str, Any]) -> None:
        if "refused" in said:
            raise LinkError(f"core refuses the link: {said['refused']}")
        if "snapshot" in said:
            self.newest = from_json(said["snapshot"])
        elif "listen" in said:
            topics = listen_from(said["listen"])
            with self._lock:
                self._wanted = frozenset(topics)
            self._listen(topics)
        elif "tell" in said:
            tell = tell_from(said["tell"])
            if machine_s() >= tell.by_s:
                log.warning("link: a message for %s came too late and is dropped", tell.topic)
            else:
                self._publish(Parcel(topic=tell.topic, payload=tell.payload, by_s=tell.by_s))

    def _too_long(self, message: Message) -> None:
        if message.topic in self._wanted and message.topic not in self._oversized:
            self._oversized.add(message.topic)
            size = len(message.payload)
            log.warning("%s: a message of %d bytes is refused, at most %d count", message.topic, size, LONGEST_PAYLOAD)

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_out.send(b".")


def state_of(courier: Courier, *, here: bool, since_s: float) -> bytes:
    """What the broker shall keep of this gateway. `time` is core's, of its newest step; null when core is away."""
    newest = courier.newest if here else None
    return json.dumps(
        {
            "state": "here" if here else "gone",
            "since": round(since_s, 3),
            "barn": None if newest is None else newest.barn,
            "time": None if newest is None else round(newest.wall_s, 3),
            "time_trusted": None if newest is None else newest.clock_trusted,
        }
    ).encode()


def _received(sock: socket.socket) -> bytes:
    got = sock.recv(65_536)
    if not got:
        raise ConnectionError("core closed the link")
    return got
