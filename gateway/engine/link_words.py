"""Owns: the lines of the link: their form, their limits, and what each kind of message holds.

Must not know: sockets, who sends what when.
How it works: a line is one JSON object with "link" (the version) and one more word. Bytes travel as base64. A moment
is told in seconds of the machine's monotonic clock, which all roles of one board share: what waits in a socket
ages there too.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gateway.errors import LinkError

LINK_VERSION = 1
LONGEST_FROM_PEER = 16_384
LONGEST_FROM_CORE = 1_048_576  # an alarm of a snapshot takes 1 to 2 kB, and a flood of hundreds must pass
LONGEST_PAYLOAD = 8_192  # of a message from or to a broker
LONGEST_TOPIC = 400
LONGEST_WHY = 300
# What uplink may say is wrong, by what it is about.
OUTSIDE = {"store": "store-lost", "broker": "broker-lost", "calls": "calls-lost", "contacts": "contact-lost"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message of the broker, heard at `at_s`."""

    topic: str
    payload: bytes
    retained: bool
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AtBroker:
    """Whether uplink has reached the broker, and why not."""

    up: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """A message to be published before `by_s`, or never."""

    topic: str
    payload: bytes
    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideTrouble:
    """Something that only uplink can see. `subject` and `code` are a pair of `OUTSIDE`."""

    subject: str
    code: str
    text: str


def line(**message: Any) -> bytes:
    """One message as a line."""
    return json.dumps({"link": LINK_VERSION, **message}, separators=(",", ":")).encode() + b"\n"


def words(raw: bytes) -> dict[str, Any]:
    """The message of a line. Raises LinkError."""
    try:
        said = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise LinkError("a line is not JSON") from error
    if not isinstance(said, dict) or said.get("link") != LINK_VERSION:
        raise LinkError(f"this program speaks link version {LINK_VERSION}: upgrade all roles together")
    return said


def heard_line(heard: Heard) -> bytes:
    return line(
        heard={
            "topic": heard.topic,
            "payload": base64.b64encode(heard.payload).decode(),
            "retained": heard.retained,
            "at_s": heard.at_s,
        }
    )


def broker_line(state: AtBroker) -> bytes:
    return line(broker={"up": state.up, "why": state.why[:LONGEST_WHY]})


def tell_line(tell: Tell) -> bytes:
    return line(tell={"topic": tell.topic, "payload": base64.b64encode(tell.payload).decode(), "by_s": tell.by_s})


def listen_line(topics: Sequence[str]) -> bytes:
    return line(listen=list(topics))


def troubles_line(troubles: Sequence[OutsideTrouble]) -> bytes:
    """All that is wrong now, in place of what was said before; without any it says that uplink lives."""
    told = [{"subject": one.subject, "code": one.code, "text": _short(one.text)} for one in troubles]
    return line(troubles=told[: len(OUTSIDE)])


def heard_from(found: object) -> Heard:
    """Raises LinkError."""
    said = _fields(found, "heard", topic=str, payload=str, retained=bool, at_s=(int, float))
    return Heard(
        topic=_topic(said["topic"]),
        payload=_payload(said["payload"]),
        retained=said["retained"],
        at_s=_moment(said["at_s"]),
    )


def broker_from(found: object) -> AtBroker:
    """Raises LinkError."""
    said = _fields(found, "broker", up=bool, why=str)
    return AtBroker(up=said["up"], why=said["why"][:LONGEST_WHY])


def troubles_from(found: object) -> tuple[OutsideTrouble, ...]:
    """Raises LinkError."""
    if not isinstance(found, list) or len(found) > len(OUTSIDE):
        raise LinkError(f"troubles is no list of at most {len(OUTSIDE)}")
    said = [_fields(one, "a trouble", subject=str, code=str, text=str) for one in found]
    for one in said:
        if OUTSIDE.get(one["subject"]) != one["code"] or not one["text"]:
            allowed = ", ".join(f"{subject} {code}" for subject, code in OUTSIDE.items())
            raise LinkError(f"a trouble must have a text and be one of {allowed}")
    return tuple(OutsideTrouble(subject=one["subject"], code=one["code"], text=_short(one["text"])) for one in said)


def tell_from(found: object) -> Tell:
    """Raises LinkError."""
    said = _fields(found, "tell", topic=str, payload=str, by_s=(int, float))
    return Tell(topic=_topic(said["topic"]), payload=_payload(said["payload"]), by_s=_moment(said["by_s"]))


def listen_from(found: object) -> tuple[str, ...]:
    """Raises LinkError."""
    if not isinstance(found, list) or not all(isinstance(topic, str) for topic in found):
        raise LinkError("listen is no list of topics")
    return tuple(_topic(topic) for topic in found)


def _fields(found: object, what: str, **kinds: type | tuple[type, ...]) -> dict[str, Any]:
    if not isinstance(found, dict) or found.keys() != kinds.keys():
        raise LinkError(f"{what} must have {', '.join(kinds)}")
    for name, kind in kinds.items():
        if not isinstance(found[name], kind) or (isinstance(found[name], bool) and kind is not bool):
            raise LinkError(f"{what}: {name} is of a wrong type")
    return found


def _short(text: str) -> str:
    """A sentence on one line, not too long for a wall."""
    return " ".join(text.split())[:LONGEST_WHY]


def _topic(text: str) -> str:
    if not 0 < len(text) <= LONGEST_TOPIC or any(mark in text for mark in "+#\0"):
        raise LinkError("a topic is empty, too long, or has wildcards")
    return text


def _payload(text: str) -> bytes:
    try:
        payload = base64.b64decode(text, validate=True)
    except ValueError as error:
        raise LinkError(f"a payload is not base64 ({error})") from error
    if len(payload) > LONGEST_PAYLOAD:
        raise LinkError(f"a payload is longer than {LONGEST_PAYLOAD} bytes")
    return payload


def _moment(number: float) -> float:
    try:
        moment = float(number)
    except OverflowError:
        moment = math.inf
    if not math.isfinite(moment):
        raise LinkError("a moment is not a number of seconds")
    return moment
