"""Counts over a replayed summer that know nothing of the alarm rules: who was left without an alarm, and how many rang.

The truth of the emulation says, by pandas, when horses were at level 3, when a fan that was wanted at level 2 stood
still, when nobody could know the air. The journal says, line by line, which alarm stood. Neither the rules nor the
levels of the control are used: levels are those of the site file's numbers on the true air, less what its sensors may
err by (the bench's own spread and three times its noise), so that whoever is left out here was left out in truth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from gateway.alarms.rules import BY_CODE
from gateway.barn import Barn, Place
from gateway.heat.balance import Surroundings, carry
from gateway.heat.horse import Horse, Pace
from gateway.model import AlarmStep, KitKind, PlaceKind, Policy
from tests.report.summer_barn import Summer

ERR_C, ERR_PCT, ERR_MPS = 0.2, 1.1, 0.3
SLACK_S: Final = 60.0  # a step of the replay while anything is wrong or level 3 is near
HOUR_S, DAY_S = 3600.0, 86_400.0
MUTES: Final = {  # which of three reasons to be quiet begins or ends with a line
    AlarmStep.SUPPRESSED: ("cause", True), AlarmStep.RELEASED: ("cause", False),
    AlarmStep.SHELVED: ("shelf", True), AlarmStep.UNSHELVED: ("shelf", False),
    AlarmStep.OUT_OF_SERVICE: ("out", True), AlarmStep.IN_SERVICE: ("out", False),
}  # fmt: skip
TEMPS_C: Final = np.arange(10.0, 55.01, 0.25)
HUMIDITIES_PCT: Final = np.arange(1.0, 100.01, 1.0)

Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """A stretch of time in which somebody must have been called at a place: why, and by which alarms."""

    what: str
    place: str
    holds: Mask
    delay_s: float
    by: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """One need at one place, in clock hours: those in which it held, those that were due an alarm, those without."""

    what: str
    place: str
    hours: int
    due: int
    uncovered: tuple[int, ...]


def covers(found: Summer, needs: Sequence[Need] | None = None) -> list[Cover]:
    """Every need against the journal. An hour with one uncovered moment is an uncovered hour."""
    at_s, powered = found.truth["at_s"].to_numpy(), found.truth["powered"].to_numpy() > 0
    stood = standing(found)
    counted = []
    for need in needs_of(found) if needs is None else needs:
        holds = need.holds & powered
        due = holds & (at_s - _since(holds, at_s) > need.delay_s)
        covered = np.zeros(len(at_s), dtype=bool)
        for key in need.by:
            for begin_s, end_s in stood.get(key, ()):
                covered |= (at_s >= begin_s) & (at_s < end_s)
        hours = (at_s // HOUR_S).astype(int)
        counted.append(
            Cover(
                what=need.what,
                place=need.place,
                hours=len(set(hours[holds])),
                due=len(set(hours[due])),
                uncovered=tuple(sorted({int(hour) for hour in hours[due & ~covered]})),
            )
        )
    return counted


def standing(found: Summer) -> dict[str, list[tuple[float, float]]]:
    """When each alarm stood and could be heard: not explained by another, shelved or out of service. From the lines."""
    lines = pd.DataFrame(
        [(at_s, line.alarm, line.what) for at_s, line in found.journal], columns=["at_s", "alarm", "what"]
    )
    end_s = found.season.end_s - found.season.begin_s
    return {str(key): list(_stretches(of_one, end_s)) for key, of_one in lines.groupby("alarm")}


def _stretches(lines: pd.DataFrame, end_s: float) -> Iterator[tuple[float, float]]:
    stands, quiet, since_s = False, set[str](), 0.0
    for at_s, _, what in lines.itertuples(index=False, name=None):
        before = stands and not quiet
        if what is AlarmStep.RAISED:
            stands = True
        elif what in (AlarmStep.ENDED, AlarmStep.RETURNED):
            stands = False
        elif what in MUTES:
            reason, begins = MUTES[what]
            quiet = quiet | {reason} if begins else quiet - {reason}
        if stands and not quiet and not before:
            since_s = at_s
        elif before and (not stands or quiet):
            yield since_s, at_s
    if stands and not quiet:
        yield since_s, end_s


# --- what needs an alarm --------------------------------------------------------------------------------


def needs_of(found: Summer) -> list[Need]:
    """All that must not be without an alarm, at every place where horses are."""
    assert not any(place.occupied for place in found.barn.places), "horses are always there in this barn"
    return [need for place in found.barn.places for need in _at(found, place)]


def _at(found: Summer, place: Place) -> Iterator[Need]:
    barn, truth, name = found.barn, found.truth, place.name
    sensors = [sensor for sensor in barn.sensors if sensor.place == name and sensor.tells_air]
    lines = tuple(f"bus-lost:{bus}" for bus in sorted({sensor.bus for sensor in sensors}))
    blind = (f"place-blind:{name}", *lines, "broker-lost:broker")
    lost_s = max(sensor.lost_after_s for sensor in sensors)
    yield Need(
        what="level 3", place=name, holds=at_level(found, place, 3), delay_s=_on_s("level-stop") + SLACK_S,
        by=(f"level-stop:{name}", f"saturated:{name}", *blind),
    )  # fmt: skip
    yield Need(
        what="air unknown", place=name, holds=truth[f"{name}/silent"].to_numpy() > 0,
        delay_s=lost_s + _on_s("place-blind") + SLACK_S, by=blind,
    )  # fmt: skip
    stuck_s = max(sensor.stuck_after_s for sensor in sensors)
    yield Need(
        what="air stuck", place=name, holds=truth[f"{name}/lying"].to_numpy() > 0,
        delay_s=stuck_s + _on_s("place-blind") + SLACK_S, by=blind,
    )  # fmt: skip
    fans = [kit for kit in barn.kit if kit.place == name and kit.kind is KitKind.FAN]
    if fans:
        wanted = np.any([truth[f"{fan.name}/wanted"] > 0 for fan in fans], axis=0)
        moves = np.any([truth[f"{fan.name}/moves"] > 0 for fan in fans], axis=0)
        rest_s = max(fan.min_off_s + (fan.proof.within_s if fan.proof else 0.0) for fan in fans)
        yield Need(
            what="no fan runs", place=name, holds=wanted & ~moves & at_level(found, place, 2),
            delay_s=rest_s + _on_s("kit-not-running") + SLACK_S,
            by=(
                *(f"{code}:{fan.name}" for fan in fans for code in ("kit-not-running", "kit-unreachable")),
                *(f"relay-lost:{fan.relay}" for fan in fans), "no-fan-runs:barn", *_buses_of(barn, name), *blind,
            ),
        )  # fmt: skip


def _buses_of(barn: Barn, place: str) -> Iterator[str]:
    for relay in barn.relays:
        if any(kit.relay == relay.name and kit.place == place for kit in barn.kit):
            yield f"bus-lost:{relay.bus}"


def _on_s(code: str) -> float:
    """The delay that the page of alarms states."""
    return BY_CODE[code].on_s


def _since(holds: Mask, at_s: Numbers) -> Numbers:
    """Since when it has held without a break, for each row; the row's own time where it does not."""
    begins = holds & ~np.concatenate(([False], holds[:-1]))
    since_s = np.where(begins, at_s, -np.inf)
    return np.where(holds, np.maximum.accumulate(since_s), at_s)


# --- levels of the true air -----------------------------------------------------------------------------


def at_level(found: Summer, place: Place, level: int, *, careful: bool = True) -> Mask:
    """Where the true air of a place is at this level or above, by its policy. `careful`: even less the errors."""
    off_c, off_pct, off_mps = (ERR_C, ERR_PCT, ERR_MPS) if careful else (0.0, 0.0, 0.0)
    temp_c = found.truth[f"{place.name}/temp_c"].to_numpy() - off_c
    rh_pct = np.clip(found.truth[f"{place.name}/rh_pct"].to_numpy() - off_pct, 1.0, 100.0)
    by_rule = temp_c * 9 / 5 + 32 + rh_pct >= found.barn.posts[level - 1].at
    pace = Pace.STAND if place.kind is PlaceKind.STANDING else {2: Pace.TROT, 3: Pace.WALK}[level]
    limit = found.barn.carry_limits[level - 1] if place.kind is PlaceKind.STANDING else 1.0
    by_air = _carries(temp_c, rh_pct, place.air_mps, pace, found.barn) < limit
    if not any(kit.place == place.name and kit.kind is KitKind.FAN for kit in found.barn.kit):
        wind_mps = found.truth[f"{place.name}/wind_mps"].to_numpy() + off_mps  # measured, and counted
        for row in np.flatnonzero(by_air):
            by_air[row] = _carry(float(temp_c[row]), float(rh_pct[row]), float(wind_mps[row]), pace, found.barn) < limit
    return {Policy.RULE: by_rule, Policy.AIR: by_air, Policy.STRICTER: by_rule | by_air}[place.policy]


def _carries(temp_c: Numbers, rh_pct: Numbers, air_mps: float, pace: Pace, barn: Barn) -> Numbers:
    """Carry by lines between a grid's points, since a summer has a hundred thousand of them."""
    grid = _grid(air_mps, pace, barn.pressure_pa, barn.horse_mass_kg)
    down = np.clip((temp_c - TEMPS_C[0]) / 0.25, 0, len(TEMPS_C) - 1.001)
    across = np.clip(rh_pct - HUMIDITIES_PCT[0], 0, len(HUMIDITIES_PCT) - 1.001)
    row, column = down.astype(int), across.astype(int)
    lower, left = down - row, across - column
    found: Numbers = (
        grid[row, column] * (1 - lower) * (1 - left)
        + grid[row + 1, column] * lower * (1 - left)
        + grid[row, column + 1] * (1 - lower) * left
        + grid[row + 1, column + 1] * lower * left
    )
    return found


@cache
def _grid(air_mps: float, pace: Pace, pressure_pa: float, mass_kg: float) -> Numbers:
    horse = Horse(mass_kg=mass_kg)

    def at(temp_c: float, rh_pct: float) -> float:
        around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air_mps, pressure_pa=pressure_pa)
        return carry(around, pace, horse)

    return np.array([[at(float(temp_c), float(rh_pct)) for rh_pct in HUMIDITIES_PCT] for temp_c in TEMPS_C])


def _carry(temp_c: float, rh_pct: float, air_mps: float, pace: Pace, barn: Barn) -> float:
    around = Surroundings(temp_c=temp_c, rh_pct=rh_pct, air_mps=air_mps, pressure_pa=barn.pressure_pa)
    return carry(around, pace, Horse(mass_kg=barn.horse_mass_kg))


# --- how much rang --------------------------------------------------------------------------------------


def rings(found: Summer, *, from_day: int = 1) -> pd.DataFrame:
    """Every episode that asked for a person, from the second day on (the first runs in)."""
    rows = [
        (ring.at_s, int(ring.at_s // DAY_S), ring.key, ring.key.split(":")[0], ring.priority.name, ring.restless)
        for ring in found.rings.values()
        if ring.at_s >= from_day * DAY_S
    ]
    return pd.DataFrame(rows, columns=["at_s", "day", "key", "rule", "priority", "restless"]).sort_values("at_s")


def most_in(at_s: Sequence[float], within_s: float) -> int:
    """The most moments within a stretch of time."""
    times = np.sort(np.asarray(at_s, dtype=float))
    return int((np.searchsorted(times, times + within_s) - np.arange(len(times))).max()) if len(times) else 0


def chattering(table: pd.DataFrame) -> list[str]:
    """Alarms that rang three times or more within an hour."""
    return [str(key) for key, of_one in table.groupby("key") if most_in(of_one["at_s"].tolist(), HOUR_S) >= 3]


def stale(found: Summer) -> dict[str, float]:
    """Alarms that stood for more than a day, with the hours of their longest stretch."""
    longest = {
        key: max((end_s - begin_s for begin_s, end_s in stretches), default=0.0)
        for key, stretches in standing(found).items()
    }
    return {key: seconds / HOUR_S for key, seconds in longest.items() if seconds > DAY_S}
