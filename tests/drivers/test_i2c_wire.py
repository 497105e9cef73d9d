"""Owns: checks of the I2C wire: what its errors mean, how often it tries, when it cuts the supply, how long it takes.

Must not know: chips, beyond one that says a number.
How it works: a faked bus below the library, a clock that moves when somebody sleeps. What needs the library's own
opening and ioctl runs through them in `test_i2c_ioctl.py`. There is no I2C adapter on a test machine: nothing here was
tried on real wires.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.i2c_power import SupplyLine
from drivers.i2c_wire import BusStuck, I2cWire, Transfer
from gateway.barn import BusSpec
from gateway.errors import DeviceFault, FrameError, PortGone, ReadError
from tests.drivers.fake_i2c import FakeBus, FakeSupply, Hand, Nack

LINE = {"chip": "pinctrl", "line": "GPIO25"}
LONGEST_ASK_S = 10.0  # the engine calls a bus stuck after this


class Number:
    """A chip that gives its number to whoever asks `aa`, and counts its resets `bb`."""

    def __init__(self, number: int) -> None:
        self.number, self.asked, self.resets, self.ups = number, False, 0, 0

    def write(self, data: bytes) -> None:
        if data not in (b"\xaa", b"\xbb"):
            raise Nack
        self.asked = data == b"\xaa"
        self.resets += data == b"\xbb"

    def read(self, length: int) -> bytes:
        if not self.asked:
            raise Nack
        return bytes((self.number,)).ljust(length, b"\xff")

    def power_up(self) -> None:
        self.asked, self.ups = False, self.ups + 1


class Rig:
    def __init__(self, **options: Any) -> None:
        self.clock = Hand()
        self.chip = Number(7)
        self.bus = FakeBus(self.clock, chips={0x44: self.chip, 0x45: Number(9)})
        self.supply = FakeSupply(self.bus)
        self.wire = I2cWire(
            BusSpec(name="i2c", kind="i2c", options={"device": "i2c-1"} | options),
            now_s=self.clock,
            sleep=self.clock.sleep,
            open_adapter=self.bus.open,
            supply_of=lambda chip, line: self.supply,
        )

    def ask(self, address: int = 0x44, **changed: Any) -> int:
        order: dict[str, Any] = {
            "what": f"chip {address:#x}",
            "address": address,
            "send": b"\xaa",
            "wait_s": 0.01,
            "expect": 1,
            "reset": b"\xbb",
            "parse": lambda raw: raw[0],
        }
        return int(self.wire.ask(Transfer(**(order | changed))))


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def fed() -> Rig:
    """With a line that feeds the sensors."""
    return Rig(power=LINE)


# --- transfers ----------------------------------------------------------------------------------------


def test_command_wait_and_answer_are_two_transfers(rig: Rig) -> None:
    before_s = rig.clock()
    assert rig.ask() == 7
    assert rig.bus.log == ["44 w aa", "44 r1"]
    assert rig.clock() - before_s == pytest.approx(0.01)


def test_a_register_is_named_and_read_in_one_transfer(rig: Rig) -> None:
    assert rig.ask(send=b"", wait_s=0.0, pointer=b"\xaa") == 7
    assert rig.bus.log == ["44 w aa + 44 r1"]


def test_an_order_without_an_answer_reads_nothing(rig: Rig) -> None:
    assert rig.ask(expect=0, parse=len) == 0
    assert rig.bus.log == ["44 w aa"]


def test_the_bus_opens_at_first_use_and_once(rig: Rig) -> None:
    assert rig.bus.opened == 0
    rig.ask()
    rig.ask(0x45)
    assert rig.bus.opened == 1


def test_what_is_read_twice_must_be_the_same(rig: Rig) -> None:
    answers = iter(range(20))
    rig.bus.answer = lambda raw: bytes((next(answers),))
    with pytest.raises(FrameError, match="two readings"):
        rig.ask(twice=True)


# --- errors -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "kind", "quality", "word"),
    [
        # Linux Documentation/i2c/fault-codes.rst
        (errno.ENXIO, ReadError, "silent", "nobody answers"),
        (errno.EREMOTEIO, ReadError, "silent", "nobody answers"),
        (errno.EAGAIN, ReadError, "silent", "two spoke at once"),
        (errno.EIO, ReadError, "silent", "does not say why"),
        (errno.EBUSY, BusStuck, "bus-stuck", "somebody holds the bus"),
        (errno.ETIMEDOUT, BusStuck, "bus-stuck", "held low"),
        (errno.ENODEV, PortGone, "port-gone", "No such device"),
        (errno.EBADF, PortGone, "port-gone", "Bad file descriptor"),
    ],
)
def test_each_error_of_the_kernel_has_its_meaning(
    rig: Rig, code: int, kind: type[ReadError], quality: str, word: str
) -> None:
    rig.bus.failing = [code] * 10
    with pytest.raises(kind, match=word) as caught:
        rig.ask()
    assert type(caught.value) is kind
    assert caught.value.quality == quality


@pytest.mark.parametrize("failures", [1, 2, 3])
@pytest.mark.parametrize("code", [errno.ENXIO, errno.EREMOTEIO, errno.EAGAIN, errno.EIO, errno.EBUSY, errno.ETIMEDOUT])
def test_three_failures_in_a_row_are_made_good(rig: Rig, code: int, failures: int) -> None:
    rig.bus.failing = [code] * failures
    assert rig.ask() == 7


def test_the_second_and_third_try_come_after_20_and_50_milliseconds(rig: Rig) -> None:
    begun_s = rig.clock()
    rig.bus.failing = [errno.ENXIO] * 2
    rig.ask()
    assert rig.clock() - begun_s == pytest.approx(0.02 + 0.05 + 0.01)


def test_before_the_fourth_try_the_bus_is_reopened_and_the_chip_reset(rig: Rig) -> None:
    rig.ask()
    rig.bus.failing = [errno.EIO] * 3
    rig.bus.log.clear()
    assert rig.ask() == 7
    assert (rig.bus.opened, rig.bus.open_now) == (2, 1)
    assert rig.bus.log == [f"errno {errno.EIO}"] * 3 + ["44 w bb", "44 w aa", "44 r1"]


def test_without_a_supply_line_there_are_four_tries(rig: Rig) -> None:
    rig.bus.failing = [errno.ENXIO] * 20
    with pytest.raises(ReadError):
        rig.ask()
    assert len(rig.bus.failing) == 20 - 5  # four tries and a reset


def test_a_bad_answer_is_tried_again_as_silence_is(rig: Rig) -> None:
    spoilt = [b"\x00", b"\x01"]

    def parse(raw: bytes) -> int:
        if spoilt:
            raise FrameError("bad", spoilt.pop())
        return raw[0]

    assert rig.ask(parse=parse) == 7


def test_a_device_that_says_it_is_broken_is_not_asked_again(rig: Rig) -> None:
    def parse(raw: bytes) -> int:
        raise DeviceFault("another chip")

    with pytest.raises(DeviceFault):
        rig.ask(parse=parse)
    assert rig.bus.log == ["44 w aa", "44 r1"]


def test_a_silent_chip_costs_little_time_and_does_not_disturb_its_neighbour(rig: Rig) -> None:
    del rig.bus.chips[0x44]
    for _ in range(5):
        before_s = rig.clock()
        with pytest.raises(ReadError, match="chip 0x44: nobody answers"):
            rig.ask()
        assert rig.clock() - before_s < 0.2
        assert rig.ask(0x45) == 9


# --- stuck and gone -----------------------------------------------------------------------------------


def test_a_stuck_bus_is_left_alone_for_a_while_and_comes_back_by_itself(rig: Rig) -> None:
    rig.bus.stuck = errno.ETIMEDOUT
    before_s = rig.clock()
    with pytest.raises(BusStuck):
        rig.ask()
    assert rig.clock() - before_s < LONGEST_ASK_S
    tries = len(rig.bus.log)
    with pytest.raises(BusStuck, match="next try in 1 s"):
        rig.ask(0x45)
    assert len(rig.bus.log) == tries
    rig.bus.stuck = 0
    rig.clock.sleep(1.01)
    assert rig.ask(0x45) == 9


def test_a_stuck_bus_is_tried_more_seldom(rig: Rig) -> None:
    rig.bus.stuck = errno.EBUSY
    begun_s = rig.clock()
    while rig.clock() - begun_s < 100:
        with pytest.raises(BusStuck):
            rig.ask()
        rig.clock.sleep(0.5)
    # Tries after 0, 1, 3, 6, 9, 12 ... s (`Pause`): 32 to 36 in 100 s, of 5 transfers each.
    assert 160 <= rig.bus.log.count("stuck") <= 180


def test_an_adapter_that_was_pulled_out_is_closed_at_once_and_comes_back(rig: Rig) -> None:
    rig.ask()
    rig.bus.unplugged = True
    with pytest.raises(PortGone):
        rig.ask()
    assert rig.bus.open_now == 0
    rig.bus.unplugged = False
    with pytest.raises(PortGone, match="next try in"):
        rig.ask()
    rig.clock.sleep(1.01)
    assert rig.ask() == 7
    assert rig.bus.open_now == 1


def test_a_closed_wire_stays_closed(fed: Rig) -> None:
    fed.ask()
    fed.wire.close()
    fed.wire.close()
    assert fed.bus.open_now == 0
    assert fed.supply.closed
    with pytest.raises(PortGone, match="closed"):
        fed.ask()


# --- the supply ---------------------------------------------------------------------------------------


def test_the_supply_is_on_before_the_first_transfer(fed: Rig) -> None:
    fed.bus.powered = False
    assert fed.ask() == 7


def test_a_chip_that_holds_the_bus_is_freed_by_a_cut_within_one_ask(fed: Rig) -> None:
    fed.ask()
    fed.bus.stuck = errno.ETIMEDOUT
    before_s = fed.clock()
    assert fed.ask() == 7
    assert fed.clock() - before_s < LONGEST_ASK_S
    assert len(fed.bus.cuts_s) == 1
    assert fed.chip.ups == 1


def test_a_bus_that_no_cut_frees_is_cut_ever_more_seldom(fed: Rig) -> None:
    fed.bus.stuck, fed.bus.freed_by_power = errno.EBUSY, False
    begun_s = fed.clock()
    while fed.clock() - begun_s < 4 * 3600:
        with pytest.raises(BusStuck):
            fed.ask()
        fed.clock.sleep(5.0)
    gaps_s = [after - before for before, after in zip(fed.bus.cuts_s, fed.bus.cuts_s[1:], strict=False)]
    wanted_s = [60.0, 120.0, 240.0, 480.0, 960.0, 1920.0, 3600.0, 3600.0]
    assert gaps_s == pytest.approx(wanted_s[: len(gaps_s)], abs=15)
    assert len(gaps_s) >= 7
    assert fed.bus.powered


def test_a_cut_that_helped_makes_the_next_one_soon(fed: Rig) -> None:
    for _ in range(5):
        fed.bus.stuck = errno.EBUSY
        assert fed.ask() == 7
        fed.clock.sleep(61)
    assert len(fed.bus.cuts_s) == 5


def test_two_cuts_are_never_within_a_minute(fed: Rig) -> None:
    fed.bus.stuck = errno.EBUSY
    assert fed.ask() == 7
    fed.clock.sleep(30)
    fed.bus.stuck = errno.EBUSY
    with pytest.raises(BusStuck):
        fed.ask()
    fed.clock.sleep(31)
    assert fed.ask() == 7


def test_one_silent_chip_costs_a_cut_only_after_three_asks(fed: Rig) -> None:
    del fed.bus.chips[0x44]
    for cuts in (0, 0, 1, 1):
        with pytest.raises(ReadError):
            fed.ask()
        assert len(fed.bus.cuts_s) == cuts
        assert fed.ask(0x45) == 9


def test_a_chip_that_hangs_is_freed_by_the_third_ask(fed: Rig) -> None:
    class Hung(Number):
        def write(self, data: bytes) -> None:
            if not self.ups:
                raise Nack
            super().write(data)

    fed.bus.chips[0x44] = Hung(5)
    got = []
    for _ in range(3):
        try:
            got.append(fed.ask())
        except ReadError:
            got.append(-1)
    assert got == [-1, -1, 5]


def test_an_absent_supply_line_is_told_and_comes_back(fed: Rig) -> None:
    fed.supply.absent = True
    with pytest.raises(PortGone, match="no such line"):
        fed.ask()
    fed.supply.absent = False
    fed.clock.sleep(1.01)
    assert fed.ask() == 7


def test_the_supply_is_on_again_after_any_ask(fed: Rig) -> None:
    fed.bus.stuck, fed.bus.freed_by_power = errno.ETIMEDOUT, False
    with pytest.raises(BusStuck):
        fed.ask()
    assert fed.bus.cuts_s
    assert fed.bus.powered


def heard(rig: Rig, address: int) -> tuple[int | None, str]:
    try:
        return rig.ask(address), ""
    except ReadError as error:
        return None, str(error)


FAULTS = st.sampled_from(["", "", "stuck", "held", "silent", "torn", "unplugged"])


@settings(max_examples=1_500)
@given(st.lists(st.tuples(FAULTS, st.floats(0.0, 90.0), st.sampled_from([0x44, 0x45])), max_size=30))
def test_whatever_happens_an_answer_is_the_right_one_in_time_and_the_chips_are_fed(
    steps: list[tuple[str, float, int]],
) -> None:
    fed = Rig(power=LINE)
    numbers = {0x44: 7, 0x45: 9}
    for fault, pause_s, address in steps:
        fed.clock.sleep(pause_s)
        fed.bus.unplugged = fault == "unplugged"
        fed.bus.stuck = {"stuck": errno.ETIMEDOUT, "held": errno.EBUSY}.get(fault, 0)
        fed.bus.freed_by_power = fault == "held"
        fed.bus.failing = {"silent": [errno.ENXIO] * 9, "torn": [0, errno.EIO]}.get(fault, [])
        before_s = fed.clock()
        answer, why = heard(fed, address)
        assert answer in (None, numbers[address])
        assert answer or fault or "next try in" in why  # without a fault, a pause after an earlier one
        assert fed.clock() - before_s < LONGEST_ASK_S
        assert fed.bus.powered
        assert fed.bus.open_now <= 1
    assert all(after - before >= 60.0 for before, after in zip(fed.bus.cuts_s, fed.bus.cuts_s[1:], strict=False))
    fed.bus.unplugged, fed.bus.stuck, fed.bus.failing = False, 0, []
    fed.clock.sleep(10.01)
    assert [fed.ask(address) for address in (0x44, 0x45)] == [7, 9]


# --- the library itself, as far as a machine without an adapter goes ----------------------------------


@pytest.fixture
def descriptors() -> Iterator[None]:
    before = len(os.listdir("/proc/self/fd"))
    yield
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.usefixtures("descriptors")
def test_a_path_that_is_no_bus_is_a_lost_port_and_leaves_no_descriptor_open(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for path in (tmp_path / "nothing", tmp_path / "file", Path("/dev/null"), tmp_path):
        hand = Hand()
        wire = I2cWire(BusSpec(name="i2c", kind="i2c", options={"device": str(path)}), now_s=hand, sleep=hand.sleep)
        for _ in range(20):
            with pytest.raises(PortGone):
                wire.ask(Transfer(what="x", address=0x44, send=b"\xfd", parse=bytes))
            hand.sleep(11)
        wire.close()


@pytest.mark.usefixtures("descriptors")
def test_a_supply_line_without_its_chip_is_a_lost_port(tmp_path: Path) -> None:
    (tmp_path / "gpiochip0").write_bytes(b"")
    (tmp_path / "gpiochip1").symlink_to("/dev/null")
    line = SupplyLine("pinctrl", "GPIO25", folder=tmp_path)
    with pytest.raises(PortGone, match="GPIO25 of pinctrl: no GPIO chip"):
        line.turn(True)
    line.close()
    line.close()
