"""A barn with every kind that the bench has on Modbus and sysfs: values, outputs, faults.

What it shows is read with libmodbus, with our own drivers, which are written apart from it, and from its files.
"""

from __future__ import annotations

import shutil
import struct
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from drivers import analog, sysfs, w1
from drivers.bench.barn import Bench
from drivers.bench.desk import ask
from drivers.bench.weather import HotDay
from drivers.modbus import ModbusRegisters
from drivers.modbus_inputs import ModbusInputs
from drivers.modbus_kit import ModbusCoil, ModbusSpeed
from drivers.modbus_rtu import ModbusRtuWire
from drivers.modbus_tcp import ModbusTcpWire
from gateway import site
from gateway.barn import Barn, KitSpec, RelaySpec, SensorSpec
from gateway.errors import (
    CommandError,
    DeviceFault,
    EmptyText,
    FrameError,
    GatewayError,
    PortGone,
    ReadError,
    SiteError,
)
from gateway.model import Quantity, SwitchAt
from gateway.ports import Sensor
from tests.bench_barn.rig import NEW_YORK_SUMMER_H, HandClock, until
from tests.drivers.libmodbus import LibmodbusMaster, free_port

WIDE = Path(__file__).with_name("wide.toml")


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def barn(tmp_path: Path, port: int) -> Barn:
    path = Path(shutil.copy(WIDE, tmp_path / "barn.toml"))
    path.write_text(path.read_text().replace("tcp_port = 502", f"tcp_port = {port}"))
    return site.load(path).barn


class Far:
    """What a gateway would see of the bench, through our drivers."""

    def __init__(self, barn: Barn, folder: Path) -> None:
        self.barn, self.folder = barn, folder
        buses = {bus.name: bus for bus in barn.buses}
        self.tcp, self.rtu = ModbusTcpWire(buses["box"]), ModbusRtuWire(buses["line-a"])
        self.root = sysfs.SysfsRoot(buses["kernel"])

    def sensor(self, name: str) -> Sensor:
        spec = next(spec for spec in self.barn.sensors if spec.name == name)
        wire = self.tcp if spec.bus == "box" else self.rtu
        made: dict[str, Callable[[SensorSpec], Sensor]] = {
            "modbus-registers": lambda spec: ModbusRegisters(spec, wire),
            "modbus-inputs": lambda spec: ModbusInputs(spec, wire),
            "iio": lambda spec: sysfs.Iio(spec, self.root),
            "hwmon": lambda spec: sysfs.Hwmon(spec, self.root),
            "w1": lambda spec: w1.W1(spec, self.root),
            "iio-loop": lambda spec: analog.iio_loop(spec, self.root),
            "iio-volts": lambda spec: analog.iio_volts(spec, self.root),
        }
        return made[spec.kind](spec)

    def read(self, name: str) -> dict[str, float]:
        return {raw.channel.split(".")[1]: raw.value for raw in self.sensor(name).read()}

    def coil(self, name: str) -> ModbusCoil:
        return ModbusCoil(*self._kit(name), wire=self.tcp)

    def drive(self, name: str) -> ModbusSpeed:
        return ModbusSpeed(*self._kit(name), wire=self.rtu)

    def show(self) -> dict[str, Any]:
        return ask(self.folder, {"do": "show"})

    def put(self, target: str, kind: str) -> None:
        answer = ask(self.folder, {"do": "fault", "target": target, "kind": kind})
        assert answer["ok"], answer

    def clear(self, target: str) -> None:
        assert ask(self.folder, {"do": "clear", "target": target})["ok"]

    def fails(self, name: str) -> type[GatewayError] | None:
        try:
            self.read(name)
        except GatewayError as error:
            return type(error)
        return None

    def _kit(self, name: str) -> tuple[KitSpec, RelaySpec]:
        spec = next(kit for kit in self.barn.kit if kit.name == name)
        return spec, next(relay for relay in self.barn.relays if relay.name == spec.relay)


@pytest.fixture
def far(barn: Barn, clock: HandClock, tmp_path: Path) -> Iterator[Far]:
    with ExitStack() as undo:
        bench = Bench(barn, folder=tmp_path, clock=clock, weather=HotDay(zone_offset_h=NEW_YORK_SUMMER_H))
        bench.start()
        undo.callback(bench.stop)
        made = Far(barn, tmp_path)
        undo.callback(lambda: made.tcp.close())
        undo.callback(lambda: made.rtu.close())
        yield made


# Half of the last digit of each type or converter in wide.toml, with a tenth for what changes between two looks.
STEPS = {
    "stalls-air": {"temp_c": 0.05, "rh_pct": 0.05},
    "stalls-meter": {"current_a": 1e-5, "speed_rpm": 0.05, "flow_lpm": 0.0005, "supply_v": 0.05},
    "arena-air": {"temp_c": 0.0005, "rh_pct": 0.0005, "wind_mps": 0.005},
    "field-air": {"temp_c": 0.006, "rh_pct": 0.004, "pressure_pa": 0.5},
    "field-sun": {"wind_mps": 0.001, "sun_w_m2": 0.03},  # 0.125 mV times 3 of 10 V
    "field-globe": {"globe_c": 0.03125},
    "skin": {"skin_c": 0.01},
    "arena-kit": {"speed_rpm": 0.5, "supply_v": 0.0005},
    "arena-amps": {"current_a": 0.0008},  # 0.125 mV of 1.6 V
}


@pytest.mark.parametrize("name", STEPS)
def test_every_sensor_shows_what_it_measured_to_the_last_digit_of_its_layout(far: Far, name: str) -> None:
    far.put(name, "stuck")  # it measures anew each barn second, which here is a moment
    other = "skin" if name != "skin" else "field-air"
    for _ in range(2):
        before = far.show()["sensed"][other]
        until(lambda before=before: far.show()["sensed"][other] != before, "another second passes")  # type: ignore[misc]
    measured, read = far.show()["sensed"][name], far.read(name)
    assert set(read) == set(measured) == set(STEPS[name])
    for quantity, step in STEPS[name].items():
        assert read[quantity] == pytest.approx(measured[quantity], abs=1.01 * step + 0.0006)  # shown to 3 digits


def test_outdoor_sun_and_wind_are_those_of_the_weather_and_a_globe_in_it_is_warmer_than_the_air(
    far: Far, clock: HandClock
) -> None:
    clock.pass_s(3 * 3600)  # ten to one o'clock
    until(lambda: far.read("field-sun")["sun_w_m2"] > 700, "the sun of noon")
    assert far.read("field-globe")["globe_c"] > far.read("field-air")["temp_c"] + 8
    assert 0 < far.read("field-sun")["wind_mps"] < 6


def test_an_independent_master_reads_each_table_of_the_shared_unit(far: Far, port: int) -> None:
    master = LibmodbusMaster(port, unit=5)
    measured = far.show()["sensed"]
    assert master.words("input_registers", 0, 4)[2:] == [0, 1]  # both status words good
    assert master.words("input_registers", 0, 1)[0] / 10 == pytest.approx(measured["stalls-air"]["temp_c"], abs=0.051)
    low, high = master.words("registers", 100, 2)
    (amps,) = struct.unpack(">f", struct.pack(">HH", high, low))
    assert amps == pytest.approx(measured["stalls-meter"]["current_a"], abs=0.001)
    assert master.bits("input_bits", 0, 8) == [0, 1, 0, 0, 0, 0, 0, 1]  # auto; the fire contact opens to tell
    master.write_register(200, 0)
    master.write_bit(0, True)
    assert master.bits("bits", 0, 2) == [1, 0]
    with pytest.raises(OSError, match="Illegal data address"):
        master.write_register(100, 1)
    master.close()


def test_an_independent_master_drives_a_fan_over_the_line(far: Far, tmp_path: Path) -> None:
    master = LibmodbusMaster(tmp_path / "line-a", unit=3)
    assert master.words("registers", 2, 1) == [5000]  # nobody has spoken yet: full speed
    master.write_register(2, 2000)
    assert master.words("registers", 2, 1) == [2000]
    with pytest.raises(OSError, match="Illegal data value"):
        master.write_register(2, 5001)
    master.close()


# --- outputs and what shows that they run ---------------------------------------------------------------


def step(far: Far, clock: HandClock, done: Callable[[], bool], what: str) -> None:
    def look() -> bool:
        clock.pass_s(1)
        return done()

    until(look, what)


def test_current_and_flow_follow_the_coils(far: Far, clock: HandClock) -> None:
    fan, mist = far.coil("stall-fans"), far.coil("stall-mist")
    assert far.read("stalls-meter")["current_a"] > 5
    assert far.read("stalls-meter")["flow_lpm"] < 0.02
    fan.set(False)
    mist.set(True)
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] < 0.2, "no current")
    step(far, clock, lambda: far.read("stalls-meter")["flow_lpm"] > 0.2, "water flows")
    assert far.read("stalls-meter")["speed_rpm"] < 10
    assert far.show()["running"] == {
        "stall-fans": False,
        "stall-mist": True,
        "arena-fans": True,
        "field-fan": True,
    }


def test_a_drive_turns_at_the_speed_of_its_register_and_moves_that_much_air(far: Far, clock: HandClock) -> None:
    fan = far.drive("arena-fans")
    fan.set(True, 0.4)
    step(far, clock, lambda: 200 < far.read("arena-kit")["speed_rpm"] < 232, "0.4 of 540 rpm")
    assert far.read("arena-air")["wind_mps"] == pytest.approx(1.0, abs=0.4)  # 0.4 of 2.5 m/s
    assert far.read("arena-amps")["current_a"] == pytest.approx(2.4, abs=0.2)  # 0.4 of 6 A
    fan.set(False)
    step(far, clock, lambda: far.read("arena-kit")["speed_rpm"] < 10, "it stands")
    fan.close()
    step(far, clock, lambda: far.read("arena-kit")["speed_rpm"] > 500, "full speed")


def test_a_drive_that_nobody_writes_to_goes_to_full_speed(far: Far, clock: HandClock) -> None:
    far.drive("arena-fans").set(False)
    step(far, clock, lambda: far.read("arena-kit")["speed_rpm"] < 10, "it stands")
    clock.pass_s(15)  # the watchdog that the driver has set
    step(far, clock, lambda: far.read("arena-kit")["speed_rpm"] > 500, "full speed")


def test_a_pwm_output_is_exported_lost_until_enabled_and_then_what_its_duty_says(
    far: Far, clock: HandClock, tmp_path: Path
) -> None:
    chip = next((tmp_path / "sys/class/pwm").glob("pwmchip*"))
    assert (chip / "device").resolve().name == "1f00098000.pwm"
    output = chip / "pwm1"
    assert far.show()["running"]["field-fan"]
    for file, text in (("period", "50000"), ("duty_cycle", "0"), ("enable", "1")):
        (output / file).write_text(text)
    step(far, clock, lambda: not far.show()["running"]["field-fan"], "no duty, no turning")
    (output / "duty_cycle").write_text("20000")
    step(far, clock, lambda: bool(far.show()["running"]["field-fan"]), "it turns")
    assert (output / "duty_cycle").read_text() == "20000"
    (output / "duty_cycle").write_text("0")
    step(far, clock, lambda: not far.show()["running"]["field-fan"], "it stands")
    (output / "enable").write_text("0")
    step(far, clock, lambda: bool(far.show()["running"]["field-fan"]), "a lost signal is full speed")


def test_the_switch_goes_before_the_output(far: Far, clock: HandClock) -> None:
    fan = far.coil("stall-fans")
    assert far.read("stalls-switch") == {"switch": SwitchAt.AUTO}
    far.put("stalls-switch", "off")
    step(far, clock, lambda: far.read("stalls-switch") == {"switch": SwitchAt.OFF}, "off")
    assert fan.readback() is True  # the coil is released, yet the fan stands
    assert far.read("stalls-meter")["current_a"] < 0.2
    far.put("stalls-switch", "hand")
    fan.set(False)
    step(far, clock, lambda: far.read("stalls-switch") == {"switch": SwitchAt.HAND}, "hand")
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] > 5, "it runs although the coil holds it off")
    far.clear("stalls-switch")
    fan.set(False)
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] < 0.2, "auto again")


# --- faults ---------------------------------------------------------------------------------------------


def test_a_fan_without_its_belt_draws_a_little_and_moves_no_air(far: Far, clock: HandClock) -> None:
    far.put("stall-fans", "belt-gone")
    step(far, clock, lambda: far.read("stalls-meter")["speed_rpm"] < 10, "the fan stands")
    assert 0.5 < far.read("stalls-meter")["current_a"] < 2
    assert not far.show()["running"]["stall-fans"]
    far.put("stall-fans", "tripped")
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] < 0.2, "nothing drawn")


def test_a_welded_contactor_runs_though_its_coil_holds_it_off(far: Far, clock: HandClock) -> None:
    fan = far.coil("stall-fans")
    fan.set(False)
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] < 0.2, "off")
    far.put("stall-fans", "welded")
    step(far, clock, lambda: far.read("stalls-meter")["current_a"] > 5, "current flows")
    assert fan.readback() is False


def test_a_stuck_valve_lets_water_through_and_a_shut_one_none(far: Far, clock: HandClock) -> None:
    far.put("stall-mist", "valve-stuck")
    step(far, clock, lambda: far.read("stalls-meter")["flow_lpm"] > 0.2, "water though off")
    assert far.coil("stall-mist").readback() is False
    far.put("stall-mist", "valve-shut")
    far.coil("stall-mist").set(True)
    step(far, clock, lambda: far.read("stalls-meter")["flow_lpm"] < 0.02, "none though on")


def test_the_fire_contact_closes(far: Far, clock: HandClock) -> None:
    assert far.read("fire") == {"contact": 0.0}
    far.put("fire", "closed")
    step(far, clock, lambda: far.read("fire") == {"contact": 1.0}, "it tells")
    far.clear("fire")
    step(far, clock, lambda: far.read("fire") == {"contact": 0.0}, "it is over")


FAULTS = [
    ("stalls-air", "status", DeviceFault),
    ("stalls-air", "target-silent", ReadError),
    ("stalls-air", "foreign", FrameError),
    ("fire", "silence", ReadError),
    ("field-globe", "crc", FrameError),
    ("field-globe", "empty", EmptyText),
    ("field-globe", "power-on", ReadError),
    ("field-globe", "silence", ReadError),
    ("arena-amps", "wire-break", ReadError),
    ("kernel", "gone", PortGone),
    ("box", "gone", PortGone),
    ("line-a", "gone", PortGone),
]
OF_BUS = {"kernel": "field-air", "box": "stalls-air", "line-a": "arena-air"}


@pytest.mark.parametrize(("target", "kind", "error"), FAULTS)
def test_a_fault_is_what_a_driver_would_meet_and_ends_when_it_is_cleared(
    barn: Barn, far: Far, clock: HandClock, target: str, kind: str, error: type[GatewayError]
) -> None:
    sensor = OF_BUS.get(target, target)
    assert far.fails(sensor) is None
    far.put(target, kind)

    def failed() -> bool:
        found = far.fails(sensor)
        return found is not None and issubclass(found, error)

    step(far, clock, failed, f"{target} fails with {error.__name__}")
    far.clear(target)

    def well() -> bool:
        far.tcp.close()
        far.rtu.close()
        again = Far(barn, far.folder)  # without the pause before a reopening
        far.tcp, far.rtu = again.tcp, again.rtu
        return far.fails(sensor) is None

    step(far, clock, well, f"{target} is well again")


def test_low_supply_shows(far: Far, clock: HandClock) -> None:
    far.put("arena-kit", "low")
    step(far, clock, lambda: far.read("arena-kit")["supply_v"] == pytest.approx(17.0, abs=0.01), "17 V")


def test_a_block_that_forgets_its_watchdog_is_only_made_safe(far: Far) -> None:
    far.put("relays", "no-watchdog")
    fan = far.coil("stall-fans")
    with pytest.raises(CommandError, match="does not hold its watchdog"):
        fan.set(False)
    assert far.show()["running"]["stall-fans"]


def test_the_watchdog_that_the_driver_sets_lets_go(far: Far, clock: HandClock) -> None:
    far.coil("stall-fans").set(False)
    clock.pass_s(19)
    assert not far.show()["running"]["stall-fans"]
    clock.pass_s(1.5)
    assert far.show()["running"]["stall-fans"]


# --- start and stop -------------------------------------------------------------------------------------


def test_stop_closes_the_port_and_leaves_no_file(barn: Barn, tmp_path: Path, port: int) -> None:
    files = set(tmp_path.rglob("*"))
    for _ in range(2):
        bench = Bench(barn, folder=tmp_path, clock=HandClock(), weather=HotDay(zone_offset_h=0))
        bench.start()
        LibmodbusMaster(port, unit=5).close()
        bench.stop()
        assert set(tmp_path.rglob("*")) == files
        with pytest.raises(OSError, match="refused"):
            LibmodbusMaster(port, unit=5)


def test_a_port_that_is_taken_or_not_of_this_machine_stops_the_start(tmp_path: Path, port: int) -> None:
    for wrong, said in ((f"tcp_port = {port}", "cannot be opened"), ('host = "192.0.2.1"', "only on 127.0.0.1")):
        folder = tmp_path / said.split()[0]
        folder.mkdir()
        path = Path(shutil.copy(WIDE, folder / "barn.toml"))
        key = wrong.split(" = ")[0]
        lines = [wrong if line.startswith(key) else line for line in path.read_text().splitlines()]
        path.write_text("\n".join(lines))
        with ExitStack() as undo:
            if key == "tcp_port":
                import socket

                undo.enter_context(socket.create_server(("127.0.0.1", port)))
            made = Bench(site.load(path).barn, folder=folder, clock=HandClock(), weather=HotDay(zone_offset_h=0))
            with pytest.raises(SiteError, match=said):
                made.start()
            assert {entry.name for entry in folder.iterdir()} == {"barn.toml"}


def test_what_the_files_of_the_kernel_cannot_hold_is_refused(tmp_path: Path, barn: Barn) -> None:
    from dataclasses import replace

    wind = tuple(
        replace(spec, quantities=(Quantity.WIND,), options={**spec.options, "wind": "in_wind"})
        if spec.name == "skin"
        else spec
        for spec in barn.sensors
    )
    with pytest.raises(SiteError, match="skin: the bench has no wind on iio"):
        Bench(replace(barn, sensors=wind), folder=tmp_path, clock=HandClock(), weather=HotDay(zone_offset_h=0))
