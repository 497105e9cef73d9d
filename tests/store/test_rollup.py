"""Owns: the checks of the coarser tables.

Must not know: how rolling up is divided into bites.
How it works: readings of random spacing are written; least, mean, largest and number are reckoned here from what was
handed in, with Python's own `statistics.fmean`, and compared.
"""

from __future__ import annotations

import math
import statistics
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.store.ink import DAY_S, HOUR_S, Ink, at

instants = st.lists(st.integers(0, 3 * 3600 * 1000), min_size=1, max_size=200, unique=True).map(sorted)


def rows(ink: Ink, table: str) -> dict[tuple[int, int, int], tuple[Any, ...]]:
    found = ink.pen._connection.execute(f"SELECT channel, boot, slot, low, mean, high, count FROM {table}")
    return {row[:3]: row[3:] for row in found}


def reckoned(values: dict[int, float], width_ms: int, before_ms: int) -> dict[tuple[int, int, int], tuple[Any, ...]]:
    slots: dict[int, list[float]] = {}
    for mono_ms, value in values.items():
        if mono_ms < before_ms:
            slots.setdefault(mono_ms // width_ms, []).append(value)
    return {(1, 1, n): (min(v), statistics.fmean(v), max(v), len(v)) for n, v in slots.items()}


@settings(max_examples=40, deadline=None)
@given(times_ms=instants, values=st.lists(st.floats(-50, 120), min_size=200, max_size=200))
def test_minutes_and_quarters_are_those_of_the_readings(times_ms: list[int], values: list[float]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        ink = Ink(Path(folder) / "h.db")
        given_values = dict(zip(times_ms, values, strict=False))
        for mono_ms, value in given_values.items():
            ink.put([at(mono_ms / 1000)], value)
        ink.put([at(10 * HOUR_S)])
        ink.commit()
        ink.tidy()
        for table, width_ms in (("minutes", 60_000), ("quarters", 900_000)):
            found, wanted = rows(ink, table), reckoned(given_values, width_ms, 2**60)
            assert found.keys() == wanted.keys()
            for key, (low, mean, high, count) in wanted.items():
                assert (found[key][0], found[key][2], found[key][3]) == (low, high, count)
                assert math.isclose(found[key][1], mean, rel_tol=1e-9, abs_tol=1e-9)
        ink.close()


def test_hour_is_rolled_up_when_the_readings_are_a_minute_past_it(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put([at(10.0), at(HOUR_S + 59.9)])
    ink.commit()
    ink.tidy()
    assert rows(ink, "minutes") == {}
    ink.put([at(HOUR_S + 60.0)])
    ink.commit()
    ink.tidy()
    assert list(rows(ink, "minutes")) == [(1, 1, 0)]


def test_boot_that_is_over_is_rolled_up_whole(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put([at(10.0, boot="short")])
    ink.put([at(5.0, boot="next")])
    ink.commit()
    ink.tidy()
    assert list(rows(ink, "minutes")) == [(1, 1, 0)]


def test_missing_values_make_no_row(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.silent(at(10.0))
    ink.put([at(70.0), at(10 * HOUR_S)])
    ink.commit()
    ink.tidy()
    assert list(rows(ink, "minutes")) == [(1, 1, 1)]


def test_restart_in_mid_hour_counts_nothing_twice_and_nothing_out(tmp_path: Path) -> None:
    ink = Ink(tmp_path / "h.db")
    ink.put(at(n * 5.0) for n in range(1, 2000))
    ink.commit()
    for _ in range(7):
        assert ink.pen.tidy()
    ink.reopen(in_order=False)
    ink.tidy()
    counts = [row[3] for row in rows(ink, "minutes").values()]
    # 719 readings in the first hour (the first is at 5 s), 720 in the second; the third is not over
    assert sum(counts) == 719 + 720
    assert set(counts) == {11, 12}


def test_bites_are_small(tmp_path: Path) -> None:
    """A day of readings is rolled up in bites of five minutes and one write for each hour."""
    ink = Ink(tmp_path / "h.db", channels=2)
    ink.put(at(n * 60.0) for n in range(int(DAY_S / 60) + 2))
    ink.commit()
    assert ink.tidy() >= 24 * 13
