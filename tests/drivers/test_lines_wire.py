"""Owns: checks of the line on which devices speak unasked.

Must not know: what a line of a real device looks like.
How it works: real bytes on a pseudo-terminal; the wire's clock and its waiting are moved by the test, so that nothing
sleeps but what is about sleeping. The lines are invented: "T 1" is for the sensor that listens to T.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.lines_wire import LineSensor, LineSplitter, LinesWire
from gateway.errors import BusTimeout, EmptyText, FrameError, PortGone, ReadError
from gateway.model import Quantity
from tests.drivers import specs
from tests.drivers.far_end import Pty
from tests.drivers.speakers import MOST_IN_A_PORT, lines_bus, say
from tests.drivers.test_wire import open_descriptors_of

PATIENCE_S = 1.2  # as the wire's description promises
OLDEST_S = 45.0


def parser_of(word: str) -> Callable[[bytes], tuple[float, ...] | None]:
    """ "T 1" is 1, "T" alone says that there is no value, "T ?" is noise."""

    def parse(line: bytes) -> tuple[float, ...] | None:
        if not line.startswith(word.encode()):
            return None
        if line.endswith(b"?"):
            raise FrameError("noise", line)
        if line == word.encode():
            raise EmptyText("no value")
        return (float(line.removeprefix(word.encode())),)

    return parse


class Rig:
    """A line, its wire, and a clock: waiting takes no time but the clock's. `later` is said during a wait."""

    def __init__(self, folder: Path) -> None:
        self.skew_s = 0.0
        self.waited_s = 0.0
        self.later: list[bytes] = []
        self.pty = Pty(folder / "line-b")
        self.wire = LinesWire(lines_bus(self.pty.link), now_s=self.now_s, sleep=self.sleep)

    def now_s(self) -> float:
        return time.monotonic() + self.skew_s

    def sleep(self, seconds: float) -> None:
        self.skew_s += seconds
        self.waited_s += seconds
        if self.later:
            say(self.pty, self.later.pop(0))

    def sensor(self, word: str) -> LineSensor:
        return LineSensor(specs.sensor("text-line", {}, quantities=(Quantity.TEMP,)), self.wire, parser_of(word))

    def open(self, *sensors: LineSensor) -> None:
        """Read once, so that the port is open, and end the part of a line with which it began."""
        for sensor in sensors:
            with suppress(ReadError):
                sensor.read()
        self.waited_s = 0.0
        say(self.pty, b"\n")


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.wire.close()
    if made.pty.link.is_symlink():
        made.pty.vanish()


def value(sensor: LineSensor) -> float:
    (raw,) = sensor.read()
    return raw.value


# --- cutting into lines -------------------------------------------------------------------------------


def whole_lines(data: bytes) -> list[bytes]:
    """By the rule, said otherwise than in the code: what stands between two line ends."""
    return [line for line in re.findall(rb"(?<=[\r\n])[^\r\n]+(?=[\r\n])", data) if len(line) <= 1024]


@settings(max_examples=1500, deadline=None)
@given(
    st.lists(st.sampled_from([b"\r\n", b"\n", b"\r", b"AIR,23.4", b"x", b"\0", b"y" * 700, b"\xff"]), max_size=30),
    st.data(),
)
def test_lines_are_the_same_in_whatever_pieces_they_come(parts: list[bytes], data: st.DataObject) -> None:
    text = b"".join(parts)
    splitter, lines, at = LineSplitter(), [], 0
    while at < len(text):
        step = data.draw(st.integers(1, 900))
        lines += splitter.feed(text[at : at + step])
        at += step
    assert lines == whole_lines(text)


def test_lines_are_the_same_byte_by_byte() -> None:
    splitter, text = LineSplitter(), b"part\r\nT 1\r\n\r\nT 2\nT 3\rT 4"
    assert [line for byte in text for line in splitter.feed(bytes((byte,)))] == [b"T 1", b"T 2", b"T 3"]
    assert LineSplitter().feed(text) == [b"T 1", b"T 2", b"T 3"]


def test_a_line_without_an_end_takes_no_memory_and_is_thrown_away() -> None:
    splitter = LineSplitter()
    splitter.feed(b"\n")
    tracemalloc.start()
    for _ in range(4000):
        assert splitter.feed(b"z" * 1000) == []
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 50_000
    assert splitter.feed(b"the end of it\nT 1\n") == [b"T 1"]


# --- who gets which line ------------------------------------------------------------------------------


def test_a_value_is_handed_out_once(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n")
    assert value(sensor) == 1.0
    for _ in range(3):
        with pytest.raises(BusTimeout) as caught:
            sensor.read()
        assert caught.value.quality == "silent"


def test_the_newest_line_counts(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\nT 2\nT 3\n")
    assert value(sensor) == 3.0


def test_what_one_sensor_reads_is_not_lost_for_another(rig: Rig) -> None:
    first, second, same = rig.sensor("T"), rig.sensor("U"), rig.sensor("T")
    rig.open(first, second, same)
    say(rig.pty, b"U 7\nT 1\nX 5\n")
    for _ in range(20):  # the others read often, and slowly
        with suppress(BusTimeout):
            assert value(first) == 1.0
    assert (value(second), value(same)) == (7.0, 1.0)


def test_a_line_in_pieces_is_read_when_it_is_whole(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1")
    with pytest.raises(BusTimeout):
        sensor.read()
    say(rig.pty, b"23\r")
    assert value(sensor) == 123.0


def test_the_line_that_was_under_way_when_the_port_opened_is_dropped(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.later = [b"T 99"]  # of "T 1 T 99", say: nobody can know
    with pytest.raises(BusTimeout):
        sensor.read()
    say(rig.pty, b"\nT 5\n")
    assert value(sensor) == 5.0


# --- what a device says -------------------------------------------------------------------------------


def test_a_torn_line_does_not_hide_the_sound_one_before_it(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\nT ?\n")
    assert value(sensor) == 1.0


def test_torn_lines_alone_are_told_as_torn(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T ?\n")
    with pytest.raises(FrameError):
        sensor.read()
    with pytest.raises(BusTimeout):
        sensor.read()


def test_a_device_that_no_longer_has_a_value_is_believed(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\nT\n")
    with pytest.raises(EmptyText):
        sensor.read()
    say(rig.pty, b"T\nT 2\n")
    assert value(sensor) == 2.0


# --- waiting ------------------------------------------------------------------------------------------


def test_a_line_that_comes_a_moment_after_the_read_is_waited_for(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n")
    value(sensor)
    rig.later = [b"X 1\n", b"T 2\n"]
    assert value(sensor) == 2.0
    assert 0 < rig.waited_s < PATIENCE_S


def test_a_silent_device_costs_its_neighbours_one_wait_and_no_more(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n")
    value(sensor)
    for _ in range(50):
        with pytest.raises(BusTimeout):
            sensor.read()
    assert rig.waited_s == pytest.approx(PATIENCE_S, abs=0.05)


def test_a_device_slower_than_the_polling_is_read_once_for_each_of_its_lines(rig: Rig) -> None:
    sensor, got = rig.sensor("T"), []
    rig.open(sensor)
    for poll in range(24):
        if poll % 6 == 0:
            say(rig.pty, f"T {poll}\n".encode())
        try:
            got.append(value(sensor))
        except BusTimeout:
            got.append(-1.0)
        rig.skew_s += 5.0
    silent = [-1.0] * 5
    assert got == [0.0, *silent, 6.0, *silent, 12.0, *silent, 18.0, *silent]


def test_a_silence_says_how_long_it_has_lasted(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    with suppress(BusTimeout):
        sensor.read()
    rig.skew_s += 30.0
    with pytest.raises(BusTimeout) as caught:
        sensor.read()
    assert caught.value.waited_s == pytest.approx(30.0, abs=0.5)


def test_lines_that_lay_in_the_port_too_long_are_not_taken_for_fresh(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n")
    rig.skew_s += OLDEST_S + 1
    with pytest.raises(BusTimeout):
        sensor.read()
    say(rig.pty, b"T 2\n")
    assert value(sensor) == 2.0


def test_lines_that_another_sensor_fetched_long_ago_are_not_taken_for_fresh(rig: Rig) -> None:
    first, second = rig.sensor("T"), rig.sensor("T")
    rig.open(first, second)
    say(rig.pty, b"T 1\n")
    value(first)
    rig.skew_s += OLDEST_S + 1
    with pytest.raises(BusTimeout):
        second.read()


def test_when_the_port_was_full_a_newer_line_is_awaited(rig: Rig) -> None:
    """A full port has lost what came last, and what it holds is old."""
    talker, quiet = rig.sensor("T"), rig.sensor("U")
    rig.open(talker, quiet)
    say(rig.pty, b"U 9\n" + b"T 1\n" * 1100)
    rig.later = [b"00000\nT 2\n"]  # the rest of a line whose middle is lost
    assert value(talker) == 2.0
    assert value(quiet) == 9.0  # what the quiet one said is not lost


def test_a_full_port_is_better_than_nothing(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n" * (MOST_IN_A_PORT // 4 - 1))
    assert value(sensor) == 1.0


# --- the port -----------------------------------------------------------------------------------------


def test_an_absent_port_fails_at_use_and_not_at_making_and_costs_no_time(tmp_path: Path) -> None:
    wire = LinesWire(lines_bus(tmp_path / "nowhere"))
    sensor = LineSensor(specs.sensor("text-line", {}, quantities=(Quantity.TEMP,)), wire, parser_of("T"))
    begun_s = time.process_time()
    for _ in range(1000):
        with pytest.raises(PortGone, match="nowhere"):
            sensor.read()
    assert time.process_time() - begun_s < 0.5
    wire.close()


def test_a_vanished_port_is_closed_at_once_and_comes_back(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    name = rig.pty.name
    rig.pty.vanish()
    with pytest.raises(PortGone, match="vanished"):
        sensor.read()
    assert not open_descriptors_of(name)

    rig.pty.appear()
    with pytest.raises(PortGone, match="next try in"):  # although it is there again: no busy loop
        sensor.read()
    rig.skew_s += 1.01
    rig.later = [b"9\nT 2\n"]  # the rest of a line that began before the port opened
    assert value(sensor) == 2.0


def test_a_part_of_a_line_from_before_the_port_vanished_is_forgotten(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1")
    with pytest.raises(BusTimeout):
        sensor.read()
    rig.pty.vanish()
    with pytest.raises(PortGone):
        sensor.read()
    rig.pty.appear()
    rig.skew_s += 1.01
    rig.later = [b"2\n"]
    with pytest.raises(BusTimeout):
        sensor.read()


def test_a_port_that_another_process_holds_is_not_shared(rig: Rig) -> None:
    held = "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); input()"
    other = subprocess.Popen(
        [sys.executable, "-c", held, str(rig.pty.link)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    with pytest.raises(PortGone, match="held by another process"):
        rig.sensor("T").read()
    other.communicate("\n", timeout=10)


@pytest.mark.parametrize("changed", [{"parity": "even", "data_bits": 7}, {"stop_bits": 2}, {"baud": 115200}])
def test_the_settings_of_the_site_file_open_the_port(rig: Rig, changed: dict[str, object]) -> None:
    rig.wire = LinesWire(lines_bus(rig.pty.link, **changed), now_s=rig.now_s, sleep=rig.sleep)
    sensor = rig.sensor("T")
    rig.open(sensor)
    say(rig.pty, b"T 1\n")
    assert value(sensor) == 1.0


def test_a_closed_wire_stays_closed(rig: Rig) -> None:
    sensor = rig.sensor("T")
    rig.open(sensor)
    sensor.close()
    rig.wire.close()
    rig.wire.close()
    with pytest.raises(PortGone, match="closed"):
        sensor.read()


def test_waiting_leaves_the_processor_alone(tmp_path: Path) -> None:
    pty = Pty(tmp_path / "line-b")
    wire = LinesWire(lines_bus(pty.link))
    sensor = LineSensor(specs.sensor("text-line", {}, quantities=(Quantity.TEMP,)), wire, parser_of("T"))
    begun_s, cpu_s = time.monotonic(), time.thread_time()
    with pytest.raises(BusTimeout):
        sensor.read()
    assert time.monotonic() - begun_s >= PATIENCE_S
    assert time.thread_time() - cpu_s < 0.05 * PATIENCE_S
    wire.close()
    pty.vanish()
