"""Requests by hand: what is refused, what is asked twice, that recorded comes before done, and what a restart keeps."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from gateway.engine.by_hand import ByHand, restored
from gateway.engine.snapshot import Snapshot
from gateway.engine.step import StepInputs, StepState, step
from gateway.errors import LinkError
from gateway.model import Event, HandChange, HandKind
from tests.control.barns import air, barn, fan, mister, stamp
from tests.engine.fakes import HandClock

BARN = barn(kit=(fan(), mister()))


class Journal:
    """Says whether it can write, and in which order it was used."""

    def __init__(self, *, works: bool = True) -> None:
        self.works, self.found, self.log = works, list[Event](), list[str]()

    def events(self, events: tuple[Event, ...]) -> None:
        self.found += events
        self.log.append("events")

    def flush(self, timeout_s: float) -> bool:
        self.log.append("flush")
        return self.works


def snapshot(temp_c: float, rh_pct: float) -> Snapshot:
    from gateway.control.decide import start_state

    state = StepState(control=start_state(BARN, 0.0), started_s=0.0)
    return step(BARN, state, StepInputs(latest=air(temp_c, rh_pct, 1.0), seen={}, stamp=stamp(1.0)), 1.0).snapshot


def desk(journal: Journal, newest: Snapshot | None = None) -> tuple[ByHand, list[HandChange]]:
    taken: list[HandChange] = []
    return ByHand(BARN, HandClock(100.0), journal, take=taken.append, newest=lambda: newest), taken


def request(**changes: Any) -> dict[str, Any]:
    return {"do": "hand", "subject": "fan", "kind": "on", "minutes": 30, "by": "Ana", "why": "farrier"} | changes


def test_a_request_is_recorded_before_it_is_taken_and_acknowledged() -> None:
    journal = Journal()
    by_hand, taken = desk(journal)
    answer = by_hand.answer("web", request())
    assert journal.log == ["events", "flush"]
    assert journal.found == taken
    assert answer == {"done": True, "until_wall_s": taken[0].stamp.wall_s + 1800.0, "recorded": True}
    assert (taken[0].kind, taken[0].until_mono_s, taken[0].by, taken[0].why) == (HandKind.ON, 1900.0, "Ana", "farrier")


def test_a_history_that_cannot_be_written_stops_nobody_and_is_said() -> None:
    by_hand, taken = desk(Journal(works=False))
    assert by_hand.answer("web", request())["recorded"] is False
    assert len(taken) == 1


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "asks"),
    [(20.0, 50.0, False), (32.0, 75.0, True)],  # sums 118 and 164.6: level 0 and 2
)
def test_stopping_a_fan_in_heat_is_asked_twice(temp_c: float, rh_pct: float, asks: bool) -> None:
    by_hand, taken = desk(Journal(), snapshot(temp_c, rh_pct))
    first = by_hand.answer("web", request(kind="off"))
    assert ("question" in first) is asks
    assert bool(taken) is not asks
    assert by_hand.answer("web", request(kind="off", sure=True))["done"] is True


def test_without_a_snapshot_nobody_knows_the_air_and_stopping_is_asked_twice() -> None:
    by_hand, taken = desk(Journal())
    assert "question" in by_hand.answer("web", request(kind="off"))
    assert not taken


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"do": "dance"}, "cannot do 'dance'"),
        ({"kind": "perhaps"}, "kind must be one of"),
        ({"minutes": "30"}, "minutes must be a number"),
        ({"minutes": True}, "minutes must be a number"),
        ({"minutes": -1}, "minutes must be a number"),
        ({"minutes": float("nan")}, "minutes must be a number"),
        ({"by": " "}, "by must say who asks"),
        ({"by": "a\nb"}, "by must be a text"),
        ({"why": "x" * 121}, "why must be a text"),
        ({"subject": 7}, "subject must be a text"),
    ],
)
def test_what_cannot_be_understood_is_an_error_of_the_link(changes: dict[str, Any], says: str) -> None:
    by_hand, taken = desk(Journal())
    with pytest.raises(LinkError, match=says):
        by_hand.answer("web", request(**changes))
    assert not taken


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"subject": "fna"}, "there is no kit fna"),
        ({"kind": "cool-out"}, "there is no place fan"),
        ({"minutes": 0}, "it must last"),
        ({"minutes": 721}, "it must last"),
        ({"subject": "mist", "minutes": 16}, "it must last"),
        ({"kind": "off", "minutes": 241}, "it must last"),
    ],
)
def test_what_cannot_be_granted_is_said_and_not_taken(changes: dict[str, Any], says: str) -> None:
    journal = Journal()
    by_hand, taken = desk(journal)
    assert says in by_hand.answer("web", request(**changes))["error"]
    assert not taken and not journal.found


def change(**changes: Any) -> HandChange:
    given = HandChange(
        subject="fan", kind=HandKind.ON, until_mono_s=700.0, until_wall_s=stamp(700.0).wall_s, by="Ana", why="",
        stamp=stamp(100.0),
    )  # fmt: skip
    return dataclasses.replace(given, **changes)


def test_within_one_boot_the_monotonic_end_counts() -> None:
    kept = restored([change()], dataclasses.replace(stamp(400.0), wall_s=0.0, trusted=False))
    assert kept["fan"].until_mono_s == 700.0
    assert not restored([change()], stamp(700.0))


def test_after_a_reboot_the_wall_time_counts_if_it_can_be_trusted() -> None:
    rebooted = dataclasses.replace(stamp(10.0), boot="boot-2", wall_s=stamp(400.0).wall_s)
    assert restored([change()], rebooted)["fan"].until_mono_s == pytest.approx(310.0)
    assert not restored([change()], dataclasses.replace(rebooted, trusted=False))
    assert not restored([change(stamp=dataclasses.replace(stamp(100.0), trusted=False))], rebooted)


def test_a_clock_set_back_keeps_nobody_longer_than_the_longest_time() -> None:
    rebooted = dataclasses.replace(stamp(10.0), boot="boot-2", wall_s=0.0)
    assert restored([change()], rebooted)["fan"].until_mono_s == pytest.approx(10.0 + 12 * 3600)


def test_the_newest_request_counts_and_a_return_to_automatic_ends_it() -> None:
    assert not restored([change(), change(kind=HandKind.AUTO)], stamp(200.0))
    assert restored([change(kind=HandKind.AUTO), change()], stamp(200.0))
