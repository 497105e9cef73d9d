"""Owns: the checks of what is dropped, in which order, and that it is on record.

Must not know: how dropping is divided into bites.
How it works: histories of some days at a reading every ten seconds, with rules of hours and budgets of a few hundred
kilobytes; in every test readings committed = readings in the file + readings dropped on record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.site_history import Keep
from gateway.store.outbox import Dropped, Outbox
from gateway.store.position import START
from gateway.store.queries import History
from gateway.store.writer import Writer
from tests.conservation import acknowledged, sound
from tests.store.child import BARN
from tests.store.ink import DAY_S, HOUR_S, Ink, at, command

SMALL = Keep(raw_days=0.5, minute_days=2.0, quarter_days=4.0, event_days=3.0)
EVERY_S = 10.0
END = 2**62


@pytest.fixture
def made() -> Iterator[list[tuple[Ink, int]]]:
    """Files of a test, each with the number of its readings; the conservation law holds for all of them afterwards."""
    files: list[tuple[Ink, int]] = []
    yield files
    for ink, committed in files:
        assert acknowledged(ink.path).readings == committed
        sound(ink.path, whole=True)
        ink.close()


def days(path: Path, count: float, keep: Keep, made: list[tuple[Ink, int]], channels: int = 1) -> Ink:
    ink = Ink(path, keep, channels)
    stamps = [at(n * EVERY_S) for n in range(int(count * DAY_S / EVERY_S))]
    ink.put(stamps)
    ink.commit()
    made.append((ink, len(stamps) * channels))
    return ink


def oldest_s(ink: Ink) -> float:
    rows, _ = Outbox(ink.path).page(START, 1)
    return rows[0][1] / 1000


def dropped(ink: Ink, what: str) -> list[Dropped]:
    return [each for each in Outbox(ink.path).dropped() if each.what == what]


def count(ink: Ink, table: str) -> int:
    return int(ink.pen._connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_readings_go_by_age_and_leave_minutes(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 2.0, SMALL, made)
    ink.tidy()
    assert 1.5 * DAY_S - EVERY_S <= oldest_s(ink) <= 1.5 * DAY_S + HOUR_S
    assert count(ink, "minutes") >= 47 * 60
    ((what, why, wanted),) = [(each.what, each.why, each.wanted) for each in dropped(ink, "readings")]
    assert (what, why, wanted) == ("readings", "age", False)


def test_minutes_then_quarters_go_by_their_own_age(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 6.0, SMALL, made)
    ink.tidy()
    first = ink.pen._connection.execute("SELECT min(slot) FROM minutes").fetchone()[0] * 60
    assert 3 * DAY_S <= first <= 4 * DAY_S  # two days are kept, whole days go
    assert count(ink, "quarters") >= 4 * 96


def test_age_is_running_time_so_a_board_that_was_off_keeps_its_history(
    tmp_path: Path, made: list[tuple[Ink, int]]
) -> None:
    ink = Ink(tmp_path / "h.db", SMALL)
    for boot in range(4):  # six hours of running on each of four days that lie months apart
        ink.put(at(n * EVERY_S, boot=f"b{boot}", wall_s=1e9 + boot * 1e7 + n * EVERY_S) for n in range(6 * 360))
        ink.commit()
    made.append((ink, 4 * 6 * 360))
    ink.tidy()
    boots = {row for (row,) in ink.pen._connection.execute("SELECT DISTINCT boot FROM readings")}
    assert boots == {2, 3, 4}  # half a day is the newest boot, the one before, and the last instants of the second
    assert count(ink, "readings") <= 2 * 6 * 360 + 4


def test_readings_that_a_destination_waits_for_outlive_their_age(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    cursors = tmp_path / "cursors.json"
    ink = days(tmp_path / "h.db", 2.0, replace(SMALL, cursors=cursors), made)
    ink.deliver(cursors, (1, round(HOUR_S * 1000), 1, 0))
    ink.tidy()
    assert oldest_s(ink) == HOUR_S
    ink.deliver(cursors, (1, round(10 * HOUR_S * 1000), 1, 0), (1, END, 0, 0))
    ink.reopen()
    ink.tidy()
    assert oldest_s(ink) == 10 * HOUR_S  # the slowest lane counts


@pytest.mark.parametrize(
    "said", ["", "no JSON", "[]", '{"history": "another", "cursors": {}}', '{"cursors": {"a": 1}}']
)
def test_unreadable_cursors_hold_everything_back(tmp_path: Path, made: list[tuple[Ink, int]], said: str) -> None:
    cursors = tmp_path / "cursors.json"
    cursors.write_text(said)
    ink = days(tmp_path / "h.db", 2.0, replace(SMALL, cursors=cursors), made)
    ink.tidy()
    assert dropped(ink, "readings") == []


def test_without_destinations_nobody_is_waited_for(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 2.0, replace(SMALL, cursors=tmp_path / "none.json"), made)
    ink.tidy()
    assert len(dropped(ink, "readings")) == 1


def test_late_reading_that_was_not_delivered_holds_its_time_back(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    cursors = tmp_path / "cursors.json"
    ink = days(tmp_path / "h.db", 2.0, replace(SMALL, cursors=cursors), made)
    ink.put([at(5 * HOUR_S + 1)])
    ink.commit()
    made[:] = [(ink, made[0][1] + 1)]
    ink.deliver(cursors, (1, END, 0, 0))
    ink.tidy()
    assert oldest_s(ink) == 5 * HOUR_S + 1
    ink.deliver(cursors, (1, END, 0, 1))
    ink.reopen()
    ink.tidy()
    assert oldest_s(ink) > DAY_S


def squeeze(ink: Ink, share: float) -> None:
    """Open the file anew with a budget of a share of what it holds."""
    pages = ink.pen._connection.execute("PRAGMA page_count").fetchone()[0]
    ink._keep = replace(ink._keep, budget_mb=1)
    ink.reopen()
    ink.pen._keeper._budget_pages = int(pages * share)
    ink.pen._connection.execute(f"PRAGMA max_page_count = {int(pages * share)}")


def used(ink: Ink) -> float:
    return ink.pen._keeper._used() / ink.pen._keeper._budget_pages


def test_budget_takes_delivered_readings_first_and_nothing_else_while_they_last(
    tmp_path: Path, made: list[tuple[Ink, int]]
) -> None:
    cursors = tmp_path / "cursors.json"
    ink = days(tmp_path / "h.db", 2.0, Keep(cursors=cursors), made, channels=4)
    ink.deliver(cursors, (1, round(1.5 * DAY_S * 1000), 1, 0))
    ink.tidy()
    squeeze(ink, 0.6)
    ink.tidy()
    assert used(ink) <= 0.95
    assert [(each.what, each.why, each.wanted) for each in Outbox(ink.path).dropped()] == [("readings", "space", False)]


def test_budget_takes_wanted_readings_only_after_all_else_and_says_so(
    tmp_path: Path, made: list[tuple[Ink, int]]
) -> None:
    cursors = tmp_path / "cursors.json"
    ink = days(tmp_path / "h.db", 3.0, Keep(cursors=cursors), made, channels=4)
    ink.deliver(cursors, (1, round(0.2 * DAY_S * 1000), 1, 0))
    ink.tidy()
    squeeze(ink, 0.4)
    ink.tidy()
    assert used(ink) <= 0.95
    wanted = [each for each in dropped(ink, "readings") if each.wanted]
    free = [each for each in dropped(ink, "readings") if not each.wanted]
    assert ink.pen.lost_wanted == sum(each.rows for each in wanted) > 0
    assert free[0].last_mono_ms < wanted[0].first_mono_ms
    assert len(dropped(ink, "minutes")) == 1  # they went before, but for the newest day
    assert count(ink, "minutes") > 0
    assert dropped(ink, "quarters") == []


def test_writing_goes_on_at_the_budget_for_ever(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 1.0, Keep(), made, channels=8)
    ink.tidy()
    squeeze(ink, 1.0)
    committed = made[0][1]
    for hour in range(24, 72):
        stamps = [at(hour * HOUR_S + n * EVERY_S) for n in range(360)]
        ink.put(stamps)
        ink.commit()
        ink.tidy()
        committed += len(stamps) * 8
        assert used(ink) <= 1.0
    made[:] = [(ink, committed)]
    assert oldest_s(ink) > DAY_S


def test_events_are_never_dropped_for_space(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 1.0, Keep(), made)
    ink.events(command(n, at(float(n))) for n in range(5000))
    ink.commit()
    ink.tidy()
    squeeze(ink, 0.5)
    ink.tidy()
    assert count(ink, "commands") == 5000
    assert {each.what for each in Outbox(ink.path).dropped()} == {"readings"}


def test_old_events_go_when_delivered_but_the_last_command_of_a_kit_stays(
    tmp_path: Path, made: list[tuple[Ink, int]]
) -> None:
    cursors = tmp_path / "cursors.json"
    ink = days(tmp_path / "h.db", 5.0, replace(SMALL, cursors=cursors), made)
    ink.events([command(1, at(1.0)), command(2, at(2.0)), command(3, at(3.0), "mist"), command(4, at(4.9 * DAY_S))])
    ink.commit()
    ink.deliver(cursors, (1, END, 0, 0), event=0)
    ink.tidy()
    assert count(ink, "commands") == 4
    ink.deliver(cursors, (1, END, 0, 0), event=4)
    ink.reopen()
    ink.tidy()
    assert {kit: c.reasons[0].text for kit, c in History(ink.path).last_commands().items()} == {
        "fans": "4",
        "mist": "3",
    }
    assert count(ink, "commands") == 2
    assert sum(each.rows for each in dropped(ink, "commands")) == 2


def test_dropping_stops_at_a_kill_without_losing_count(tmp_path: Path, made: list[tuple[Ink, int]]) -> None:
    ink = days(tmp_path / "h.db", 2.0, SMALL, made, channels=8)
    while sum(ink.pen.tidy() for _ in range(30)):
        ink.reopen(in_order=False)
    assert oldest_s(ink) > 1.4 * DAY_S


def test_lost_wanted_readings_are_said_aloud(tmp_path: Path) -> None:
    cursors = tmp_path / "cursors.json"
    ink = Ink(tmp_path / "h.db", Keep(cursors=cursors))
    ink.put(at(n * EVERY_S) for n in range(40_000))
    ink.commit()
    ink.deliver(cursors, START)
    ink.tidy()
    ink.close()
    writer = Writer(ink.path, BARN, ink.channels, 0.01, keep=Keep(cursors=cursors, budget_mb=1))
    for n in range(40_000, 40_010):
        writer.beat(n, 0, at(n * EVERY_S))
    assert writer.flush(10)
    assert writer.close(10)
    assert "used up its disk budget" in writer.trouble()
    assert writer.troubles().keys() == {"disk-low"}
    assert any(each.wanted for each in Outbox(ink.path).dropped())
