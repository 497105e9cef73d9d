"""Owns: checks of the newest snapshot, its age and its followers.

Must not know: HTTP, pages.
How it works: a hand-turned clock and short real event loops; `least_s` of zero takes real time out of it.
"""

from __future__ import annotations

import asyncio
import gc
from typing import TYPE_CHECKING

from dashboards.live import Live
from gateway.engine.snapshot import Snapshot

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns


def test_age_counts_from_the_last_publish(barns: type[Barns]) -> None:
    now_s = [50.0]
    live = Live(lambda: now_s[0])
    assert live.age_s() is None
    assert not live.heard_within(1e9)

    async def hear() -> None:
        live.publish(barns.barn())

    asyncio.run(hear())
    now_s[0] = 57.5
    assert live.age_s() == 7.5
    assert live.heard_within(8.0)
    assert not live.heard_within(7.5)


def test_a_follower_gets_the_newest_first_and_skips_what_it_missed(barns: type[Barns]) -> None:
    async def scene() -> list[int]:
        live, seen = Live(lambda: 0.0), []
        live.publish(barns.barn(steps=1))
        async for snapshot in live.follow(least_s=0.0, idle_s=5.0):
            assert snapshot is not None
            seen.append(snapshot.steps)
            if len(seen) == 3:
                break
            for steps in (10 * len(seen), 10 * len(seen) + 1):
                live.publish(barns.barn(steps=steps))
        return seen

    assert asyncio.run(scene()) == [1, 11, 21]


def test_a_publish_while_nobody_waits_is_not_missed(barns: type[Barns]) -> None:
    async def scene() -> int:
        live = Live(lambda: 0.0)
        follower = live.follow(least_s=0.0, idle_s=5.0)
        first = asyncio.ensure_future(anext(follower))
        await asyncio.sleep(0)
        live.publish(barns.barn(steps=7))
        got = await first
        await follower.aclose()  # type: ignore[attr-defined]
        assert got is not None
        return got.steps

    assert asyncio.run(scene()) == 7


def test_silence_is_told_and_does_not_end_the_stream(barns: type[Barns]) -> None:
    async def scene() -> list[bool]:
        live, seen = Live(lambda: 0.0), []
        async for snapshot in live.follow(least_s=0.0, idle_s=0.001):
            seen.append(snapshot is None)
            if len(seen) == 2:
                live.publish(barns.barn())
            if len(seen) == 3:
                break
        return seen

    assert asyncio.run(scene()) == [True, True, False]


def test_stop_ends_followers_that_wait_and_followers_that_rest(barns: type[Barns]) -> None:
    async def follow(live: Live, least_s: float) -> int:
        return sum([1 async for _ in live.follow(least_s=least_s, idle_s=60.0)])

    async def scene() -> list[int]:
        live = Live(lambda: 0.0)
        live.publish(barns.barn())
        both = [asyncio.ensure_future(follow(live, least_s)) for least_s in (0.0, 60.0)]
        await asyncio.sleep(0.02)
        live.stop()
        async with asyncio.timeout(1):
            return await asyncio.gather(*both)

    assert asyncio.run(scene()) == [1, 1]


def test_two_snapshots_close_together_are_given_apart(barns: type[Barns]) -> None:
    async def scene() -> float:
        live = Live(lambda: 0.0)
        live.publish(barns.barn(steps=1))
        follower = live.follow(least_s=0.2, idle_s=5.0)
        await anext(follower)
        live.publish(barns.barn(steps=2))
        begin_s = asyncio.get_running_loop().time()
        await anext(follower)
        return asyncio.get_running_loop().time() - begin_s

    assert asyncio.run(scene()) >= 0.19


def test_snapshots_do_not_pile_up_for_a_follower_that_does_not_read(barns: type[Barns]) -> None:
    async def scene() -> int:
        live = Live(lambda: 0.0)
        live.publish(barns.barn(steps=0))
        follower = live.follow(least_s=0.0, idle_s=5.0)
        await anext(follower)
        gc.collect()
        before = _snapshots()
        for steps in range(1, 2001):
            live.publish(barns.barn(steps=steps))
        gc.collect()
        return _snapshots() - before

    assert asyncio.run(scene()) <= 1


def _snapshots() -> int:
    return sum(isinstance(thing, Snapshot) for thing in gc.get_objects())
