"""Owns: carrying out commands: when they are sent, sent again, and read back.

Must not know: why a command was made.
How it works: each command goes to the bus thread of its relay as one job, "set, then read back". It is sent at once
when it differs from what was sent last, and again every `refresh_s` when it does not, which feeds the relay's own
watchdog. A failed one is tried again at the next tick. Water goes off first, then fans off, fans on, water on, signals
last: no order of failures leaves water without air.
"""

from __future__ import annotations

import functools
import logging
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from gateway.barn import SignalSpec, Switched
from gateway.engine.bus import Bus
from gateway.errors import GatewayError
from gateway.model import Command, KitKind, KitSeen
from gateway.ports import Actuator, Clock

log = logging.getLogger(__name__)

BEGIN_WITHIN_S = 2.0
TRIES_BEFORE_A_WORD = 3  # one torn frame is no news; the next tick sends again


@dataclass(slots=True)
class _Item:
    spec: Switched
    actuator: Actuator
    bus: Bus
    refresh_s: float
    sent: tuple[bool, float] | None = None
    next_s: float = 0.0
    asked: bool = False
    failures: int = 0


class Actuation:
    """All kit and all signals of a barn."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._items: dict[str, _Item] = {}
        self._lock = threading.Lock()  # guards _seen, which bus threads write and the step thread copies
        self._seen: dict[str, KitSeen] = {}

    def add(self, spec: Switched, actuator: Actuator, bus: Bus, refresh_s: float) -> None:
        self._items[spec.name] = _Item(spec, actuator, bus, refresh_s)

    def apply(self, commands: Iterable[Command], now_s: float) -> None:
        """Post what must be sent now. Never blocks."""
        for command in sorted(commands, key=self._safe_order):
            item = self._items[command.kit]
            wanted = (command.on, command.speed)
            if item.asked or (wanted == item.sent and now_s < item.next_s):
                continue
            item.next_s = now_s + item.refresh_s
            item.sent, item.asked = wanted, True  # before the thread can answer
            work = functools.partial(_set_and_look, item.actuator, *wanted)
            done = functools.partial(self._answer, item)
            if not item.bus.submit(work, done, begin_within_s=BEGIN_WITHIN_S, urgent=True):
                item.sent, item.asked = None, False

    def seen(self) -> Mapping[str, KitSeen]:
        """A copy of what the hardware shows, by kit."""
        with self._lock:
            return dict(self._seen)

    def close(self) -> None:
        """Leave every output safe. Call after the buses have ended; blocks for one exchange per item at most."""
        for item in self._items.values():
            item.actuator.close()

    def _safe_order(self, command: Command) -> int:
        spec = self._items[command.kit].spec
        if isinstance(spec, SignalSpec):
            return 4
        water = spec.kind is not KitKind.FAN
        return {(True, False): 0, (False, False): 1, (False, True): 2, (True, True): 3}[water, command.on]

    def _answer(self, item: _Item, got: Any) -> None:
        """In the bus thread: what the relay shows, or the error."""
        at_s = self._clock.now_s()
        if isinstance(got, GatewayError):
            item.failures += 1
            item.sent = None  # unknown: send again at the next tick
            error = str(got) if item.failures >= TRIES_BEFORE_A_WORD else ""
            if item.failures == TRIES_BEFORE_A_WORD:
                log.warning("%s cannot be switched: %s", item.spec.name, error)
            seen = KitSeen(on=None, at_s=at_s, error=error)
        else:
            if item.failures >= TRIES_BEFORE_A_WORD:
                log.info("%s can be switched again", item.spec.name)
            item.failures = 0
            seen = KitSeen(on=got, at_s=at_s)
        with self._lock:
            self._seen[item.spec.name] = seen
        item.asked = False


def _set_and_look(actuator: Actuator, on: bool, speed: float) -> bool | None:
    actuator.set(on, speed)
    return actuator.readback()
