"""Owns: how times of day and ages are written.

Must not know: snapshots, pages.
How it works: Unix time and the barn's zone go in, text comes out. A clock that is not trusted, or a zone that this
machine does not know, gives no time at all: a wrong time on a wall is worse than none.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dashboards.words import Words


@lru_cache(maxsize=8)
def zone_of(name: str) -> tzinfo | None:
    """The time zone, or None when this machine has no table for it."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def time_text(wall_s: float, zone: str, words: Words) -> str:
    """The time of day in the barn, or the words for a clock without time."""
    local = local_of(wall_s, zone)
    return words.clock_unset if local is None else _of_day(local, words)


def since_text(wall_s: float, now_wall_s: float, zone: str, words: Words) -> str:
    """The time of day, with the day before it when that was not today."""
    then, now = local_of(wall_s, zone), local_of(now_wall_s, zone)
    if then is None or now is None:
        return words.clock_unset
    day = "" if then.date() == now.date() else f"{words.days[then.weekday()]} "
    return day + _of_day(then, words)


def old_text(age_s: float, words: Words) -> str:
    """How old a late number is. Steps of 10 s keep the row still."""
    if age_s < 60:
        return words.old_s.format(n=int(age_s // 10 * 10))
    return words.old_min.format(n=int(age_s // 60))


def read_text(age_s: float | None, words: Words) -> str:
    """How long ago the board was read."""
    if age_s is None:
        return words.read_none
    if age_s < 100:
        return words.read_s.format(n=int(age_s))
    return words.read_min.format(n=int(age_s // 60))


def local_of(wall_s: float, zone: str) -> datetime | None:
    """A moment on the clocks of a zone; None when this machine does not know the zone."""
    where = zone_of(zone)
    if where is None:
        return None
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=wall_s)).astimezone(where)


def _of_day(local: datetime, words: Words) -> str:
    return words.clock.format(
        hour12=(local.hour + 11) % 12 + 1,
        hour24=local.hour,
        minute=f"{local.minute:02d}",
        half=words.am if local.hour < 12 else words.pm,
    )
