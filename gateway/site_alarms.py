"""Owns: the form of [alarms] and [[contacts]]: who is called, in which order, at which hours, and what it becomes.

Must not know: how a message travels, the rules of alarms, how a problem is worded.
How it works: pydantic models in, frozen values out. Hours are minutes of the barn's own day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, Field

from gateway.alarms.contacts import ESCALATE_S, Contact
from gateway.model import Priority
from gateway.site_words import STRICT, Spans, Title, span

LEAST = {"now": Priority.NOW, "soon": Priority.SOON, "when-you-can": Priority.WHEN_YOU_CAN}
MOST_CONTACTS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Webhook:
    """A receiver of signed messages. `ca_file` is None when the certificates that the system trusts shall do."""

    url: str
    secret_file: Path
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a contact is reached: any of a mailbox, a receiver, the last word of a topic at the broker."""

    contact: str
    mail: str = ""
    webhook: Webhook | None = None
    mqtt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """The server that takes our mail. `starttls`: TLS begins after the greeting, else with the first byte."""

    host: str
    port: int
    starttls: bool
    ca_file: Path | None
    user: str
    password_file: Path | None
    sender: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heartbeat:
    """An outside watcher that calls people itself when we have been silent."""

    url: str
    every_s: float
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmPlan:
    """Whom to call and how, and how long an alarm waits for one contact before the next is called, by priority.

    `inside` are hosts with ports ("192.168.1.20:8443") of the barn's own network that messages may go to.
    """

    contacts: tuple[Contact, ...] = ()
    escalate_s: Mapping[Priority, float]
    ways: Mapping[str, Way] = field(default_factory=dict)  # by the contact's name
    mail: Mail | None = None
    heartbeat: Heartbeat | None = None
    inside: frozenset[str] = frozenset()


class AlarmsForm(BaseModel):
    """After how many minutes without an answer the next contact is called."""

    model_config = STRICT
    escalate_now_min: Annotated[float, span(1, 120)] = ESCALATE_S[Priority.NOW] / 60
    escalate_soon_min: Annotated[float, span(5, 1440)] = ESCALATE_S[Priority.SOON] / 60


class ContactForm(BaseModel):
    """A person. `order` 1 is called first, equal orders together; without `hours` always."""

    model_config = STRICT
    name: Title
    order: Annotated[int, span(1, 9, "a whole number")] = 1
    hours: Spans = []
    least: Literal["now", "soon", "when-you-can"] = "soon"
    language: Literal["en", "es"] = "en"


def _different(contacts: list[ContactForm]) -> list[ContactForm]:
    if len({contact.name for contact in contacts}) < len(contacts):
        raise ValueError("a name stands twice")
    return contacts


Contacts = Annotated[
    list[ContactForm],
    AfterValidator(_different),
    Field(max_length=MOST_CONTACTS, description=f"up to {MOST_CONTACTS} tables [[contacts]], each with another name"),
]


def alarm_plan(form: AlarmsForm, contacts: Sequence[ContactForm]) -> AlarmPlan:
    """The parameters of the forms."""
    return AlarmPlan(
        contacts=tuple(
            Contact(
                name=each.name,
                order=each.order,
                hours=tuple(_minutes(hours) for hours in each.hours),
                least=LEAST[each.least],
                language=each.language,
            )
            for each in contacts
        ),
        escalate_s={Priority.NOW: form.escalate_now_min * 60, Priority.SOON: form.escalate_soon_min * 60},
    )


def _minutes(hours: str) -> tuple[int, int]:
    """Minutes of the day of "18:00-08:00"."""
    begin, end = (int(clock[:2]) * 60 + int(clock[3:]) for clock in hours.split("-"))
    return begin, end
