"""Owns: how a value of the model becomes a row, and a row a value.

Must not know: connections, threads, when something is written.
How it works: one pair of functions for each kind of row. Seconds become whole milliseconds. Text is made safe for
UTF-8, because an error text may carry a file name with bytes that are no text, and one row that SQLite cannot take
would hold up all others. A value that is not a number becomes empty; its quality says why.
"""

from __future__ import annotations

import json
import math
from typing import Any

from gateway.model import (
    AlarmChange,
    AlarmStep,
    Beat,
    CommandChange,
    FaultChange,
    HandChange,
    HandKind,
    LevelChange,
    Priority,
    Quality,
    Reading,
    Reason,
    Stamp,
)
from gateway.store.backlog import Gap

Row = tuple[Any, ...]
_LARGEST_MS = 2.0**62


def when(stamp: Stamp) -> tuple[str, int, int, int]:
    """(boot, mono_ms, wall_ms, trusted), the first four columns of every row."""
    return text(stamp.boot), whole_ms(stamp.mono_s), whole_ms(stamp.wall_s), int(stamp.trusted)


def stamp(row: Row) -> Stamp:
    """The inverse of `when`, from the first four columns."""
    return Stamp(boot=row[0], mono_s=row[1] / 1000, wall_s=row[2] / 1000, trusted=bool(row[3]))


def whole_ms(seconds: float) -> int:
    """Milliseconds that fit a column; 0 for a time that is none."""
    if math.isnan(seconds):
        return 0
    return round(max(-_LARGEST_MS, min(_LARGEST_MS, seconds * 1000)))


def text(words: str) -> str:
    return words.encode("utf-8", "replace").decode("utf-8")


def number(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else float(value)


def reading_row(reading: Reading, channel_id: int) -> Row:
    detail = None if reading.quality is Quality.GOOD else text(reading.detail) or None
    return (*when(reading.stamp), channel_id, number(reading.value), reading.quality.value, detail, number(reading.raw))


def reading(row: Row) -> Reading:
    return Reading(
        channel=row[4], value=row[5], quality=Quality(row[6]), detail=row[7] or "", raw=row[8], stamp=stamp(row)
    )


def level_row(number_id: int, change: LevelChange) -> Row:
    reason = change.reason
    rest = (text(change.place), change.before, change.after, number(change.sum_f_pct))
    return (number_id, *when(change.stamp), *rest, text(reason.code), text(reason.text))


def level(row: Row) -> LevelChange:
    reason = Reason(code=row[8], text=row[9])
    return LevelChange(place=row[4], before=row[5], after=row[6], sum_f_pct=row[7], reason=reason, stamp=stamp(row))


def command_row(number_id: int, change: CommandChange) -> Row:
    reasons = json.dumps([{"code": text(r.code), "text": text(r.text)} for r in change.reasons], ensure_ascii=False)
    return (number_id, *when(change.stamp), text(change.kit), int(change.on), reasons)


def command(row: Row) -> CommandChange:
    reasons = tuple(Reason(code=r["code"], text=r["text"]) for r in json.loads(row[6]))
    return CommandChange(kit=row[4], on=bool(row[5]), reasons=reasons, stamp=stamp(row))


def fault_row(number_id: int, change: FaultChange) -> Row:
    rest = (text(change.subject), text(change.code), text(change.text), int(change.active))
    return (number_id, *when(change.stamp), *rest)


def fault(row: Row) -> FaultChange:
    return FaultChange(subject=row[4], code=row[5], text=row[6], active=bool(row[7]), stamp=stamp(row))


def hand_row(number_id: int, change: HandChange) -> Row:
    until = (whole_ms(change.until_mono_s), whole_ms(change.until_wall_s))
    return (number_id, *when(change.stamp), text(change.subject), change.kind.value, *until, text(change.by),
            text(change.why))  # fmt: skip


def hand(row: Row) -> HandChange:
    return HandChange(
        subject=row[4], kind=HandKind(row[5]), until_mono_s=row[6] / 1000, until_wall_s=row[7] / 1000, by=row[8],
        why=row[9], stamp=stamp(row),
    )  # fmt: skip


def alarm_row(number_id: int, change: AlarmChange) -> Row:
    until = (whole_ms(change.until_mono_s), whole_ms(change.until_wall_s))
    rest = (text(change.alarm), change.what.value, change.episode, int(change.priority))
    return (number_id, *when(change.stamp), *rest, *until, text(change.by), text(change.why))


def alarm(row: Row) -> AlarmChange:
    return AlarmChange(
        alarm=row[4], what=AlarmStep(row[5]), episode=row[6], priority=Priority(row[7]), until_mono_s=row[8] / 1000,
        until_wall_s=row[9] / 1000, by=row[10], why=row[11], stamp=stamp(row),
    )  # fmt: skip


def beat_row(beat: Beat) -> Row:
    return (*when(beat.stamp), beat.steps, beat.late)


def beat(row: Row) -> Beat:
    return Beat(steps=row[4], late=row[5], stamp=stamp(row))


def gap_row(gap: Gap) -> Row:
    return (*when(gap.first), whole_ms(gap.last.mono_s), whole_ms(gap.last.wall_s), gap.what, gap.lost)


def gap(row: Row) -> Gap:
    first = stamp(row)
    last = Stamp(boot=first.boot, mono_s=row[4] / 1000, wall_s=row[5] / 1000, trusted=first.trusted)
    return Gap(what=row[6], first=first, last=last, lost=row[7])
