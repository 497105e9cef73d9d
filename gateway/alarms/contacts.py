"""Owns: who is there to be called now, and in which order.

Must not know: alarms beyond their priority, how a message travels.
How it works: contacts whose hours it is, by their order. When it is nobody's hour a NOW goes to everybody: a horse
does not wait for the morning. While the clock is not set everybody counts as there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.barn import Span
from gateway.model import Priority

ESCALATE_S: Mapping[Priority, float] = {Priority.NOW: 300.0, Priority.SOON: 1800.0}  # own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """A person. `order` 1 is called first; equal orders together. `hours` empty: always. `least`: nothing below it."""

    name: str
    order: int = 1
    hours: tuple[Span, ...] = ()
    least: Priority = Priority.SOON
    language: str = "en"


def is_there(contact: Contact, minute: int | None) -> bool:
    """Whether it is this person's hour. Spans may run over midnight."""
    if not contact.hours or minute is None:
        return True
    return any(
        begin <= minute < end if begin <= end else minute >= begin or minute < end for begin, end in contact.hours
    )


def called_after_s(
    contacts: Sequence[Contact], priority: Priority, minute: int | None, escalate_s: Mapping[Priority, float]
) -> dict[str, float]:
    """How long after the call each contact is told of an alarm that nobody has taken; who is not in it, never is."""
    wanted = [contact for contact in contacts if priority >= contact.least]
    there = [contact for contact in wanted if is_there(contact, minute)]
    if not there and priority is Priority.NOW:
        there = wanted
    orders = sorted({contact.order for contact in there})
    wait_s = escalate_s.get(priority)
    return {
        contact.name: 0.0 if wait_s is None else orders.index(contact.order) * wait_s
        for contact in there
        if wait_s is not None or contact.order == orders[0]
    }
