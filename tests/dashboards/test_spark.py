"""The small line of a day, and the keeping of days for all who look."""

from __future__ import annotations

import asyncio
import re
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from dashboards.site_days import AWAY_S, FRESH_S, MOST_KEPT, Kept
from dashboards.spark import HEIGHT, WIDTH, spark
from tests.dashboards.site_wall import MadeDays


def drawn(points: list[tuple[float, float]]) -> str:
    return spark(points, begin_s=0.0, end_s=100.0, step_s=10.0, posts=(130, 150, 180), said='a "day" & more')


@given(st.lists(st.tuples(st.floats(-50, 150), st.floats(-1e6, 1e6)), max_size=20))
def test_whatever_the_points_the_line_stays_in_its_box(points: list[tuple[float, float]]) -> None:
    picture = drawn(sorted(points))
    root = ElementTree.fromstring(picture)
    assert root.attrib["aria-label"] == 'a "day" & more'
    line = root[1].attrib["d"]
    for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", line):
        assert 0 <= float(x) <= WIDTH and 0 <= float(y) <= HEIGHT


def test_a_gap_breaks_the_line_and_a_single_reading_is_a_dot() -> None:
    line = ElementTree.fromstring(drawn([(0, 140), (10, 141), (40, 150), (60, 120)]))[1].attrib["d"]
    assert line.count("M") == 3 and line.count("L") == 1 and line.count("h0") == 2


def test_higher_is_drawn_higher() -> None:
    line = ElementTree.fromstring(drawn([(0, 130), (10, 150)]))[1].attrib["d"]
    (_, low), (_, high) = re.findall(r"[ML]([\d.]+) ([\d.]+)", line)
    assert float(high) < float(low)


def test_a_store_is_asked_once_for_all_and_again_when_old_sooner_after_it_was_away() -> None:
    store, now_s = MadeDays(), [0.0]

    async def look(kept: Kept) -> None:
        await kept.refresh(("b", "a"))
        await kept.refresh(("a", "b", "a"))
        assert len(store.asked) == 1 and not kept.of(("a", "b")).away
        now_s[0] = FRESH_S + 1
        store.away = True
        await kept.refresh(("a", "b"))
        assert kept.of(("b", "a")).away and kept.of(("a", "b")).found == {}
        now_s[0] += AWAY_S + 1
        store.away = False
        await kept.refresh(("a", "b"))
        assert len(store.asked) == 3 and ("a", "stalls") in kept.of(("a", "b")).found
        for n in range(3 * MOST_KEPT):
            await kept.refresh((f"x{n}",))
        assert kept.of(("a", "b")).found == {}  # made room
        await kept.refresh(())
        assert len(store.asked) == 3 + 3 * MOST_KEPT

    asyncio.run(look(Kept(store, lambda: now_s[0], lambda: 1_780_000_000.0)))


def test_without_a_set_clock_nobody_knows_which_day_and_nothing_is_asked() -> None:
    store = MadeDays()
    kept = Kept(store, lambda: 0.0, lambda: None)
    asyncio.run(kept.refresh(("a",)))
    assert store.asked == [] and not kept.of(("a",)).away
