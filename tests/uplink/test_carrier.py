"""When the streams begin, and what must not end the whole of uplink."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.model import Event
from gateway.store.outbox import Outbox
from gateway.uplink.carrier import Carrier
from gateway.uplink.lines import Place, Row
from gateway.uplink.verdict import Outcome, Verdict
from tests.engine.fakes import until
from tests.uplink.store_rig import Hist


class Keeps:
    """A destination that takes everything, or has a defect."""

    name, batch, forgets = "keeps", 100, False

    def __init__(self) -> None:
        self.rows = 0
        self.defect = False

    def readings(self, rows: Sequence[Row], channels: Mapping[int, Place]) -> Sequence[Row]:
        return rows

    def event(self, event: Event) -> Event:
        return event

    def deliver(self, parts: Sequence[object]) -> Verdict:
        if self.defect:
            raise ZeroDivisionError("a defect")
        self.rows += len(parts)
        return Verdict(outcome=Outcome.DELIVERED)

    def close(self) -> None:
        pass


@pytest.fixture
def hist(tmp_path: Path) -> Iterator[Hist]:
    made = Hist(tmp_path / "history.db")
    yield made
    made.close()


def carrier_of(hist: Hist, to: Keeps, cursors: Path) -> Carrier:
    return Carrier(Outbox(hist.path), cursors, [to], mono_s=machine_s)


def test_streams_begin_when_there_is_a_history(hist: Hist, tmp_path: Path) -> None:
    to = Keeps()
    carrier = carrier_of(hist, to, tmp_path / "cursors.json")
    carrier.tick()
    assert carrier.standings() == ()
    hist.add(0, 10)

    def begun() -> bool:
        carrier.tick()
        return to.rows == 20

    until(begun)
    carrier.close()


def test_cursors_that_cannot_be_kept_end_nothing(hist: Hist, tmp_path: Path) -> None:
    hist.add(0, 10)
    (tmp_path / "no-folder").write_text("")
    to = Keeps()
    carrier = carrier_of(hist, to, tmp_path / "no-folder" / "cursors.json")
    carrier.tick()
    assert carrier.standings() == () and to.rows == 0
    carrier.close()


def test_a_second_uplink_on_the_same_cursors_waits_for_the_first(hist: Hist, tmp_path: Path) -> None:
    """Two of them would overwrite each other's counts; so would a person who sends dead letters again meanwhile."""
    hist.add(0, 10)
    one, other = Keeps(), Keeps()
    first, second = (carrier_of(hist, to, tmp_path / "cursors.json") for to in (one, other))
    first.tick()
    second.tick()
    until(lambda: one.rows == 20)
    assert second.standings() == () and other.rows == 0
    first.close()

    def begun() -> bool:
        second.tick()
        return bool(second.standings())

    until(begun)
    second.close()


def test_a_defect_of_one_stream_is_a_state_and_not_the_end(hist: Hist, tmp_path: Path) -> None:
    hist.add(0, 10)
    to = Keeps()
    to.defect = True
    carrier = carrier_of(hist, to, tmp_path / "cursors.json")
    carrier.tick()
    until(lambda: carrier.standings()[0].state == "stopped")
    assert "a defect" in carrier.standings()[0].why
    carrier.tick()
    carrier.close()


def test_another_file_of_history_asks_for_a_new_start(hist: Hist, tmp_path: Path) -> None:
    hist.add(0, 10)
    now_s = machine_s()
    carrier = carrier_of(hist, Keeps(), tmp_path / "cursors.json")
    carrier.tick()
    hist.close()
    for path in tmp_path.glob("history.db*"):
        path.unlink()
    hist.add(0, 1)
    carrier._looked_s = now_s - 3600  # half a minute has passed
    with pytest.raises(GatewayError, match="another file"):
        carrier.tick()
    carrier.close()
