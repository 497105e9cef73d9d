"""Owns: the broker as a stream sees it.

Must not know: cursors, pauses, the history's file.
How it works: rows become records, a batch of them letters in one post, which has come when the broker has acknowledged
each of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gateway.model import Event
from gateway.uplink.encode import Packer, Part, letters
from gateway.uplink.lines import Place, Row
from gateway.uplink.mqtt import BrokerLine
from gateway.uplink.verdict import Verdict

ACKNOWLEDGED_WITHIN_S = 30.0


class ToBroker:
    """The broker. What it has acknowledged it has handed on to whoever listens."""

    name, batch, forgets = "mqtt", 500, False

    def __init__(self, line: BrokerLine, prefix: str) -> None:
        self._line, self._packer = line, Packer(prefix)

    def readings(self, rows: Sequence[Row], channels: Mapping[int, Place]) -> Sequence[Part]:
        return [self._packer.reading(row, channels[row[0]]) for row in rows]

    def event(self, event: Event) -> Part:
        return self._packer.event(event)

    def deliver(self, parts: Sequence[Part]) -> Verdict:
        return self._line.post(letters(parts)).verdict(ACKNOWLEDGED_WITHIN_S)

    def close(self) -> None:
        """The line belongs to whoever made it."""
