"""Owns: the threads that carry the history, one for each destination, and when they begin.

Must not know: what the destinations are, the history's file.
How it works: nothing begins before the history can be read, because its name says which cursors count. `tick` is
called every second: it begins, and later looks whether the history is still the same file and every thread still shows
itself. When not, only a new start helps, and it says so.
"""

from __future__ import annotations

import contextlib
import logging
import math
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.uplink.claim import claimed
from gateway.uplink.ledger import Ledger
from gateway.uplink.stream import Destination, Outbox, Standing, Stream

log = logging.getLogger(__name__)

HUNG_S = 120.0  # a request may take 40 s, half an answer 30 more
SAME_EVERY_S = 30.0
END_S = 3.0


class NamedOutbox(Outbox, Protocol):
    """`identity` is another one when the file was replaced. Raises GatewayError when there is none yet."""

    def identity(self) -> str: ...


class Carrier:
    """`mono_s` is the clock of the history's rows."""

    def __init__(
        self, outbox: NamedOutbox, cursors: Path, destinations: Sequence[Destination], *, mono_s: Callable[[], float]
    ) -> None:
        self._outbox, self._cursors, self._destinations = outbox, cursors, tuple(destinations)
        self._mono_s = mono_s
        self._identity = self._said = ""
        self._runs: list[_Run] = []
        self._held = contextlib.ExitStack()  # the claim on the cursors
        self._looked_s = -math.inf

    def tick(self) -> None:
        """Begin, or look after what has begun. Raises GatewayError when only a new start helps."""
        if machine_s() - self._looked_s >= (SAME_EVERY_S if self._identity else 1.0):
            self._looked_s = machine_s()
            self._look()
        for run in self._runs:
            if run.hung_s() > 0:
                raise GatewayError(f"uplink: the thread of {run.name} hangs; ending, to be started anew")

    def standings(self) -> tuple[Standing, ...]:
        """How each stream does; empty before the beginning."""
        return tuple(run.stream.standing() for run in self._runs)

    def close(self) -> None:
        """End all threads; idempotent."""
        for run in self._runs:
            run.end()
        for run in self._runs:
            run.join()
        self._runs = []
        self._held.close()

    def _look(self) -> None:
        try:
            identity = self._outbox.identity()
            if not self._identity:
                self._begin(identity)
        except GatewayError as error:
            self._say(str(error))
            return
        if identity != self._identity:
            raise GatewayError("uplink: the history is another file now; ending, to be started anew")

    def _say(self, why: str) -> None:
        if why != self._said:
            log.warning("streams: %s", why)
        self._said = why

    def _begin(self, identity: str) -> None:
        names = [to.name for to in self._destinations]
        with contextlib.ExitStack() as stack:
            stack.enter_context(claimed(self._cursors))
            ledger = Ledger(self._cursors, names, history=identity, clock=machine_s)
            self._held = stack.pop_all()
        self._identity = identity
        for to in self._destinations:
            stream = Stream(self._outbox, ledger, to, clock=machine_s, mono_s=self._mono_s)
            self._runs.append(_Run(to.name, stream))


class _Run:
    """One stream and its thread."""

    def __init__(self, name: str, stream: Stream) -> None:
        self.name, self.stream = name, stream
        self._ended = threading.Event()
        self._due_s = machine_s()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def hung_s(self) -> float:
        """For how long the thread has not shown itself although it should have; 0 while all is well."""
        late_s = machine_s() - self._due_s - HUNG_S
        return max(0.0, late_s) if self._thread.is_alive() else math.inf

    def end(self) -> None:
        self._ended.set()

    def join(self) -> None:
        if self._thread.is_alive():
            self._thread.join(END_S)

    def _run(self) -> None:
        while not self._ended.is_set():
            self._due_s = machine_s()
            wait_s = self.stream.turn()
            self._due_s = machine_s() + wait_s
            self._ended.wait(wait_s)
        self.stream.close()
