"""Owns: one thread for each way, so that a mail server that hangs delays no webhook.

Must not know: who is told when, the ledger, what a message says.
How it works: a way has one message in hand at a time. What came of it is put where the caller looks, and he is woken.
A sender never raises; if one does all the same, that is a try that has failed, and it is said.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
from collections.abc import Callable, Mapping, Sequence

from gateway.engine.clock import machine_s
from gateway.site_alarms import Way
from gateway.uplink.message import Message, Sender
from gateway.uplink.verdict import Outcome, Verdict

log = logging.getLogger(__name__)

HUNG_S = 300.0  # a sender ends a try within half a minute by itself
END_S = 2.0

Answer = tuple[tuple[str, str], Verdict]  # of a message by a way


class CallWay:
    """One sender and its thread."""

    def __init__(self, sender: Sender, ways: Mapping[str, Way], *, answer: Callable[[Answer], None]) -> None:
        self.name, self._sender, self._ways, self._answer = sender.name, sender, ways, answer
        self._given: queue.SimpleQueue[Message | None] = queue.SimpleQueue()
        self._since_s = math.inf  # when the message in hand was begun
        self._thread = threading.Thread(target=self._run, name=f"calls-{self.name}", daemon=True)
        self._thread.start()

    def give(self, message: Message) -> None:
        self._given.put(message)

    def hung_s(self) -> float:
        """For how long it should have had an answer; 0 while all is well."""
        return max(0.0, machine_s() - self._since_s - HUNG_S) if self._thread.is_alive() else math.inf

    def close(self) -> None:
        """Ends after the message in hand, or leaves it behind: it is sent again with the same id."""
        self._given.put(None)
        self._thread.join(END_S)
        if not self._thread.is_alive():
            self._sender.close()

    def _run(self) -> None:
        while (message := self._given.get()) is not None:
            self._since_s = machine_s()
            verdict = self._sent(message)
            self._since_s = math.inf
            self._answer(((message.id, self.name), verdict))

    def _sent(self, message: Message) -> Verdict:
        try:
            return self._sender.send(message, self._ways[message.contact])
        except Exception as error:
            log.exception("calls by %s: a defect", self.name)
            return Verdict(outcome=Outcome.AWAY, why=f"a defect: {type(error).__name__}")


def ways_of(senders: Sequence[Sender], ways: Mapping[str, Way]) -> dict[str, tuple[str, ...]]:
    """By which ways each contact is reached."""
    return {name: tuple(sender.name for sender in senders if sender.reaches(way)) for name, way in ways.items()}
