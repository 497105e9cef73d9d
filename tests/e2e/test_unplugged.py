"""A USB serial adapter pulled out and put back, at the pace of a real barn, with the site file as shipped."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.e2e.barn import Barn, running_barn

pytestmark = pytest.mark.timeout(300)

AWAY_S = 5.0  # how long its use of the processor is measured
WATCHDOG_S = 30  # of the relay block
BACK_WITHIN_S = 5.0
BUSY_S = 1.5  # for the machine and for looking


@pytest.fixture(scope="module")
def barn(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    with running_barn(tmp_path_factory.mktemp("adapter") / "bench", speed=1) as made:
        yield made


def processor_s(process: int) -> float:
    """Processor time that a process has used so far: utime and stime of proc(5)."""
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def holds(process: int, target: str) -> bool:
    """Whether a process has that file open."""
    for entry in Path(f"/proc/{process}/fd").iterdir():
        try:
            if os.readlink(entry).startswith(target):
                return True
        except FileNotFoundError:
            continue
    return False


def newest_s(barn: Barn) -> float:
    """When the line last gave a value."""
    names = ("stalls-air.temp_c", "arena-air.temp_c", "rack-air.temp_c")
    good = (r.stamp.mono_s for name in names for r in barn.history.readings(channel=name) if r.value is not None)
    return max(good, default=0.0)


def test_an_unplugged_adapter_costs_nothing_and_comes_back_by_itself(barn: Barn) -> None:
    # Held off by its relay in the morning: that the block lets go, and is told again, can be seen.
    barn.wait(lambda: barn.running()["arena-fans"] is False, 120, "the arena fan being held off")
    core = barn.child("core")
    port = os.readlink(barn.folder / "line-a")
    assert holds(core, port)
    barn.put(line_a="gone")
    gone_s = time.monotonic()
    barn.wait(lambda: not holds(core, port), 10, "the descriptor being closed")

    begun_s, used_s = time.monotonic(), processor_s(core)
    time.sleep(AWAY_S)
    share = (processor_s(core) - used_s) / (time.monotonic() - begun_s)
    assert share < 0.05

    barn.wait(lambda: barn.running()["arena-fans"], WATCHDOG_S + 10, "the block letting go by itself")
    assert time.monotonic() - gone_s >= WATCHDOG_S - 6  # it was fed until then
    assert barn.child("core") == core
    before_s = newest_s(barn)
    barn.mend("line-a")
    back_s = time.monotonic()
    place = barn.wait(lambda: (p := barn.place("stalls")) and p["age_s"] is not None and p, 30, "the wall answering")
    assert place["freshness"] == "fresh"  # by its second sensor, which hangs elsewhere

    def age_s() -> float | None:
        found: float | None = barn.place("arena").get("age_s")
        return found

    barn.wait(lambda: (age := age_s()) is not None and age < BACK_WITHIN_S, 30, "a new reading")
    assert time.monotonic() - back_s <= BACK_WITHIN_S + BUSY_S
    barn.wait(lambda: barn.running()["arena-fans"] is False, 60, "the output being told again")
    assert barn.child("core") == core
    barn.wait(lambda: newest_s(barn) > before_s, 60, "the history having it")
    barn.wait(lambda: barn.now()["faults"] == [], 60, "nothing being wrong any more")
