"""Owns: which readings count, and what is known of the air at a place.

Must not know: drivers, how anything is shown, what is done with the answer.
How it works: `gate` judges one raw number as it arrives (finite, plausible); nothing that is not finite gets past
it. `air_at` takes the newest readings of the sensors of one place, drops the old, the stuck and the doubted ones, and
takes the hotter of those left. Temperature and humidity always come from one sensor, never mixed from two. Air speed
and globe are taken beside them where something measures them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from gateway.barn import SensorSpec
from gateway.control.quality import Doubt
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import STANDARD_PRESSURE_PA, wet_bulb_c
from gateway.model import AIR, Latest, Quality, Quantity

# What a barn can hold. Outside these limits the part is broken, not the weather. 60 °C is a closed lorry in the
# sun; no humidity sensor in a stable reads below 1 %; data sheets of capacitive sensors allow a little over 100 %
# when wet, and the kernel does not clamp it. Common practice, no published source.
PLAUSIBLE: Mapping[Quantity, tuple[float, float]] = {
    Quantity.TEMP: (-40.0, 60.0),
    Quantity.RH: (1.0, 105.0),
    Quantity.WIND: (0.0, 60.0),
    Quantity.DIRECTION: (0.0, 360.0),
    Quantity.GLOBE: (-40.0, 90.0),
    Quantity.SKIN: (-40.0, 60.0),
    Quantity.PRESSURE: (50_000.0, 110_000.0),
    Quantity.SUN: (-20.0, 1_600.0),  # a pyranometer shows a little below zero at night
    Quantity.CURRENT: (-1.0, 500.0),
    Quantity.SPEED: (0.0, 20_000.0),
    Quantity.FLOW: (0.0, 1_000.0),
    Quantity.SUPPLY: (0.0, 500.0),
    Quantity.CONTACT: (0.0, 1.0),
    Quantity.SWITCH: (0.0, 2.0),
}
UNITS: Mapping[Quantity, str] = {
    Quantity.TEMP: "°C",
    Quantity.RH: "%",
    Quantity.WIND: "m/s",
    Quantity.DIRECTION: "°",
    Quantity.GLOBE: "°C",
    Quantity.SKIN: "°C",
    Quantity.PRESSURE: "Pa",
    Quantity.SUN: "W/m2",
    Quantity.CURRENT: "A",
    Quantity.SPEED: "rpm",
    Quantity.FLOW: "l/min",
    Quantity.SUPPLY: "V",
    Quantity.CONTACT: "",
    Quantity.SWITCH: "",
}

# The value that a common 1-Wire thermometer holds before its first conversion (its data sheet: power-on reset value).
POWER_ON_C = 85.0


class Freshness(StrEnum):
    """Fresh: use it. Late: use it, show its age. Lost: nobody knows the air there."""

    FRESH = "fresh"
    LATE = "late"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class AirInput:
    """The air at one place, or why it is not known (`lost_code` is a Quality, `lost_text` a sentence).

    `air_mps` and `globe_c` are None where nothing fresh measures them. `no_mist` says why water must stay off here.
    """

    freshness: Freshness
    temp_c: float | None = None
    rh_pct: float | None = None
    sensor: str = ""
    age_s: float | None = None
    good_wall_s: float | None = None
    lost_code: Quality = Quality.GOOD
    lost_text: str = ""
    air_mps: float | None = None
    globe_c: float | None = None
    no_mist: str = ""

    @property
    def sum_f_pct(self) -> float | None:
        """The sum, or None when the air is not known."""
        if self.temp_c is None or self.rh_pct is None:
            return None
        return heat_sum(temp_c=self.temp_c, rh_pct=self.rh_pct)


def gate(quantity: Quantity, value: float) -> tuple[float | None, Quality, str]:
    """Judge one raw number: (value, GOOD, ""), or (None, quality, why)."""
    if not math.isfinite(value):
        return None, Quality.NOT_A_NUMBER, f"{value} is not a number"
    if quantity is Quantity.TEMP and value == POWER_ON_C:
        return None, Quality.POWER_ON, "85.000 °C is what the part shows before it has measured"
    low, high = PLAUSIBLE[quantity]
    if not low <= value <= high:
        unit = UNITS[quantity]
        return None, Quality.OUT_OF_RANGE, f"{value:g} {unit} is outside {low:g} to {high:g} {unit}"
    return value, Quality.GOOD, ""


def by_sum(air: AirInput) -> float:
    """For places where the rule counts: the higher sum is the worse."""
    return air.sum_f_pct or -math.inf


def by_air(air: AirInput) -> float:
    """For places where the air alone decides: the higher wet bulb is the worse. In equal damp the warmer air has it."""
    if air.temp_c is None or air.rh_pct is None:
        return -math.inf
    return wet_bulb_c(temp_c=air.temp_c, rh_pct=air.rh_pct, pressure_pa=STANDARD_PRESSURE_PA)


def air_at(
    sensors: Iterable[SensorSpec],
    latest: Mapping[str, Latest],
    now_s: float,
    doubts: Mapping[str, Sequence[Doubt]] = MappingProxyType({}),
    *,
    worse: Callable[[AirInput], float] = by_sum,
) -> AirInput:
    """What is known of the air at the place of these sensors.

    A fresh sensor goes before a late one. Among equals the `worse` wins, since two sensors that differ leave doubt,
    and the doubt belongs to the horse. With none left, the sensor that spoke last says why.
    """
    there = tuple(sensors)
    heard = [
        sensor_freshness(sensor, latest, now_s, doubts.get(sensor.name, ())) for sensor in there if sensor.tells_air
    ]
    found = _best(heard, worse)
    if found.temp_c is None:
        return found
    dry = next((doubt.text for each in there for doubt in doubts.get(each.name, ()) if doubt.no_mist), "")
    wind, globe = (_newest(there, quantity, latest, now_s) for quantity in (Quantity.WIND, Quantity.GLOBE))
    # Of several the least wind and the hottest globe: the careful side for the horse.
    return replace(found, air_mps=min(wind) if wind else None, globe_c=max(globe) if globe else None, no_mist=dry)


def fresh_value(
    channel: str, sensors: Iterable[SensorSpec], latest: Mapping[str, Latest], now_s: float
) -> float | None:
    """The newest value of one channel, or None when it is older than its sensor allows."""
    lost_after_s = next((each.lost_after_s for each in sensors if channel.startswith(f"{each.name}.")), 0.0)
    newest = latest.get(channel)
    if newest is None or newest.good is None or now_s - newest.good.stamp.mono_s > lost_after_s:
        return None
    return newest.good.value


def sensor_freshness(
    sensor: SensorSpec, latest: Mapping[str, Latest], now_s: float, doubts: Sequence[Doubt] = ()
) -> AirInput:
    """What one sensor of air alone knows."""
    air = _sensor_air(sensor, latest, now_s)
    out = next((doubt for doubt in doubts if not doubt.counts), None)
    if out is None or air.freshness is Freshness.LOST:
        return air
    return _without_numbers(air, Quality.STUCK, out.text)


def channel_lost(sensor: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> str:
    """Why a sensor that tells no air is lost, by its first channel that is; empty while all are fresh enough."""
    for channel in sensor.channels:
        newest = latest.get(channel.name)
        if newest is None or newest.good is None:
            bad = newest.last if newest is not None else None
            return f"{sensor.name}: no reading yet" + (f", {bad.detail or bad.quality}" if bad else "")
        age_s = now_s - newest.good.stamp.mono_s
        if age_s > sensor.lost_after_s:
            return f"{sensor.name}: no {channel.quantity.key} for {age_s:.0f} s{_why_old(newest)[1]}"
    return ""


def _best(heard: Sequence[AirInput], worse: Callable[[AirInput], float]) -> AirInput:
    for wanted in (Freshness.FRESH, Freshness.LATE):
        known = [air for air in heard if air.freshness is wanted]
        if known:
            return max(known, key=worse)
    nobody = AirInput(freshness=Freshness.LOST, lost_code=Quality.NEVER, lost_text="no sensor tells the air here")
    return max(heard, key=lambda air: air.good_wall_s or -math.inf, default=nobody)


def _newest(
    sensors: Iterable[SensorSpec], quantity: Quantity, latest: Mapping[str, Latest], now_s: float
) -> list[float]:
    """The fresh values of one quantity at a place. A correction may have moved one to where nothing is."""
    names = [f"{each.name}.{quantity}" for each in sensors if quantity in each.quantities]
    values = (fresh_value(name, sensors, latest, now_s) for name in names)
    return [value for value in values if value is not None and not gate(quantity, value)[2]]


def _sensor_air(sensor: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> AirInput:
    temp, rh = (latest.get(f"{sensor.name}.{quantity}") for quantity in AIR)
    if temp is None or rh is None or temp.good is None or rh.good is None:
        return _never(sensor, temp, rh)
    assert temp.good.value is not None and rh.good.value is not None
    age_s = now_s - min(temp.good.stamp.mono_s, rh.good.stamp.mono_s)
    found = AirInput(
        freshness=Freshness.LATE if age_s > sensor.late_after_s else Freshness.FRESH,
        temp_c=temp.good.value,
        rh_pct=min(rh.good.value, 100.0),  # a wet sensor may read 103 %: air cannot
        sensor=sensor.name,
        age_s=age_s,
        good_wall_s=min(temp.good.stamp.wall_s, rh.good.stamp.wall_s),
    )
    lost = _lost(sensor, temp, rh, age_s, now_s)
    return found if lost is None else _without_numbers(found, *lost)


def _lost(sensor: SensorSpec, temp: Latest, rh: Latest, age_s: float, now_s: float) -> tuple[Quality, str] | None:
    """Why the newest good numbers of a sensor do not count, if they do not."""
    assert temp.good is not None and rh.good is not None
    if age_s > sensor.lost_after_s:
        code, why = _why_old(temp, rh)
        return code, f"{sensor.name}: no reading for {age_s:.0f} s{why}"
    same_s = now_s - max(temp.same_since_s, rh.same_since_s)
    if same_s > sensor.stuck_after_s:
        return Quality.STUCK, f"{sensor.name}: reading stuck, both numbers the same for {same_s / 60:.0f} min"
    for quantity, good in ((Quantity.TEMP, temp.good), (Quantity.RH, rh.good)):
        why = gate(quantity, good.value if good.value is not None else math.nan)[2]
        if why:  # a correction can move a number to where no air is
            return Quality.OUT_OF_RANGE, f"{sensor.name}: {why}, after its correction"
    return None


def _without_numbers(air: AirInput, code: Quality, text: str) -> AirInput:
    return replace(air, freshness=Freshness.LOST, temp_c=None, rh_pct=None, lost_code=code, lost_text=text)


def _never(sensor: SensorSpec, temp: Latest | None, rh: Latest | None) -> AirInput:
    bad = next((one.last for one in (temp, rh) if one is not None and one.last.value is None), None)
    if bad is None:
        code, text = Quality.NEVER, f"{sensor.name}: no reading yet"
    else:
        code, text = bad.quality, f"{sensor.name}: no reading yet, {bad.detail or bad.quality}"
    return AirInput(freshness=Freshness.LOST, sensor=sensor.name, lost_code=code, lost_text=text)


def _why_old(*channels: Latest) -> tuple[Quality, str]:
    """The newest failure explains the silence; without one the poller itself has stopped."""
    bad = [one.last for one in channels if one.last.value is None]
    if not bad:
        return Quality.OLD, ""
    newest = max(bad, key=lambda reading: reading.stamp.mono_s)
    return newest.quality, f", {newest.detail or newest.quality}"
