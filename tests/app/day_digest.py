"""One recorded day through the live step, and the digests of all that comes out: run as a program by `test_same_day`.

The barn is the shipped one; the day is a file of weather. On the way a sensor falls silent and comes back, and a person
takes a fan by hand, so that faults, hands and timers are part of it.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

from drivers.bench.weather_file import read_weather
from gateway.barn import Barn
from gateway.control.decide import start_state
from gateway.control.inputs import gate
from gateway.engine.poller import newer
from gateway.engine.snapshot import encode
from gateway.engine.step import StepInputs, StepState, step
from gateway.model import HandChange, HandKind, KitSeen, Latest, Quantity, Reading, Stamp
from gateway.site import load

STEP_S = 60.0
SILENT = (6 * 3600.0, 7 * 3600.0)
BY_HAND_S = 9 * 3600.0
OFFSET_S = -4 * 3600.0


def digests(site: Path, weather_file: Path, begin_s: float) -> dict[str, str]:
    """Digests of commands, reasons, events and snapshots of the day that begins at `begin_s`."""
    barn, weather = load(site).barn, read_weather(weather_file)
    found = {name: hashlib.sha256() for name in ("commands", "reasons", "events", "snapshots")}
    state = StepState(control=start_state(barn, 0.0), started_s=0.0)
    latest: dict[str, Latest] = {}
    for number in range(round(86400.0 / STEP_S)):
        now_s = number * STEP_S
        air = weather.at(begin_s + now_s)
        latest = _heard(barn, latest, {Quantity.TEMP: air.temp_c, Quantity.RH: air.rh_pct}, begin_s, now_s)
        day, second = divmod(int(begin_s + now_s + OFFSET_S), 86400)
        inputs = StepInputs(
            latest=latest,
            seen={name: KitSeen(on=run.on, at_s=now_s) for name, run in state.control.kit.items()},
            stamp=_stamp(begin_s, now_s),
            minute=second // 60,
            day=day,
            asked=_asked(barn, begin_s, now_s),
        )
        result = step(barn, state, inputs, now_s)
        state = result.state
        found["commands"].update(repr([(c.kit, c.on, c.speed, c.wanted, c.wait_s) for c in result.commands]).encode())
        found["reasons"].update(repr([c.reasons for c in result.commands]).encode())
        found["events"].update(repr(result.events).encode())
        found["snapshots"].update(encode(result.snapshot))
    return {name: digest.hexdigest() for name, digest in found.items()}


def _stamp(begin_s: float, now_s: float) -> Stamp:
    return Stamp(mono_s=now_s, wall_s=begin_s + now_s, boot="day", trusted=True)


def _heard(
    barn: Barn, latest: dict[str, Latest], air: dict[Quantity, float], begin_s: float, now_s: float
) -> dict[str, Latest]:
    after = dict(latest)
    for rank, sensor in enumerate(barn.sensors):
        if rank == 0 and SILENT[0] <= now_s < SILENT[1]:
            continue
        for quantity, value in air.items():
            channel = f"{sensor.name}.{quantity}"
            # each sensor a little off, so that the choice among them is part of the day
            judged, quality, detail = gate(quantity, value + 0.05 * rank)
            reading = Reading(
                channel=channel, value=judged, quality=quality, stamp=_stamp(begin_s, now_s),
                detail=detail,
            )  # fmt: skip
            after[channel] = newer(latest.get(channel), reading)
    return after


def _asked(barn: Barn, begin_s: float, now_s: float) -> tuple[HandChange, ...]:
    if now_s != BY_HAND_S:
        return ()
    until_s = now_s + 1800.0
    return (
        HandChange(
            subject=barn.kit[0].name, kind=HandKind.OFF, until_mono_s=until_s, until_wall_s=begin_s + until_s,
            by="Ana", why="sweeping", stamp=_stamp(begin_s, now_s),
        ),
    )  # fmt: skip


if __name__ == "__main__":
    for name, digest in digests(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3])).items():
        print(name, digest)
