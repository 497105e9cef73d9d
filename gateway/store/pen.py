"""Owns: the one writing connection and the transaction of one batch.

Must not know: threads, waiting, what to do when it fails.
How it works: `open` brings the file to the newest schema and registers places and channels; `write` puts a whole
batch into one transaction. A failed COMMIT may have reached the disk all the same, so every INSERT may be repeated:
readings and beats are known by their time, events by their number. A channel that moved to another place gets a
new row, so that old readings stay where they were taken. All writes and all checkpoints happen on this connection.
Whoever follows the readings by their order would pass over one that is committed behind others of later times, when
its bus thread was slow: it is noted in `late` as well. Where wall time jumps, `clocks` gets a row.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from gateway.barn import Barn
from gateway.errors import StoreError
from gateway.model import AlarmChange, Channel, CommandChange, Event, FaultChange, HandChange, LevelChange, Stamp
from gateway.site_history import KEEP, Keep
from gateway.store import rows, schema
from gateway.store.backlog import Batch
from gateway.store.keeper import Keeper
from gateway.store.migrations import LAST_MS
from gateway.store.position import Position

_BOOT = "(SELECT id FROM boots WHERE boot = ?)"
_READING = "INSERT INTO readings (boot, mono_ms, wall_ms, trusted, channel, value, quality, detail, raw)\
 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_LATE = "INSERT INTO late (boot, mono_ms, channel) VALUES (?, ?, ?)"
_FRONT = "SELECT boot, mono_ms, channel FROM readings ORDER BY boot DESC, mono_ms DESC, channel DESC LIMIT 1"
_CLOCK = "INSERT INTO clocks (boot, mono_ms, offset_ms, trusted) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
_LAST_CLOCK = "SELECT boot, mono_ms, offset_ms, trusted FROM clocks ORDER BY boot DESC, mono_ms DESC LIMIT 1"
# The boots before a new one are over: how long they lasted counts for the age of what is in them.
_BOOTS_OVER = f"UPDATE boots SET last_ms = {LAST_MS} WHERE last_ms IS NULL AND id < ?"
_LEVEL = f"INSERT INTO levels (id, boot, mono_ms, wall_ms, trusted, place, level_before, level_after, sum_f_pct,\
 code, text) VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_COMMAND = f"INSERT INTO commands (id, boot, mono_ms, wall_ms, trusted, kit, is_on, reasons)\
 VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_FAULT = f"INSERT INTO faults (id, boot, mono_ms, wall_ms, trusted, subject, code, text, active)\
 VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_HAND = f"INSERT INTO hands (id, boot, mono_ms, wall_ms, trusted, subject, kind, until_mono_ms, until_wall_ms,\
 person, why) VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_ALARM = f"INSERT INTO alarms (id, boot, mono_ms, wall_ms, trusted, alarm, what, episode, priority, until_mono_ms,\
 until_wall_ms, person, why) VALUES (?, {_BOOT}, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_BEAT = f"INSERT INTO beats (boot, mono_ms, wall_ms, trusted, steps, late)\
 VALUES ({_BOOT}, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
# A gap may have grown between two tries; it keeps its beginning, so the larger one replaces the smaller.
_GAP = f"INSERT OR REPLACE INTO gaps (boot, mono_ms, wall_ms, trusted, last_mono_ms, last_wall_ms, what, lost)\
 VALUES ({_BOOT}, ?, ?, ?, ?, ?, ?, ?)"
_PLACE = "INSERT INTO places (name, kind, label) VALUES (?, ?, ?)\
 ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, label = excluded.label"
_CHANNEL = "INSERT INTO channels (name, sensor, place, quantity) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING"
_CORRECTION = "INSERT INTO corrections (channel, offset, since, person, reference) VALUES (?, ?, ?, ?, ?)\
 ON CONFLICT DO NOTHING"
_LAST_EVENT = "SELECT max(id) FROM (SELECT max(id) AS id FROM levels UNION ALL SELECT max(id) FROM commands\
 UNION ALL SELECT max(id) FROM faults UNION ALL SELECT max(id) FROM hands\
 UNION ALL SELECT max(id) FROM alarms)"


JUMP_MS = 1000


class _Identity(NamedTuple):
    """Where a file is, as the kernel knows it."""

    device: int
    inode: int


class Pen:
    """One open file. Used by one thread only."""

    def __init__(self, path: Path, barn: Barn, channels: Iterable[Channel], *, check: bool, keep: Keep = KEEP) -> None:
        opened = schema.open_for_writing(path, check=check)
        self._connection = opened.connection
        self.set_aside, self.unchecked = opened.set_aside, opened.unchecked
        try:
            run = self._connection.execute
            self._path, self._file = path, _identity(path)
            self._channels = self._register(barn, channels)
            self._boots: dict[str, int] = {}
            self._front: rows.Row = tuple(run(_FRONT).fetchone() or (0, 0, 0))
            self._clock: rows.Row = tuple(run(_LAST_CLOCK).fetchone() or (0, 0, 0, 0))
            self._keeper = Keeper(self._connection, keep)
        except BaseException:
            self._connection.close()
            raise

    @property
    def lost_wanted(self) -> int:
        """How many readings that a destination still waited for had to go for space."""
        return self._keeper.lost_wanted

    def last_event_id(self) -> int:
        """The largest number of an event in the file, 0 in a fresh one."""
        return int(self._connection.execute(_LAST_EVENT).fetchone()[0] or 0)

    def write(self, batch: Batch, *, numbers_after: int) -> None:
        """One transaction, on the disk when this returns. Event n gets the id `numbers_after` + n."""
        if _identity(self._path) != self._file:
            raise StoreError("the file was moved or replaced while it was open")
        if batch.empty:
            return
        self._keeper.make_room(self._newest)
        run = self._connection.executemany
        self._connection.execute("BEGIN IMMEDIATE")
        newest_boot = self._know_boots(batch)
        front = self._readings(batch)
        for number, event in batch.events:
            self._event(numbers_after + number, event)
        run(_BEAT, [rows.beat_row(batch.beat)] if batch.beat else [])
        run(_GAP, [rows.gap_row(gap) for gap in batch.gaps])
        self._note_clock(batch)
        if newest_boot:
            self._connection.execute(_BOOTS_OVER, (newest_boot,))
        self._connection.execute("COMMIT")
        self._front = front

    def tidy(self) -> bool:
        """Do a little housekeeping; False when there is nothing to do."""
        return self._keeper.bite(self._newest)

    def close(self, *, in_order: bool = False) -> None:
        """Closes the file; an open transaction is rolled back. Idempotent. `in_order`: all was written."""
        if in_order:
            schema.say_closed(self._connection, "yes")
        self._connection.close()

    @property
    def _newest(self) -> Position:
        return self._front[0], self._front[1]

    def _know_boots(self, batch: Batch) -> int:
        """Learns the ids of boots; returns that of the newest if it is new in the file, else 0."""
        newest = 0
        for boot in _boots(batch):
            if boot in self._boots:
                continue
            run = self._connection.execute
            is_new = run("INSERT INTO boots (boot) VALUES (?) ON CONFLICT DO NOTHING", (boot,)).rowcount > 0
            self._boots[boot] = int(run("SELECT id FROM boots WHERE boot = ?", (boot,)).fetchone()[0])
            newest = self._boots[boot] if is_new else newest
        return newest

    def _readings(self, batch: Batch) -> rows.Row:
        """Puts the readings in; returns the largest key in the file."""
        front = self._front
        ordered: list[rows.Row] = []
        late: list[rows.Row] = []
        for reading in batch.readings:
            boot_id, channel_id = self._boots[rows.text(reading.stamp.boot)], self._channel_id(reading.channel)
            row = (boot_id, *rows.reading_row(reading, channel_id)[1:])
            (ordered if (row[0], row[1], row[4]) > front else late).append(row)
        self._connection.executemany(_READING, ordered)
        for row in late:
            if self._connection.execute(_READING, row).rowcount > 0:
                self._connection.execute(_LATE, (row[0], row[1], row[4]))
        return max(((row[0], row[1], row[4]) for row in ordered), default=front)

    def _note_clock(self, batch: Batch) -> None:
        """Where wall time jumps against monotonic time, or trust in it changes."""
        stamps = [(self._boots[rows.text(stamp.boot)], stamp) for stamp in _stamps(batch)]
        for boot_id, stamp in sorted(stamps, key=lambda each: (each[0], each[1].mono_s)):
            known_boot, since_ms, known_ms, known_trusted = self._clock
            same = stamp.trusted == known_trusted and abs((stamp.wall_s - stamp.mono_s) * 1000 - known_ms) <= JUMP_MS
            if boot_id < known_boot or (boot_id == known_boot and same):
                continue
            _, mono_ms, wall_ms, trusted = rows.when(stamp)
            if boot_id > known_boot or mono_ms > since_ms:  # an older stamp says nothing of what came after
                self._clock = (boot_id, mono_ms, wall_ms - mono_ms, trusted)
                self._connection.execute(_CLOCK, self._clock)

    def _event(self, number: int, event: Event) -> None:
        run = self._connection.execute
        match event:
            case LevelChange():
                run(_LEVEL, rows.level_row(number, event))
            case CommandChange():
                run(_COMMAND, rows.command_row(number, event))
            case FaultChange():
                run(_FAULT, rows.fault_row(number, event))
            case HandChange():
                run(_HAND, rows.hand_row(number, event))
            case AlarmChange():
                run(_ALARM, rows.alarm_row(number, event))

    def _register(self, barn: Barn, channels: Iterable[Channel]) -> dict[str, int]:
        run: Any = self._connection.executemany
        wanted = [(c.name, c.sensor, c.place, c.quantity.value) for c in channels]
        self._connection.execute("BEGIN IMMEDIATE")
        run(_PLACE, [(p.name, p.kind.value, json.dumps(dict(p.label), ensure_ascii=False)) for p in barn.places])
        run(_CHANNEL, wanted)
        run(
            _CORRECTION,
            [(c.channel, c.offset, c.on, rows.text(c.by), rows.text(c.reference)) for c in barn.corrections],
        )
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
    return dict.fromkeys(rows.text(boot) for boot in dict.fromkeys(stamp.boot for stamp in stamps + beat))


def _stamps(batch: Batch) -> Iterable[Stamp]:
    """Of readings of one instant one is enough."""
    beat = [batch.beat.stamp] if batch.beat else []
    once = {(reading.stamp.boot, reading.stamp.mono_s): reading.stamp for reading in batch.readings}
    return (*once.values(), *(event.stamp for _, event in batch.events), *beat)


def _identity(path: Path) -> _Identity | None:
    try:
        found = os.stat(path)
    except FileNotFoundError:
        return None
    return _Identity(found.st_dev, found.st_ino)
