"""Owns: the tick: gather, step, record, act, publish, feed the watchdog.

Must not know: drivers, SQL, sockets.
How it works: once a barn second. Nothing in a tick blocks: reads and commands are posted to bus threads, events to
the writer, snapshots to the link. Ticks that were missed (a stopped process, a suspended board) are counted and not
made up for. The watchdog is fed at the very end of a whole tick, and not while a bus has been stuck for minutes.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from gateway.barn import Barn
from gateway.engine.actuate import Actuation
from gateway.engine.bus import Bus
from gateway.engine.clock import local_time, machine_s
from gateway.engine.poller import Poller
from gateway.engine.snapshot import Snapshot
from gateway.engine.step import StepInputs, StepResult, StepState, step
from gateway.engine.troubles import Trouble
from gateway.model import AlarmChange, CommandChange, Event, FaultChange, HandChange, LevelChange, Stamp
from gateway.ports import Clock, Recorder

log = logging.getLogger(__name__)

TICK_S = 1.0
BEAT_EVERY_S = 10.0
RESTART_WHEN_STUCK_S = 300.0  # a bus thread that hangs this long comes back only with a new process


class Loop:
    """The heart of core. `around` tells what is wrong beside devices and history, as last seen: it must not wait."""

    def __init__(
        self, barn: Barn, state: StepState, *, clock: Clock, poller: Poller, actuation: Actuation,
        buses: Sequence[Bus], recorder: Recorder, publish: Callable[[Snapshot], None],
        feed: Callable[[str], None], around: Callable[[], Iterable[Trouble]] = tuple, emulated: bool = False,
    ) -> None:  # fmt: skip
        self._barn, self._state, self._clock = barn, state, clock
        self._poller, self._actuation, self._buses = poller, actuation, buses
        self._recorder, self._publish, self._feed = recorder, publish, feed
        self._around, self._emulated = around, emulated
        self._asked: deque[HandChange] = deque()  # appended by the link's thread, emptied by the step's
        self._filed: deque[AlarmChange] = deque()
        self._order = threading.Lock()  # what is filed stands in the journal where the step finds it
        self._newest: Snapshot | None = None
        self._late = 0
        self._beat_s = float("-inf")

    @property
    def state(self) -> StepState:
        """The state after the newest step."""
        return self._state

    @property
    def newest(self) -> Snapshot | None:
        """The snapshot of the newest step."""
        return self._newest

    def take(self, change: HandChange) -> None:
        """What a person asked for; the next step acts on it. May be called by any thread."""
        self._asked.append(change)

    def file(self, change: AlarmChange) -> None:
        """What a person did to an alarm: into the journal, and into the next step. May be called by any thread."""
        with self._order:
            self._recorder.events((change,))
            self._filed.append(change)

    def run(self, stop: threading.Event) -> None:
        """Tick until `stop` is set."""
        next_s = self._clock.now_s()
        while not stop.is_set():
            now_s = self._clock.now_s()
            if now_s < next_s:
                stop.wait(self._clock.real_s(next_s - now_s))
                continue
            missed = int((now_s - next_s) // TICK_S)
            self._late += missed
            next_s += (missed + 1) * TICK_S
            self.tick()

    def tick(self) -> None:
        """One whole step, from the newest readings to the fed watchdog."""
        stamp = self._clock.stamp()
        now_s = stamp.mono_s
        self._poller.due(now_s)
        with self._order:
            result = self._step(stamp, now_s)
            self._state = result.state
            if result.events:
                self._recorder.events(result.events)
        for event in result.events:
            log.info("%s", sentence(event))
        self._actuation.apply((*result.commands, *result.signals), now_s)
        if now_s - self._beat_s >= BEAT_EVERY_S:
            self._beat_s = now_s
            self._recorder.beat(result.state.steps, self._late, stamp)
        self._newest = result.snapshot
        self._publish(result.snapshot)
        if all(bus.stuck_s() < RESTART_WHEN_STUCK_S for bus in self._buses):
            self._feed(f"step {result.state.steps}, {len(result.snapshot.faults)} faults")

    def _step(self, stamp: Stamp, now_s: float) -> StepResult:
        minute, day = local_time(stamp, self._barn.zone) or (None, None)
        inputs = StepInputs(
            latest=self._poller.latest(),
            seen=self._actuation.seen(),
            stamp=stamp,
            troubles=self._troubles(),
            emulated=self._emulated,
            minute=minute,
            day=day,
            asked=tuple(self._asked.popleft() for _ in range(len(self._asked))),
            filed=tuple(self._filed.popleft() for _ in range(len(self._filed))),
        )
        began_s = machine_s()
        result = step(self._barn, self._state, inputs, now_s)
        return replace(result, snapshot=replace(result.snapshot, step_s=machine_s() - began_s))

    def _troubles(self) -> tuple[Trouble, ...]:
        found = [
            Trouble(subject=bus.name, code="bus-stuck", text=f"bus {bus.name} has been hanging since {stuck_s:.0f} s")
            for bus in self._buses
            if (stuck_s := bus.stuck_s()) > 0
        ]
        for code, text in self._recorder.troubles().items():
            found.append(Trouble(subject=code.partition("-")[0], code=code, text=text))
        return (*found, *self._around())


def sentence(event: Event) -> str:
    """One line for the log."""
    match event:
        case LevelChange(place=place, before=before, after=after, reason=reason):
            return f"{place}: level {before} -> {after} ({reason.text})"
        case CommandChange(kit=kit, on=on, reasons=reasons):
            return f"{kit}: {'on' if on else 'off'} ({'; '.join(r.text for r in reasons)})"
        case HandChange(subject=subject, kind=kind, by=by, why=why):
            return f"{subject}: {kind} by hand, {by}" + (f" ({why})" if why else "")
        case AlarmChange(alarm=alarm, what=what, by=by, why=why):
            return f"alarm {alarm}: {what}" + (f" by {by}" if by else "") + (f" ({why})" if why else "")
        case FaultChange(subject=subject, code=code, text=text, active=active):
            return f"{subject}: {code} {'began' if active else 'ended'} ({text})"
