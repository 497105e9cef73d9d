"""Owns: one emulated serial line of devices that answer, and the thread that serves it.

Must not know: what the devices on the line are; they are one function from request to reply.
How it works: the thread waits for bytes with a short deadline; a deadline without bytes is the silence between two
frames. `vanish` shuts the port as a pulled USB adapter does, `appear` opens a new one under the old link.
"""

from __future__ import annotations

import logging
import os
import select
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from drivers.bench.faults import Values
from drivers.bench.pseudo_port import PseudoPort
from drivers.bench.rtu import Ear, Reply, Request, framed
from gateway.errors import SiteError

_log = logging.getLogger(__name__)

_GAP_S: Final = 0.02  # silence that ends a frame; longer than 3.5 characters because a busy computer stutters
_RETRY_S: Final = 1.0


class Line:
    """A line that answers. `turn_around_s` is how long a device thinks."""

    def __init__(self, link: Path, reply: Callable[[Request], Reply | None], *, turn_around_s: float) -> None:
        self._name, self._reply, self._turn_around_s = str(link), reply, turn_around_s
        self._port = PseudoPort(link)
        self._ear = Ear()
        self._ended = threading.Event()
        self._vanished = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bench line {link.name}", daemon=True)

    def start(self) -> None:
        """The link is there when this returns. Raises SiteError when something real has its place."""
        self._port.open()
        self._thread.start()

    def close(self) -> None:
        """Idempotent; waits for the thread."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        self._port.shut()

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
            except (OSError, SiteError) as error:
                _log.warning("bench line %s: %s", self._name, error)
                self._port.shut()
                self._ended.wait(_RETRY_S)

    def _turn(self) -> None:
        if self._vanished.is_set():
            self._port.shut()
            self._ended.wait(_GAP_S)
            return
        if not self._port.is_open:
            self._port.open()
        ready, _, _ = select.select([self._port.near], [], [], _GAP_S)
        for request in self._ear.feed(os.read(self._port.near, 512)) if ready else self._ear.gap():
            reply = self._reply(request)
            frame = framed(reply) if reply else None
            if frame is not None and not self._ended.wait(self._turn_around_s):
                self._port.send(frame)
