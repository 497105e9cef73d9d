"""Owns: a history, a far end and a stream between them, for the tests of the stream.

Must not know: what a test expects, but for the law: what was acknowledged is delivered, pending, dead or dropped.
How it works: real files and a real server on loopback, on a clock that the test moves. `start` begins anew with what is
on the disk, as after a kill.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from gateway.store.outbox import Outbox
from gateway.uplink.backoff import Patience
from gateway.uplink.ledger import Ledger
from gateway.uplink.series import Store
from gateway.uplink.stream import Stream
from gateway.uplink.to_store import ToStore
from tests.conservation import Rows, conserved
from tests.uplink.store_rig import BARN, Hist, Peer, Say, series_at

PATIENCE = Patience(first_s=1.0, longest_s=60.0, hold_s=60.0)


class Rig:
    """A history, a far end and a stream between them, on a clock that the test moves."""

    def __init__(self, folder: Path, *, channels: int = 2, batch: int = 5000) -> None:
        self.folder, self.at_s, self.batch = folder, 1000.0, batch
        self.hist = Hist(folder / "history.db", channels)
        self.hist.open()
        self.peer = Peer(lambda lines: Say())
        self.outbox = Outbox(self.hist.path)
        self.stream = self.start()

    def start(self) -> Stream:
        """As after a restart of uplink: everything anew but what is on the disk."""
        self.ledger = Ledger(
            self.folder / "cursors.json", ["series"], history=self.outbox.identity(), clock=lambda: self.at_s
        )
        to = ToStore(Store(series_at(self.peer.url, self.folder), within_s=2.0), BARN.name)
        to.batch = self.batch
        self.stream = Stream(
            self.outbox,
            self.ledger,
            to,
            clock=lambda: self.at_s,
            mono_s=lambda: self.at_s,
            patience=PATIENCE,
        )
        return self.stream

    def turn(self) -> float:
        wait_s = self.stream.turn()
        self.at_s += wait_s
        return wait_s

    def run(self, done: Callable[[], bool] | None = None, *, turns: int = 3000) -> None:
        """Until the history is delivered and told apart, or `done`."""
        for _ in range(turns):
            if (done or self.level)():
                return
            self.turn()
        raise AssertionError(f"not done: {self.stream.standing()}")

    def level(self) -> bool:
        course = self.ledger.course("series")
        return len(course.lanes) == 1 and self.pending() == 0 and course.event == self.outbox.newest_event()

    def pending(self) -> int:
        return sum(self.outbox.pending(lane.at, lane.until) for lane in self.ledger.course("series").lanes)

    def law_without_dead(self) -> None:
        rows = Rows(readings=self.hist.acknowledged, events=self.hist.acknowledged_events)
        assert conserved(self.hist.path, self.ledger.course("series"), rows=rows).dead == 0

    def law(self) -> None:
        rows = Rows(readings=self.hist.acknowledged, events=self.hist.acknowledged_events)
        found = conserved(self.hist.path, self.ledger.course("series"), rows=rows)
        assert found.dead == len({line["line"] for line in self.dead()})

    def dead(self) -> list[dict[str, str]]:
        path = self.ledger.dead_file
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def taken(self) -> Counter[str]:
        return Counter(line for line in self.peer.taken if line.startswith("loosebox_reading"))

    def lines(self) -> set[str]:
        """Every reading of the history as a line, made by plain SQL."""
        head = r"loosebox_reading,barn=Far\,\ Field,place=stalls"
        return {f"{head},sensor={s} {name.split('_', 2)[2]}={v} {ms}" for name, _, s, _, ms, v in self.hist.points()}

    def same(self) -> None:
        """The far end has every reading of the history, whether once or again."""
        assert set(self.taken()) == self.lines()

    def close(self) -> None:
        self.stream.close()
        self.peer.close()
        self.hist.close()
