"""Line protocol against another implementation of it: influxdb-client's `Point`."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point  # type: ignore[attr-defined]

from gateway.model import (
    CommandChange,
    Event,
    FaultChange,
    HandChange,
    HandKind,
    LevelChange,
    Quality,
    Reason,
    Stamp,
)
from gateway.uplink.lines import LineWriter, Place

AT = Stamp(mono_s=1.0, wall_s=1_780_000_000.123, boot="b", trusted=True)
MS = 1_780_000_000_123
WHY = Reason(code="c", text="t")
names = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\\"), min_size=1)
numbers = st.floats(-1e200, 1e200)


def point(what: str, tags: dict[str, str], fields: dict[str, float], ms: int = MS) -> str:
    """What influxdb-client writes; an empty tag is left out there too."""
    made: Any = Point(f"loosebox_{what}")  # type: ignore[no-untyped-call]
    for key, value in tags.items():
        made.tag(key, value)
    for key, number in fields.items():
        made.field(key, number)
    made.time(ms, "ms")
    return str(made.to_line_protocol())


def parsed(line: str) -> tuple[str, tuple[str, ...], dict[str, float], int]:
    """Head, and the fields as numbers: `Point` drops `.0` and sorts, which changes no value."""
    body, ms = line.rsplit(" ", 1)
    head, fields = body.rsplit(" ", 1)
    found = {part.split("=")[0]: float(part.split("=")[1].removesuffix("i")) for part in fields.split(",")}
    measurement, *tags = head.replace("\\,", "\0").split(",")
    return measurement, tuple(sorted(tags)), found, int(ms)


@given(barn=names, sensor=names, value=numbers)
def test_a_reading_is_what_another_implementation_writes(barn: str, sensor: str, value: float) -> None:
    channel: Place = ("c", sensor, "stalls", "temp_c")
    line = LineWriter(barn).reading(channel, wall_ms=MS, value=value, quality="good", sure=True)
    expected = point("reading", {"barn": barn, "place": "stalls", "sensor": sensor}, {"temp_c": value})
    assert parsed(line) == parsed(expected)
    assert float(line.split("temp_c=")[-1].split(" ")[0]) == value  # to the last bit
    assert "\n" not in line


@given(value=numbers)
def test_every_number_is_a_decimal_fraction_so_that_its_type_never_changes(value: float) -> None:
    for number in (value, float(round(value)) if abs(value) < 1e15 else value):
        line = LineWriter("b").reading(("c", "s", "p", "temp_c"), wall_ms=1, value=number, quality="good", sure=True)
        text = line.split("temp_c=")[1].split(" ")[0]
        assert not text.endswith("i") and ("." in text or "e" in text)


def test_many_rows_are_the_single_ones() -> None:
    channels = {1: ("a.temp_c", "a", "stalls", "temp_c"), 2: ("b.rh_pct", "b", "arena", "rh_pct")}
    rows = [
        (1, 5, MS, 31.25, "good", 1, 1),
        (2, 5, MS, 62.0, "good", 1, 1),
        (1, 6, MS + 1, None, "silent", 1, 1),
        (2, 6, MS + 1, 61.0, "good", 0, 1),
        (2, 7, MS + 2, math.inf, "good", 1, 1),
    ]
    writer = LineWriter("B")
    single = [
        writer.reading(channels[number], wall_ms=ms, value=value, quality=quality, sure=sure == 1)
        for number, _, ms, value, quality, sure, _ in rows
    ]
    assert writer.readings(rows, channels) == single
    assert single == [
        f"loosebox_reading,barn=B,place=stalls,sensor=a temp_c=31.25 {MS}",
        f"loosebox_reading,barn=B,place=arena,sensor=b rh_pct=62.0 {MS}",
        f"loosebox_lost,barn=B,place=stalls,sensor=a,why=silent temp_c=1.0 {MS + 1}",
        f"loosebox_reading,barn=B,place=arena,sensor=b rh_pct=61.0,unsure=1.0 {MS + 1}",
        f"loosebox_lost,barn=B,place=arena,sensor=b,why=not-a-number rh_pct=1.0 {MS + 2}",
    ]


def test_a_channel_that_the_barn_does_not_list_is_told_by_its_name() -> None:
    line = LineWriter("B").reading(("odd", "", "", ""), wall_ms=1, value=2.0, quality="good", sure=True)
    assert line == "loosebox_reading,barn=B,sensor=odd value=2.0 1"


EVENTS: list[tuple[Event, str, dict[str, str], dict[str, float]]] = [
    (
        LevelChange(place="stalls", before=1, after=2, sum_f_pct=151.2, reason=WHY, stamp=AT),
        "level",
        {"place": "stalls"},
        {"known": 1.0, "level": 2.0, "sum_f_pct": 151.2},
    ),
    (
        LevelChange(place="stalls", before=2, after=None, sum_f_pct=None, reason=WHY, stamp=AT),
        "level",
        {"place": "stalls"},
        {"known": 0.0},
    ),
    (CommandChange(kit="fans", on=True, reasons=(WHY,), stamp=AT), "kit", {"kit": "fans"}, {"on": 1.0}),
    (
        FaultChange(subject="air, 1", code="lost", text="x", active=False, stamp=AT),
        "fault",
        {"subject": "air, 1", "code": "lost"},
        {"active": 0.0},
    ),
    (
        HandChange(
            subject="fans", kind=HandKind.OFF, until_mono_s=9.0, until_wall_s=9.0, by="Ann", why="noise", stamp=AT
        ),
        "hand",
        {"subject": "fans"},
        {"on": 0.0, "off": 1.0, "cool_out": 0.0},
    ),
]


@pytest.mark.parametrize(("event", "what", "tags", "fields"), EVENTS)
def test_an_event_is_what_another_implementation_writes(
    event: Event, what: str, tags: dict[str, str], fields: dict[str, float]
) -> None:
    line = LineWriter("B").event(event)
    assert parsed(line) == parsed(point(what, {"barn": "B"} | tags, fields))
    assert "Ann" not in line and "noise" not in line


def test_every_quality_can_be_told() -> None:
    for quality in Quality:
        line = LineWriter("B").reading(("c", "s", "p", "rh_pct"), wall_ms=1, value=None, quality=quality, sure=True)
        assert line == f"loosebox_lost,barn=B,place=p,sensor=s,why={quality.value} rh_pct=1.0 1"
