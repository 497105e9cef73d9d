"""The journal in the real history file: what was on the disk at a cut gives the state that was, at every line."""

from __future__ import annotations

import shutil
from pathlib import Path

from gateway.alarms.book import after, restored
from gateway.model import AlarmChange, AlarmStep, Priority
from gateway.store.queries import History
from gateway.store.writer import Writer
from tests.alarms.scenes import BARN, stamp
from tests.conservation import kept

KEY = "bus-lost:line"


def line(what: AlarmStep, at_s: float, episode: int = 1, **changes: object) -> AlarmChange:
    given = {"alarm": KEY, "what": what, "episode": episode, "priority": Priority.SOON, "stamp": stamp(at_s)}
    return AlarmChange(**{**given, **changes})  # type: ignore[arg-type]


JOURNAL = (
    line(AlarmStep.RAISED, 10.25, why="nothing answers: áéñ <&>"),
    line(AlarmStep.ACKNOWLEDGED, 20.0, by="Ana"),
    line(AlarmStep.WORSE, 30.5, priority=Priority.NOW, why="level 3"),
    line(AlarmStep.SHELVED, 40.0, by="Luis", why="veterinarian", until_mono_s=640.0, until_wall_s=stamp(640.0).wall_s),
    line(AlarmStep.UNSHELVED, 640.0, priority=Priority.NOW),
    line(AlarmStep.SUPPRESSED, 650.0, why="broker-lost:broker"),
    line(AlarmStep.RELEASED, 660.0, why="broker-lost:broker"),
    line(AlarmStep.RETURNED, 700.0),
    line(AlarmStep.RAISED, 900.0, episode=2),
    line(AlarmStep.OUT_OF_SERVICE, 950.0, episode=2, by="Ana", why="new cable is ordered"),
    line(AlarmStep.TESTED, 960.0, episode=0, alarm="test-due:barn", by="Ana", why="reached Ana, Luis"),
)


def test_at_every_line_a_copy_of_the_file_gives_the_state_that_was(tmp_path: Path) -> None:
    """The writer goes on; the file and its log are copied as a cut would leave them, and read afresh."""
    live = tmp_path / "live.db"
    writer = Writer(live, BARN, ())
    book = restored((), stamp(0.0))
    for number, each in enumerate(JOURNAL):
        writer.events((each,))
        assert writer.flush(10.0)
        book = after(book, (each,))
        cut = tmp_path / f"cut-{number}" / "live.db"
        cut.parent.mkdir()
        for suffix in ("", "-wal"):
            shutil.copy(live.with_name(live.name + suffix), cut.with_name(cut.name + suffix))
        kept(cut, readings=0, events=number + 1)
        assert History(cut).alarms() == JOURNAL[: number + 1]
        assert restored(History(cut).alarms(), each.stamp) == book
    assert writer.close(10.0)
    assert History(live).alarms() == JOURNAL
