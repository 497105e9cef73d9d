"""Owns: what is remembered of one sensor of air, so that a lie can be told from weather.

Must not know: other sensors, what is concluded.
How it works: `seen` adds one reading when it is new: since when the air has been wet or dry, when it last jumped, the
span of the last quarter hour in minutes, and how many answers of the last minutes were torn.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from gateway.barn import SensorSpec
from gateway.heat.psychro import dew_point_c, vapour_pressure_pa
from gateway.heat.ranges import RH_PCT, TEMP_C
from gateway.model import Latest, Quality, Quantity

# All limits: common practice, no published source.
STUCK_S = 900.0
WET_PCT, DRY_PCT = 99.5, 5.0
FAST_K_MIN, FAST_PCT_MIN, FAST_FOR_S, FAST_GAP_S = 3.0, 20.0, 300.0, 300.0
NOISE_K, NOISE_PCT = 1.0, 5.0  # a step as small as a part's own noise is none, however short the time was
TORN_S = 600.0

Span = tuple[float, float, float, float, float]  # begin, temperature low and high, humidity low and high
Minute = tuple[float, int, int]  # begin, answers, torn ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What is remembered of one sensor. `spans` are the lowest and highest of the last quarter hour, by minute."""

    read_s: float = -math.inf
    air: tuple[float, float] | None = None
    air_s: float = 0.0
    dew_c: float = 0.0
    wet_since_s: float | None = None
    dry_since_s: float | None = None
    jumped_s: float | None = None
    spans: tuple[Span, ...] = ()
    answers: tuple[Minute, ...] = ()


def seen(before: Watched, spec: SensorSpec, latest: Mapping[str, Latest], switched_s: float) -> Watched:
    """The memory after the newest reading. Kit of the place last switched at `switched_s`: air may then change fast."""
    temp, rh = latest.get(f"{spec.name}.{Quantity.TEMP}"), latest.get(f"{spec.name}.{Quantity.RH}")
    if temp is None or rh is None or temp.last.stamp.mono_s <= before.read_s:
        return before
    read_s = temp.last.stamp.mono_s
    torn = Quality.TORN in (temp.last.quality, rh.last.quality)
    answers = _counted(before.answers, read_s, torn)
    if temp.last.value is None or rh.last.value is None:
        return replace(before, read_s=read_s, answers=answers)
    temp_c, rh_pct = temp.last.value, rh.last.value
    jumped = read_s - switched_s > FAST_FOR_S and _jumped(before, temp_c, rh_pct, read_s)
    return Watched(
        read_s=read_s,
        air=(temp_c, rh_pct),
        air_s=read_s,
        dew_c=_dew_c(temp_c, rh_pct),
        wet_since_s=_since(before.wet_since_s, rh_pct >= WET_PCT, read_s),
        dry_since_s=_since(before.dry_since_s, rh_pct < DRY_PCT, read_s),
        jumped_s=read_s if jumped else before.jumped_s,
        spans=_spanned(before.spans, temp_c, rh_pct, read_s),
        answers=answers,
    )


def _counted(answers: tuple[Minute, ...], read_s: float, torn: bool) -> tuple[Minute, ...]:
    kept = tuple(minute for minute in answers if read_s - minute[0] < TORN_S)
    if kept and read_s - kept[-1][0] < 60.0:
        begin, count, bad = kept[-1]
        return (*kept[:-1], (begin, count + 1, bad + torn))
    return (*kept, (read_s, 1, int(torn)))


def _jumped(before: Watched, temp_c: float, rh_pct: float, read_s: float) -> bool:
    passed_s = read_s - before.air_s
    if before.air is None or passed_s >= FAST_GAP_S:
        return False
    minutes = passed_s / 60.0
    return abs(temp_c - before.air[0]) > max(NOISE_K, FAST_K_MIN * minutes) or abs(rh_pct - before.air[1]) > max(
        NOISE_PCT, FAST_PCT_MIN * minutes
    )


def _dew_c(temp_c: float, rh_pct: float) -> float:
    """A correction may have moved the numbers to where no formula goes: then the nearest that has one."""
    temp_c = min(max(temp_c, TEMP_C[0]), TEMP_C[1])
    return dew_point_c(vapour_pressure_pa(temp_c=temp_c, rh_pct=min(max(rh_pct, 1.0), RH_PCT[1])))


def _since(since_s: float | None, holds: bool, now_s: float) -> float | None:
    if not holds:
        return None
    return now_s if since_s is None else since_s


def _spanned(spans: tuple[Span, ...], temp_c: float, rh_pct: float, read_s: float) -> tuple[Span, ...]:
    kept = tuple(span for span in spans if read_s - span[0] < STUCK_S)
    if kept and read_s - kept[-1][0] < 60.0:
        begin, low_c, high_c, low_pct, high_pct = kept[-1]
        newest = (begin, min(low_c, temp_c), max(high_c, temp_c), min(low_pct, rh_pct), max(high_pct, rh_pct))
        return (*kept[:-1], newest)
    return (*kept, (read_s, temp_c, temp_c, rh_pct, rh_pct))
