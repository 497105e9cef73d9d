"""Owns: kit behind an MQTT broker: commands that expire, and their confirmation.

Must not know: brokers, how a message travels, when to switch.
How it works: a node is told at TOPIC/NODE/ask and confirms at TOPIC/NODE/state:

    ask    {"id": "5f0c91d2-17", "on": true, "speed": 0.6, "expires_s": 10}   never retained
    state  {"id": "5f0c91d2-17", "on": true}                                  with the id that the node obeyed last

`on` is the kit, not the contact: the node knows how it is wired. It obeys for `expires_s` after it got the command,
then lets go of its contact, so that the wiring decides; each refresh begins this anew. A command with an id that it
has had already is the same command and changes nothing. `speed` is there only for kit that knows more than on and off.

    unasked --set--> asked --state with our id--> confirmed --set (refresh, other wish)--> asked
                       |  no state yet: CommandError, and the next set looks again
                       +--expires_s, another connection, another wish--> asked anew
"""

from __future__ import annotations

import json
import secrets
from contextlib import suppress
from dataclasses import dataclass
from itertools import count
from typing import Any, Final

from drivers.json_pointer import document
from drivers.mqtt_postbox import Letter, MqttPostbox
from gateway.barn import RelaySpec, Switched
from gateway.errors import BadText, BusTimeout, CommandError, ReadError

_CONFIRM_WITHIN_S: Final = 1.0  # of the machine: a broker on a local network answers within a small part of it


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """A command that is under way."""

    command: str
    wish: tuple[bool, float]
    until_s: float
    line: int


class MqttRelay:
    """One piece of kit at one node."""

    def __init__(
        self,
        spec: Switched,
        relay: RelaySpec,
        postbox: MqttPostbox,
        *,
        confirm_within_s: float = _CONFIRM_WITHIN_S,
    ) -> None:
        self._name, self._safe_on = spec.name, spec.safe_on
        self._postbox, self._confirm_within_s = postbox, confirm_within_s
        self._ask, self._state = (f"{relay.options['topic']}/{spec.output}/{word}" for word in ("ask", "state"))
        self._expires_s = float(relay.options["expires_s"])
        self._has_speed = spec.least_speed < 1.0
        self._session, self._numbers = secrets.token_hex(4), count(1)
        self._asked: _Asked | None = None
        self._answers = True  # whether it is worth waiting for this node
        self._closed = False
        postbox.expect(self._state)

    @property
    def safe_on(self) -> bool:
        return self._safe_on

    def set(self, on: bool, speed: float = 1.0) -> None:
        """Raises CommandError unless the node confirms within about a second, or before the next call does."""
        if self._closed:
            raise CommandError(f"{self._name}: is closed")
        try:
            self._obtain((on, speed if on and self._has_speed else 1.0))
        except ReadError as error:
            raise CommandError(f"{self._name}: {error}") from error

    def readback(self) -> bool | None:
        """What the node said last of its kit. Raises ReadError when that is longer ago than a command holds."""
        self._postbox.check()
        letter = self._postbox.newest(self._state)
        if letter is None or letter.retained:
            raise BusTimeout(f"{self._state}: nothing heard", self._expires_s)
        ago_s = self._postbox.now_s() - letter.arrived_s
        if ago_s > self._expires_s:
            raise BusTimeout(f"{self._state}: nothing heard", ago_s)
        return _state_of(letter.payload)[1]

    def close(self) -> None:
        """Ask for the safe state. A node that does not hear it lets go by itself when its last command expires."""
        if self._closed:
            return
        self._closed = True
        with suppress(ReadError):
            self._obtain((self._safe_on, 1.0))

    def _obtain(self, wish: tuple[bool, float]) -> None:
        self._postbox.check()
        now_s, asked = self._postbox.now_s(), self._asked
        wait_s = 0.0
        if asked is None or asked.wish != wish or asked.line != self._postbox.line or now_s >= asked.until_s:
            asked = self._asked = self._send(wish, now_s)
            wait_s = self._confirm_within_s if self._answers else 0.0  # a dead node must not hold up the others
        command = asked.command
        letter = self._postbox.await_newer(self._state, lambda letter: _confirms(letter, command), machine_s=wait_s)
        if letter is None:
            self._postbox.check()
            self._answers = self._answers and wait_s == 0.0
            raise BusTimeout(f"{self._state}: no confirmation of {command}", self._expires_s - (asked.until_s - now_s))
        self._answers, self._asked = True, None

    def _send(self, wish: tuple[bool, float], now_s: float) -> _Asked:
        command = f"{self._session}-{next(self._numbers)}"
        told: dict[str, Any] = {"id": command, "on": wish[0], "expires_s": self._expires_s}
        if self._has_speed and wish[0]:
            told["speed"] = round(wish[1], 3)
        line = self._postbox.line
        self._postbox.send(self._ask, json.dumps(told).encode(), within_s=self._expires_s)
        return _Asked(command=command, wish=wish, until_s=now_s + self._expires_s, line=line)


def _confirms(letter: Letter, command: str) -> bool:
    if letter.retained:
        return False
    try:
        return _state_of(letter.payload)[0] == command
    except ReadError:
        return False


def _state_of(payload: bytes) -> tuple[object, bool]:
    """The id and the state of the kit. Raises ReadError."""
    said = document(payload)
    if not isinstance(said, dict) or not isinstance(said.get("on"), bool):
        raise BadText("the node's state has no true or false under on")
    return said.get("id"), said["on"]
