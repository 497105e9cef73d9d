"""Owns: one worker thread per bus, and the knowledge of whether it still answers.

Must not know: what is on the bus, what the answers mean.
How it works:

    step thread   submit(job) ------------------------------> next tick
    bus thread                 [job.work()] -> job.done(...)   [next job]

Blocking calls live in these threads only. A job that could not begin before its deadline is answered with
BusTimeout instead of being run late. A job that hangs makes the bus `stuck`: a visible state that delays no other
bus and not the step. Commands go before polls.
"""

from __future__ import annotations

import contextlib
import itertools
import logging
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from gateway.engine.clock import machine_s
from gateway.errors import BusTimeout, GatewayError

log = logging.getLogger(__name__)

MOST_WAITING = 64  # far more than the sensors of one line; a longer queue would only hold old wishes
STUCK_AFTER_S = 10.0  # no exchange of ours may take this long


@dataclass(order=True, slots=True)
class _Job:
    rank: tuple[int, int]
    work: Callable[[], Any] = field(compare=False)
    done: Callable[[Any], None] = field(compare=False)
    begin_by_s: float = field(compare=False)


class Bus:
    """A bus and its thread. `close` ends the thread after the job at hand."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._jobs: queue.PriorityQueue[_Job] = queue.PriorityQueue(MOST_WAITING)
        self._count = itertools.count()
        self._busy_since_s: float | None = None
        self._open = True
        self._thread = threading.Thread(target=self._run, name=f"bus-{name}", daemon=True)
        self._thread.start()

    def submit(
        self, work: Callable[[], Any], done: Callable[[Any], None], *, begin_within_s: float, urgent: bool = False
    ) -> bool:
        """Queue `work`; `done` gets its result or the GatewayError, in the bus thread. False when the queue is full."""
        rank = (0 if urgent else 1, next(self._count))
        try:
            self._jobs.put_nowait(_Job(rank, work, done, machine_s() + begin_within_s))
        except queue.Full:
            return False
        return True

    def stuck_s(self) -> float:
        """For how long the job at hand has been hanging beyond all measure; 0 when it is not."""
        since_s = self._busy_since_s
        if since_s is None:
            return 0.0
        busy_s = machine_s() - since_s
        return busy_s if busy_s > STUCK_AFTER_S else 0.0

    def close(self, wait_s: float) -> bool:
        """True when the thread has ended within `wait_s`. What still waits in the queue is not run."""
        self._open = False
        with contextlib.suppress(queue.Full):  # a full queue wakes the thread as well
            self._jobs.put_nowait(_Job((2, 0), lambda: None, lambda _: None, machine_s() + wait_s))
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            job = self._jobs.get()
            if not self._open:  # close() has put a last job to wake us
                return
            self._busy_since_s = machine_s()
            job.done(self._result(job))
            self._busy_since_s = None

    def _result(self, job: _Job) -> Any:
        late_s = machine_s() - job.begin_by_s
        if late_s > 0:
            return BusTimeout(f"bus {self.name} was busy", late_s)
        try:
            return job.work()
        except GatewayError as error:
            return error
        except Exception as error:
            # A defect in a driver must cost one reading, not the bus thread and with it every device behind it.
            log.exception("defect in a driver on bus %s", self.name)
            return GatewayError(f"defect in a driver: {error!r}")
