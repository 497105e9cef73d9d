"""Owns: messages to whoever listens at the broker.

Must not know: who is told when, how often it is tried, how the broker is reached.
How it works: a letter at PREFIX/calls/WORD, at least once, not retained: a call of yesterday must not greet who comes
today. It has come when the broker has acknowledged it. One that was not acknowledged in time is given up here; if the
broker had taken it all the same, the next try carries the same id.
"""

from __future__ import annotations

from dataclasses import replace

from gateway.errors import GatewayError
from gateway.site_alarms import Way
from gateway.uplink.mailbag import Letter
from gateway.uplink.message import Message
from gateway.uplink.message_json import for_broker
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.reach import tried
from gateway.uplink.verdict import Outcome, Verdict

ACKNOWLEDGED_WITHIN_S = 15.0


class ByBroker:
    """`prefix` begins every topic. The line belongs to whoever made it."""

    name = "mqtt"

    def __init__(self, line: BrokerLine, prefix: str, *, within_s: float = ACKNOWLEDGED_WITHIN_S) -> None:
        self._line, self._prefix, self._within_s = line, prefix, within_s

    def reaches(self, way: Way) -> bool:
        return bool(way.mqtt)

    def send(self, message: Message, way: Way) -> Verdict:
        return tried("broker", lambda: self._once(message, way))

    def close(self) -> None:
        """Nothing is kept here."""

    def _once(self, message: Message, way: Way) -> Verdict:
        if not way.mqtt or set(way.mqtt) & set("+#/\0"):
            raise GatewayError(f"{way.contact}: mqtt must be one word of a topic, without + # /")
        letter = Letter(topic=f"{self._prefix}/calls/{way.mqtt}", payload=for_broker(message))
        verdict = self._line.post((letter,)).verdict(self._within_s)
        return replace(verdict, outcome=Outcome.REFUSED) if verdict.outcome is Outcome.BAD else verdict
