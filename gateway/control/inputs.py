"""Owns: which readings count, and what is known of the air at a place.

Must not know: drivers, how anything is shown, what is done with the answer.
How it works: `gate` judges one raw number as it arrives (finite, plausible); nothing that is not finite gets past
it. `air_at` takes the newest readings of the sensors of one place, drops the old and the stuck ones, and takes the
hotter of those left. Temperature and humidity always come from one sensor, never mixed from two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from gateway.heat.indices import heat_sum
from gateway.model import Latest, Quality, Quantity, SensorSpec

# What a barn can hold. Outside these limits the part is broken, not the weather. 60 °C is a closed lorry in the
# sun; no humidity sensor in a stable reads below 1 %; data sheets of capacitive sensors allow a little over 100 %
# when wet, and the kernel does not clamp it. Common practice, no published source.
PLAUSIBLE = {
    Quantity.TEMP: (-40.0, 60.0),
    Quantity.RH: (1.0, 105.0),
    Quantity.WIND: (0.0, 60.0),
    Quantity.GLOBE: (-40.0, 90.0),
    Quantity.SKIN: (-40.0, 60.0),
}
UNITS = {Quantity.TEMP: "°C", Quantity.RH: "%", Quantity.WIND: "m/s", Quantity.GLOBE: "°C", Quantity.SKIN: "°C"}

# The value that a common 1-Wire thermometer holds before its first conversion (its data sheet: power-on reset value).
POWER_ON_C = 85.0


class Freshness(StrEnum):
    """Fresh: use it. Late: use it, show its age. Lost: nobody knows the air there."""

    FRESH = "fresh"
    LATE = "late"
    LOST = "lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class AirInput:
    """The air at one place, or why it is not known (`lost_code` is a Quality, `lost_text` a sentence)."""

    freshness: Freshness
    temp_c: float | None = None
    rh_pct: float | None = None
    sensor: str = ""
    age_s: float | None = None
    good_wall_s: float | None = None
    lost_code: Quality = Quality.GOOD
    lost_text: str = ""

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


def air_at(sensors: Iterable[SensorSpec], latest: Mapping[str, Latest], now_s: float) -> AirInput:
    """What is known of the air at the place of these sensors.

    A fresh sensor goes before a late one. Among equals the hotter sum wins, since two sensors that differ leave
    doubt, and the doubt belongs to the horse. With none left, the sensor that spoke last says why.
    """
    heard = [_sensor_air(sensor, latest, now_s) for sensor in sensors]
    for wanted in (Freshness.FRESH, Freshness.LATE):
        known = [air for air in heard if air.freshness is wanted]
        if known:
            return max(known, key=lambda air: air.sum_f_pct or -math.inf)
    return max(heard, key=lambda air: air.good_wall_s or -math.inf)


def sensor_freshness(sensor: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> AirInput:
    """What one sensor alone knows; for the list of faults."""
    return _sensor_air(sensor, latest, now_s)


def _sensor_air(sensor: SensorSpec, latest: Mapping[str, Latest], now_s: float) -> AirInput:
    temp = latest.get(f"{sensor.name}.{Quantity.TEMP}")
    rh = latest.get(f"{sensor.name}.{Quantity.RH}")
    if temp is None or rh is None or temp.good is None or rh.good is None:
        return _never(sensor, temp, rh)
    age_s = max(now_s - temp.good.stamp.mono_s, now_s - rh.good.stamp.mono_s)
    wall_s = min(temp.good.stamp.wall_s, rh.good.stamp.wall_s)
    if age_s > sensor.lost_after_s:
        code, why = _why_old(temp, rh)
        text = f"{sensor.name}: no reading for {age_s:.0f} s{why}"
        return AirInput(
            freshness=Freshness.LOST, sensor=sensor.name, age_s=age_s, good_wall_s=wall_s,
            lost_code=code, lost_text=text,
        )  # fmt: skip
    same_s = now_s - max(temp.same_since_s, rh.same_since_s)
    if same_s > sensor.stuck_after_s:
        text = f"{sensor.name}: reading stuck, both numbers the same for {same_s / 60:.0f} min"
        return AirInput(
            freshness=Freshness.LOST, sensor=sensor.name, age_s=age_s, good_wall_s=wall_s,
            lost_code=Quality.STUCK, lost_text=text,
        )  # fmt: skip
    assert temp.good.value is not None and rh.good.value is not None
    return AirInput(
        freshness=Freshness.LATE if age_s > sensor.late_after_s else Freshness.FRESH,
        temp_c=temp.good.value,
        rh_pct=min(rh.good.value, 100.0),  # a wet sensor may read 103 %: air cannot
        sensor=sensor.name,
        age_s=age_s,
        good_wall_s=wall_s,
    )


def _never(sensor: SensorSpec, temp: Latest | None, rh: Latest | None) -> AirInput:
    bad = next((one.last for one in (temp, rh) if one is not None and one.last.value is None), None)
    if bad is None:
        code, text = Quality.NEVER, f"{sensor.name}: no reading yet"
    else:
        code, text = bad.quality, f"{sensor.name}: no reading yet, {bad.detail or bad.quality}"
    return AirInput(freshness=Freshness.LOST, sensor=sensor.name, lost_code=code, lost_text=text)


def _why_old(temp: Latest, rh: Latest) -> tuple[Quality, str]:
    """The newest failure explains the silence; without one the poller itself has stopped."""
    bad = [one.last for one in (temp, rh) if one.last.value is None]
    if not bad:
        return Quality.OLD, ""
    newest = max(bad, key=lambda reading: reading.stamp.mono_s)
    return newest.quality, f", {newest.detail or newest.quality}"
