"""Owns: the thread of the sign of life: it beats while core moves, and is silent when it does not.

Must not know: how a beat travels, how often it is due.
How it works: what proves that core lives are its steps, not that the link is open. A core that is away, hangs, or is
stopped falls silent at the watcher, who then calls people himself.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import Protocol

from gateway.engine.clock import machine_s
from gateway.engine.snapshot import Snapshot

FRESH_S = 30.0
LOOK_EVERY_S = 1.0
HUNG_S = 120.0
END_S = 2.0


class Beating(Protocol):
    """Sends a sign of life when one is due; never raises."""

    def beat(self, now_s: float) -> object: ...


class Pace:
    """Whether core moves. Time is an argument."""

    def __init__(self) -> None:
        self._step: tuple[str, int] | None = None
        self._moved_s = -math.inf

    def is_fresh(self, snapshot: Snapshot | None, now_s: float) -> bool:
        step = None if snapshot is None else (snapshot.boot, snapshot.steps)
        if step is not None and step != self._step:
            if self._step is not None:  # the first may have lain there for hours
                self._moved_s = now_s
            self._step = step
        return now_s - self._moved_s < FRESH_S


class HeartBeats:
    """`newest` gives core's newest snapshot, None while it is away."""

    def __init__(self, heart: Beating, newest: Callable[[], Snapshot | None]) -> None:
        self._heart, self._newest, self._pace = heart, newest, Pace()
        self._ended = threading.Event()
        self._due_s = math.inf
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self._due_s = machine_s()
        self._thread.start()

    def hung_s(self) -> float:
        """For how long the thread has not shown itself although it should have; 0 while all is well."""
        late_s = machine_s() - self._due_s - HUNG_S
        return max(0.0, late_s) if self._thread.is_alive() else math.inf

    def close(self) -> None:
        """End the thread; idempotent."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(END_S)

    def _run(self) -> None:
        while not self._ended.is_set():
            self._due_s = now_s = machine_s()
            if self._pace.is_fresh(self._newest(), now_s):
                self._heart.beat(now_s)
            self._ended.wait(LOOK_EVERY_S)
