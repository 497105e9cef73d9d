"""Owns: the one writing connection and the transaction of one batch.

Must not know: threads, waiting, what to do when it fails.
How it works: `open` brings the file to the newest schema and registers places and channels; `write` puts a whole
batch into one transaction. A failed COMMIT may have reached the disk all the same, so every INSERT may be repeated:
readings and beats are known by their time, events by their number. A channel that moved to another place gets a
new row, so that old readings stay where they were taken. All writes and all checkpoints happen on this connection.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from gateway.errors import StoreError
from gateway.model import Barn, Channel, CommandChange, FaultChange, LevelChange
from gateway.store import rows, schema
from gateway.store.backlog import Batch

_BOOT = "(SELECT id FROM boots WHERE boot = ?)"
_READING = f"INSERT INTO readings (boot, mono_ms, wall_ms, trusted, channel, value, quality, detail)\
 VALUES ({_BOOT}, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_LEVEL = f"INSERT INTO levels (id, boot, mono_ms, wall_ms, trusted, place, level_before, level_after, sum_f_pct,\
 code, text) VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_COMMAND = f"INSERT INTO commands (id, boot, mono_ms, wall_ms, trusted, kit, is_on, reasons)\
 VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_FAULT = f"INSERT INTO faults (id, boot, mono_ms, wall_ms, trusted, subject, code, text, active)\
 VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_BEAT = f"INSERT INTO beats (boot, mono_ms, wall_ms, trusted, steps, late)\
 VALUES ({_BOOT}, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
# A gap may have grown between two tries; it keeps its beginning, so the larger one replaces the smaller.
_GAP = f"INSERT OR REPLACE INTO gaps (boot, mono_ms, wall_ms, trusted, last_mono_ms, last_wall_ms, what, lost)\
 VALUES ({_BOOT}, ?, ?, ?, ?, ?, ?, ?)"
_PLACE = "INSERT INTO places (name, kind, label) VALUES (?, ?, ?)\
 ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, label = excluded.label"
_CHANNEL = "INSERT INTO channels (name, sensor, place, quantity) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
_LAST_EVENT = "SELECT max(id) FROM (SELECT max(id) AS id FROM levels UNION ALL SELECT max(id) FROM commands\
 UNION ALL SELECT max(id) FROM faults)"


class _Identity(NamedTuple):
    """Where a file is, as the kernel knows it."""

    device: int
    inode: int


class Pen:
    """One open file. Used by one thread only."""

    def __init__(self, path: Path, barn: Barn, channels: Iterable[Channel], *, check: bool) -> None:
        opened = schema.open_for_writing(path, check=check)
        self._connection = opened.connection
        self.set_aside = opened.set_aside
        try:
            self._path, self._file = path, _identity(path)
            self._channels = self._register(barn, channels)
        except BaseException:
            self._connection.close()
            raise

    def last_event_id(self) -> int:
        """The largest number of an event in the file, 0 in a fresh one."""
        return int(self._connection.execute(_LAST_EVENT).fetchone()[0] or 0)

    def write(self, batch: Batch, *, numbers_after: int) -> None:
        """One transaction, on the disk when this returns. Event n gets the id `numbers_after` + n."""
        if _identity(self._path) != self._file:
            raise StoreError("the file was moved or replaced while it was open")
        if batch.empty:
            return
        run = self._connection.executemany
        self._connection.execute("BEGIN IMMEDIATE")
        run("INSERT INTO boots (boot) VALUES (?) ON CONFLICT DO NOTHING", [(boot,) for boot in _boots(batch)])
        run(_READING, [rows.reading_row(r, self._channel_id(r.channel)) for r in batch.readings])
        for number, event in batch.events:
            self._event(numbers_after + number, event)
        run(_BEAT, [rows.beat_row(batch.beat)] if batch.beat else [])
        run(_GAP, [rows.gap_row(gap) for gap in batch.gaps])
        self._connection.execute("COMMIT")

    def close(self) -> None:
        """Closes the file; an open transaction is rolled back. Idempotent."""
        self._connection.close()

    def _event(self, number: int, event: LevelChange | CommandChange | FaultChange) -> None:
        run = self._connection.execute
        match event:
            case LevelChange():
                run(_LEVEL, rows.level_row(number, event))
            case CommandChange():
                run(_COMMAND, rows.command_row(number, event))
            case FaultChange():
                run(_FAULT, rows.fault_row(number, event))

    def _register(self, barn: Barn, channels: Iterable[Channel]) -> dict[str, int]:
        run: Any = self._connection.executemany
        wanted = [(c.name, c.sensor, c.place, c.quantity.value) for c in channels]
        self._connection.execute("BEGIN IMMEDIATE")
        run(_PLACE, [(p.name, p.kind.value, json.dumps(dict(p.label), ensure_ascii=False)) for p in barn.places])
        run(_CHANNEL, wanted)
        self._connection.execute("COMMIT")
        find = "SELECT id FROM channels WHERE (name, sensor, place, quantity) = (?, ?, ?, ?)"
        return {one[0]: int(self._connection.execute(find, one).fetchone()[0]) for one in wanted}

    def _channel_id(self, name: str) -> int:
        """A channel that the barn does not list is kept under its name alone rather than lost."""
        if name in self._channels:
            return self._channels[name]
        bare = (rows.text(name), "", "", "")
        self._connection.execute(_CHANNEL, bare)
        find = "SELECT id FROM channels WHERE (name, sensor, place, quantity) = (?, ?, ?, ?)"
        return int(self._connection.execute(find, bare).fetchone()[0])


def _boots(batch: Batch) -> Iterable[str]:
    """Each boot once, in the order in which it came."""
    beat = [batch.beat.stamp] if batch.beat else []
    stamps = [g.first for g in batch.gaps] + [r.stamp for r in batch.readings] + [e.stamp for _, e in batch.events]
    return dict.fromkeys(rows.text(stamp.boot) for stamp in stamps + beat)


def _identity(path: Path) -> _Identity | None:
    try:
        found = os.stat(path)
    except FileNotFoundError:
        return None
    return _Identity(found.st_dev, found.st_ino)
