"""Owns: a pen that tests write with, one batch at a time, without a thread.

Must not know: what the tests expect.
How it works: `put` hands in readings of the invented barn's first channel, `commit` writes them, `tidy` does all the
housekeeping that is due. Wall time is monotonic time and `AHEAD_S` unless a test says otherwise.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from gateway.model import Beat, CommandChange, Event, Quality, Reading, Reason, Stamp
from gateway.site_history import Keep
from gateway.store.backlog import Backlog
from gateway.store.outbox import Outbox
from gateway.store.pen import Pen
from tests.store.child import BARN, CHANNEL

AHEAD_S = 1_780_000_000.0  # 2026-05-28 20:26:40 UTC (date -d @1780000000)
HOUR_S, DAY_S = 3600.0, 86400.0


def at(mono_s: float, *, boot: str = "boot-a", wall_s: float | None = None, trusted: bool = True) -> Stamp:
    wall = AHEAD_S + mono_s if wall_s is None else wall_s
    return Stamp(mono_s=mono_s, wall_s=wall, boot=boot, trusted=trusted)


class Ink:
    """One file, written step by step."""

    def __init__(self, path: Path, keep: Keep | None = None, channels: int = 1) -> None:
        self.path, self._keep = path, keep or Keep()
        self.channels = tuple(
            CHANNEL if n == 0 else CHANNEL.__class__(
                name=f"air-{n + 1}.temp_c", sensor=f"air-{n + 1}", place="stalls", quantity=CHANNEL.quantity
            )
            for n in range(channels)
        )  # fmt: skip
        self.pen = self._open()
        self._backlog = Backlog(10_000_000)
        self._numbers_after = self.pen.last_event_id()

    def _open(self) -> Pen:
        return Pen(self.path, BARN, self.channels, check=True, keep=self._keep)

    def put(self, stamps: Iterable[Stamp], value: float | None = None) -> None:
        """A reading of each channel at each instant; its value is its second unless one is given."""
        for stamp in stamps:
            for channel in self.channels:
                number = stamp.mono_s if value is None else value
                self._backlog.reading(Reading(channel=channel.name, value=number, quality=Quality.GOOD, stamp=stamp))

    def silent(self, stamp: Stamp) -> None:
        for channel in self.channels:
            self._backlog.reading(Reading(channel=channel.name, value=None, quality=Quality.SILENT, stamp=stamp))

    def events(self, events: Iterable[Event]) -> None:
        self._backlog.events(tuple(events))

    def beat(self, stamp: Stamp) -> None:
        self._backlog.beat(Beat(steps=1, late=0, stamp=stamp))

    def commit(self) -> None:
        self.pen.write(self._backlog.take(), numbers_after=self._numbers_after)

    def tidy(self) -> int:
        """All the housekeeping; returns in how many bites."""
        bites = 0
        while self.pen.tidy():
            bites += 1
            assert bites < 100_000, "housekeeping comes to no end"
        return bites

    def reopen(self, keep: Keep | None = None, *, in_order: bool = True) -> None:
        """As a restart of core does."""
        self.pen.close(in_order=in_order)
        self._keep = keep or self._keep
        self.pen = self._open()

    def close(self) -> None:
        self.pen.close(in_order=True)

    def deliver(self, cursors: Path, *lanes: tuple[int, int, int, int], event: int = 0) -> None:
        """Say what uplink would say of one destination."""
        told = {"history": Outbox(self.path).identity(), "cursors": {"store": {"readings": lanes, "event": event}}}
        cursors.write_text(json.dumps(told))


def command(n: int, stamp: Stamp, kit: str = "fans") -> CommandChange:
    return CommandChange(kit=kit, on=n % 2 == 0, reasons=(Reason(code="n", text=str(n)),), stamp=stamp)
