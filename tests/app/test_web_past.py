"""The past as the screens see it, from a real history: air, levels, kit, hands, gaps, two sensors."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from gateway.app.web_past import HistoryPast
from gateway.errors import StoreError
from gateway.model import (
    CommandChange,
    Event,
    HandChange,
    HandKind,
    LevelChange,
    Quality,
    Reading,
    Reason,
    Stamp,
)
from gateway.site import load
from gateway.store.series import Pictures
from gateway.store.writer import Writer

BARN = load(Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml").barn
BEGIN_S = 1_784_000_000.0 - 1_784_000_000.0 % 300
WHY = Reason(code="level-asks", text="heat")


def stamp(after_s: float) -> Stamp:
    return Stamp(mono_s=1200.0 + after_s, wall_s=BEGIN_S + after_s, boot="boot-a", trusted=True)


def air(sensor: str, after_s: float, temp_c: float, rh_pct: float) -> list[Reading]:
    return [
        Reading(channel=f"{sensor}.{name}", value=value, quality=Quality.GOOD, stamp=stamp(after_s))
        for name, value in (("temp_c", temp_c), ("rh_pct", rh_pct))
    ]


def past_of(tmp_path: Path, readings: list[Reading], events: list[Event]) -> HistoryPast:
    channels = tuple(channel for sensor in BARN.sensors for channel in sensor.channels)
    writer = Writer(tmp_path / "history.db", BARN, channels)
    for reading in readings:
        writer.reading(reading)
    writer.events(events)
    assert writer.flush(10.0)
    writer.close(5.0)
    return HistoryPast(BARN, Pictures(tmp_path / "history.db"))


def test_air_of_an_hour_has_its_means_and_its_gap(tmp_path: Path) -> None:
    minutes = [minute for minute in range(60) if not 20 <= minute < 40]
    readings = [each for minute in minutes for each in air("arena-air", minute * 60.0, 30.0 + minute / 60, 50.0)]
    day = past_of(tmp_path, readings, []).days(BEGIN_S, BEGIN_S + 3600, 300.0)["arena"]
    steps = [(point.wall_s - BEGIN_S) / 300 for point in day.air]
    assert steps == [0, 1, 2, 3, 8, 9, 10, 11]
    first = day.air[0]
    # The mean of minutes 0 to 4: 30 + 2/60 °C, which is 86.06 °F by the definition of the scale.
    assert first.temp_c == pytest.approx(30 + 2 / 60)
    assert first.sum_f_pct == pytest.approx((30 + 2 / 60) * 9 / 5 + 32 + 50)
    assert set(first.carries) == {"stand", "walk", "trot", "canter"}


def test_a_second_sensor_fills_what_the_first_has_not(tmp_path: Path) -> None:
    readings = [each for minute in range(30) for each in air("stalls-air", minute * 60.0, 30.0, 50.0)]
    readings += [each for minute in range(60) for each in air("stalls-air-2", minute * 60.0, 20.0, 40.0)]
    day = past_of(tmp_path, readings, []).days(BEGIN_S, BEGIN_S + 3600, 300.0)["stalls"]
    assert [round(point.temp_c) for point in day.air] == [30] * 6 + [20] * 6
    assert [point.wall_s for point in day.air] == sorted(point.wall_s for point in day.air)


def test_levels_and_kit_become_stretches_that_begin_before_the_span(tmp_path: Path) -> None:
    def level(after_s: float, before: int | None, after: int | None) -> LevelChange:
        return LevelChange(place="arena", before=before, after=after, sum_f_pct=140.0, reason=WHY, stamp=stamp(after_s))

    def command(after_s: float, on: bool) -> CommandChange:
        return CommandChange(kit="arena-fans", on=on, reasons=(WHY,), stamp=stamp(after_s))

    events: list[Event] = [
        level(-600, None, 1), command(-600, True), command(900, False), level(1200, 1, None), level(1800, None, 2),
        command(2400, True),
    ]  # fmt: skip
    day = past_of(tmp_path, air("arena-air", 0, 30, 50), events).days(BEGIN_S, BEGIN_S + 3600, 300.0)["arena"]
    assert [(each.begin_s - BEGIN_S, each.end_s - BEGIN_S, each.what) for each in day.levels] == [
        (0, 1200, "1"), (1200, 1800, ""), (1800, 3600, "2"),
    ]  # fmt: skip
    assert [(each.begin_s - BEGIN_S, each.end_s - BEGIN_S) for each in day.kit["arena-fans"]] == [
        (0, 900),
        (2400, 3600),
    ]


def test_a_hand_lasts_until_its_end_or_until_it_was_given_back(tmp_path: Path) -> None:
    def hand(after_s: float, kind: HandKind, lasts_s: float, by: str) -> HandChange:
        at = stamp(after_s)
        return HandChange(
            subject="arena-fans", kind=kind, until_mono_s=at.mono_s + lasts_s, until_wall_s=at.wall_s + lasts_s, by=by,
            why="", stamp=at,
        )  # fmt: skip

    events: list[Event] = [
        hand(300, HandKind.OFF, 1800, "Ana"), hand(900, HandKind.AUTO, 0, "Luis"), hand(1200, HandKind.ON, 600, "Eva"),
        hand(3000, HandKind.OFF, 7200, "Ana"),
    ]  # fmt: skip
    day = past_of(tmp_path, air("arena-air", 0, 30, 50), events).days(BEGIN_S, BEGIN_S + 3600, 300.0)["arena"]
    found = [(each.begin_s - BEGIN_S, each.end_s - BEGIN_S, each.what, each.by) for each in day.hands["arena-fans"]]
    assert found == [(300, 900, "off", "Ana"), (1200, 1800, "on", "Eva"), (3000, 3600, "off", "Ana")]


def test_a_day_under_more_changes_than_are_read_at_once_is_whole_and_one_with_more_says_that_it_is_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.app.web_past.MOST_CHANGES", 4)

    def command(after_s: float, on: bool) -> CommandChange:
        return CommandChange(kit="arena-fans", on=on, reasons=(WHY,), stamp=stamp(after_s))

    later = [command(7200 + 60 * number, number % 2 == 0) for number in range(20)]
    past = past_of(tmp_path, air("arena-air", 0, 30, 50), [command(600, True), command(1200, False), *later])
    first = past.days(BEGIN_S, BEGIN_S + 3600, 300.0)["arena"]
    assert [(each.begin_s - BEGIN_S, each.end_s - BEGIN_S) for each in first.kit["arena-fans"]] == [(600, 1200)]
    assert not first.cut
    assert past.days(BEGIN_S + 7200, BEGIN_S + 10800, 300.0)["arena"].cut


def test_air_outside_of_what_the_formulas_know_is_left_out(tmp_path: Path) -> None:
    readings = [
        each for minute in range(10) for each in air("arena-air", minute * 60.0, 30.0 if minute < 5 else 250.0, 50)
    ]
    day = past_of(tmp_path, readings, []).days(BEGIN_S, BEGIN_S + 600, 300.0)["arena"]
    assert [round(point.temp_c) for point in day.air] == [30]


def test_a_history_that_is_not_there_is_a_known_error(tmp_path: Path) -> None:
    past = HistoryPast(BARN, Pictures(tmp_path / "nothing.db"))
    with pytest.raises(StoreError):
        past.days(BEGIN_S, BEGIN_S + 3600, 300.0)


def test_an_empty_span_is_empty(tmp_path: Path) -> None:
    past = past_of(tmp_path, air("arena-air", 0, 30, 50), [])
    day = past.days(BEGIN_S, BEGIN_S, 300.0)["arena"]
    assert dataclasses.replace(day, kit={}, hands={}).air == ()
