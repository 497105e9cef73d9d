"""Owns: what wall time a moment of a boot really was.

Must not know: threads, what is asked with it.
How it works: the file holds, for each boot, from which monotonic time on wall time ran ahead of it by how much, and
whether the clock was trusted then. A stretch without trust takes the offset of the trusted one before it, else of the
first one after it: it is corrected. A boot that never got its time keeps what its clock said, and is flagged.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from gateway.model import Stamp

FOREVER_MS = 2**62


class Clock(StrEnum):
    """Where a wall time comes from: a set clock, set later in that boot, or a clock that never was set."""

    SYNCED = "synced"
    CORRECTED = "corrected"
    UNSYNCED = "unsynced"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """From `from_ms` to before `to_ms` of a boot, wall time is monotonic time and `offset_ms`."""

    boot_id: int
    boot: str
    from_ms: int
    to_ms: int
    offset_ms: int
    clock: Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A part of the history: (boot, mono_ms) from `from_ms` to before `to_ms`, and what clock time that was."""

    boot_id: int
    from_ms: int
    to_ms: int
    offset_ms: int
    clock: Clock


class Clocks:
    """All boots of a history, as one question found them."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        found = connection.execute("SELECT id, boot, last_ms FROM boots ORDER BY id").fetchall()
        self.newest_boot: str = found[-1][1] if found else ""
        self._ends = {boot_id: FOREVER_MS if last_ms is None else last_ms + 1 for boot_id, _, last_ms in found}
        names = {boot_id: name for boot_id, name, _ in found}
        said: dict[int, list[tuple[int, int, bool]]] = {}
        rows = connection.execute("SELECT boot, mono_ms, offset_ms, trusted FROM clocks ORDER BY boot, mono_ms")
        for boot_id, mono_ms, offset_ms, trusted in rows:
            said.setdefault(boot_id, []).append((mono_ms, offset_ms, bool(trusted)))
        self._stretches = {names[boot_id]: _stretches(boot_id, names[boot_id], each) for boot_id, each in said.items()}

    def at(self, boot: str, mono_ms: int) -> Stretch | None:
        """The stretch of a moment; None for a boot of which no clock is known."""
        stretches = self._stretches.get(boot)
        if not stretches:
            return None
        return stretches[max(0, bisect_right(stretches, mono_ms, key=lambda stretch: stretch.from_ms) - 1)]

    def right(self, stamp: Stamp) -> tuple[Stamp, Clock]:
        """A stamp with the wall time that it should have had, and where that comes from."""
        if stamp.trusted:
            return stamp, Clock.SYNCED
        stretch = self.at(stamp.boot, round(stamp.mono_s * 1000))
        if stretch is None or stretch.clock is not Clock.CORRECTED:
            return stamp, Clock.UNSYNCED
        wall_s = (round(stamp.mono_s * 1000) + stretch.offset_ms) / 1000
        return Stamp(mono_s=stamp.mono_s, wall_s=wall_s, boot=stamp.boot, trusted=True), Clock.CORRECTED

    def spans(self, from_wall_ms: int, to_wall_ms: int) -> Iterator[Span]:
        """Where in the history a stretch of wall time lies, in the order of the history."""
        for stretches in self._stretches.values():
            for each in stretches:
                begin = max(each.from_ms, from_wall_ms - each.offset_ms)
                end = min(each.to_ms, to_wall_ms - each.offset_ms, self._ends[each.boot_id])
                if begin < end:
                    yield Span(
                        boot_id=each.boot_id, from_ms=begin, to_ms=end, offset_ms=each.offset_ms, clock=each.clock
                    )


def _stretches(boot_id: int, boot: str, said: Sequence[tuple[int, int, bool]]) -> tuple[Stretch, ...]:
    made = []
    for number, (mono_ms, _, _) in enumerate(said):
        offset_ms, clock = _believed(said, number)
        made.append(
            Stretch(
                boot_id=boot_id,
                boot=boot,
                from_ms=mono_ms if number else -FOREVER_MS,
                to_ms=said[number + 1][0] if number + 1 < len(said) else FOREVER_MS,
                offset_ms=offset_ms,
                clock=clock,
            )
        )
    return tuple(made)


def _believed(said: Sequence[tuple[int, int, bool]], number: int) -> tuple[int, Clock]:
    _, offset_ms, trusted = said[number]
    if trusted:
        return offset_ms, Clock.SYNCED
    others = [*reversed(said[:number]), *said[number + 1 :]]
    set_once = next((offset for _, offset, good in others if good), None)
    return (offset_ms, Clock.UNSYNCED) if set_once is None else (set_once, Clock.CORRECTED)
