"""Owns: checks of everything on GPIO lines.

Must not know: hardware.
How it works: the chips of `gpio_board` refuse what gpiod and the kernel refuse; time is a number that the test moves.
The contract tests run on them; the last test asks the real gpiod, on a machine with or without chips.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import gpiod
import pytest
from gpiod.line_settings import _line_settings_to_ext

from drivers.gpio import GpioContact, GpioKit, GpioPulse
from drivers.gpio_wire import CONSUMER, GpioWire
from gateway.barn import BusSpec, KitSpec, RelaySpec
from gateway.errors import CommandError, DeviceFault, PortGone, ReadError
from gateway.model import KitKind, Quantity, SwitchAt
from gateway.ports import Actuator, Sensor
from tests.contract.actuator_contract import ActuatorContract
from tests.contract.sensor_contract import SensorContract
from tests.drivers import specs
from tests.drivers.gpio_board import Board

PATH, LABEL = "/dev/gpiochip0", "pinctrl-rp1"
NAMES = ("ID_SDA", *(f"GPIO{n}" for n in range(1, 28)))


class Bench:
    """A board, a wire on it, and a clock."""

    def __init__(self, label: str = LABEL) -> None:
        self.board, self.now_s = Board(), 1000.0
        self.board.add(PATH, LABEL, *NAMES)
        spec = BusSpec(name="pins", kind="gpio", options={"chip": label})
        self.wire = GpioWire(spec, files=self.board.files, open_chip=self.board.open_chip, now_s=lambda: self.now_s)

    def contact(self, debounce_ms: float = 20.0, **line: Any) -> GpioContact:
        options = {"contact": {"line": "GPIO17", "active_low": False, "bias": "as-is"} | line}
        return GpioContact(self._sensor("gpio-contact", Quantity.CONTACT, options, debounce_ms=debounce_ms), self.wire)

    def switch(self, **lines: Any) -> GpioContact:
        table = {"hand": "GPIO22", "auto": "GPIO23", "active_low": False, "bias": "as-is"}
        return GpioContact(
            self._sensor("gpio-contact", Quantity.SWITCH, {"switch": table | lines}, debounce_ms=20.0), self.wire
        )

    def pulse(self, **wind: Any) -> GpioPulse:
        table = {"line": "GPIO6", "per_hz": 0.67, "offset": 0.3, "bias": "pull-up"} | wind
        options = {"wind": table, "window_s": 10.0}
        return GpioPulse(self._sensor("gpio-pulse", Quantity.WIND, options, debounce_ms=2.0), self.wire)

    def kit(self, line: str = "GPIO5", contact: str = "normally-closed", *, active_low: bool = False) -> GpioKit:
        relay = RelaySpec(
            name="board", kind="gpio-lines", bus="pins", refresh_s=5.0, options={"active_low": active_low}
        )
        return GpioKit(replace(KIT, output=line, contact=contact), relay, self.wire)

    def energised(self, line: str = "GPIO5", *, active_low: bool = False) -> bool:
        return self.board.pin(line).high != active_low

    @staticmethod
    def _sensor(kind: str, quantity: Quantity, options: dict[str, Any], *, debounce_ms: float) -> Any:
        return specs.sensor(kind, options | {"debounce_ms": debounce_ms}, bus="pins", quantities=(quantity,))


KIT = KitSpec(
    name="stall-fans",
    place="stalls",
    kind=KitKind.FAN,
    relay="board",
    output="GPIO5",
    contact="normally-closed",
    on_level=1,
    min_on_s=30.0,
    min_off_s=20.0,
)


@pytest.fixture
def bench() -> Bench:
    return Bench()


class TestGpioContact(SensorContract):
    @pytest.fixture
    def sensor(self, bench: Bench) -> Sensor:
        return bench.contact()

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        return Bench(label="another").contact()


class TestGpioSwitch(SensorContract):
    @pytest.fixture
    def sensor(self, bench: Bench) -> Sensor:
        return bench.switch()

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        return Bench(label="another").switch()


class TestGpioPulse(SensorContract):
    @pytest.fixture
    def sensor(self, bench: Bench) -> Sensor:
        pulse = bench.pulse()
        with pytest.raises(ReadError):
            pulse.read()
        bench.now_s += 10
        return pulse

    @pytest.fixture
    def lost_sensor(self) -> Sensor:
        return Bench(label="another").pulse()


class TestGpioKit(ActuatorContract):
    @pytest.fixture(params=[("normally-closed", False), ("normally-open", False), ("normally-closed", True)])
    def wiring(self, request: pytest.FixtureRequest) -> tuple[str, bool]:
        contact, active_low = request.param
        return str(contact), bool(active_low)

    @pytest.fixture
    def actuator(self, bench: Bench, wiring: tuple[str, bool]) -> Actuator:
        bench.board.pin("GPIO5").high = not wiring[1]  # left energised by a program that was killed
        return bench.kit(contact=wiring[0], active_low=wiring[1])

    @pytest.fixture
    def runs(self, bench: Bench, wiring: tuple[str, bool]) -> Callable[[], bool]:
        return lambda: bench.energised(active_low=wiring[1]) != (wiring[0] == "normally-closed")

    @pytest.fixture
    def lost_actuator(self) -> Actuator:
        return Bench(label="another").kit()


# --- the request ----------------------------------------------------------------------------------------


def test_nothing_is_opened_before_the_first_use_and_then_all_lines_are_held_in_one_request(bench: Bench) -> None:
    fan, mist, contact = bench.kit("GPIO5"), bench.kit("GPIO16", "normally-open"), bench.contact()
    bench.pulse(), bench.switch()
    assert bench.board.requests == [] and bench.board.opened == 0
    mist.set(True)
    (request,) = bench.board.requests
    assert request.lines == ["GPIO5", "GPIO16", "GPIO17", "GPIO6", "GPIO22", "GPIO23"]
    fan.set(False)
    contact.read()
    assert bench.board.requests == [request]
    assert bench.board.opened == 0, "the chip itself is not kept open"
    assert {bench.board.pin(line).owner for line in ("GPIO5", "GPIO6", "GPIO17")} == {CONSUMER}


@pytest.mark.parametrize("active_low", [False, True])
def test_outputs_begin_released_even_if_they_were_left_energised(bench: Bench, active_low: bool) -> None:
    bench.kit("GPIO5", active_low=active_low)
    bench.board.pin("GPIO5").high = not active_low
    bench.contact().read()
    assert not bench.energised("GPIO5", active_low=active_low)


def test_lines_keep_what_was_set_while_others_are_used(bench: Bench) -> None:
    fan, mist = bench.kit("GPIO5"), bench.kit("GPIO16", "normally-open")
    fan.set(False)
    mist.set(True)
    mist.set(False)
    assert bench.energised("GPIO5") and not bench.energised("GPIO16")


def test_settings_reach_the_chip(bench: Bench) -> None:
    contact = bench.contact(line="GPIO24", active_low=True, bias="pull-up", debounce_ms=35)
    bench.pulse(bias="pull-down")
    contact.read()
    settings = bench.board.pin("GPIO24").settings
    assert settings is not None
    assert (settings.active_low, settings.bias.name, settings.debounce_period.total_seconds()) == (
        True,
        "PULL_UP",
        0.035,
    )
    assert settings.edge_detection.name == "NONE"
    pulses = bench.board.pin("GPIO6").settings
    assert pulses is not None
    assert (pulses.edge_detection.name, pulses.event_clock.name) == ("RISING", "MONOTONIC")
    assert (pulses.bias.name, pulses.debounce_period.total_seconds()) == ("PULL_DOWN", 0.002)


def test_one_kit_after_another_can_be_made_safe_on_one_wire(bench: Bench) -> None:
    """As `loosebox safe` does: each is made, set and closed before the next."""
    for line in ("GPIO5", "GPIO16", "GPIO20"):
        bench.board.pin(line).high = True
        kit = bench.kit(line)
        kit.set(True)
        kit.close()
    assert [bench.energised(line) for line in ("GPIO5", "GPIO16", "GPIO20")] == [False] * 3
    assert len(bench.board.requests) == 1


def test_the_wire_gives_all_lines_back(bench: Bench) -> None:
    contact = bench.contact()
    contact.read()
    bench.wire.close()
    bench.wire.close()
    assert bench.board.requests == [] and bench.board.pin("GPIO17").owner == ""
    with pytest.raises(PortGone, match="closed"):
        contact.read()


# --- what the chip refuses ------------------------------------------------------------------------------


def test_a_held_line_is_named_with_its_holder_and_comes_when_it_is_free(bench: Bench) -> None:
    contact, fan = bench.contact(), bench.kit()
    bench.board.pin("GPIO5").owner = "gpioset"
    with pytest.raises(PortGone, match="held: GPIO5 by gpioset"):
        contact.read()
    with pytest.raises(CommandError, match="next try in 1 s"):
        fan.set(False)
    bench.board.pin("GPIO5").owner = ""
    bench.now_s += 1
    fan.set(False)
    assert bench.energised()


@pytest.mark.parametrize(("line", "said"), [("GPIO99", "no line 'GPIO99'"), ("5", "a number is no name"), ("99", "99")])
def test_a_line_is_found_by_its_name_only(bench: Bench, line: str, said: str) -> None:
    with pytest.raises(PortGone, match=said):
        bench.contact(line=line).read()
    assert bench.board.requests == []


def test_a_chip_is_found_by_its_label_whatever_its_number(bench: Bench) -> None:
    contact = bench.contact()
    bench.board.chips = {"/dev/gpiochip0": ("gpio-expander", []), "/dev/gpiochip4": bench.board.chips[PATH]}
    assert contact.read()[0].value == 0


def test_two_chips_of_one_label_are_refused(bench: Bench) -> None:
    bench.board.add("/dev/gpiochip1", LABEL, *NAMES)
    with pytest.raises(PortGone, match="2 chips have the label 'pinctrl-rp1'"):
        bench.contact().read()
    assert bench.board.opened == 0


def test_too_many_different_settings_are_told_in_words(bench: Bench) -> None:
    contacts = [
        bench.contact(line=f"GPIO{n}", bias=bias, active_low=n % 2 == 0, debounce_ms=n)
        for n, bias in zip(range(1, 13), ["as-is", "pull-up", "pull-down"] * 4, strict=True)
    ]
    with pytest.raises(PortGone, match="ten different settings"):
        contacts[0].read()


def test_a_vanished_chip_comes_back_with_its_outputs_released(bench: Bench) -> None:
    fan, contact = bench.kit(), bench.contact()
    fan.set(False)
    chip = bench.board.chips[PATH]
    bench.board.vanish(PATH)
    with pytest.raises(PortGone, match="vanished"):
        contact.read()
    with pytest.raises(CommandError, match="next try"):
        fan.set(False)
    bench.now_s += 1
    with pytest.raises(PortGone, match="no chips have the label"):
        contact.read()
    bench.board.chips["/dev/gpiochip7"] = chip
    for pin in chip[1]:
        pin.owner = ""
    bench.now_s += 2
    contact.read()
    assert not bench.energised(), "nobody has commanded since"
    fan.set(False)
    assert bench.energised()


def test_a_disturbed_expander_is_a_failed_reading_and_loses_no_line(bench: Bench) -> None:
    class Disturbed:
        def __getattr__(self, name: str) -> Any:
            return getattr(request, name)

        def get_value(self, line: int | str) -> Any:
            raise OSError(121, "Remote I/O error")

    fan, contact = bench.kit(), bench.contact()
    fan.set(False)
    request = bench.board.requests[0]
    bench.wire._request = Disturbed()
    with pytest.raises(ReadError, match="Remote I/O") as caught:
        contact.read()
    assert not isinstance(caught.value, PortGone)
    assert bench.energised() and bench.board.requests == [request]


# --- contacts and switches ------------------------------------------------------------------------------


@pytest.mark.parametrize(("active_low", "high", "closed"), [(False, True, 1), (False, False, 0), (True, False, 1)])
def test_a_contact_is_closed_when_its_line_is_active(bench: Bench, active_low: bool, high: bool, closed: int) -> None:
    contact = bench.contact(active_low=active_low)
    bench.board.pin("GPIO17").high = high
    assert contact.read()[0].value == closed


def test_an_open_wire_of_a_contact_to_ground_is_an_open_contact(bench: Bench) -> None:
    assert bench.contact(active_low=True, bias="pull-up").read()[0].value == 0


@pytest.mark.parametrize(
    ("hand", "auto", "at"), [(True, False, SwitchAt.HAND), (False, True, SwitchAt.AUTO), (False, False, SwitchAt.OFF)]
)
def test_a_switch_tells_where_it_stands(bench: Bench, hand: bool, auto: bool, at: SwitchAt) -> None:
    switch = bench.switch()
    bench.board.pin("GPIO22").high, bench.board.pin("GPIO23").high = hand, auto
    assert switch.read()[0].value == at


def test_a_switch_in_two_positions_at_once_is_a_fault(bench: Bench) -> None:
    switch = bench.switch()
    bench.board.pin("GPIO22").high = bench.board.pin("GPIO23").high = True
    with pytest.raises(DeviceFault, match="hand and in auto at once"):
        switch.read()


# --- pulses ---------------------------------------------------------------------------------------------


def counted(bench: Bench, pulse: GpioPulse) -> float:
    return pulse.read()[0].value


def test_pulses_of_the_window_become_wind(bench: Bench) -> None:
    pulse = bench.pulse()
    with pytest.raises(ReadError, match=r"0\.0 of 10 s"):
        pulse.read()
    for n in range(100):
        bench.board.edge("GPIO6", 1000 + (n + 1) / 10)
    bench.now_s += 10
    # 10 pulses a second: 10 Hz * 0.67 m/s per Hz + 0.3 m/s, by hand. The transfer v = k * f + c is that of data sheets
    # of cup anemometers (IEC 61400-12-1, annex on cup calibration; from memory).
    assert counted(bench, pulse) == pytest.approx(7.0)


def test_no_pulse_is_zero_and_not_the_offset(bench: Bench) -> None:
    pulse = bench.pulse()
    with pytest.raises(ReadError):
        pulse.read()
    bench.now_s += 10
    assert counted(bench, pulse) == 0.0
    bench.board.edge("GPIO6", bench.now_s)
    bench.now_s += 1
    assert counted(bench, pulse) == pytest.approx(0.67 * 0.1 + 0.3)
    bench.now_s += 10
    assert counted(bench, pulse) == 0.0


def test_edges_lost_in_a_full_buffer_are_counted_by_their_numbers(bench: Bench) -> None:
    """300 a second for 10 s are 3000; the buffer keeps the last 1024."""
    pulse = bench.pulse(per_hz=1.0, offset=0.0)
    with pytest.raises(ReadError):
        pulse.read()
    for n in range(3000):
        bench.board.edge("GPIO6", 1000 + (n + 1) / 300)
    bench.now_s += 10
    assert counted(bench, pulse) == pytest.approx(300, rel=0.01)


def test_a_chattering_line_does_not_hold_the_bus(bench: Bench) -> None:
    class Chatter:
        def __getattr__(self, name: str) -> Any:
            return getattr(request, name)

        def wait_edge_events(self, timeout: float = 0) -> bool:
            bench.board.edge("GPIO6", bench.now_s)
            return True

    pulse = bench.pulse()
    with pytest.raises(ReadError):
        pulse.read()
    request = bench.board.requests[0]
    bench.wire._request = Chatter()  # type: ignore[assignment]
    bench.now_s += 10
    assert counted(bench, pulse) > 0


def test_counting_begins_anew_when_the_chip_has_come_back(bench: Bench) -> None:
    pulse = bench.pulse()
    with pytest.raises(ReadError):
        pulse.read()
    bench.now_s += 10
    pulse.read()
    chip = bench.board.chips.pop(PATH)
    with pytest.raises(PortGone):
        pulse.read()
    for pin in chip[1]:
        pin.owner = ""
    bench.board.chips[PATH] = chip
    bench.now_s += 5
    with pytest.raises(ReadError, match="so far"):
        pulse.read()


# --- the real library -----------------------------------------------------------------------------------


def test_the_real_gpiod_finds_no_chip_of_an_invented_label() -> None:
    wire = GpioWire(BusSpec(name="pins", kind="gpio", options={"chip": "no-such-label"}))
    wire.take_output("GPIO5")
    with pytest.raises(PortGone, match="no chips have the label 'no-such-label'"):
        wire.drive("GPIO5", True)
    wire.close()


def test_the_real_library_takes_every_setting_that_we_use(bench: Bench) -> None:
    """What the fake has recorded, through the conversion that gpiod makes before it asks the kernel."""
    bench.kit(), bench.kit("GPIO16", active_low=True), bench.pulse(), bench.switch(bias="pull-down")
    bench.contact(bias="pull-up", active_low=True).read()
    settings = [pin.settings for pin in bench.board.chips[PATH][1] if pin.settings is not None]
    assert len(settings) == 6
    config = gpiod._ext.LineConfig()
    for offset, each in enumerate(settings):
        config.add_line_settings([offset], _line_settings_to_ext(each))
