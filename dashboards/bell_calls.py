"""Owns: what the bell list says of messages: whom the gateway told, what came of it, tries, and the weekly test.

Must not know: HTML, who looks, how a message travels.
How it works: `Told` keeps the newest messages and asks for them again when they are old, in a thread, since that reads
a file. A try belongs to its messages by its number, which no two tries share.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from dashboards.alarm_text import when_text
from dashboards.calls import Calls, CallSeen
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot
from gateway.errors import GatewayError

log = logging.getLogger(__name__)

FRESH_S = 2.0
ASKED, SHOWN = 60, 6
WEEK_S = 7 * 86_400.0
TEST_KIND = "alarm.test"
STATES = ("delivered", "pending", "given-up")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One message by one way. `state` is drawn; `why` is what the far end said, in its own words."""

    contact: str
    way: str
    kind: str
    state: str
    says: str
    subject: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody to be called, with the newest try. `waits`: no way has answered yet."""

    name: str
    tried: str
    waits: bool
    ways: tuple[Sent, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """When the newest weekly test was, and whether one is due."""

    last: str
    due: bool


class Told:
    """Belongs to the event loop. `clock` gives monotonic seconds; without `calls` there is never anything."""

    def __init__(self, calls: Calls | None, clock: Callable[[], float], fresh_s: float = FRESH_S) -> None:
        self._calls, self._clock, self._fresh_s = calls, clock, fresh_s
        self._asked_s: float | None = None
        self._asking = asyncio.Lock()
        self.there, self.readable = calls is not None, True
        self.newest: tuple[CallSeen, ...] = ()

    async def refresh(self) -> None:
        """Ask again when what is known is old. Whoever comes meanwhile goes on with what there is."""
        old = self._asked_s is None or self._clock() - self._asked_s >= self._fresh_s
        if self._calls is None or not old or self._asking.locked():
            return
        async with self._asking:
            try:
                self.newest, self.readable = await asyncio.to_thread(self._calls.latest, ASKED), True
            except GatewayError as error:
                self.newest, self.readable = (), False
                log.warning("messages to people: %s", error)
            self._asked_s = self._clock()


def sent_of(calls: Sequence[CallSeen], snapshot: Snapshot, words: Words) -> tuple[Sent, ...]:
    """The newest messages; tries stand beside the people."""
    return tuple(_sent(call, snapshot, words) for call in calls if call.kind != TEST_KIND)[:SHOWN]


def persons_of(
    contacts: Sequence[str], calls: Sequence[CallSeen], snapshot: Snapshot, words: Words
) -> tuple[Person, ...]:
    """Everybody who can be called, in the order of the site file."""
    return tuple(_person(name, calls, snapshot, words) for name in contacts)


def test_of(snapshot: Snapshot, words: Words) -> Test:
    """Due when there was none for a week; while nobody knows the time the core's own alarm says so."""
    last_s = snapshot.tested_wall_s
    if last_s is None:
        return Test(last=words.bell["test_never"], due=True)
    rings = any(alarm.rule == "test-due" and alarm.state != "normal" for alarm in snapshot.alarms)
    due = rings or (snapshot.clock_trusted and snapshot.wall_s - last_s >= WEEK_S)
    time = when_text(last_s, snapshot, words)
    return Test(last=words.bell["test_last"].format(time=time, name=snapshot.tested_by), due=due)


def _person(name: str, calls: Sequence[CallSeen], snapshot: Snapshot, words: Words) -> Person:
    trial = next((trial for trial in reversed(snapshot.trials) if trial.contact == name), None)
    if trial is None:
        return Person(name=name, tried="", waits=False, ways=())
    ways = [call for call in calls if (call.kind, call.number, call.contact) == (TEST_KIND, trial.number, name)]
    tried = words.bell["try_sent"].format(time=when_text(trial.wall_s, snapshot, words), name=trial.by)
    return Person(name=name, tried=tried, waits=not ways, ways=tuple(_sent(call, snapshot, words) for call in ways))


def _sent(call: CallSeen, snapshot: Snapshot, words: Words) -> Sent:
    state = call.state if call.state in STATES else "pending"
    says = words.bell["pending_first" if state == "pending" and call.at_wall_s is None else state]
    if state != "delivered" and call.attempts > 1:
        says = f"{says}, {words.bell['tried'].format(n=call.attempts)}"
    at_s = call.made_wall_s if call.at_wall_s is None else call.at_wall_s
    return Sent(
        contact=call.contact,
        way=words.bell[call.way] if call.way in ("mail", "webhook", "mqtt") else call.way,
        kind=words.bell[f"kind_{call.kind.removeprefix('alarm.')}"] if call.kind in _KINDS else call.kind,
        state=state,
        says=f"{says}, {when_text(at_s, snapshot, words)}",
        subject=call.subject,
        why="" if state == "delivered" else call.why,
    )


_KINDS = ("alarm.call", "alarm.taken", "alarm.over", TEST_KIND)
