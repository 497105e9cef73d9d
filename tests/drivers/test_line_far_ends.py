"""Owns: checks of the bench's text lines and SDI-12 line, and of the drivers against them.

Must not know: the rest of the bench.
How it works: a site file of an invented barn with each kind of sensor is read as any site file; the bench's far ends
speak on real pseudo-terminals, and the drivers read them. Driver and far end are two writings of the same rules: what
one sends the other must read, and each fault must become the quality that is meant for it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path

import pytest
import serial

from drivers.bench.nmea_line import NMEA_FAULTS
from drivers.bench.sdi12_line import SDI12_FAULTS, Sdi12Line
from drivers.bench.text_lines import TEXT_FAULTS, LineTalker
from drivers.lines_wire import LineSensor, LinesWire
from drivers.nmea import parser as nmea_parser
from drivers.sdi12_wire import Sdi12Sensor, Sdi12Wire
from drivers.text_line import parser as text_parser
from gateway import site
from gateway.barn import Barn
from gateway.errors import PortGone, ReadError, SiteError
from gateway.model import Quantity
from gateway.ports import Sensor

SITE = """
[barn]
name = "Test"
zone = "America/New_York"
altitude_m = 30

[[places]]
name = "stalls"
kind = "standing"

[[buses]]
name = "line-b"
kind = "lines"
port = "line-b"
baud = 4800
parity = "none"

[[buses]]
name = "line-c"
kind = "sdi12"
port = "line-c"

[[sensors]]
name = "csv"
place = "stalls"
bus = "line-b"
kind = "text-line"
begins = "AIR,"
separator = ","
temp = { column = 1, scale = 0.1 }
rh = { column = 3 }

[[sensors]]
name = "json"
place = "stalls"
bus = "line-b"
kind = "text-line"
begins = '{"node": 3'
temp = { pointer = "/air/temp" }
rh = { pointer = "/air/rh~1pct", scale = 100 }
globe = { pointer = "/globe" }

[[sensors]]
name = "wind"
place = "stalls"
bus = "line-b"
kind = "nmea"
sentence = "MWV"
measures = ["wind", "direction"]
errors = [99.9, 999.9]

[[sensors]]
name = "xdr"
place = "stalls"
bus = "line-b"
kind = "nmea"
sentence = "XDR"
measures = ["temp", "rh", "pressure"]
transducers = { temp = "AIR" }
errors = [999.9]

[[sensors]]
name = "mda"
place = "stalls"
bus = "line-b"
kind = "nmea"
sentence = "MDA"
measures = ["temp", "rh", "wind", "direction", "pressure"]
errors = [999.9]

[[sensors]]
name = "sdi"
place = "stalls"
bus = "line-c"
kind = "sdi12"
address = "3"
command = "MC"
temp = { value = 6 }
rh = { value = 2 }

[history]
file = "history.db"

[link]
socket = "link.sock"
"""
TRUE = {
    Quantity.TEMP: -5.25,
    Quantity.RH: 64.5,
    Quantity.WIND: 2.3,
    Quantity.DIRECTION: 271.0,
    Quantity.GLOBE: 41.125,
    Quantity.PRESSURE: 100890.0,
}
LAST_DIGIT = {Quantity.TEMP: 0.06, Quantity.RH: 0.06, Quantity.WIND: 0.06, Quantity.DIRECTION: 0.6}

# What each fault of the bench is to the gateway. A torn line is torn, or not even recognised as a line of its device.
TORN, SILENT = frozenset({"torn", "silent"}), frozenset({"silent"})
BECOMES = {
    "silence": SILENT,
    "torn": TORN,
    "checksum": frozenset({"torn"}),
    "foreign": frozenset({"torn"}),
    "empty": frozenset({"empty"}),
    "magic": frozenset({"empty"}),
    "nan": frozenset({"not-a-number", "torn"}),  # JSON has no NaN: such a line is no JSON
}
BENT_EARLIER = ("stuck", "power-on", "wet")
LINE_SENSORS = ("csv", "json", "wind", "xdr", "mda")


@pytest.fixture
def barn(tmp_path: Path) -> Barn:
    file = tmp_path / "barn.toml"
    file.write_text(SITE)
    return site.load(file).barn


class Rig:
    """Both lines, and the drivers on them. Time stands for the wire; its waiting lets the devices speak."""

    def __init__(self, barn: Barn, undo: ExitStack) -> None:
        buses = {bus.name: bus for bus in barn.buses}
        self.specs = {sensor.name: sensor for sensor in barn.sensors}
        self.values: dict[str, Mapping[Quantity, float]] = dict.fromkeys(self.specs, TRUE)
        self.faults: dict[str, str] = {}
        on_b = [sensor for sensor in barn.sensors if sensor.bus == "line-b"]
        self.talker = LineTalker(buses["line-b"], on_b)
        self.sdi_line = Sdi12Line(buses["line-c"], [self.specs["sdi"]])
        undo.callback(self.talker.close)
        self.talker.start()
        undo.callback(self.sdi_line.close)
        self.sdi_line.start()
        self.skew_s = 0.0
        self.wire = LinesWire(buses["line-b"], now_s=lambda: time.monotonic() + self.skew_s, sleep=self.speak)
        sdi_wire = Sdi12Wire(replace(buses["line-c"], options={**buses["line-c"].options, "answer_within_s": 0.2}))
        undo.callback(self.wire.close)
        undo.callback(sdi_wire.close)
        self.sensors: dict[str, Sensor] = {"sdi": Sdi12Sensor(self.specs["sdi"], sdi_wire)}
        for spec in on_b:
            parse = (nmea_parser if spec.kind == "nmea" else text_parser)(spec)
            self.sensors[spec.name] = LineSensor(spec, self.wire, parse)

    def speak(self, seconds: float) -> None:
        """What the wire does instead of sleeping. A barn second passes for each moment of waiting."""
        self.tick()
        time.sleep(0.001)
        self.skew_s += seconds

    def tick(self) -> None:
        self.talker.tick(self.values, self.faults, 0.0)
        self.sdi_line.tick(self.values, self.faults, 0.0)

    def settle(self, name: str) -> None:
        """Let the line carry what is said now, and nothing from before."""
        for _ in range(3):
            self.tick()
        with suppress(ReadError):
            self.sensors[name].read()

    def read(self, name: str) -> dict[Quantity, float]:
        raws = self.sensors[name].read()
        return {q: raw.value for q, raw in zip(self.specs[name].quantities, raws, strict=True)}


@pytest.fixture
def rig(barn: Barn) -> Iterator[Rig]:
    with ExitStack() as undo:
        yield Rig(barn, undo)


@pytest.mark.parametrize("name", [*LINE_SENSORS, "sdi"])
def test_a_driver_reads_what_the_far_end_measures(rig: Rig, name: str) -> None:
    rig.settle(name)
    for quantity, value in rig.read(name).items():
        assert value == pytest.approx(TRUE[quantity], abs=LAST_DIGIT.get(quantity, 10.0))


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        *((name, fault) for name in ("csv", "json") for fault in TEXT_FAULTS if fault not in BENT_EARLIER),
        *((name, fault) for name in ("wind", "xdr", "mda") for fault in NMEA_FAULTS if fault not in BENT_EARLIER),
        *(("sdi", fault) for fault in SDI12_FAULTS if fault not in BENT_EARLIER),
    ],
)
def test_each_fault_becomes_its_quality_and_ends_with_its_cause(rig: Rig, name: str, fault: str) -> None:
    rig.settle(name)
    rig.read(name)
    rig.faults[name] = fault
    rig.settle(name)
    became = set()
    for _ in range(4):
        rig.tick()
        time.sleep(0.005)  # what was said arrives; if not, the next turn finds it
        with pytest.raises(ReadError) as caught:
            rig.read(name)
        became.add(caught.value.quality)
    assert became & BECOMES[fault]
    assert became <= BECOMES[fault] | SILENT
    rig.faults.clear()
    rig.settle(name)
    assert rig.read(name)[rig.specs[name].quantities[0]] == pytest.approx(TRUE[rig.specs[name].quantities[0]], abs=0.06)


def test_a_fault_of_one_sensor_does_not_touch_the_others_on_its_line(rig: Rig) -> None:
    for name in LINE_SENSORS:
        rig.settle(name)
    rig.faults["csv"] = "torn"
    for name in LINE_SENSORS[1:]:
        rig.settle(name)
        assert rig.read(name)


def test_what_is_bent_to_no_number_is_no_number(rig: Rig) -> None:
    rig.values["csv"] = TRUE | {Quantity.TEMP: float("nan")}
    rig.settle("csv")
    with pytest.raises(ReadError) as caught:
        rig.read("csv")
    assert caught.value.quality == "not-a-number"


@pytest.mark.parametrize("name", ["csv", "sdi"])
def test_a_line_vanishes_and_comes_back(rig: Rig, name: str, tmp_path: Path) -> None:
    line: LineTalker | Sdi12Line = rig.talker if name == "csv" else rig.sdi_line
    port = tmp_path / ("line-b" if name == "csv" else "line-c")
    rig.settle(name)
    line.vanish()
    end_s = time.monotonic() + 5.0
    while port.is_symlink():
        rig.tick()
        assert time.monotonic() < end_s
    with pytest.raises(PortGone):
        rig.read(name)
    line.appear()
    while not port.is_symlink():
        rig.tick()
        assert time.monotonic() < end_s
    while True:  # the driver leaves a vanished port alone for a second
        with suppress(PortGone):
            rig.settle(name)
            assert rig.read(name)
            break
        rig.skew_s += 1.1
        assert time.monotonic() < end_s


@pytest.mark.parametrize("kind", [LineTalker, Sdi12Line])
def test_a_far_end_does_not_take_the_place_of_a_real_port(barn: Barn, tmp_path: Path, kind: type[LineTalker]) -> None:
    (tmp_path / "line-b").write_text("real")
    line = kind(barn.buses[0], [])
    with pytest.raises(SiteError, match="takes only a path that is free"):
        line.start()
    line.close()
    assert (tmp_path / "line-b").read_text() == "real"


def test_nothing_is_left_when_a_far_end_is_closed(rig: Rig, tmp_path: Path) -> None:
    rig.talker.close()
    rig.sdi_line.close()
    rig.talker.close()
    assert not [path for path in tmp_path.iterdir() if path.is_symlink()]


def test_a_talker_that_nobody_reads_never_waits(rig: Rig) -> None:
    begun_s = time.monotonic()
    for _ in range(3000):
        rig.talker.tick(rig.values, rig.faults, 0.0)
    assert time.monotonic() - begun_s < 5.0


def test_the_sdi12_far_end_knows_the_plain_commands(rig: Rig, tmp_path: Path) -> None:
    """Written by hand after the standard's table of commands."""
    rig.tick()
    with serial.Serial(str(tmp_path / "line-c"), 1200, timeout=1.0) as port:
        for command, answer in [(b"?!", b"3\r\n"), (b"3!", b"3\r\n"), (b"3MC!", b"30016\r\n"), (b"3M5!", b"30000\r\n")]:
            port.write(command)
            assert port.read_until(b"\n") == answer
        port.write(b"3I!")
        assert port.read_until(b"\n").startswith(b"314")
        port.write(b"4!3C!")  # nobody, and a command that this one was not built for
        assert port.read_until(b"\n") == b"300000\r\n"


def test_a_measurement_of_the_sdi12_far_end_ends_with_a_service_request(rig: Rig, tmp_path: Path) -> None:
    rig.tick()
    with serial.Serial(str(tmp_path / "line-c"), 1200, timeout=1.0) as port:
        port.write(b"3MC!")
        assert (port.read_until(b"\n"), port.read_until(b"\n")) == (b"30016\r\n", b"3\r\n")


def test_the_text_far_end_says_what_its_site_file_says(rig: Rig, tmp_path: Path) -> None:
    reader = os.open(tmp_path / "line-b", os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    rig.tick()
    said = b""
    end_s = time.monotonic() + 5.0
    while said.count(b"\n") < len(LINE_SENSORS) and time.monotonic() < end_s:
        with suppress(BlockingIOError):
            said += os.read(reader, 4096)
    os.close(reader)
    csv, json_line, wind, *_ = said.decode().split("\r\n")
    # -5.25 °C at a scale of 0.1 are -52.5; nobody asked for column 2.
    assert csv == "AIR,-52.5,0,64.5"
    assert json_line == '{"node": 3, "air": {"temp": -5.25, "rh/pct": 0.645}, "globe": 41.125}'
    assert wind.startswith("$WIMWV,271,R,2.3,M,A*")
