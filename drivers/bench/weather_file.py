"""Owns: weather that somebody recorded: the rows of a file as a `Weather`.

Must not know: zones, sensors, which hour the barn has now, how a file is read.
How it works: between rows values lie on a straight line, also over a missing row. Before the first and after the last
row the file repeats, shifted by whole days, so that noon stays noon. Without a column for the sun it follows from the
black globe, and without a globe a cloudless day is assumed.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from drivers.bench.air import Air
from drivers.bench.weather import DAY_S, sun_wm2
from drivers.bench.weather_rows import WeatherRow, read_rows
from gateway.errors import WeatherError

_WIND_MPS: Final = 1.5  # a light air, where the file has no wind
_SUN_PER_GLOBE_WM2_K: Final = 60.0  # a black globe in full sun stands about 15 K above the air; rough, from memory

_TimedAir = tuple[float, Air]


class Recorded:
    """The rows of a weather file, for ever."""

    def __init__(self, rows: Iterable[_TimedAir]) -> None:
        self._rows = tuple(rows)
        self._times_s = tuple(time_s for time_s, _ in self._rows)
        first_s, last_s = self._times_s[0], self._times_s[-1]
        self._period_s = DAY_S * max(1, math.ceil((last_s - first_s) / DAY_S))

    def at(self, wall_s: float) -> Air:
        first_s = self._times_s[0]
        time_s = first_s + (wall_s - first_s) % self._period_s
        after = bisect_right(self._times_s, time_s)
        low_s, low = self._rows[after - 1]
        high_s, high = self._rows[after] if after < len(self._rows) else (first_s + self._period_s, self._rows[0][1])
        share = (time_s - low_s) / (high_s - low_s) if high_s > low_s else 0.0
        return _between(low, high, share)


def read_weather(path: Path) -> Recorded:
    """The weather of a CSV file. Raises WeatherError, naming the file and, where it can, the line."""
    timed = [timed for row in read_rows(path) if (timed := _timed(row)) is not None]
    if not timed:
        raise WeatherError(f"{path}: no row has both temp_c and rh_pct")
    return Recorded(timed)


def _timed(row: WeatherRow) -> _TimedAir | None:
    if row.temp_c is None or row.rh_pct is None:
        return None
    ghi_wm2 = row.ghi_wm2
    if ghi_wm2 is None and row.globe_c is not None:
        ghi_wm2 = max(0.0, _SUN_PER_GLOBE_WM2_K * (row.globe_c - row.temp_c))
    if ghi_wm2 is None:
        ghi_wm2 = sun_wm2(row.when.hour + row.when.minute / 60.0)
    wind_mps = _WIND_MPS if row.wind_mps is None else row.wind_mps
    return row.when.timestamp(), Air(temp_c=row.temp_c, rh_pct=row.rh_pct, wind_mps=wind_mps, ghi_wm2=ghi_wm2)


def _between(low: Air, high: Air, share: float) -> Air:
    return Air(
        temp_c=low.temp_c + share * (high.temp_c - low.temp_c),
        rh_pct=low.rh_pct + share * (high.rh_pct - low.rh_pct),
        wind_mps=low.wind_mps + share * (high.wind_mps - low.wind_mps),
        ghi_wm2=low.ghi_wm2 + share * (high.ghi_wm2 - low.ghi_wm2),
    )
