"""Owns: questions to the history about one moment in the past.

Must not know: what is made of the answers.
How it works: a moment is asked for by wall time, which is a label; the events, which are few, tell the boot and the
monotonic time that belong to it, and from there on the order (boot, mono) counts. So a reading of long ago is found by
its key, without walking through all later ones.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.model import CommandChange, FaultChange, HandChange, HandKind, LevelChange, Reading, Stamp
from gateway.store import rows
from gateway.store.queries import History

_WHEN = "b.boot, t.mono_ms, t.wall_ms, t.trusted"
_EVENTS = ("commands", "levels", "faults", "hands")
_COMMAND = f"SELECT {_WHEN}, t.kit, t.is_on, t.reasons FROM commands t JOIN boots b ON b.id = t.boot WHERE t.kit = ?"
_LEVEL = f"SELECT {_WHEN}, t.place, t.level_before, t.level_after, t.sum_f_pct, t.code, t.text FROM levels t\
 JOIN boots b ON b.id = t.boot WHERE t.place = ? AND t.wall_ms <= ? ORDER BY t.id DESC LIMIT 1"
_FAULTS = f"SELECT {_WHEN}, t.subject, t.code, t.text, t.active FROM faults t JOIN boots b ON b.id = t.boot\
 WHERE t.wall_ms <= ? AND (t.boot, t.mono_ms) >= (?, ?) ORDER BY t.id"
_HANDS = f"SELECT {_WHEN}, t.subject, t.kind, t.until_mono_ms, t.until_wall_ms, t.person, t.why FROM hands t\
 JOIN boots b ON b.id = t.boot WHERE t.wall_ms <= ? AND t.subject = ? ORDER BY t.id DESC LIMIT 1"
_READING = f"SELECT {_WHEN}, c.name, t.value, t.quality, t.detail, t.raw FROM readings t JOIN boots b ON b.id = t.boot\
 JOIN channels c ON c.id = t.channel WHERE c.name = ? AND t.boot = ? AND t.mono_ms <= ? AND t.mono_ms > ?\
 ORDER BY t.mono_ms DESC LIMIT 1"
_BEAT = "SELECT mono_ms, steps, late FROM beats WHERE boot = ? AND mono_ms <= ? AND mono_ms > ?\
 ORDER BY mono_ms DESC LIMIT 1"
STEP_MS = 1000  # the core steps once a second, and beats every ten
BEATS_WITHIN_MS = 60_000
READ_WITHIN_MS = 600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A wall time, and the boot and monotonic time that belong to it. `began_ms` is when that run of core began.

    `began_ms` is None when no run of core gave a sign of life within a minute before.
    """

    wall_ms: int
    boot_id: int
    mono_ms: int
    began_ms: int | None


class Past(History):
    """Read-only, as `History`."""

    def moment(self, wall_s: float) -> Moment | None:
        """Where in the history a wall time lies; None when nothing is older."""
        wall_ms = rows.whole_ms(wall_s)
        newest = " UNION ALL ".join(
            f"SELECT * FROM (SELECT wall_ms, boot, mono_ms FROM {table} WHERE wall_ms <= ? ORDER BY id DESC LIMIT 1)"
            for table in _EVENTS
        )
        query = f"SELECT wall_ms, boot, mono_ms FROM ({newest}) ORDER BY boot DESC, mono_ms DESC LIMIT 1"
        found = self._newest(query, (wall_ms,) * len(_EVENTS))
        if not found:
            return None
        event_wall_ms, boot_id, event_mono_ms = found[0]
        mono_ms = event_mono_ms + wall_ms - event_wall_ms
        beats = self._newest(_BEAT, (boot_id, mono_ms, mono_ms - BEATS_WITHIN_MS))
        began_ms = beats[0][0] - (beats[0][1] + beats[0][2]) * STEP_MS if beats else None
        return Moment(wall_ms=wall_ms, boot_id=boot_id, mono_ms=mono_ms, began_ms=began_ms)

    def command_at(self, kit: str, at: Moment) -> CommandChange | None:
        """The last command of a piece of kit at or before a moment."""
        query = f"{_COMMAND} AND t.wall_ms <= ? ORDER BY t.id DESC LIMIT 1"
        found = self._newest(query, (kit, at.wall_ms))
        return rows.command(found[0]) if found else None

    def command_after(self, kit: str, at: Moment) -> CommandChange | None:
        """The first command of a piece of kit after a moment."""
        found = self._newest(f"{_COMMAND} AND t.wall_ms > ? ORDER BY t.id LIMIT 1", (kit, at.wall_ms))
        return rows.command(found[0]) if found else None

    def level_at(self, place: str, at: Moment) -> LevelChange | None:
        """The last change of level of a place at or before a moment."""
        found = self._newest(_LEVEL, (place, at.wall_ms))
        return rows.level(found[0]) if found else None

    def reading_at(self, channel: str, at: Moment) -> Reading | None:
        """The last reading of a channel at or before a moment, at most ten minutes old."""
        found = self._newest(_READING, (channel, at.boot_id, at.mono_ms, at.mono_ms - READ_WITHIN_MS))
        return rows.reading(found[0]) if found else None

    def faults_at(self, at: Moment) -> tuple[FaultChange, ...]:
        """The faults that stood at a moment: each run of core tells its own anew, so older runs do not count."""
        if at.began_ms is None:
            return ()
        standing: dict[tuple[str, str], FaultChange] = {}
        # a beat may be late by a little; a fault is never told before the first step
        for row in self._newest(_FAULTS, (at.wall_ms, at.boot_id, at.began_ms - 5 * STEP_MS))[::-1]:
            change = rows.fault(row)
            standing.pop((change.subject, change.code), None)
            if change.active:
                standing[change.subject, change.code] = change
        return tuple(standing.values())

    def hand_at(self, subject: str, at: Moment) -> HandChange | None:
        """What a person had asked for `subject` that still held at a moment."""
        found = self._newest(_HANDS, (at.wall_ms, subject))
        change = rows.hand(found[0]) if found else None
        if change is None or change.kind is HandKind.AUTO or rows.whole_ms(change.until_wall_s) <= at.wall_ms:
            return None
        return change

    def first(self) -> Stamp | None:
        """The oldest command; the history tells nothing of the time before."""
        query = f"SELECT {_WHEN} FROM commands t JOIN boots b ON b.id = t.boot ORDER BY t.id LIMIT 1"
        found = self._newest(query, ())
        return rows.stamp(found[0]) if found else None
