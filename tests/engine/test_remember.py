"""What a start still knows of the kit, from the commands of the history."""

from __future__ import annotations

import dataclasses
import datetime
from zoneinfo import ZoneInfo

from gateway.control.decide import ControlState, start_state
from gateway.engine.remember import remembered
from gateway.model import CommandChange, Reason, Stamp
from tests.control.barns import barn, fan, mister

WET = dataclasses.replace(mister(), water_lpm=6.0)
BARN = barn(kit=(fan(), WET))
NOON = datetime.datetime(2026, 7, 14, 12, tzinfo=ZoneInfo("UTC")).timestamp()
WHY = (Reason(code="x", text="x"),)


def stamp(mono_s: float, *, boot: str = "boot-1", trusted: bool = True) -> Stamp:
    """Boot 1 begins at noon, boot 2 is told apart by its own monotonic clock."""
    return Stamp(mono_s=mono_s, wall_s=NOON + mono_s, boot=boot, trusted=trusted)


def command(kit: str, on: bool, at: Stamp) -> CommandChange:
    return CommandChange(kit=kit, on=on, reasons=WHY, stamp=at)


def after(past: list[CommandChange], now: Stamp) -> ControlState:
    return remembered(start_state(BARN, now.mono_s), BARN, past, now)


def test_starts_of_the_last_hour_count_and_older_ones_do_not() -> None:
    past = [
        command("fan", on, stamp(at)) for on, at in ((True, 100.0), (False, 700.0), (True, 4000.0), (False, 5000.0))
    ]
    assert after(past, stamp(5100.0)).kit["fan"].starts == (4000.0, 5100.0)


def test_after_a_reboot_a_start_is_dated_by_the_wall_time_if_both_are_right() -> None:
    past = [command("fan", True, stamp(1000.0))]
    now = dataclasses.replace(stamp(20.0, boot="boot-2"), wall_s=NOON + 1600.0)
    assert after(past, now).kit["fan"].starts == (20.0 - 600.0, 20.0)
    assert after(past, dataclasses.replace(now, trusted=False)).kit["fan"].starts == (20.0,)


def test_water_of_today_and_the_last_wet_moment_are_kept() -> None:
    past = [command("mist", on, stamp(at)) for on, at in ((True, 0.0), (False, 60.0), (True, 300.0), (False, 360.0))]
    state = after(past, stamp(1000.0)).water["mist"]
    assert (state.litres, state.line_wet_s) == (12.0, 360.0)  # twice one minute at 6 l/min


def test_water_of_yesterday_is_not_of_today_but_the_line_is_known_to_be_wet() -> None:
    past = [command("mist", on, stamp(at)) for on, at in ((True, 0.0), (False, 60.0))]
    state = after(past, stamp(24 * 3600.0)).water["mist"]
    assert (state.litres, state.line_wet_s) == (0.0, 60.0)


def test_what_cannot_be_dated_is_not_known() -> None:
    past = [command("mist", on, stamp(at, trusted=False)) for on, at in ((True, 0.0), (False, 60.0))]
    state = after(past, stamp(10.0, boot="boot-2")).water["mist"]
    assert (state.litres, state.line_wet_s) == (0.0, None)


def test_a_run_that_the_core_did_not_see_end_wets_no_line() -> None:
    past = [command("mist", True, stamp(0.0)), command("mist", False, stamp(10.0, boot="boot-2"))]
    assert after(past, stamp(100.0, boot="boot-2")).water["mist"].line_wet_s is None


def test_an_empty_history_is_the_plain_start() -> None:
    now = stamp(50.0)
    state = after([], now)
    assert state.kit == start_state(BARN, now.mono_s).kit
    assert state.water["mist"].line_wet_s is None
