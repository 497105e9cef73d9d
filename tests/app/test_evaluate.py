"""The evaluation: the account of a season, the motor rules for everybody, the plain controllers, the command.

Expected numbers are arithmetic on the stated barn (hours, watts, litres), done by hand beside each check.
"""

from __future__ import annotations

import csv
import datetime
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.bench import zones
from drivers.bench.air import Air
from drivers.bench.weather import HotDay
from gateway.app import evaluate_barn as the
from gateway.app.evaluate import Score, Season, run, season_of
from gateway.app.evaluate_rivals import CONTROLLERS, Asked, Controller, Ours, Sensed, always, sum_switch, thermostat
from tests.e2e.barn import loosebox

DAYS = 3


@dataclass(frozen=True, slots=True)
class Steady:
    """Weather that never changes."""

    air: Air

    def at(self, wall_s: float) -> Air:
        return self.air


@dataclass(frozen=True, slots=True)
class Restless:
    """Air that swings through every threshold of the plain controllers several times an hour."""

    def at(self, wall_s: float) -> Air:
        swing = math.sin(2 * math.pi * wall_s / 900.0)
        return Air(temp_c=26.0 + 12.0 * swing, rh_pct=60.0, wind_mps=8.0)


def _season(weather: Steady | Restless | HotDay, days: int = DAYS) -> Season:
    return Season(name="made up", weather=weather, begin_s=0.0, end_s=(days + 1) * 86400.0, offset_s=0.0)


class Watched:
    """A controller with everything it asked for."""

    def __init__(self, inner: Controller) -> None:
        self.inner, self.asked = inner, list[Asked]()

    def ask(self, sensed: Sensed) -> Asked:
        self.asked.append(self.inner.ask(sensed))
        return self.asked[-1]


def test_always_on_is_all_hours_and_all_watts_and_always_off_none() -> None:
    on, off = (run(_season(Steady(Air(temp_c=30.0, rh_pct=60.0))), always(value)) for value in (True, False))
    assert on.fan_kwh == pytest.approx(DAYS * 24 * 1.2)  # two groups of 600 W
    assert on.fan_kwh_nobody == pytest.approx(DAYS * 3 * 1.2)  # away from 8 to 10 and from 17 to 18
    assert on.horse_hours == pytest.approx(DAYS * 21)
    assert (off.fan_kwh, off.starts, on.starts, on.litres) == (0.0, 0, 0, 0.0)
    assert on.groups_by_hour == pytest.approx([2.0 * DAYS] * 24)


def test_strain_is_how_far_below_times_how_long() -> None:
    """Air of blood warmth, saturated: nothing evaporates from a skin of 35 °C, so carry is 0 all the time."""
    score = run(_season(Steady(Air(temp_c=37.0, rh_pct=100.0))), always(True))
    assert score.least_carry == 0.0
    assert score.strain_h == pytest.approx(DAYS * 21 * 1.0)
    assert score.comfort_strain_h == pytest.approx(DAYS * 21 * 2.0)
    assert score.hours_below_limit == score.hours_below_comfort == pytest.approx(DAYS * 21)
    assert sum(score.strain_by_day.values()) == pytest.approx(score.comfort_strain_h)


def test_cold_dry_air_strains_nobody() -> None:
    score = run(_season(Steady(Air(temp_c=5.0, rh_pct=50.0, wind_mps=2.0))), always(False))
    assert (score.strain_h, score.comfort_strain_h, score.hours_below_comfort) == (0.0, 0.0, 0.0)


def test_the_first_day_is_not_counted() -> None:
    score = run(_season(Steady(Air(temp_c=30.0, rh_pct=60.0)), days=1), always(True))
    assert score.fan_kwh == pytest.approx(24 * 1.2)
    assert min(point.time_s for point in score.trace) == 86400.0


@pytest.mark.parametrize("name", list(CONTROLLERS))
def test_nobody_breaks_the_motor_rules(name: str) -> None:
    watched = Watched(CONTROLLERS[name]())
    run(_season(Restless(), days=1), watched)
    for running in zip(*(asked.fans for asked in watched.asked), strict=True):
        stretches = [(on, len(list(part))) for on, part in itertools.groupby(running)]
        assert all(minutes >= (10 if on else 5) for on, minutes in stretches[1:-1]), stretches
        starts = [at for at in range(1, len(running)) if running[at] and not running[at - 1]]
        assert all(later - first >= 60 for first, later in zip(starts, starts[4:], strict=False)), "4 starts an hour"


def _answers(make: Callable[[], Controller], airs: list[tuple[float, float]]) -> list[int]:
    """What a plain controller asks for, an hour apart so that no motor rule holds it."""
    controller = make()
    return [
        controller.ask(Sensed(now_s=3600.0 * n, minute=0, day=0, temp_c=temp_c, rh_pct=rh_pct)).groups
        for n, (temp_c, rh_pct) in enumerate(airs)
    ]


def test_thermostat_switches_at_27_and_below_25() -> None:
    temps = [26.9, 27.0, 25.0, 24.99, 26.9, 27.1]
    assert _answers(thermostat, [(temp_c, 50.0) for temp_c in temps]) == [0, 2, 2, 0, 0, 2]


def test_sum_switch_goes_on_at_150_and_off_below_145() -> None:
    # 25 °C is 77 °F: the sum is 77 and the humidity
    humidities = [72.9, 73.0, 68.0, 67.9, 72.9]
    assert _answers(sum_switch, [(25.0, rh_pct) for rh_pct in humidities]) == [0, 2, 2, 0, 0]


def test_horses_are_away_at_work_and_hot_when_they_come_in() -> None:
    clocks = ("07:59", "08:00", "10:00", "10:45", "17:00", "18:00", "18:44", "00:00")
    found = {clock: the.horses_at(60 * int(clock[:2]) + int(clock[3:])) for clock in clocks}
    assert [clock for clock, horses in found.items() if not horses.here] == ["08:00", "17:00"]
    assert [clock for clock, horses in found.items() if horses.hot] == ["10:00", "18:00", "18:44"]


def test_the_plant_feels_horses_fans_and_mist() -> None:
    outside = Air(temp_c=32.0, rh_pct=40.0, wind_mps=0.5, ghi_wm2=900.0)
    begin = zones.outside_state(outside, the.PRESSURE_PA)

    def after(minute: int, *, groups: int = 0, mist: bool = False) -> zones.ZoneState:
        return the.moved(begin, outside, the.horses_at(minute), groups=groups, mist=mist, step_s=3600.0)

    away, resting, hot = (after(minute).temp_c for minute in (8 * 60, 12 * 60, 10 * 60))
    assert away < resting < hot
    assert after(12 * 60, groups=2).temp_c < resting
    assert after(12 * 60, mist=True).temp_c < resting
    assert after(12 * 60, mist=True).ratio > after(12 * 60).ratio


def test_air_at_the_horses_is_worth_more_carry_and_hot_horses_need_more() -> None:
    state = zones.outside_state(Air(temp_c=30.0, rh_pct=70.0), the.PRESSURE_PA)
    resting = [the.carry_of(state, the.horses_at(12 * 60), groups=groups) for groups in (0, 1, 2)]
    assert resting == sorted(resting)
    assert the.carry_of(state, the.horses_at(10 * 60), groups=2) < resting[2]


class Ear:
    """A controller that only listens."""

    def __init__(self) -> None:
        self.heard = list[Sensed]()

    def ask(self, sensed: Sensed) -> Asked:
        self.heard.append(sensed)
        return Asked()


def test_the_seed_alone_makes_the_errors_of_the_sensors() -> None:
    season = _season(HotDay(zone_offset_h=0.0), days=1)
    ears = [Ear() for _ in range(3)]
    scores = [run(season, ear, seed=seed) for ear, seed in zip(ears, (5, 5, 6), strict=True)]
    assert ears[0].heard == ears[1].heard
    assert ears[0].heard != ears[2].heard
    assert scores[0] == scores[1] == scores[2], "the air itself knows nothing of the sensors"


@pytest.fixture(scope="module")
def hot_day() -> tuple[Watched, Ours, Score]:
    """Ours through two of the bench's hot days, on dry air so that water may run."""
    ours = Ours(the.barn())
    watched = Watched(ours)
    score = run(_season(HotDay(zone_offset_h=0.0), days=2), watched)
    return watched, ours, score


def test_ours_stops_the_fans_while_nobody_is_there(hot_day: tuple[Watched, Ours, Score]) -> None:
    watched, _, score = hot_day
    away = [asked for number, asked in enumerate(watched.asked) if not the.horses_at(number % 1440).here]
    assert sum(asked.groups for asked in away) <= 2 * 20  # a minimum on time may reach into the first minutes
    assert score.fan_kwh > 0.0


def test_ours_uses_water_only_with_a_fan_and_the_account_has_every_litre(
    hot_day: tuple[Watched, Ours, Score],
) -> None:
    watched, _, score = hot_day
    misting = [asked for asked in watched.asked[1440:] if asked.mist]
    assert misting, "the hot day is dry enough at ten for water to be allowed"
    assert all(asked.groups > 0 for asked in misting)
    assert score.litres == pytest.approx(len(misting) * 0.0046 * 60)  # kg/s of the emulated stall row
    assert len(misting) / 60 < score.wet_floor_hours < 24


@pytest.mark.parametrize(
    ("months", "first", "days"),
    [((5, 9), (5, 1), 153), ((2, 2), (2, 1), 28), ((12, 1), (1, 1), 31), ((1, 12), (1, 1), 730)],
)
def test_a_season_is_the_first_of_its_months(months: tuple[int, int], first: tuple[int, int], days: int) -> None:
    """Of two years of hours: May to September once, and a season over the new year from its broken first one."""
    zone = datetime.timezone(datetime.timedelta(hours=-5))
    begin = datetime.datetime(2026, 1, 1, tzinfo=zone)
    hours = [begin + datetime.timedelta(hours=hour) for hour in range(2 * 365 * 24)]
    season = season_of("two years", HotDay(zone_offset_h=-5.0), hours, months)
    assert season.begin_s == datetime.datetime(2026, *first, tzinfo=zone).timestamp()
    assert season.days == days - 1
    assert season.offset_s == -5 * 3600.0


def _weather_csv(path: Path, days: int) -> Path:
    lines = ["time,temp_c,rh_pct,wind_mps,ghi_wm2"]
    lines += [
        f"2026-07-{1 + hour // 24:02d}T{hour % 24:02d}:00-05:00,{28 + 6 * math.sin((hour % 24 - 9) / 3.8):.1f},70,1.5,0"
        for hour in range(24 * days)
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_command_writes_page_and_table(tmp_path: Path) -> None:
    weather = _weather_csv(tmp_path / "made-up-town.csv", 2)
    done = loosebox("evaluate", "--weather", str(weather), "--out", str(tmp_path / "out"), timeout=100)
    assert done.returncode == 0, done.stderr
    with (tmp_path / "out" / "evaluation.csv").open() as table:
        rows = list(csv.DictReader(table))
    assert [row["controller"] for row in rows] == list(CONTROLLERS)
    assert {row["climate"] for row in rows} == {"made-up-town"}
    by_name = {row["controller"]: row for row in rows}
    assert float(by_name["always on"]["fan_kwh"]) == pytest.approx(28.8)  # one counted day of 1.2 kW
    page = (tmp_path / "out" / "evaluation.html").read_text()
    assert all(name in page for name in CONTROLLERS)


@pytest.mark.parametrize(
    ("days", "months", "says"),
    [(3, ("1", "2"), "no weather in months 1 to 2"), (1, ("5", "9"), "fewer than two whole days")],
)
def test_the_command_says_what_is_missing(days: int, months: tuple[str, str], says: str, tmp_path: Path) -> None:
    weather = _weather_csv(tmp_path / "short.csv", days)
    done = loosebox("evaluate", "--weather", str(weather), "--months", *months, "--out", str(tmp_path / "out"))
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
