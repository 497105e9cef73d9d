"""What is connected, as `loosebox look` tells it: from a made-up board, a pseudo-terminal, a broker."""

from __future__ import annotations

import argparse
import errno
import fcntl
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import termios
import threading
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from smbus2 import i2c_msg

from gateway.app import look_ask, look_ports
from gateway.app.look_found import Paste
from gateway.app.look_heard import guess, heard
from gateway.cli import _parser
from gateway.engine.clock import machine_s
from gateway.errors import GatewayError, PortGone
from gateway.site import Broker, load
from tests.app.board_tree import BY_ID, BY_PATH, board, link, put
from tests.drivers.far_end import Peer, Pty
from tests.drivers.gpio_board import Board
from tests.e2e.barn import free_port, loosebox

SMALL = """\
barn = { name = "Small", zone = "UTC", altitude_m = 10 }
history.file = "h.db"
link.socket = "l.sock"
[mqtt]
host = "127.0.0.1"
[[places]]
name = "stalls"
kind = "standing"
[[buses]]
name = "first"
kind = "sysfs"
root = "/elsewhere"
[[sensors]]
name = "air"
place = "stalls"
bus = "first"
kind = "hwmon"
device = "x"
temp = "temp1"
rh = "humidity1"
"""


def accepted(blocks: list[str], folder: Path, site: str = SMALL) -> Path:
    """A site file with these blocks in it, which `loosebox check` has accepted."""
    path = folder / "pasted.toml"
    path.write_text("\n\n".join((site, *blocks)))
    run = loosebox("check", str(path))
    assert run.returncode == 0, run.stderr
    return path


def blocks_of(text: str) -> list[str]:
    return [part for part in text.split("\n\n") if re.search(r"^\[\[", part, re.MULTILINE)]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return board(tmp_path / "board")


# --- the whole ------------------------------------------------------------------------------------------


def test_with_nothing_connected_every_corner_says_so(tmp_path: Path) -> None:
    run = loosebox("look", "--root", str(tmp_path))
    assert (run.returncode, run.stderr) == (0, "")
    assert run.stdout.count("none found") == 7
    assert run.stdout.endswith("Nothing to paste.\n")


def test_it_works_on_this_very_machine() -> None:
    run = loosebox("look")
    assert (run.returncode, run.stderr) == (0, "")
    assert "Serial ports:" in run.stdout


def test_a_board_is_told_with_names_values_and_holders(root: Path) -> None:
    text = loosebox("look", "--root", str(root)).stdout
    for said in (
        f"{root}/dev/serial/by-id/{BY_ID} (ttyUSB0 now, held by loosebox (process 812))",
        f"also {root}/dev/serial/by-path/{BY_PATH}",
        f"{root}/dev/ttyUSB3: it has no name that stays",
        'i2c-1: "bcm2835 (i2c@7e804000)"',
        "0x40: read by the kernel's driver si7020",
        "28-0316a2794f2b",
        "in_temp: 30.974 °C",  # (7256 - 4368) * 10.725097656 m°C, by hand
        "in_humidityrelative: 64.499 %",  # (9240 - 786) * 7.629394531 m%, by hand
        "in_humidityrelative: 46.3 %, by an old driver that gives percent",
        "in_pressure: 1.0066e+05 Pa",
        'in_voltage0 "loop 1": 2 V',
        '"twin", the same as another: only a label can tell them apart (iio:device3 now)',
        "in_temp: no value, ",
        "temp1: -5.25 °C",
        'temp1 "hay loft": 21.5 °C',
        "temp1: 48.312 °C",
        "1f00098000.pwm: 4 channels (pwmchip0 now)",
    ):
        assert said in text, said
    assert "ttyS0" not in text and "00-8000" not in text and "0x76" not in text


def test_every_block_of_a_board_is_accepted_inside_a_site_file(root: Path, tmp_path: Path) -> None:
    blocks = blocks_of(loosebox("look", "--root", str(root)).stdout)
    barn = load(accepted(blocks, tmp_path)).barn
    assert {(bus.kind, *bus.options.values()) for bus in barn.buses} >= {
        ("serial", f"{root}/dev/serial/by-id/{BY_ID}", 9600, "none", 1, 0.3),
        ("i2c", f"{root}/dev/i2c-1"),
        ("i2c", f"{root}/dev/i2c-10"),
        ("sysfs", f"{root}/sys"),
    }
    found = {str(spec.options["device"]): spec for spec in barn.sensors}
    assert set(found) == {"x", "28-0316a2794f2b", "si7020", "bme280", "sht4x", "lm75"}
    assert [quantity.key for quantity in found["si7020"].quantities] == ["temp", "rh"]
    assert found["bme280"].options["rh_unit"] == "percent"
    assert found["lm75"].options["temp"] == "temp1"
    assert barn.relays[0].options["chip"] == "1f00098000.pwm"


def test_what_the_site_file_has_already_is_not_proposed_again(root: Path, tmp_path: Path) -> None:
    first = accepted(blocks_of(loosebox("look", "--root", str(root)).stdout), tmp_path, SMALL.replace("[mqtt]\n", "#"))
    first.write_text(first.read_text().replace('#host = "127.0.0.1"', ""))
    run = loosebox("look", "--root", str(root), "--site", str(first))
    assert run.returncode == 0, run.stderr
    assert run.stdout.endswith("Nothing to paste.\n"), run.stdout


def test_names_and_buses_of_the_site_file_are_minded(root: Path, tmp_path: Path) -> None:
    site = tmp_path / "barn.toml"
    site.write_text(
        SMALL.replace('[mqtt]\nhost = "127.0.0.1"\n', "")
        .replace('"/elsewhere"', f'"{root}/sys"')
        .replace('"air"', '"iio"')
        .replace('"stalls"', '"ring"')
    )
    text = loosebox("look", "--root", str(root), "--site", str(site)).stdout
    assert 'name = "iio-2"' in text and 'name = "iio"\n' not in text
    assert 'bus = "first"' in text and 'kind = "sysfs"' not in text
    assert 'place = "ring"' in text and '"stalls"' not in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--root", "/no/such/folder"), "--root /no/such/folder: there is no such folder"),
        (("--ask-bus", "/dev/x", "--units", "0-3"), "say one unit or a span from 1 to 247"),
        (("--ask-bus", "/dev/x", "--units", "9-3"), "say one unit or a span from 1 to 247"),
        (("--ask-bus", "/dev/x", "--units", "a"), "say one unit or a span from 1 to 247"),
        (("--ask-bus", "/dev/x", "--baud", "9601"), "--baud 9601: say one of 300, 600"),
        (("--ask-bus", "/dev/no-such-port"), "/dev/no-such-port cannot be opened"),
        (("--ask-bus", "/dev/i2c-99"), "/dev/i2c-99: No such file or directory"),
    ],
)
def test_what_cannot_be_looked_at_is_told_in_one_line(words: tuple[str, ...], said: str) -> None:
    run = loosebox("look", *words)
    assert run.returncode == 1
    assert said in run.stderr and run.stderr.count("\n") == 1


# --- GPIO -----------------------------------------------------------------------------------------------


def test_chips_are_told_with_the_names_and_the_holders_of_their_lines(tmp_path: Path) -> None:
    chips = Board()
    chips.add("/dev/gpiochip0", "pinctrl-rp1", "ID_SDA", "", "GPIO5")
    chips.add("/dev/gpiochip1", "has a blank", "A")
    chips.pin("GPIO5").owner = "loosebox"
    paste = Paste()
    files = [*chips.files(), "/dev/gpiochip9"]
    text = look_ports.gpio_chips(files, chips.open_chip, paste).text()
    assert '"pinctrl-rp1" (gpiochip0 now)\n    ID_SDA\n    GPIO5, held by loosebox\n' in text
    assert "/dev/gpiochip9: cannot be asked, No such file or directory" in text
    assert chips.opened == 0 and chips.requests == []
    (bus,) = load(accepted(paste.blocks, tmp_path)).barn.buses[1:]
    assert bus.options == {"chip": "pinctrl-rp1"}


def test_an_old_number_of_a_chip_is_no_second_chip(tmp_path: Path) -> None:
    put(tmp_path / "dev", gpiochip0="")
    link(tmp_path / "dev/gpiochip4", "gpiochip0")
    assert look_ports.gpio_files(tmp_path) == [str(tmp_path / "dev/gpiochip0")]


# --- asking on a serial line ----------------------------------------------------------------------------

# Unit 1 answers with 215; unit 2 refuses with exception 2; unit 4 sends a torn frame. Checksums by hand: CRC-16 of the
# Modbus over Serial Line specification, appendix B, with an independent calculator.
REQUEST_1 = "01 03 00 00 00 01 84 0a"  # published as a test vector of many Modbus implementations


def crc(body: bytes) -> bytes:
    value = 0xFFFF
    for byte in body:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Peer]:
    answers = {1: bytes([1, 3, 2, 0, 215]), 2: bytes([2, 0x83, 2]), 4: b"\x04\x03\x02"}

    def script(request: bytes) -> list[tuple[float, bytes]]:
        body = answers.get(request[0], b"")
        return [(0.0, body if request[0] == 4 else body + crc(body))] if body else []

    pty = Pty(tmp_path / "port")
    peer = Peer(pty, script)
    yield peer
    peer.stop()
    pty.vanish()


def test_units_on_a_line_are_asked_after_the_bytes_were_told(line: Peer, tmp_path: Path) -> None:
    run = loosebox("look", "--root", str(tmp_path), "--ask-bus", str(tmp_path / "port"), "--units", "1-4")
    assert run.returncode == 0, run.stderr
    for said in (
        f"  unit 1: {REQUEST_1}\n",
        "  unit 1: answers; its first register holds 215\n",
        "  unit 2: answers, but refuses: ",
        "  unit 3: silent\n",
    ):
        assert said in run.stdout, run.stdout
    assert run.stdout.index("unit 4: 04 03") < run.stdout.index("unit 1: answers")
    sent = [request.hex(" ") for _, request in line.requests]
    assert sent[0] == REQUEST_1
    told = re.findall(r"unit \d: ((?:[0-9a-f]{2} ){7}[0-9a-f]{2})", run.stdout)
    assert sent == told, "what was told is what was sent"
    barn = load(accepted(blocks_of(run.stdout), tmp_path)).barn
    assert [spec.options["unit"] for spec in barn.sensors[1:]] == [1, 2]


def test_nothing_is_sent_on_a_line_that_was_not_named(line: Peer, tmp_path: Path) -> None:
    put(tmp_path / "dev")
    link(tmp_path / "dev/serial/by-id/usb-x", str(tmp_path / "port"))
    text = loosebox("look", "--root", str(tmp_path)).stdout
    assert "usb-x" in text
    assert line.requests == []


def test_a_line_that_is_held_is_left_alone(line: Peer, tmp_path: Path) -> None:
    holder = os.open(tmp_path / "port", os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    fcntl.ioctl(holder, termios.TIOCEXCL)
    run = loosebox("look", "--root", str(tmp_path), "--ask-bus", str(tmp_path / "port"), "--units", "1")
    os.close(holder)
    assert run.returncode == 1 and "is held by another process" in run.stderr
    assert line.requests == []


# --- asking on I2C --------------------------------------------------------------------------------------


@dataclass(slots=True)
class FakeAdapter:
    """An adapter with chips at some addresses, or with a line that is held low."""

    there: set[int]
    error: int = errno.ENXIO
    asked: list[tuple[int, int, int]] = field(default_factory=list)
    closed: bool = False

    def i2c_rdwr(self, *i2c_msgs: i2c_msg) -> None:
        (message,) = i2c_msgs
        self.asked.append((message.addr, message.flags, message.len))
        if message.addr not in self.there:
            raise OSError(self.error, os.strerror(self.error))

    def close(self) -> None:
        self.closed = True


def asked(adapter: FakeAdapter, root: Path, paste: Paste) -> list[str]:
    args = argparse.Namespace(ask_bus="/dev/i2c-1", root=root)
    return list(look_ask.ask(args, paste, lambda _: adapter))


def test_addresses_that_answer_become_chips_and_those_of_the_kernel_are_left_alone(root: Path, tmp_path: Path) -> None:
    adapter, paste = FakeAdapter({0x40, 0x44, 0x50, 0x76}), Paste()
    text = "\n".join(asked(adapter, root, paste))
    assert "one byte is read at each address from 0x08 to 0x77" in text and "not at 0x40" in text
    assert re.findall("0x[0-9a-f]{2} answers", text) == ["0x44 answers", "0x50 answers", "0x76 answers"]
    read = 1  # I2C_M_RD, linux/i2c.h
    assert adapter.asked == [(address, read, 1) for address in range(0x08, 0x78) if address != 0x40]
    assert adapter.closed
    barn = load(accepted(paste.blocks, tmp_path)).barn
    assert [(spec.kind, spec.options["address"]) for spec in barn.sensors[1:]] == [("sht4x", 0x44), ("bme280", 0x76)]


def test_nobody_on_the_bus_is_said(tmp_path: Path) -> None:
    assert "  nobody answers" in asked(FakeAdapter(set()), tmp_path, Paste())


def test_a_held_line_ends_the_asking(tmp_path: Path) -> None:
    adapter = FakeAdapter({0x44}, error=errno.ETIMEDOUT)
    with pytest.raises(PortGone, match="is a line held low"):
        asked(adapter, tmp_path, Paste())
    assert len(adapter.asked) == 1 and adapter.closed


# --- the broker -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    yield from running(tmp_path_factory.mktemp("broker"), "allow_anonymous true")


def running(folder: Path, rule: str) -> Iterator[Broker]:
    """A real broker on a free port."""
    path = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    port = free_port()
    (folder / "m.conf").write_text(f"listener {port} 127.0.0.1\n{rule}\nuser root\n")
    with (folder / "log").open("w") as log:
        process = subprocess.Popen([path, "-c", str(folder / "m.conf")], stdout=log, stderr=log)
    try:
        for _ in range(100):
            with socket.socket() as sock:
                if sock.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield Broker(
            host="127.0.0.1", port=port, tls=False, ca_file=None, user="", password_file=None, prefix="loosebox"
        )
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(5)


class Spy:
    """A client that hears everything and publishes what is kept."""

    def __init__(self, broker: Broker, kept: dict[str, bytes]) -> None:
        self.heard: list[str] = []
        subscribed = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _, __, message: self.heard.append(message.topic)
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        for topic, payload in kept.items():
            self.client.publish(topic, payload, qos=1, retain=True).wait_for_publish(5)
        self.client.subscribe("#", qos=1)
        assert subscribed.wait(5)

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


KEPT = {
    # The record of RFC 8428, section 5.1.3, with our names.
    "far-barn/air": b'[{"bn":"far:","n":"temp","u":"Cel","v":31.2},{"n":"rh","u":"%RH","v":64.5}]',
    "paddock/weather": b'{"at": 1780000000, "air": {"temp": 30.5, "humidity": 61}, "wind~/x": {"wind_ms": 2}}',
    "switch": b"on",
    "odd topic": b'{"temp": 1}',
}


def test_nodes_on_the_broker_become_blocks_and_nothing_is_published(broker: Broker, tmp_path: Path) -> None:
    spy = Spy(broker, KEPT)
    before = list(spy.heard)
    site = tmp_path / "barn.toml"
    site.write_text(SMALL.replace('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}\ntls = false'))
    run = loosebox("look", "--site", str(site), "--root", str(tmp_path), "--seconds", "1")
    spy.client.publish("end", b"", qos=1).wait_for_publish(5)
    spy.stop()
    assert run.returncode == 0, run.stderr
    assert '"far-barn/air": 1 x, senml, temp, rh' in run.stdout
    assert '"paddock/weather": 1 x, json, temp, rh, wind' in run.stdout
    assert '"switch": 1 x, 2 bytes' in run.stdout
    assert set(spy.heard) - set(before) <= {*KEPT, "end"}, "look has said nothing"
    barn = load(accepted(blocks_of(run.stdout), tmp_path, site.read_text())).barn
    found = {spec.options["topic"]: spec.options for spec in barn.sensors[1:]}
    assert set(found) == {"far-barn/air", "paddock/weather"}
    assert found["far-barn/air"]["rh"]["name"] == "far:rh"
    assert found["paddock/weather"]["temp"]["pointer"] == "/air/temp"
    assert found["paddock/weather"]["wind"]["pointer"] == "/wind~0~1x/wind_ms"


def test_a_broker_that_is_not_there_or_wants_us_not_is_told(tmp_path: Path) -> None:
    gone = Broker(
        host="127.0.0.1", port=free_port(), tls=False, ca_file=None, user="", password_file=None, prefix="loosebox"
    )
    with pytest.raises(GatewayError, match="cannot be reached"):
        heard(gone, 1.0, machine_s, Paste())
    for closed in running(tmp_path, "allow_anonymous false"):
        with pytest.raises(GatewayError, match="refuses us: Not authorized"):
            heard(closed, 5.0, machine_s, Paste())


@pytest.mark.parametrize("seconds", [0.0, -1.0, 3601.0, float("nan")])
def test_a_time_to_listen_that_makes_no_sense_is_refused(broker: Broker, seconds: float) -> None:
    with pytest.raises(GatewayError, match="--seconds"):
        heard(broker, seconds, machine_s, Paste())


@given(st.binary(max_size=200) | st.text(max_size=100).map(str.encode))
def test_no_message_breaks_the_guess(payload: bytes) -> None:
    form, told = guess(payload)
    assert form in ("", "senml", "json") and (form or not told)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["temp", "rh", 't"\\', "~/", "é"]), inner)
    ),
    max_leaves=8,
)


@given(JSON)
def test_what_is_guessed_from_json_can_be_pasted(value: object) -> None:
    _, told = guess(json.dumps(value).encode())
    for table in told.values():
        assert "pointer" in tomllib.loads(f"t = {table}")["t"]


def test_the_options_of_the_command_have_their_stated_defaults() -> None:
    args = _parser().parse_args(["look"])
    assert (args.seconds, args.baud, args.parity, args.stop_bits, args.units) == (5.0, 9600, "none", 1, "1-10")
    assert args.ask_bus is None and args.site is None and args.root == Path("/")
