"""Owns: the form of [[buses]]: every way in which devices may be connected.

Must not know: what is on a bus, drivers.
How it works: one form for each kind. A path of a device file is relative to the site file's folder.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from gateway.site_words import STRICT, Baud, Device, File, Host, IpPort, Name, StopBits, Wait, table


class BusForm(BaseModel):
    model_config = STRICT
    name: Name


class PortForm(BaseModel):
    """What every serial port needs beside the keys of a bus."""

    model_config = STRICT
    port: File
    baud: Baud
    parity: Literal["none", "even", "odd"]
    stop_bits: StopBits = 1


class SerialForm(BusForm, PortForm):
    """Modbus RTU: one asks, one answers."""

    kind: Literal["serial"]
    answer_within_s: Wait = 0.3


class ModbusTcpForm(BusForm):
    kind: Literal["modbus-tcp"]
    host: Host
    tcp_port: IpPort = 502
    answer_within_s: Wait = 1.0


class LinesForm(BusForm, PortForm):
    """Devices that send lines of text unasked: NMEA 0183, microcontrollers."""

    kind: Literal["lines"]
    data_bits: Annotated[int, Field(ge=7, le=8, description="7 or 8")] = 8


class Sdi12Form(BusForm):
    """An adapter that puts an SDI-12 line behind a serial port: 1200 baud, 7 bits, even, by the standard."""

    kind: Literal["sdi12"]
    port: File
    answer_within_s: Wait = 0.5


class SysfsForm(BusForm):
    kind: Literal["sysfs"]
    root: File


class LineOfForm(BaseModel):
    model_config = STRICT
    chip: Device
    line: Device


class I2cForm(BusForm):
    """`power`: the GPIO line that feeds the sensors' supply, so that a hung one can be cut off and come back."""

    kind: Literal["i2c"]
    device: File
    power: Annotated[LineOfForm | None, table('{ chip = "pinctrl-rp1", line = "GPIO25" }')] = None


class GpioForm(BusForm):
    """`chip` is the label of the chip, never its number."""

    kind: Literal["gpio"]
    chip: Device


class MqttBusForm(BusForm):
    """Devices behind the broker of [mqtt], heard and told by uplink."""

    kind: Literal["mqtt"]


Bus = Annotated[
    SerialForm | ModbusTcpForm | LinesForm | Sdi12Form | SysfsForm | I2cForm | GpioForm | MqttBusForm,
    Field(discriminator="kind"),
]
PATHS = ("port", "root", "device")
