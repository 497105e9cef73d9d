"""One thread per bus: deadlines, order, a hanging device."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import pytest

from gateway.engine import bus as bus_module
from gateway.engine.bus import MOST_WAITING, Bus
from gateway.errors import BusTimeout, FrameError, GatewayError
from tests.engine.fakes import until


@pytest.fixture
def bus() -> Iterator[Bus]:
    made = Bus("line")
    yield made
    made.close(2.0)


def _block(bus: Bus) -> threading.Event:
    """Occupy the bus thread until the returned event is set."""
    begun, go = threading.Event(), threading.Event()

    def work() -> None:
        begun.set()
        go.wait(10)

    assert bus.submit(work, lambda _: None, begin_within_s=5)
    assert begun.wait(5)
    return go


def test_result_and_known_errors_come_back_as_values(bus: Bus) -> None:
    got: list[Any] = []

    def torn() -> None:
        raise FrameError("foreign unit", b"\x02")

    bus.submit(lambda: 42, got.append, begin_within_s=5)
    bus.submit(torn, got.append, begin_within_s=5)
    until(lambda: len(got) == 2)
    assert got[0] == 42
    assert isinstance(got[1], FrameError) and got[1].raw == b"\x02"


def test_a_defect_in_a_driver_costs_one_answer_and_not_the_thread(bus: Bus, caplog: pytest.LogCaptureFixture) -> None:
    got: list[Any] = []
    bus.submit(lambda: 1 / 0, got.append, begin_within_s=5)
    bus.submit(lambda: "alive", got.append, begin_within_s=5)
    until(lambda: len(got) == 2)
    assert isinstance(got[0], GatewayError) and "ZeroDivisionError" in str(got[0])
    assert got[1] == "alive"
    assert "defect in a driver" in caplog.text


def test_commands_go_before_polls(bus: Bus) -> None:
    go = _block(bus)
    done: list[str] = []
    for name, urgent in (("poll", False), ("poll 2", False), ("command", True)):
        bus.submit(lambda n=name: n, done.append, begin_within_s=5, urgent=urgent)  # type: ignore[misc]
    go.set()
    until(lambda: len(done) == 3)
    assert done == ["command", "poll", "poll 2"]


def test_a_job_that_cannot_begin_in_time_is_not_run(bus: Bus) -> None:
    go = _block(bus)
    ran: list[bool] = []
    got: list[Any] = []
    bus.submit(lambda: ran.append(True), got.append, begin_within_s=-0.001)
    go.set()
    until(lambda: bool(got))
    assert isinstance(got[0], BusTimeout) and not ran


def test_a_full_queue_refuses_instead_of_growing(bus: Bus) -> None:
    go = _block(bus)
    taken = [bus.submit(lambda: None, lambda _: None, begin_within_s=5) for _ in range(MOST_WAITING + 3)]
    assert taken == [True] * MOST_WAITING + [False] * 3
    go.set()


def test_a_hanging_job_makes_the_bus_stuck_and_its_end_frees_it(bus: Bus, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_module, "STUCK_AFTER_S", 0.0)
    go = _block(bus)
    assert bus.stuck_s() > 0
    go.set()
    until(lambda: bus.stuck_s() == 0)


def test_close_ends_the_thread_and_drops_what_waits() -> None:
    bus = Bus("line")
    go = _block(bus)
    ran: list[bool] = []
    bus.submit(lambda: ran.append(True), lambda _: None, begin_within_s=5)
    assert not bus.close(0.01)
    go.set()
    assert bus.close(2.0)
    assert not ran
