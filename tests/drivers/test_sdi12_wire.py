"""Owns: checks of the SDI-12 line and of the sensor that measures over several reads.

Must not know: the grammar's corners (test_sdi12).
How it works: a scripted far end on a real pseudo-terminal answers whole commands; checksums are those that the
standard prints. `Fast` is a clock that runs five times as fast as the machine's, so that waiting costs little.
"""

from __future__ import annotations

import errno
import os
import select
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.sdi12_wire import Sdi12Sensor, Sdi12Wire, wake
from gateway.barn import BusSpec, SensorSpec
from gateway.errors import BusTimeout, ChecksumError, EmptyText, FrameError, PortGone, ReadError, Refused
from gateway.model import AIR, Quantity
from gateway.ports import Sensor
from tests.contract.sensor_contract import SensorContract
from tests.drivers import specs
from tests.drivers.far_end import Pty
from tests.drivers.test_wire import open_descriptors_of

SPEED = 5.0
WITHIN_S = 1.0  # of the fast clock: 0.2 s of the machine's

Script = Callable[[str], bytes | None]


class Fast:
    """`skew_s` lets time pass that nobody waited for."""

    def __init__(self) -> None:
        self.skew_s = 0.0

    def now_s(self) -> float:
        return SPEED * time.monotonic() + self.skew_s

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds / SPEED)


class FarEnd:
    """Answers each command by `script`; None is silence."""

    def __init__(self, pty: Pty, script: Script) -> None:
        self._pty, self.script = pty, script
        self.commands: list[str] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        os.write(self._pty.far, data)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        heard = b""
        while not self._stop.is_set():
            if select.select([self._pty.far], [], [], 0.01)[0]:
                heard += os.read(self._pty.far, 256)
            while b"!" in heard:
                command, _, heard = heard.partition(b"!")
                self.commands.append(command.decode())
                if (answer := self.script(command.decode())) is not None:
                    self.say(answer)


def answers(said: dict[str, bytes]) -> Script:
    """A script that knows these commands and is silent at others."""
    return lambda command: said[command] + b"\r\n" if command in said else None


SOUND = {"0MC": b"00002", "0D0": b"0+3.14+2.718IWO"}  # SDI-12 version 1.4, section 4.4.12.3


OTHER = {"1M": b"10001", "1D0": b"1+7"}


def sdi12_bus(port: Path, **changed: Any) -> BusSpec:
    return BusSpec(name="line-c", kind="sdi12", options={"port": str(port), "answer_within_s": WITHIN_S} | changed)


def at(value: int, scale: float = 1.0, offset: float = 0.0) -> dict[str, Any]:
    return {"value": value, "scale": scale, "offset": offset}


def soil(
    command: str = "MC", *, address: str = "0", quantities: tuple[Quantity, ...] = AIR, **fields: Any
) -> SensorSpec:
    options = {"address": address, "command": command, "temp": at(1), "rh": at(2)} | fields
    return specs.sensor("sdi12", options, bus="line-c", quantities=quantities)


class Rig:
    def __init__(self, folder: Path) -> None:
        self.clock = Fast()
        self.pty = Pty(folder / "line-c")
        self.far = FarEnd(self.pty, answers(SOUND))
        self.wire = Sdi12Wire(sdi12_bus(self.pty.link), now_s=self.clock.now_s, sleep=self.clock.sleep)

    def sensor(self, command: str = "MC", **changed: Any) -> Sdi12Sensor:
        return Sdi12Sensor(soil(command, **changed), self.wire)

    def other(self) -> Sdi12Sensor:
        """A second sensor on the line; what it says is in `OTHER`."""
        spec = soil("M", address="1", quantities=(Quantity.TEMP,))
        return Sdi12Sensor(replace(spec, name="arena-air"), self.wire)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    with ExitStack() as undo:
        undo.callback(lambda: made.pty.vanish() if made.pty.link.is_symlink() else None)
        undo.callback(lambda: made.far.stop())
        undo.callback(made.wire.close)
        yield made


def values(sensor: Sensor) -> list[float]:
    return [raw.value for raw in sensor.read()]


class TestSdi12(SensorContract):
    @pytest.fixture
    def sensor(self, rig: Rig) -> Sensor:
        return rig.sensor()

    @pytest.fixture
    def lost_sensor(self, rig: Rig) -> Sensor:
        rig.far.script = answers({})
        return rig.sensor()


# --- one measurement ----------------------------------------------------------------------------------


def test_a_measurement_is_asked_for_and_fetched(rig: Rig) -> None:
    assert values(rig.sensor()) == [3.14, 2.718]
    assert rig.far.commands == ["0MC", "0D0"]


def test_scale_and_offset_and_the_place_of_a_value(rig: Rig) -> None:
    assert values(rig.sensor(temp=at(2, 10.0, -1.0), rh=at(1))) == pytest.approx([26.18, 3.14])


def test_values_are_fetched_until_all_that_were_promised_are_there(rig: Rig) -> None:
    rig.far.script = answers({"0C3": b"000005", "0D0": b"0+1-2", "0D1": b"0+3+4", "0D2": b"0+5", "0D3": b"0"})
    assert values(rig.sensor("C3", temp=at(5), rh=at(2))) == [5.0, -2.0]
    assert rig.far.commands == ["0C3", "0D0", "0D1", "0D2"]


def test_an_echo_of_the_command_and_of_the_break_is_understood(rig: Rig) -> None:
    rig.far.script = lambda command: b"\0" + command.encode() + b"!" + SOUND[command] + b"\r\n"
    assert values(rig.sensor()) == [3.14, 2.718]


def test_an_answer_in_pieces_is_one_answer(rig: Rig) -> None:
    def script(command: str) -> None:
        for byte in SOUND[command] + b"\r\n":
            rig.far.say(bytes((byte,)))
            time.sleep(0.002)

    rig.far.script = script
    assert values(rig.sensor()) == [3.14, 2.718]


# --- what goes wrong ----------------------------------------------------------------------------------


def test_silence_is_asked_three_times(rig: Rig) -> None:
    rig.wire.close()
    rig.wire = Sdi12Wire(sdi12_bus(rig.pty.link, answer_within_s=0.2))
    rig.far.script = answers({})
    with pytest.raises(BusTimeout) as caught:
        rig.sensor().read()
    assert caught.value.quality == "silent"
    assert rig.far.commands == ["0MC"] * 3


@pytest.mark.parametrize("within_s", [0.5, 5.0])
def test_a_read_never_takes_the_ten_seconds_after_which_a_bus_counts_as_stuck(rig: Rig, within_s: float) -> None:
    rig.wire.close()
    rig.wire = Sdi12Wire(
        sdi12_bus(rig.pty.link, answer_within_s=within_s), now_s=rig.clock.now_s, sleep=rig.clock.sleep
    )
    for said in ({}, {"0MC": b"09999"}, {"0MC": b"00032"}):
        rig.far.script = answers(said)
        begun_s = rig.clock.now_s()
        with pytest.raises(BusTimeout):
            rig.sensor().read()
        assert rig.clock.now_s() - begun_s < 10.0


def test_an_answer_that_was_lost_once_is_asked_for_again(rig: Rig) -> None:
    turns = iter([None, b"00002\r\n", b"0+3.14+2.71", b"0+3.14+2.718IWO\r\n"])
    rig.far.script = lambda command: next(turns)
    assert values(rig.sensor()) == [3.14, 2.718]
    assert rig.far.commands == ["0MC", "0MC", "0D0", "0D0"]


def test_a_wrong_checksum_is_asked_again_and_then_told(rig: Rig) -> None:
    turns = iter([b"00002\r\n", b"0+3.14+2.719IWO\r\n", b"0+3.14+2.718IWO\r\n"])
    rig.far.script = lambda command: next(turns)
    assert values(rig.sensor()) == [3.14, 2.718]
    rig.far.script = answers(SOUND | {"0D0": b"0+3.14+2.719IWO"})
    with pytest.raises(ChecksumError):
        rig.sensor().read()


def test_another_address_is_not_our_answer(rig: Rig) -> None:
    rig.far.script = answers({"0MC": b"10002"})
    with pytest.raises(FrameError, match="another one answered"):
        rig.sensor().read()


def test_a_torn_answer_keeps_its_bytes(rig: Rig) -> None:
    rig.far.script = lambda command: b"000"
    with pytest.raises(BusTimeout) as caught:
        rig.sensor().read()
    assert (caught.value.raw, caught.value.quality) == (b"000", "torn")


def test_an_answer_without_an_end_is_an_error_and_not_a_hang(rig: Rig) -> None:
    rig.far.script = lambda command: b"0+1" * 100
    with pytest.raises(FrameError, match="without an end"):
        rig.sensor().read()


def test_a_sensor_without_values_for_the_command_refuses(rig: Rig) -> None:
    rig.far.script = answers({"0M7": b"00000"})
    with pytest.raises(Refused):
        rig.sensor("M7").read()


def test_a_measurement_that_was_aborted_has_no_data(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0D0": b"0"})
    with pytest.raises(EmptyText, match="0 of the 2"):
        rig.sensor().read()


def test_fewer_values_than_the_site_file_asks_for_are_told(rig: Rig) -> None:
    with pytest.raises(EmptyText, match="number 3"):
        rig.sensor(rh=at(3)).read()


def test_what_arrived_before_the_question_is_not_its_answer(rig: Rig) -> None:
    sensor = rig.sensor()
    sensor.read()
    rig.far.say(b"00009\r\n")
    assert values(sensor) == [3.14, 2.718]


# --- measurements that take time ----------------------------------------------------------------------


def test_a_short_measurement_is_waited_for_and_its_service_request_ends_the_wait(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00022"})
    begun_s = rig.clock.now_s()
    assert values(rig.sensor()) == [3.14, 2.718]
    assert rig.clock.now_s() - begun_s >= 2.0

    rig.far.script = answers(SOUND | {"0MC": b"00022\r\n0"})
    begun_s = rig.clock.now_s()
    assert values(rig.sensor()) == [3.14, 2.718]
    assert rig.clock.now_s() - begun_s < 2.0


def test_a_long_measurement_is_fetched_by_a_later_read(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00302"})
    sensor = rig.sensor()
    for _ in range(2):
        with pytest.raises(BusTimeout, match="still measures") as caught:
            sensor.read()
        assert caught.value.quality == "silent"
    assert rig.far.commands == ["0MC"]  # nobody disturbed it
    rig.clock.skew_s += 30.0
    assert values(sensor) == [3.14, 2.718]
    assert rig.far.commands == ["0MC", "0D0"]


def test_a_service_request_between_two_reads_is_heard(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00302"})
    sensor = rig.sensor()
    with pytest.raises(BusTimeout):
        sensor.read()
    rig.far.say(b"0\r\n")
    begun_s = rig.clock.now_s()
    assert values(sensor) == [3.14, 2.718]
    assert rig.clock.now_s() - begun_s < 2.0


def test_nobody_speaks_on_the_line_while_a_sensor_measures_alone(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00302"} | OTHER)
    slow, other = rig.sensor(), rig.other()
    with suppress(BusTimeout):
        slow.read()
    with pytest.raises(BusTimeout, match="kept for"):
        other.read()
    assert rig.far.commands == ["0MC"]
    rig.clock.skew_s += 30.0
    assert values(other) == [7.0]
    assert values(slow) == [3.14, 2.718]


def test_a_sensor_whose_time_is_nearly_over_is_waited_for_by_the_others(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00302"} | OTHER)
    slow, other = rig.sensor(), rig.other()
    with suppress(BusTimeout):
        slow.read()
    rig.clock.skew_s += 26.5
    assert values(other) == [7.0]


def test_measurements_side_by_side_leave_the_line_free_and_the_next_begins_at_once(rig: Rig) -> None:
    rig.far.script = answers({"0C": b"003002", "0D0": b"0+1+2"} | OTHER)
    slow, other = rig.sensor("C"), rig.other()
    begun_s = rig.clock.now_s()
    with pytest.raises(BusTimeout, match="still measures"):
        slow.read()
    assert rig.clock.now_s() - begun_s < 1.0  # it costs the others no time
    assert values(other) == [7.0]
    for _ in range(2):
        rig.clock.skew_s += 30.0
        assert values(slow) == [1.0, 2.0]
    assert [command for command in rig.far.commands if command[0] == "0"] == ["0C", "0D0", "0C", "0D0", "0C"]


def test_values_measured_long_ago_are_measured_anew(rig: Rig) -> None:
    rig.far.script = answers({"0C": b"000202", "0D0": b"0+1+2"})
    sensor = rig.sensor("C")
    with suppress(BusTimeout):
        sensor.read()
    rig.clock.skew_s += 3600.0  # the computer slept
    with pytest.raises(BusTimeout):
        sensor.read()
    assert rig.far.commands == ["0C", "0C"]


def test_a_slow_sensor_that_is_asked_seldom_is_read_all_the_same(rig: Rig) -> None:
    rig.far.script = answers({"0C": b"020002", "0D0": b"0+1+2"})
    sensor = rig.sensor("C")
    with suppress(BusTimeout):
        sensor.read()
    rig.clock.skew_s += 210.0
    assert values(sensor) == [1.0, 2.0]


# --- the break ----------------------------------------------------------------------------------------


class Recorded:
    """A port that writes down when its break began and ended; a pseudo-terminal carries none."""

    def __init__(self, error: OSError | None = None) -> None:
        self.seen: list[bool | float] = []
        self._error = error

    @property
    def break_condition(self) -> bool:
        raise AssertionError("nobody asks")

    @break_condition.setter
    def break_condition(self, on: bool) -> None:
        if self._error:
            raise self._error
        self.seen.append(on)


def test_a_break_and_a_pause_are_as_long_as_the_standard_asks() -> None:
    port = Recorded()
    wake(port, port.seen.append)
    begun, break_s, ended, pause_s = port.seen
    # SDI-12: break of 12 ms at least, then marking of 8.33 ms at least, and the command within 100 ms.
    assert (begun, ended) == (True, False)
    assert 0.012 <= break_s <= 0.1
    assert 0.00833 <= pause_s <= 0.1


def test_a_port_that_can_make_no_break_is_used_without() -> None:
    for code in (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP):
        wake(Recorded(OSError(code, "cannot")), lambda _: None)
    with pytest.raises(OSError, match="gone"):
        wake(Recorded(OSError(errno.EIO, "gone")), lambda _: None)


# --- the port -----------------------------------------------------------------------------------------


def test_an_absent_port_fails_at_use_and_costs_no_time(tmp_path: Path) -> None:
    wire = Sdi12Wire(sdi12_bus(tmp_path / "nowhere"))
    sensor = Sdi12Sensor(soil(), wire)
    begun_s = time.monotonic()
    for _ in range(300):
        with pytest.raises(PortGone, match="nowhere"):
            sensor.read()
    assert time.monotonic() - begun_s < 0.9
    wire.close()


def test_a_port_that_vanishes_while_a_sensor_measures_is_closed_at_once_and_comes_back(rig: Rig) -> None:
    rig.far.script = answers(SOUND | {"0MC": b"00302"})
    sensor = rig.sensor()
    with suppress(BusTimeout):
        sensor.read()
    rig.far.stop()
    name = rig.pty.name
    rig.pty.vanish()
    with pytest.raises(PortGone, match="vanished"):
        sensor.read()
    assert not open_descriptors_of(name)

    rig.pty.appear()
    rig.far = FarEnd(rig.pty, answers(SOUND))
    with pytest.raises(PortGone, match="next try in"):
        sensor.read()
    rig.clock.skew_s += 1.01
    assert values(sensor) == [3.14, 2.718]
    assert rig.far.commands == ["0MC", "0D0"]  # measured anew: it may have lost its supply


def test_a_closed_wire_stays_closed(rig: Rig) -> None:
    sensor = rig.sensor()
    sensor.read()
    sensor.close()
    rig.wire.close()
    rig.wire.close()
    with pytest.raises(ReadError, match="closed"):
        sensor.read()


def test_waiting_leaves_the_processor_alone(rig: Rig) -> None:
    rig.far.script = answers({"0M": b"09992"})
    sensor = rig.sensor("M")
    begun_s, cpu_s = time.monotonic(), time.thread_time()
    for _ in range(4):
        with suppress(BusTimeout):
            sensor.read()
    assert time.thread_time() - cpu_s < 0.05 * (time.monotonic() - begun_s)
