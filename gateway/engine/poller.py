"""Owns: when each sensor is read, and the table of newest readings.

Must not know: wire formats, control rules beyond the gate for raw numbers.
How it works: `due` posts a read job for each sensor whose time has come, one at a time per sensor. In the bus thread
the answer is stamped, judged by the gate, put into the table and handed to the recorder. A failure becomes a reading
without a value; nothing is raised further. A sensor that fails again and again is asked less often, so that it
does not slow the others on its line. One whose port is gone is looked for every second, which costs its line nothing,
and recorded in its own rhythm.
"""

from __future__ import annotations

import functools
import logging
import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.barn import Correction, SensorSpec
from gateway.control.inputs import gate
from gateway.engine.bus import Bus
from gateway.errors import GatewayError, NoNews, PortGone, ReadError
from gateway.model import Channel, Latest, Quality, Raw, Reading, Stamp
from gateway.ports import Clock, Recorder, Sensor

log = logging.getLogger(__name__)

SLOWEST_S = 30.0  # even a dead sensor is asked this often, so that it comes back by itself
BEGIN_WITHIN_S = 2.0
LOOK_AGAIN_S = 1.0  # for a port that is gone: what is plugged in again is read at once


@dataclass(slots=True)
class _Entry:
    spec: SensorSpec
    sensor: Sensor
    bus: Bus
    next_s: float
    asked_s: float = 0.0
    kept_s: float = -math.inf
    failures: int = 0
    asked: bool = False
    said: str = ""


class Poller:
    """Reads every sensor in its own rhythm."""

    def __init__(self, clock: Clock, recorder: Recorder, corrections: Sequence[Correction] = ()) -> None:
        self._clock, self._recorder = clock, recorder
        self._offsets = {correction.channel: correction.offset for correction in corrections}
        self._entries: list[_Entry] = []
        self._lock = threading.Lock()  # guards _latest, which bus threads write and the step thread copies
        self._latest: dict[str, Latest] = {}

    def add(self, spec: SensorSpec, sensor: Sensor, bus: Bus) -> None:
        """Take a sensor into the schedule; it is due at once."""
        self._entries.append(_Entry(spec, sensor, bus, next_s=self._clock.now_s()))

    def due(self, now_s: float) -> None:
        """Post the reads whose time has come. Never blocks."""
        for entry in self._entries:
            if entry.asked or now_s < entry.next_s:
                continue
            entry.asked_s = now_s
            done = functools.partial(self._answer, entry)
            entry.asked = True  # before the thread can answer
            if not entry.bus.submit(entry.sensor.read, done, begin_within_s=BEGIN_WITHIN_S):
                entry.asked = False

    def latest(self) -> Mapping[str, Latest]:
        """A copy of the newest readings, by channel."""
        with self._lock:
            return dict(self._latest)

    def close(self) -> None:
        """Close the sensors. Call after the buses have ended."""
        for entry in self._entries:
            entry.sensor.close()

    def _pause_s(self, entry: _Entry) -> float:
        longer: float = entry.spec.every_s * 2 ** min(max(0, entry.failures - 3), 6)
        return min(longer, max(SLOWEST_S, entry.spec.every_s))

    def _answer(self, entry: _Entry, got: Any) -> None:
        """In the bus thread: raw values, or the error that came instead of them."""
        stamp = self._clock.stamp()
        if isinstance(got, NoNews) and self._is_young(entry, stamp.mono_s):
            entry.next_s = entry.asked_s + entry.spec.every_s
            entry.asked = False
            return
        if isinstance(got, PortGone) and stamp.mono_s - entry.kept_s < entry.spec.every_s:
            entry.next_s = entry.asked_s + LOOK_AGAIN_S
            entry.asked = False
            return
        if isinstance(got, GatewayError):
            quality = _quality_of(got)
            entry.failures += not isinstance(got, PortGone)
            readings = [
                Reading(channel=c.name, value=None, quality=quality, stamp=stamp, detail=str(got))
                for c in entry.sensor.channels
            ]
        else:
            readings = [self._judge(entry.sensor.channels, raw, stamp) for raw in got]
            entry.failures = 0 if all(r.value is not None for r in readings) else entry.failures + 1
        self._say(entry, readings)
        self._keep(readings)
        for reading in readings:
            self._recorder.reading(reading)
        entry.kept_s = stamp.mono_s
        entry.next_s = entry.asked_s + (LOOK_AGAIN_S if isinstance(got, PortGone) else self._pause_s(entry))
        entry.asked = False

    def _is_young(self, entry: _Entry, now_s: float) -> bool:
        """Whether the last good word of every channel is not yet late."""
        with self._lock:
            known = [self._latest.get(channel.name) for channel in entry.sensor.channels]
        return all(
            each is not None and each.good is not None and now_s - each.good.stamp.mono_s <= entry.spec.late_after_s
            for each in known
        )

    def _judge(self, channels: Sequence[Channel], raw: Raw, stamp: Stamp) -> Reading:
        """What the device gave is judged first, so that a correction cannot hide a broken part, then corrected."""
        quantity = next(c.quantity for c in channels if c.name == raw.channel)
        value, quality, detail = gate(quantity, raw.value)
        offset = self._offsets.get(raw.channel)
        if value is None or offset is None:
            return Reading(channel=raw.channel, value=value, quality=quality, stamp=stamp, detail=detail)
        value, quality, detail = gate(quantity, value + offset)
        return Reading(channel=raw.channel, value=value, quality=quality, stamp=stamp, detail=detail, raw=raw.value)

    def _keep(self, readings: Sequence[Reading]) -> None:
        with self._lock:
            for reading in readings:
                self._latest[reading.channel] = newer(self._latest.get(reading.channel), reading)

    @staticmethod
    def _say(entry: _Entry, readings: Sequence[Reading]) -> None:
        """One line when a sensor begins to fail in a new way or is well again; not one line per poll."""
        bad = next((r for r in readings if r.value is None), None)
        now = "" if bad is None else str(bad.quality)
        if now != entry.said:
            if bad is None:
                log.info("%s reads well again", entry.spec.name)
            else:
                log.warning("%s gives no reading (%s): %s", entry.spec.name, now, bad.detail)
        entry.said = now


def newer(known: Latest | None, reading: Reading) -> Latest:
    """The table entry after `reading`: the last good one is kept, with the time since when its value stands."""
    if reading.value is None:
        return Latest(
            last=reading,
            good=None if known is None else known.good,
            same_since_s=0.0 if known is None else known.same_since_s,
        )
    if known is not None and known.good is not None and known.good.value == reading.value:
        return Latest(last=reading, good=reading, same_since_s=known.same_since_s)
    return Latest(last=reading, good=reading, same_since_s=reading.stamp.mono_s)


def _quality_of(error: GatewayError) -> Quality:
    return Quality(error.quality) if isinstance(error, ReadError) else Quality.DEVICE_FAULT
