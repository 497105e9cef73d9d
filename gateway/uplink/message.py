"""Owns: one message to one contact, and what whoever carries it must be able to do.

Must not know: who is told when, how often it is tried, the wires.
How it works: a message is composed once, kept, and sent as the same bytes at every try, under the same id. A sender
tries once and says what came of it; it never raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from gateway.model import Priority
from gateway.site_alarms import Way
from gateway.uplink.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """`id` is the same at every try. `subject` is one line, `text` several; `data` are JSON values for machines.

    `kind` is a dotted word such as "alarm.call" or "alarm.test"; `made_wall_s` is when it was composed.
    """

    id: str
    contact: str
    language: str
    kind: str
    priority: Priority
    made_wall_s: float
    subject: str
    text: str
    data: Mapping[str, Any]


class Sender(Protocol):
    """Carries messages one way: by mail, to a webhook, to the broker."""

    name: str

    def reaches(self, way: Way) -> bool:
        """Whether this contact is reached that way."""

    def send(self, message: Message, way: Way) -> Verdict:
        """One try. REFUSED: trying again is of no use until a person changes something. Never raises."""

    def close(self) -> None: ...
