"""Every way to connect at once, chosen in the site file of an emulated barn, with a real broker: nothing goes wrong."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway import site
from gateway.model import Quality
from tests.e2e.barn import Barn, free_port, loosebox, running_barn

pytestmark = pytest.mark.timeout(300)

SITE = Path(__file__).with_name("every_bus.toml")
SPEED = 5.0
LOOKED_AT_S = 120


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The port of a real broker."""
    where = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
    assert where, "Debian's package mosquitto is needed"
    port = free_port()
    config = tmp_path_factory.mktemp("broker") / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    with subprocess.Popen([where, "-c", str(config)], stderr=subprocess.DEVNULL) as process:
        yield port
        process.terminate()


@pytest.fixture(scope="module")
def barn(broker: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Barn]:
    folder = tmp_path_factory.mktemp("babel")
    text = (
        SITE.read_text()
        .replace("port = 1883", f"port = {broker}")
        .replace("tcp_port = 502", f"tcp_port = {free_port()}")
    )
    (folder / "site.toml").write_text(text)
    with running_barn(folder / "bench", speed=SPEED, options=("--bench", str(folder / "site.toml"))) as made:
        yield made


def test_text_nmea_sdi12_mqtt_sysfs_and_modbus_run_together_without_a_fault(barn: Barn) -> None:
    specs = site.load(barn.folder / "barn.toml").barn
    kinds = {sensor.kind for sensor in specs.sensors} | {relay.kind for relay in specs.relays}
    assert kinds >= {"text-line", "nmea", "sdi12", "mqtt", "hwmon", "w1", "modbus-registers", "mqtt-relay", "pwm"}
    barn.wait(lambda: barn.now().get("faults") == [], 120, "everything having spoken")
    since_s = barn.now()["mono_s"]

    def passed() -> bool:
        now = barn.now()
        assert now.get("faults", []) == []
        return bool(now) and now["mono_s"] > since_s + LOOKED_AT_S

    barn.wait(passed, LOOKED_AT_S, "two minutes without a fault")
    began = [change for change in barn.history.faults() if change.active and change.stamp.mono_s > since_s]
    assert began == []
    for channel in (channel for sensor in specs.sensors for channel in sensor.channels):
        good = [
            reading
            for reading in barn.history.readings(channel=channel.name)
            if reading.quality is Quality.GOOD and reading.stamp.mono_s > since_s
        ]
        assert len(good) >= LOOKED_AT_S / 10 / 2, channel.name  # `every_s` is 10; a busy machine may be late


def test_kit_of_every_kind_runs_as_it_is_asked(barn: Barn) -> None:
    def agree() -> bool:
        return all(kit["asked"] == kit["seen"] for place in barn.now()["places"] for kit in place["kit"])

    barn.wait(agree, 60, "every output showing what it was asked")
    for kit in ("stall-fan", "far-fan", "arena-fan"):
        assert barn.hand(kit, "off", 30, sure=True)["done"]
    fans = ("stall-fan", "far-fan", "arena-fan")
    # Each has run for less than ten minutes: a person need not wait for that.
    barn.wait(lambda: not any(barn.running()[fan] for fan in fans), 60, "three kinds of output standing still")
    for kit in fans:
        assert barn.hand(kit, "on", 30)["done"]
    barn.wait(lambda: all(barn.running()[fan] for fan in fans), 60 + 60, "all running again, after their rest")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('port = "line-a"', 'port = "/dev/ttyUSB0"', "bus line-a: port: leads to /dev/ttyUSB0"),
        ('port = "line-a"', 'port = "../line-a"', "bus line-a: port: leads to"),
        ('root = "sys"', 'root = "/sys"', "bus kernel: root: leads to /sys"),
        ('file = "history.db"', 'file = "/var/lib/loosebox/history.db"', "history.file: leads to"),
        ('socket = "link.sock"', 'socket = "/run/loosebox/link.sock"', "link.socket: leads to"),
        ('host = "127.0.0.1"\nport', 'host = "broker.example"\nport', "mqtt.host: found broker.example"),
        ('host = "127.0.0.1"\ntcp', 'host = "192.0.2.7"\ntcp', "bus box: host: found 192.0.2.7"),
    ],
)
def test_a_site_file_that_leads_to_a_real_barn_is_not_emulated(tmp_path: Path, old: str, new: str, said: str) -> None:
    (tmp_path / "site.toml").write_text(SITE.read_text().replace(old, new))
    run = loosebox("run", "--bench", str(tmp_path / "site.toml"), "--dir", str(tmp_path / "bench"))
    assert run.returncode == 2
    assert said in run.stderr and "Traceback" not in run.stderr
    assert not (tmp_path / "bench" / "bench.sock").exists()


def test_a_site_file_that_no_bench_has_written_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "barn.toml").write_text("# ours\n")
    run = loosebox("run", "--bench", str(SITE), "--dir", str(tmp_path))
    assert run.returncode == 2
    assert "--dir" in run.stderr
    assert (tmp_path / "barn.toml").read_text() == "# ours\n"
