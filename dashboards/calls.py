"""Owns: what the screens ask of the calls: who was told what, by which way, and what came of it.

Must not know: files, SQL, how a message travels, who plans it.
How it works: `Calls` is a protocol; the web role brings one that reads uplink's ledger. It blocks, so it is asked in a
thread. Without contacts there is nothing to read, and the answer is empty.

    kind    alarm.call   alarm.taken   alarm.over   alarm.test (the test button; `number` says which press)
    state   pending (it is tried again)   delivered (the far end has it)   given-up (`why` says the reason)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True, kw_only=True)
class CallSeen:
    """One message to one contact by one way.

    `made_wall_s` is when it was composed, `at_wall_s` when its state was last looked to: the delivery, the last try,
    the giving up; None before the first try. `why` is what the far end said last, or why it was given up. `alarms` are
    the keys RULE:SUBJECT that it tells of, worst first; of a test none. `number` is that of the test, else 0.
    """

    contact: str
    way: str
    kind: str
    subject: str
    made_wall_s: float
    state: str
    why: str
    at_wall_s: float | None
    alarms: tuple[str, ...]
    attempts: int = 0
    number: int = 0


class Calls(Protocol):
    def latest(self, count: int) -> tuple[CallSeen, ...]:
        """The newest `count` of them, newest first. Blocks. Raises GatewayError when they cannot be read."""
        ...
