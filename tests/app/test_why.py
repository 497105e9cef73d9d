"""The story of a past decision, from a history that the real writer has written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from gateway.app.bench import prepare
from gateway.app.why import parse_time, story
from gateway.barn import Barn
from gateway.errors import SiteError, StoreError
from gateway.model import (
    CommandChange,
    Event,
    FaultChange,
    HandChange,
    HandKind,
    LevelChange,
    Quality,
    Reading,
    Reason,
    Stamp,
)
from gateway.site import Site
from gateway.store.past import Past
from gateway.store.writer import Writer
from tests.e2e.barn import loosebox

# 2026-07-14 14:00:00 in New York is 18:00 UTC, which is 1784052000 s: date -u -d @1784052000
NOON_S = 1_784_052_000.0
KIT, PLACE = "stall-fans", "stalls"


def _stamp(after_s: float, *, boot: str = "b1", trusted: bool = True, slip_s: float = 0.0) -> Stamp:
    """`after_s` seconds after two o'clock; the clock of this boot is `slip_s` off."""
    return Stamp(mono_s=5000.0 + after_s, wall_s=NOON_S + after_s + slip_s, boot=boot, trusted=trusted)


def _command(after_s: float, on: bool, *reasons: tuple[str, str], **stamp: str | bool) -> CommandChange:
    return CommandChange(
        kit=KIT,
        on=on,
        reasons=tuple(Reason(code=code, text=text) for code, text in reasons),
        stamp=_stamp(after_s, **stamp),  # type: ignore[arg-type]
    )


def _reading(after_s: float, channel: str, value: float | None) -> Reading:
    quality, detail = (Quality.GOOD, "") if value is not None else (Quality.SILENT, "no answer")
    return Reading(channel=channel, value=value, quality=quality, stamp=_stamp(after_s), detail=detail)


STORY: tuple[Event, ...] = (
    _command(0, True, ("core-starts", "core starts")),
    LevelChange(
        place=PLACE,
        before=None,
        after=2,
        sum_f_pct=156.0,
        reason=Reason(code="heat-load", text="sum 156.0"),
        stamp=_stamp(60),
    ),
    FaultChange(subject="arena-air", code="sensor-lost", text="arena-air: silent", active=True, stamp=_stamp(100)),
    FaultChange(subject="rack-air", code="sensor-lost", text="rack-air: silent", active=True, stamp=_stamp(110)),
    FaultChange(subject="rack-air", code="sensor-lost", text="rack-air: silent", active=False, stamp=_stamp(200)),
    HandChange(
        subject=KIT,
        kind=HandKind.OFF,
        until_mono_s=5900.0,
        until_wall_s=NOON_S + 900,
        by="Ana",
        why="rewiring",
        stamp=_stamp(300),
    ),
    _command(301, False, ("by-hand", "Ana by hand"), ("min-on", "kept on before")),
    _command(900, True, ("carry-low", "carry 1.40 without it")),
)


READINGS = (
    (395, "stalls-air.temp_c", 31.5),
    (395, "stalls-air.rh_pct", 62.0),
    (400, "stalls-air.temp_c", None),
    (590, "stalls-air.temp_c", 32.0),
    (590, "stalls-air.rh_pct", 60.0),
    (800, "stalls-air.temp_c", 25.0),
)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return prepare(tmp_path / "barn", speed=1)


def _write(
    site: Site, events: Sequence[Event], *, beats: Sequence[tuple[float, int]] = ((590, 590), (890, 890))
) -> None:
    writer = Writer(site.history_file, site.barn, tuple(c for s in site.barn.sensors for c in s.channels))
    for read_s, channel, value in READINGS:
        writer.reading(_reading(read_s, channel, value))
    for event in events:
        writer.events((event,))
    for after_s, steps in beats:
        writer.beat(steps, 0, _stamp(after_s))
        assert writer.flush(5.0)
    writer.close(5.0)


def _told(site: Site, after_s: float, kit: str = KIT, barn: Barn | None = None) -> str:
    when = parse_time(f"2026-07-14T14:{int(after_s // 60):02d}:{after_s % 60:02.0f}", "America/New_York")
    return story(barn or site.barn, Past(site.history_file), kit, when)


def test_a_decision_is_told_with_everything_known_then(site: Site) -> None:
    _write(site, STORY)
    told = _told(site, 600)
    lines = told.splitlines()
    assert lines[0] == "stall-fans (fan at stalls), 2026-07-14 14:10:00 EDT: off, since 14:05:01."
    assert "  because Ana by hand  [by-hand]" in lines
    assert "  because kept on before  [min-on]" in lines
    assert "  stalls: level 2 since 14:01:00 (sum 156.0)" in lines
    # 32 °C is 89.6 °F: with 60 % the sum is 149.6
    assert "  stalls-air: 32 °C at 14:09:50, 60 % at 14:09:50, sum 149.6" in lines
    assert "  by hand: off by Ana, until 14:15:00: rewiring" in lines
    assert "  fault since 14:01:40: arena-air: silent  [sensor-lost]" in lines
    assert "  next: on at 14:15:00, because carry 1.40 without it" in lines
    assert "rack-air: silent" not in told, "that fault had ended"


def test_later_and_earlier_moments_have_their_own_story(site: Site) -> None:
    _write(site, STORY)
    early, late = _told(site, 150), _told(site, 901)
    assert "on, since 14:00:00" in early
    assert "nobody had it by hand" in early
    assert "temp not read in the ten minutes before" in early
    assert "next: off at 14:05:01" in early
    assert "on, since 14:15:00" in late
    assert "nobody had it by hand" in late, "the hand had ended"
    assert "it has not changed since" in late


def test_a_reading_without_value_says_why(site: Site) -> None:
    _write(site, STORY)
    assert "stalls-air: temp without value at 14:06:40 (no answer), 62 % at 14:06:35\n" in _told(site, 420) + "\n"


def test_before_the_history_it_says_where_that_begins(site: Site) -> None:
    _write(site, STORY[:1])
    when = parse_time("2026-07-14T13:59", "America/New_York")
    told = story(site.barn, Past(site.history_file), KIT, when)
    assert "nothing is known of it at that time; the history begins at 14:00:00." in told


def test_without_a_beat_core_is_said_to_have_been_silent(site: Site) -> None:
    _write(site, STORY, beats=((200, 200),))
    told = _told(site, 600)
    assert "core gave no sign of life in the minute before: by its wiring it is then on" in told


def test_faults_of_an_earlier_run_of_core_do_not_stand(site: Site) -> None:
    restarted = (*STORY[:4], _command(500, True, ("core-starts", "core starts")))
    _write(site, restarted, beats=((590, 90),))  # 90 steps: this run began at 500
    assert "no fault stood" in _told(site, 600)


def test_a_reading_is_found_by_its_boot_although_the_clock_was_wrong(site: Site) -> None:
    """Before the clock was set it said two hours less: the same wall time came twice, on two boots."""
    lost = Stamp(mono_s=10.0, wall_s=NOON_S - 7200.0, boot="b0", trusted=False)
    before = CommandChange(kit=KIT, on=False, reasons=(Reason(code="old", text="old boot"),), stamp=lost)
    _write(site, (before, *STORY))
    told = story(site.barn, Past(site.history_file), KIT, parse_time("2026-07-14T12:00:05", "America/New_York"))
    assert "off, since 12:00:00 (the clock was not set)" in told
    assert "stalls-air: temp not read" in told


def test_unknown_kit_and_missing_history_are_sentences(site: Site) -> None:
    when = parse_time("2026-07-14T14:00+00:00", "America/New_York")
    with pytest.raises(SiteError, match="there is no kit hoover; kit is stall-fans, "):
        story(site.barn, Past(site.history_file), "hoover", when)
    with pytest.raises(StoreError, match="cannot be read"):
        story(site.barn, Past(site.history_file), KIT, when)


@pytest.mark.parametrize("text", ["", "noon", "14:05", "2026-13-01T00:00"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(SiteError, match="is no time; write it as"):
        parse_time(text, "UTC")


def test_a_time_with_a_zone_keeps_it() -> None:
    assert parse_time("2026-07-14T18:00+00:00", "America/New_York").timestamp() == NOON_S
    assert parse_time("2026-07-14T14:00", "America/New_York").timestamp() == NOON_S


def test_the_command_tells_it(site: Site) -> None:
    _write(site, STORY)
    done = loosebox("why", KIT, "--at", "2026-07-14T14:10", "--site", str(site.path))
    assert done.returncode == 0, done.stderr
    assert re.match(r"stall-fans \(fan at stalls\), 2026-07-14 14:10:00 EDT: off", done.stdout)
    wrong = loosebox("why", "hoover", "--at", "2026-07-14T14:10", "--site", str(site.path))
    assert (wrong.returncode, "there is no kit hoover" in wrong.stderr) == (2, True)
