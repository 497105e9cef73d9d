"""Owns: the checks of what wall time a reading is said to have, whatever the clock did.

Must not know: tables.
How it works: a boot that gets its time late, one that never does, and clocks that jump by an hour, a year, to 1970.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.site_history import Keep
from gateway.store.extract import Extract
from gateway.store.outbox import NOT_YET, SURE, UNSURE, Outbox
from gateway.store.position import START
from gateway.store.queries import History
from gateway.store.series import Pictures
from tests.store.ink import AHEAD_S, DAY_S, HOUR_S, Ink, at

YEAR_S = 365 * DAY_S


def wall_and_sure(path: Path) -> list[tuple[float, int]]:
    return [(row[2] / 1000, row[5]) for row in Outbox(path).page(START, 1000)[0]]


def test_readings_before_the_first_time_sync_get_their_time_afterwards(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put([at(1.0, wall_s=5.0, trusted=False), at(2.0, wall_s=6.0, trusted=False)])
    ink.commit()
    assert wall_and_sure(ink.path) == [(5.0, NOT_YET), (6.0, NOT_YET)]
    ink.put([at(10.0)])
    ink.commit()
    assert wall_and_sure(ink.path) == [(AHEAD_S + 1, SURE), (AHEAD_S + 2, SURE), (AHEAD_S + 10, SURE)]
    series = Pictures(ink.path).series("stalls", from_wall_s=AHEAD_S, to_wall_s=AHEAD_S + 12, points=12)[0]
    assert [point.mean for point in series.points if point.count] == [1.0, 2.0, 10.0] or series.step_s > 1
    # As it was said stays as it was said: nothing that was recorded is rewritten.
    assert [r.stamp.wall_s for r in History(ink.path).readings(channel="air-1.temp_c")][:2] == [5.0, 6.0]


def test_boot_that_never_got_its_time_stays_flagged(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put([at(1.0, boot="early", wall_s=5.0, trusted=False)])
    ink.put([at(1.0, boot="later")])
    ink.commit()
    assert wall_and_sure(ink.path) == [(5.0, UNSURE), (AHEAD_S + 1, SURE)]
    told = Extract(ink.path)
    found = [each[0].clock for each in told.told(told.listed(), from_wall_ms=0, to_wall_ms=2**42, resolution="raw")]
    assert found == ["unsynced", "synced"]


def test_readings_after_trust_was_lost_go_by_the_last_trusted_time(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put([at(1.0), at(2.0, wall_s=77.0, trusted=False)])
    ink.commit()
    assert wall_and_sure(ink.path) == [(AHEAD_S + 1, SURE), (AHEAD_S + 2, SURE)]


def test_events_of_an_unsynced_start_get_their_time_too(tmp_path: Path) -> None:
    from tests.store.ink import command

    ink = Ink(tmp_path / "h.db")
    ink.events([command(1, at(1.0, wall_s=5.0, trusted=False))])
    ink.put([at(10.0)])
    ink.commit()
    ((number, event),) = Outbox(ink.path).events_after(0, 10)
    assert (number, event.stamp.wall_s, event.stamp.trusted) == (1, AHEAD_S + 1, True)


@pytest.mark.parametrize("jump_s", [-HOUR_S, YEAR_S, -AHEAD_S], ids=["an hour back", "a year ahead", "to 1970"])
def test_jump_of_the_wall_clock_drops_nothing_and_changes_no_order(tmp_path: Path, jump_s: float) -> None:
    ink = Ink(tmp_path / "h.db", Keep(raw_days=1.0))
    ink.put(at(n * 60.0) for n in range(1, 121))
    ink.put(at(n * 60.0, wall_s=AHEAD_S + n * 60 + jump_s) for n in range(121, 241))
    ink.commit()
    ink.tidy()
    assert [row[3] for row in Outbox(ink.path).page(START, 1000)[0]] == [n * 60.0 for n in range(1, 241)]
    assert Outbox(ink.path).dropped() == ()
    # both stretches are found where their clock said that they were
    for begin_s, first, last in ((AHEAD_S, 1, 120), (AHEAD_S + jump_s, 121, 240)):
        told = Extract(ink.path)
        found = told.told(
            told.listed(), resolution="raw", from_wall_ms=round((begin_s + first * 60) * 1000),
            to_wall_ms=round((begin_s + last * 60) * 1000) + 1,
        )  # fmt: skip
        values = [each[0].mean for each in found]
        assert {n * 60.0 for n in range(first, last + 1)} <= set(values)


def test_small_corrections_of_the_clock_make_no_new_stretch(tmp_path: Path) -> None:
    """A clock that is kept right drifts by parts of a second; only a jump is worth a row."""
    ink = Ink(tmp_path / "h.db")
    ink.put(at(float(n), wall_s=AHEAD_S + n + n * 0.0005) for n in range(1, 1000))
    ink.commit()
    assert ink.pen._connection.execute("SELECT count(*) FROM clocks").fetchone() == (1,)
