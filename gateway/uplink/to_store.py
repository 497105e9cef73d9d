"""Owns: the time-series store as a stream sees it.

Must not know: cursors, pauses, the history's file.
How it works: rows become lines, a batch of lines one request. Imported only where there is a store: the library behind
it takes 30 MB of memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gateway.model import Event
from gateway.uplink.lines import LineWriter, Place, Row
from gateway.uplink.series import Store
from gateway.uplink.verdict import Verdict


class ToStore:
    """The time-series store. It acknowledges before its disk has it: seen up to 6 s."""

    name, batch, forgets = "series", 5_000, True

    def __init__(self, store: Store, barn: str) -> None:
        self._store, self._lines = store, LineWriter(barn)

    def readings(self, rows: Sequence[Row], channels: Mapping[int, Place]) -> Sequence[str]:
        return self._lines.readings(rows, channels)

    def event(self, event: Event) -> str:
        return self._lines.event(event)

    def deliver(self, parts: Sequence[str]) -> Verdict:
        return self._store.write("\n".join(parts))

    def close(self) -> None:
        self._store.close()
