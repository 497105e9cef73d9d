"""Changes over a stretch of wall time: the right ones of years, with what held before, from a real file.

Expected answers are worked out here from the list that was written, in plain Python.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from gateway.model import CommandChange, HandChange, HandKind, LevelChange, Reason, Stamp
from gateway.store.changes import changes
from gateway.store.queries import History
from gateway.store.writer import Writer

if TYPE_CHECKING:
    from tests.store.conftest import Samples

WHY = Reason(code="level-asks", text="heat")
WALL_S = 1_780_000_000.0
DAY_S = 86_400.0
Make = Callable[..., History]


def asked(history: History, from_s: float, to_s: float, most: int = 100) -> list[tuple[str, float, bool]]:
    found = changes(history, WALL_S + from_s, WALL_S + to_s, places=["stalls"], kit=["fan-1", "fan-2"], most=most)
    return [(each.kit, round(each.stamp.wall_s - WALL_S, 3), each.on) for each in found.commands]


def command(kit: str, at_s: float, on: bool, **stamp: object) -> CommandChange:
    given = {"mono_s": at_s, "wall_s": WALL_S + at_s, "boot": "boot-a", "trusted": True}
    return CommandChange(kit=kit, on=on, reasons=(WHY,), stamp=Stamp(**{**given, **stamp}))  # type: ignore[arg-type]


@pytest.fixture
def make(tmp_path: Path, samples: Samples) -> Make:
    """Writes what it is given, with a reading of the same moment so that the clock is known."""

    def write(*events: CommandChange | LevelChange | HandChange) -> History:
        writer = Writer(tmp_path / "history.db", samples.barn, samples.channels)
        for event in events:
            writer.reading(replace(samples.reading(0), stamp=event.stamp))
            writer.events([event])
        assert writer.flush(10.0)
        writer.close(5.0)
        return History(tmp_path / "history.db")

    return write


def test_a_stretch_has_its_own_changes_and_the_last_one_before_of_each(make: Make) -> None:
    history = make(
        command("fan-1", 10, True), command("fan-2", 20, True), command("fan-1", 100, False),
        command("fan-1", 200, True), command("fan-1", 300, False), command("fan-2", 400, False),
    )  # fmt: skip
    assert asked(history, 150, 350) == [
        ("fan-1", 100, False), ("fan-2", 20, True), ("fan-1", 200, True), ("fan-1", 300, False),
    ]  # fmt: skip


def test_levels_and_hands_come_too(make: Make) -> None:
    at = command("x", 10, True).stamp
    level = LevelChange(place="stalls", before=None, after=1, sum_f_pct=140.0, reason=WHY, stamp=at)
    hand = HandChange(subject="fan-1", kind=HandKind.OFF, until_mono_s=500.0, until_wall_s=WALL_S + 500, by="Ana",
                      why="", stamp=at)  # fmt: skip
    found = changes(make(level, hand), WALL_S + 60, WALL_S + 90, places=["stalls"], kit=["fan-1"], most=10)
    assert [each.after for each in found.levels] == [1]
    assert [each.by for each in found.hands] == ["Ana"]
    assert not found.cut


def test_more_than_the_limit_leaves_the_newest_and_says_so(make: Make) -> None:
    history = make(*(command("fan-1", 10.0 * number, number % 2 == 0) for number in range(1, 11)))
    found = changes(history, WALL_S, WALL_S + 1000, places=[], kit=["fan-1"], most=4)
    assert [each.stamp.mono_s for each in found.commands] == [70, 80, 90, 100]
    assert found.cut


def test_an_early_day_is_found_under_years_of_later_changes(make: Make, tmp_path: Path) -> None:
    """Fifty thousand changes came after it; a list of the newest twenty thousand would not reach back."""
    history = make(command("fan-1", 3600, True), command("fan-1", 7200, False), command("fan-2", 2 * DAY_S, True))
    with closing(sqlite3.connect(tmp_path / "history.db")) as connection, connection:
        connection.executemany(
            "INSERT INTO commands VALUES (?, 1, ?, ?, 1, 'fan-2', ?, '[]')",
            [(100 + n, ms := int((2 * DAY_S + 60 * (n + 1)) * 1000), int(WALL_S * 1000) + ms, n % 2)
             for n in range(50_000)],
        )  # fmt: skip
    assert asked(history, 0, DAY_S) == [("fan-1", 3600, True), ("fan-1", 7200, False)]
    late = asked(history, 30 * DAY_S, 30 * DAY_S + 600)
    inside = [each for each in late if 30 * DAY_S <= each[1] < 30 * DAY_S + 600]
    assert len(inside) == 10
    assert ("fan-1", 7200, False) in late


def test_a_boot_that_got_its_time_late_is_found_at_the_time_that_it_had(make: Make) -> None:
    """The clock said 1970 for a minute of a boot, then it was set: the change of that minute belongs to its day."""
    unset = command("fan-1", 5, True, wall_s=5.0, trusted=False, boot="boot-b")
    history = make(command("fan-2", 10, True), unset, command("fan-1", 120, False, boot="boot-b"))
    assert ("fan-1", 5, True) in asked(history, 0, 60)


def test_an_empty_history_has_no_changes(make: Make) -> None:
    assert asked(make(), 0, DAY_S) == []
