"""How fast a year is replayed: 365 hourly days through the live step, on one core.

The aim of 20 s is for the whole year; a sample of days spread over the year is measured and scaled when asked for.
"""

from __future__ import annotations

import datetime
import math
import time

from drivers.bench.weather_rows import WeatherRow
from gateway.app.replay import plain_barn, replay
from gateway.barn import DEFAULT_POSTS
from gateway.model import Policy

AIM_S = 20.0
YEAR_DAYS = 365


def main() -> None:
    took_s = year_of_replay()
    print(f"replay: one hourly year in {took_s:.1f} s of processor time (aim: below {AIM_S:g} s)")


def year_of_replay(days: int = YEAR_DAYS) -> float:
    """Processor time [s] of a year of hourly replay; fewer `days` are measured and scaled to the year."""
    rows = made_up_year()[: days * 24]
    begun_s = time.process_time()
    replay(plain_barn(DEFAULT_POSTS, Policy.STRICTER), rows, lambda _: None)
    return (time.process_time() - begun_s) * YEAR_DAYS / days


def made_up_year() -> list[WeatherRow]:
    """Invented weather in which no hour is like the one before, so that nothing can be remembered across hours."""
    first = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    return [_hour(first + datetime.timedelta(hours=hour), hour) for hour in range(YEAR_DAYS * 24)]


def _hour(when: datetime.datetime, hour: int) -> WeatherRow:
    season = -math.cos(2 * math.pi * hour / (YEAR_DAYS * 24))
    day = -math.cos(2 * math.pi * (hour - 3) / 24)
    other = math.sin(hour * 0.7)
    return WeatherRow(
        when=when, temp_c=18.0 + 10.0 * season + 6.0 * day + other, rh_pct=65.0 - 20.0 * day + 5.0 * other
    )


if __name__ == "__main__":
    main()
