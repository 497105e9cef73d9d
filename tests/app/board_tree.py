"""Owns: a made-up board below a folder: its /dev, /sys and /proc as `loosebox look` reads them.

Must not know: how anything is found.
How it works: plain files and links, laid out as the kernel and udev do (sysfs-bus-iio, hwmon/sysfs-interface.rst,
sysfs-class-pwm, w1/w1-generic.rst; 60-serial.rules of udev).
"""

from __future__ import annotations

from pathlib import Path

BY_ID = "usb-Example_RS485_Adapter_0001-if00-port0"
BY_PATH = "platform-xhci-hcd.0-usb-0:1.2:1.0-port0"


def put(folder: Path, **files: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(f"{text}\n")
    return folder


def link(path: Path, to: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(to)


def board(root: Path) -> Path:
    """Everything that the corners know, once."""
    ports(root)
    i2c(root)
    chips(root)
    one_wire(root)
    pulses(root)
    return root


def ports(root: Path) -> None:
    put(root / "dev", ttyUSB0="", ttyUSB3="", ttyS0="")
    link(root / "dev/serial/by-id" / BY_ID, "../../ttyUSB0")
    link(root / "dev/serial/by-path" / BY_PATH, "../../ttyUSB0")
    put(root / "proc/812", comm="loosebox")
    link(root / "proc/812/fd/3", "/dev/null")
    link(root / "proc/812/fd/7", "/dev/ttyUSB0")


def i2c(root: Path) -> None:
    put(root / "dev", **{"i2c-1": "", "i2c-10": ""})
    devices = root / "sys/bus/i2c/devices"
    put(devices / "i2c-1", name="bcm2835 (i2c@7e804000)")
    put(devices / "1-0040", name="si7020")
    put(root / "sys/bus/i2c/drivers/si7020")
    link(devices / "1-0040/driver", str(root / "sys/bus/i2c/drivers/si7020"))
    put(devices / "1-0076", name="unbound")


def chips(root: Path) -> None:
    iio = root / "sys/bus/iio/devices"
    # Conversion of the Si7020 driver, drivers/iio/humidity/si7020.c: (raw + offset) * scale.
    put(
        iio / "iio:device0",
        name="si7020",
        in_temp_raw="7256",
        in_temp_offset="-4368",
        in_temp_scale="10.725097656",
        in_humidityrelative_raw="9240",
        in_humidityrelative_offset="-786",
        in_humidityrelative_scale="7.629394531",
    )
    put(iio / "iio:device1", name="bme280", in_humidityrelative_input="46.333", in_pressure_input="100.66")
    put(iio / "iio:device2", name="ads1115", in_voltage0_raw="1000", in_voltage_scale="2", in_voltage0_label="loop 1")
    put(iio / "iio:device3", name="twin", in_temp_input="20000")
    put(iio / "iio:device4", name="twin", in_temp_input="broken")
    hwmon = root / "sys/class/hwmon"
    put(hwmon / "hwmon0", name="cpu_thermal", temp1_input="48312")
    put(hwmon / "hwmon1", name="sht4x", temp1_input="-5250", humidity1_input="64500")
    put(hwmon / "hwmon2", name="lm75", temp1_input="21500", temp1_label="hay loft")
    put(root / "sys/devices/platform/soc/i2c-1/1-0048")
    link(hwmon / "hwmon2/device", str(root / "sys/devices/platform/soc/i2c-1/1-0048"))


def one_wire(root: Path) -> None:
    for name in ("28-0316a2794f2b", "00-800000000000", "w1_bus_master1"):
        put(root / "sys/bus/w1/devices" / name)


def pulses(root: Path) -> None:
    put(root / "sys/devices/platform/1f00098000.pwm")
    chip = put(root / "sys/class/pwm/pwmchip0", npwm="4")
    link(chip / "device", str(root / "sys/devices/platform/1f00098000.pwm"))
