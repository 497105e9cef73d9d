"""Messages to try whether a contact is reached: in the book and the journal, but no alarm."""

from __future__ import annotations

from pathlib import Path

from gateway.alarms.book import MOST_TRIALS, Book, after, restored
from gateway.model import AlarmChange, AlarmStep, Priority
from gateway.store.queries import History
from gateway.store.writer import Writer
from tests.alarms.scenes import BARN, Bell, facts, stamp


def tried(number: int, contact: str = "Ana", by: str = "Luis") -> AlarmChange:
    return AlarmChange(
        alarm=f"trial:{contact}", what=AlarmStep.TRIED, episode=number, priority=Priority.NOW,
        stamp=stamp(float(number)), by=by,
    )  # fmt: skip


def test_a_trial_is_kept_and_is_no_alarm() -> None:
    book = after(Book(), [tried(1), tried(2, "José: el del tractor")])
    assert book.alarms == {}
    assert [(t.number, t.contact, t.by) for t in book.trials] == [
        (1, "Ana", "Luis"),
        (2, "José: el del tractor", "Luis"),
    ]
    assert book.newest == stamp(2.0)


def test_only_the_newest_are_kept_in_memory() -> None:
    book = after(Book(), [tried(number) for number in range(1, 101)])
    assert [trial.number for trial in book.trials] == list(range(101 - MOST_TRIALS, 101))


def test_a_step_after_a_trial_raises_and_ends_nothing_of_it() -> None:
    bell = Bell()
    bell.file(AlarmStep.TRIED, "trial:Ana", episode=1)
    assert bell.run(facts(), for_s=3600, every_s=10.0) == []
    assert bell.state.book.alarms == {}
    assert bell.state.book.trials[0].contact == "Ana"


def test_a_restart_counts_on(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "history.db", BARN, ())
    journal = [tried(1), tried(2, "Luis", "Ana")]
    writer.events(journal)
    assert writer.close(10.0)
    book = restored(History(tmp_path / "history.db").alarms(), stamp(5.0, boot="boot-2"))
    assert book.trials == after(Book(), journal).trials
    assert book.trials[-1].number == 2
