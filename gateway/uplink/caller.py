"""Owns: the thread that calls people: it takes turns, keeps what they want on the disk, and hands messages to the ways.

Must not know: who is told when, what a message says, the wires, the file's form.
How it works: twice a second, and whenever a way has an answer. The order is what makes a power cut harmless: the answer
is kept, then the turn is taken, its messages are kept, and only then they are sent.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.engine.clock import local_time, machine_s
from gateway.engine.snapshot import Snapshot
from gateway.model import Stamp
from gateway.uplink.call_ways import Answer, CallWay
from gateway.uplink.calls_turn import Key, Office, restored, start, take_answer, turn
from gateway.uplink.kept_calls import KeptCalls
from gateway.uplink.message import Sender
from gateway.uplink.reached import Reached
from gateway.uplink.tries import Change, TryAt
from gateway.uplink.verdict import Verdict

log = logging.getLogger(__name__)

TURN_S = 0.5
HUNG_S = 60.0
END_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CallsTold:
    """How calling stands: messages by way. What is delivered and given up counts since this start.

    `lost` says why no message gets out by any way that was tried, `cut_off` whom nothing has reached for long although
    others are reached, `unkept` why the record is not kept; empty while all is well.
    """

    pending: int = 0
    delivered: int = 0
    given_up: int = 0
    lost: str = ""
    cut_off: str = ""
    unkept: str = ""


class Caller:
    """`newest` gives core's newest snapshot, None while it is away. `clock` counts machine seconds."""

    def __init__(
        self,
        office: Office,
        kept: KeptCalls,
        senders: Sequence[Sender],
        *,
        newest: Callable[[], Snapshot | None],
        stamp: Callable[[], Stamp],
        clock: Callable[[], float] = machine_s,
    ) -> None:
        self._office, self._kept, self._newest, self._stamp, self._clock = office, kept, newest, stamp, clock
        self._answers: queue.SimpleQueue[Answer] = queue.SimpleQueue()
        self._news = threading.Event()
        self._state = restored(start(clock()), *kept.on_record(), clock())
        self._ways = {sender.name: CallWay(sender, office.plan.ways, answer=self._take) for sender in senders}
        self._reached = Reached()
        self._delivered = self._given_up = 0
        self.told = CallsTold(pending=len(self._state.tries))
        self._ended = threading.Event()
        self._due_s = math.inf
        self._thread = threading.Thread(target=self._run, name="caller", daemon=True)

    def start(self) -> None:
        self._due_s = machine_s()
        self._thread.start()

    def hung_s(self) -> float:
        """For how long a thread has not shown itself although it should have; 0 while all is well."""
        late_s = max(0.0, machine_s() - self._due_s - HUNG_S) if self._thread.is_alive() else math.inf
        return max([late_s, *(way.hung_s() for way in self._ways.values())])

    def close(self) -> None:
        """End the threads; what is in the air is sent again after the next start. Idempotent."""
        self._ended.set()
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(END_S)
        for way in self._ways.values():
            way.close()
        if not self._thread.is_alive():
            self._take_answers()
            self._kept.close()

    def _take(self, answer: Answer) -> None:
        self._answers.put(answer)
        self._news.set()

    # --- the thread

    def _run(self) -> None:
        while not self._ended.is_set():
            self._due_s = machine_s()
            self.one_turn()
            self._news.wait(TURN_S)
            self._news.clear()

    def one_turn(self) -> None:
        """Take in the answers, look at core, send what is due."""
        self._take_answers()
        if self._kept.again():
            self._state = restored(self._state, *self._kept.on_record(), self._clock())
        snapshot = self._newest()
        wanted = turn(
            self._state, self._office, snapshot, now_s=self._clock(), minute=self._minute(snapshot), stamp=self._stamp()
        )
        if wanted.entries or wanted.changes:
            self._kept.write(wanted.entries, wanted.changes)
            self._count(wanted.changes)
        for entry in wanted.entries:
            log.info("call: %s to %s by %s", entry.message.kind, entry.message.contact, ", ".join(entry.ways))
        self._state = wanted.state
        for one in wanted.sends:
            self._ways[one.way].give(one.message)
        self._say()

    def _take_answers(self) -> None:
        changes = []
        while not self._answers.empty():
            key, verdict = self._answers.get()
            self._note(key, verdict)
            now_s, wall_s = self._clock(), self._stamp().wall_s
            self._state, change = take_answer(self._state, key, verdict, now_s=now_s, wall_s=wall_s)
            changes += [change] if change else []
        if changes:
            self._kept.write((), changes)
            self._count(changes)

    def _note(self, key: Key, verdict: Verdict) -> None:
        """Say a failure once, and that it is over."""
        one = self._state.tries.get(key)
        if one is None:
            return
        contact, way, before = one.notice.contact, one.way, self._reached.why(one.notice.contact, one.way)
        self._reached = self._reached.after(contact, way, verdict, self._clock())
        why = self._reached.why(contact, way)
        if why and why != before:
            log.warning("calls to %s by %s do not arrive: %s", contact, way, why)
        elif before and not why:
            log.info("calls to %s by %s arrive again", contact, way)

    def _count(self, changes: Sequence[Change]) -> None:
        given_up = [one for one in changes if one.state is TryAt.GIVEN_UP]
        for one in given_up:
            log.warning("call %s by %s is given up: %s", one.id, one.way, one.why)
        self._delivered += sum(one.state is TryAt.DELIVERED for one in changes)
        self._given_up += len(given_up)

    def _say(self) -> None:
        tried = {(one.notice.contact, one.way) for one in self._state.tries.values()}
        self.told = CallsTold(
            pending=len(self._state.tries),
            delivered=self._delivered,
            given_up=self._given_up,
            lost=self._reached.lost(tried),
            cut_off=self._reached.cut_off(tried, self._clock()),
            unkept=self._kept.trouble,
        )

    def _minute(self, snapshot: Snapshot | None) -> int | None:
        """The minute of the barn's day, by core's clock while it is there, else by the board's own."""
        stamp, zone = self._stamp(), self._office.barn.zone
        if snapshot is not None:
            stamp = Stamp(
                mono_s=snapshot.mono_s, wall_s=snapshot.wall_s, boot=snapshot.boot, trusted=snapshot.clock_trusted
            )
            zone = snapshot.zone
        found = local_time(stamp, zone)
        return None if found is None else found[0]
