"""Owns: `loosebox replay`: the very step of the live gateway, run over recorded weather.

Must not know: devices, history, links.
How it works: every sensor of the barn is given the weather of the row at hand; the step is called at the row's time
and every `STEP_S` until the next row, since levels and fans move between hourly rows too. Each call adds its stretch
of time to the day and place it belongs to. Missing rows and rows without a value count as unknown, never as fine.
"""

from __future__ import annotations

import csv
import datetime
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import TextIO

from drivers.bench.weather_rows import WeatherRow
from gateway.barn import DEFAULT_CARRY_LIMITS, DEFAULT_HORSE_MASS_KG, Barn, KitSpec, Place, Post, SensorSpec
from gateway.control.decide import start_state
from gateway.control.inputs import gate
from gateway.engine.poller import newer
from gateway.engine.snapshot import PlaceView
from gateway.engine.step import StepInputs, StepResult, StepState, step
from gateway.errors import WeatherError
from gateway.model import AIR, KitKind, KitSeen, Latest, Level, PlaceKind, Policy, Quality, Quantity, Reading, Stamp

STEP_S = 300.0
_NOTHING = (None, Quality.EMPTY, "no value in this row")


@dataclass(slots=True)
class Tally:
    """One day at one place. `hours_from` counts the plain sum against each post, `hours_at` the level as shown."""

    date: datetime.date
    place: str
    hours_at: defaultdict[int, float] = field(default_factory=lambda: defaultdict(float))
    hours_from: defaultdict[float, float] = field(default_factory=lambda: defaultdict(float))
    hours_unknown: float = 0.0
    worst_sum: float = -math.inf
    worst_at: datetime.datetime | None = None
    fan_hours: float = 0.0
    fan_starts: int = 0


def plain_barn(posts: tuple[Post, ...], policy: Policy) -> Barn:
    """A barn of one riding place with one sensor and one fan, for weather without a site file."""
    sensor = SensorSpec(
        name="weather", place="outdoors", kind="weather", bus="", every_s=STEP_S, late_after_s=STEP_S,
        lost_after_s=STEP_S, stuck_after_s=math.inf, quantities=AIR, options={},
    )  # fmt: skip
    fan = KitSpec(
        name="fan", place="outdoors", kind=KitKind.FAN, relay="", output=0, contact="normally-closed",
        on_level=1, min_on_s=600.0, min_off_s=300.0,
    )  # fmt: skip
    return Barn(
        name="weather", zone="UTC", pressure_pa=101_325.0, posts=posts, carry_limits=DEFAULT_CARRY_LIMITS,
        horse_mass_kg=DEFAULT_HORSE_MASS_KG, dead_band=3.0, hold_s=300.0,
        places=(Place(name="outdoors", kind=PlaceKind.RIDING, label={}, policy=policy),),
        sensors=(sensor,), kit=(fan,),
    )  # fmt: skip


def replay(barn: Barn, rows: Sequence[WeatherRow], progress: Callable[[float], None]) -> list[Tally]:
    """Run the step over `rows` and return one tally for each day and place, in order.

    `progress` is called with the share done, 0 to 1. Raises WeatherError with fewer than two rows.
    """
    if len(rows) < 2:
        raise WeatherError("a weather file needs at least two rows, so that a row has a length")
    # A recorded value holds until the next row; it is neither stuck nor old for that.
    barn = replace(
        barn,
        sensors=tuple(
            replace(s, late_after_s=STEP_S, lost_after_s=STEP_S, stuck_after_s=math.inf) for s in barn.sensors
        ),
    )
    tallies: dict[tuple[datetime.date, str], Tally] = {}
    state = StepState(control=start_state(barn, rows[0].when.timestamp()), started_s=rows[0].when.timestamp())
    latest: dict[str, Latest] = {}
    for number, (row, length_s, gap_s) in enumerate(_stretches(rows)):
        day = row.when.date()
        for begin_s, part_s in _parts(row.when.timestamp(), length_s):
            latest = _heard(barn, row, begin_s, latest)
            result = _step(barn, state, latest, begin_s)
            for view in result.snapshot.places:
                tally = tallies.setdefault((day, view.name), Tally(day, view.name))
                _add(tally, view, row, part_s / 3600, barn, state, result)
            state = result.state
        for place in barn.places:
            tallies.setdefault((day, place.name), Tally(day, place.name)).hours_unknown += gap_s / 3600
        if number % 240 == 0:
            progress(number / len(rows))
    progress(1.0)
    return list(tallies.values())


def write_days(tallies: Iterable[Tally], posts: Sequence[Post], out: TextIO) -> None:
    """The day table as CSV; units stand in the header."""
    table = csv.writer(out, lineterminator="\n")
    table.writerow(
        (
            "date", "place", *(f"hours_level_{int(level)}" for level in Level), "hours_unknown",
            *(f"hours_sum_from_{post.at:g}" for post in posts),
            "worst_sum", "worst_at", "fan_hours", "fan_starts",
        )
    )  # fmt: skip
    for t in tallies:
        table.writerow(
            (
                t.date.isoformat(), t.place, *(_hours(t.hours_at[int(level)]) for level in Level),
                _hours(t.hours_unknown), *(_hours(t.hours_from[post.at]) for post in posts),
                "" if t.worst_at is None else f"{t.worst_sum:.1f}",
                "" if t.worst_at is None else t.worst_at.isoformat(), _hours(t.fan_hours), t.fan_starts,
            )
        )  # fmt: skip


def save_days(tallies: Iterable[Tally], posts: Sequence[Post], path: Path) -> None:
    """`write_days` into a file. Raises WeatherError when it cannot be written."""
    try:
        with path.open("w", newline="", encoding="utf-8") as out:
            write_days(tallies, posts, out)
    except OSError as error:
        raise WeatherError(f"{path}: the day table cannot be written: {error.strerror}") from error


def summary(tallies: Sequence[Tally], posts: Sequence[Post]) -> str:
    """A few lines for people, one block per place."""
    lines = []
    for place in dict.fromkeys(t.place for t in tallies):
        days = [t for t in tallies if t.place == place]
        worst = max(days, key=lambda t: t.worst_sum)
        lines.append(f"{place}: {len(days)} days")
        lines += [f"  {sum(t.hours_from[p.at] for t in days):9.1f} h with a sum of {p.at:g} or more" for p in posts]
        lines += [f"  {sum(t.hours_at[int(level)] for t in days):9.1f} h at level {int(level)}" for level in Level]
        lines.append(f"  {sum(t.hours_unknown for t in days):9.1f} h unknown")
        lines.append(f"  {sum(t.fan_hours for t in days):9.1f} fan hours, {sum(t.fan_starts for t in days)} starts")
        if worst.worst_at is not None:
            lines.append(f"  worst sum {worst.worst_sum:.1f} at {worst.worst_at.isoformat()}")
    return "\n".join(lines)


def _stretches(rows: Sequence[WeatherRow]) -> Iterator[tuple[WeatherRow, float, float]]:
    """Each row with the time that it stands for and the unknown time after it [s].

    A row stands until the next one, but no longer than rows usually do: after that the file has a hole.
    """
    times_s = [row.when.timestamp() for row in rows]
    steps_s = [after - before for before, after in pairwise(times_s)]
    usual_s = Counter(steps_s).most_common(1)[0][0]
    for row, step_s in zip(rows, [*steps_s, usual_s], strict=True):
        yield row, min(step_s, usual_s), max(0.0, step_s - usual_s)


def _parts(begin_s: float, length_s: float) -> Iterator[tuple[float, float]]:
    done_s = 0.0
    while done_s < length_s:
        part_s = min(STEP_S, length_s - done_s)
        yield begin_s + done_s, part_s
        done_s += part_s


def _heard(barn: Barn, row: WeatherRow, now_s: float, latest: dict[str, Latest]) -> dict[str, Latest]:
    stamp = _stamp(now_s)
    after = dict(latest)
    for sensor in barn.sensors:
        for quantity, raw in ((Quantity.TEMP, row.temp_c), (Quantity.RH, row.rh_pct)):
            value, quality, detail = _NOTHING if raw is None else gate(quantity, raw)
            channel = f"{sensor.name}.{quantity}"
            reading = Reading(channel=channel, value=value, quality=quality, stamp=stamp, detail=detail)
            # Without a value there is no air in this stretch, however good the row before was.
            after[channel] = Latest(last=reading) if value is None else newer(latest.get(channel), reading)
    return after


def _step(barn: Barn, state: StepState, latest: dict[str, Latest], now_s: float) -> StepResult:
    # Recorded weather has no relays: what is asked is seen.
    seen = {name: KitSeen(on=run.on, at_s=now_s) for name, run in state.control.kit.items()}
    return step(barn, state, StepInputs(latest=latest, seen=seen, stamp=_stamp(now_s)), now_s)


def _stamp(now_s: float) -> Stamp:
    return Stamp(mono_s=now_s, wall_s=now_s, boot="replay", trusted=True)


def _add(
    tally: Tally, view: PlaceView, row: WeatherRow, hours: float, barn: Barn, before: StepState, result: StepResult
) -> None:
    if view.level is None or view.sum_f_pct is None:
        tally.hours_unknown += hours
    else:
        tally.hours_at[view.level] += hours
        for post in barn.posts:
            if view.sum_f_pct >= post.at:
                tally.hours_from[post.at] += hours
        if view.sum_f_pct > tally.worst_sum:
            tally.worst_sum, tally.worst_at = view.sum_f_pct, row.when
    for spec in barn.kit:
        if spec.place == view.name and spec.kind is KitKind.FAN:
            was_on, on = before.control.kit[spec.name].on, result.state.control.kit[spec.name].on
            tally.fan_hours += hours if on else 0.0
            tally.fan_starts += on and not was_on


def _hours(hours: float) -> str:
    return f"{hours:.2f}"
