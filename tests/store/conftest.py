"""Owns: the invented barn and the values that the store tests write.

Must not know: SQLite.
How it works: one `Samples` fixture; times are whole milliseconds because the file keeps no finer ones.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from gateway.barn import Barn, Place, Post
from gateway.model import (
    Channel,
    CommandChange,
    Event,
    FaultChange,
    LevelChange,
    PlaceKind,
    Policy,
    Quality,
    Quantity,
    Reading,
    Reason,
    Stamp,
)
from gateway.store.writer import Writer


class Samples:
    """Builds values of the barn "Two Elms", which is invented."""

    channels = (
        Channel(name="air-1.temp_c", sensor="air-1", place="stalls", quantity=Quantity.TEMP),
        Channel(name="air-1.rh_pct", sensor="air-1", place="stalls", quantity=Quantity.RH),
    )
    barn = Barn(
        name="Two Elms",
        zone="America/New_York",
        pressure_pa=101325.0,
        posts=(Post(at=130.0, source="test"),),
        carry_limits=(2.0, 1.2, 1.0),
        horse_mass_kg=500.0,
        dead_band=3.0,
        hold_s=300.0,
        places=(
            Place(name="stalls", kind=PlaceKind.STANDING, policy=Policy.AIR, label={"en": "Stalls", "es": "Cuadras"}),
        ),
        sensors=(),
        kit=(),
    )

    def stamp(self, mono_s: float, *, boot: str = "boot-a", trusted: bool = True) -> Stamp:
        return Stamp(mono_s=mono_s, wall_s=1_780_000_000.0 + mono_s, boot=boot, trusted=trusted)

    def reading(self, n: int, *, channel: str = "air-1.temp_c") -> Reading:
        """The n-th reading: its value and its second are n."""
        return Reading(channel=channel, value=float(n), quality=Quality.GOOD, stamp=self.stamp(float(n)))

    def command(self, n: int, *, kit: str = "fans", on: bool = True) -> CommandChange:
        reasons = (Reason(code="level", text=f"number {n}"), Reason(code="hold", text="fünf"))
        return CommandChange(kit=kit, on=on, reasons=reasons, stamp=self.stamp(float(n)))

    def level(self, n: int) -> LevelChange:
        reason = Reason(code="sum", text=f"number {n}")
        return LevelChange(
            place="stalls", before=None, after=1, sum_f_pct=131.5, reason=reason, stamp=self.stamp(float(n))
        )

    def fault(self, n: int) -> Event:
        return FaultChange(subject="air-1", code="silent", text=f"number {n}", active=True, stamp=self.stamp(float(n)))


class Held:
    """A writer that the test made, and the way to look at its file without our own queries."""

    def __init__(self, path: Path, writer: Writer) -> None:
        self.path, self.writer = path, writer

    def sql(self, query: str) -> list[Any]:
        with closing(sqlite3.connect(self.path)) as connection:
            return connection.execute(query).fetchall()


Until = Callable[[Callable[[], object]], None]


@pytest.fixture(scope="session")
def samples() -> Samples:
    return Samples()


@pytest.fixture(scope="session")
def until() -> Until:
    """Polls a condition that another thread or process makes true; fails after 10 s."""

    def wait(condition: Callable[[], object]) -> None:
        end_s = time.monotonic() + 10
        while not condition():
            assert time.monotonic() < end_s, "did not happen within 10 s"
            time.sleep(0.01)

    return wait


@pytest.fixture
def hold(tmp_path: Path, samples: Samples) -> Iterator[Callable[..., Held]]:
    """Makes writers on `history.db` and closes them after the test."""
    made: list[Writer] = []

    def make(path: Path = tmp_path / "history.db", *, batch_s: float = 3600.0, **more: Any) -> Held:
        writer = Writer(path, samples.barn, samples.channels, batch_s, **more)
        made.append(writer)
        return Held(path, writer)

    yield make
    for writer in made:
        writer.close(5)
