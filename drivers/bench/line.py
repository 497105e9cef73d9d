"""Owns: one emulated serial line: a pseudo-terminal, the link that names it, and the thread that serves it.

Must not know: what the devices on the line are; they are one function from request to reply.
How it works: the thread waits for bytes with a short deadline; a deadline without bytes is the silence between two
frames. Our own hold on the far end keeps the line alive while no driver has it open. `vanish` closes both
ends, which is what a pulled USB adapter looks like, and `appear` makes a new pseudo-terminal under the old link.
"""

from __future__ import annotations

import logging
import os
import select
import threading
import tty
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from drivers.bench.faults import Values
from drivers.bench.rtu import Ear, Reply, Request, framed
from gateway.errors import SiteError

_log = logging.getLogger(__name__)

_GAP_S: Final = 0.02  # silence that ends a frame; longer than 3.5 characters because a busy computer stutters
_RETRY_S: Final = 1.0
_PSEUDO_TERMINALS: Final = Path("/dev/pts")


class Line:
    """A line that answers. `turn_around_s` is how long a device thinks."""

    def __init__(self, link: Path, reply: Callable[[Request], Reply | None], *, turn_around_s: float) -> None:
        self._link, self._reply, self._turn_around_s = link, reply, turn_around_s
        self._ear = Ear()
        self._near = self._far = -1
        self._name = ""
        self._ended = threading.Event()
        self._vanished = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bench line {link.name}", daemon=True)

    def start(self) -> None:
        """The link is there when this returns. Raises SiteError when something real has its place."""
        self._open()
        self._thread.start()

    def close(self) -> None:
        """Idempotent; waits for the thread."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        self._shut()

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
                _log.warning("bench line %s: %s", self._link, error)
                self._shut()
                self._ended.wait(_RETRY_S)

    def _turn(self) -> None:
        if self._vanished.is_set():
            self._shut()
            self._ended.wait(_GAP_S)
            return
        if self._near < 0:
            self._open()
        ready, _, _ = select.select([self._near], [], [], _GAP_S)
        for request in self._ear.feed(os.read(self._near, 512)) if ready else self._ear.gap():
            reply = self._reply(request)
            frame = framed(reply) if reply else None
            if frame is not None and not self._ended.wait(self._turn_around_s):
                self._send(frame)

    def _send(self, frame: bytes) -> None:
        with suppress(BlockingIOError):  # a master that does not listen misses the answer
            os.write(self._near, frame)

    def _open(self) -> None:
        _refuse_real(self._link)
        self._near, self._far = os.openpty()
        os.set_blocking(self._near, False)
        tty.setraw(self._far)
        self._name = os.ttyname(self._far)
        self._link.parent.mkdir(parents=True, exist_ok=True)
        fresh = self._link.with_name(f".{self._link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._name)
        fresh.replace(self._link)

    def _shut(self) -> None:
        if self._near < 0:
            return
        with suppress(OSError):
            if self._link.is_symlink() and os.readlink(self._link) == self._name:
                self._link.unlink()
        for end in (self._near, self._far):
            os.close(end)
        self._near = self._far = -1


def _refuse_real(link: Path) -> None:
    """A site file of a real barn names real ports; the bench must not put itself in their place."""
    if link.is_symlink():
        target = link.resolve()
        if target.exists() and target.parent != _PSEUDO_TERMINALS:
            raise SiteError((f"{link}: leads to {target}, a real port; the bench takes only a path that is free",))
    elif link.exists():
        raise SiteError((f"{link}: is not a link of a bench; the bench takes only a path that is free",))
