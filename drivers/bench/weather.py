"""Owns: the weather that the bench makes up: a hot, humid day of an invented barn near a coast.

Must not know: zones, sensors, files. Recorded weather is in `weather_file`.
How it works: a table of hours, eased from knot to knot, gives air temperature, dew point and wind; the sun is a
bow between rise and set. A slow wave makes no two days alike, without chance: the same moment always has the
same air. The story of the day: a humid night; a dry land breeze until ten; then the sea breeze brings the damp
back, and the evening cools into it. All numbers are invented.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Final, Protocol

from drivers.bench.air import Air, rh_from_dew_pct

DAY_S: Final = 86400.0

_SUNRISE_H: Final = 6.3
_SUNSET_H: Final = 20.3
_NOON_GHI_WM2: Final = 930.0

_WAVE_DAYS: Final = 5.3  # no whole number, so that the days differ
_WAVE_K: Final = 0.4


class Weather(Protocol):
    """The air outdoors as a function of wall time, and of nothing else."""

    def at(self, wall_s: float) -> Air: ...


@dataclass(frozen=True, slots=True)
class _Knot:
    hour: float
    temp_c: float
    dew_c: float
    wind_mps: float


_DAY: Final = (
    _Knot(0.0, 25.2, 22.8, 1.2),
    _Knot(3.0, 24.4, 22.5, 0.8),
    _Knot(6.2, 23.9, 22.1, 0.6),
    _Knot(8.0, 26.4, 19.6, 1.5),
    _Knot(9.4, 28.9, 15.6, 2.2),
    _Knot(10.1, 29.8, 15.3, 2.0),
    _Knot(11.2, 31.6, 18.8, 1.8),
    _Knot(13.0, 33.4, 21.6, 2.6),
    _Knot(15.2, 34.1, 23.0, 3.2),
    _Knot(17.5, 32.6, 23.5, 3.0),
    _Knot(19.5, 29.6, 23.5, 2.2),
    _Knot(21.5, 27.0, 23.2, 1.6),
    _Knot(24.0, 25.2, 22.8, 1.2),
)
_HOURS: Final = tuple(knot.hour for knot in _DAY)


class HotDay:
    """One hot humid day after the other. `zone_offset_h` turns wall time into the hour of the barn."""

    def __init__(self, *, zone_offset_h: float) -> None:
        self._offset_s = 3600.0 * zone_offset_h

    def at(self, wall_s: float) -> Air:
        local_s = wall_s + self._offset_s
        hour = local_s % DAY_S / 3600.0
        wave_k = _WAVE_K * math.sin(2.0 * math.pi * local_s / (_WAVE_DAYS * DAY_S))
        knot = _eased(hour)
        rh_pct = rh_from_dew_pct(temp_c=knot.temp_c, dew_c=knot.dew_c)
        return Air(temp_c=knot.temp_c + wave_k, rh_pct=rh_pct, wind_mps=knot.wind_mps, ghi_wm2=sun_wm2(hour))


def sun_wm2(hour: float) -> float:
    """The sun on a level square metre at an hour of a cloudless day."""
    height = math.sin(math.pi * (hour - _SUNRISE_H) / (_SUNSET_H - _SUNRISE_H))
    return _NOON_GHI_WM2 * height**1.2 if _SUNRISE_H < hour < _SUNSET_H else 0.0


def _eased(hour: float) -> _Knot:
    after = min(bisect_right(_HOURS, hour), len(_DAY) - 1)
    low, high = _DAY[after - 1], _DAY[after]
    share = (hour - low.hour) / (high.hour - low.hour)
    share = share * share * (3.0 - 2.0 * share)
    return _Knot(
        hour,
        low.temp_c + share * (high.temp_c - low.temp_c),
        low.dew_c + share * (high.dew_c - low.dew_c),
        low.wind_mps + share * (high.wind_mps - low.wind_mps),
    )
