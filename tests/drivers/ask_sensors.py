"""Owns: a process that reads I2C sensors through the real libraries, a line at a time.

Must not know: what is behind the ioctls (`kernel_shim.c`, when it is preloaded).
How it works: arguments are the device file and, if there is one, the folder of the GPIO chip. Each line of input names
a kind of sensor; each line of output is JSON: its values, or the class and the text of the error.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from drivers.bme280 import Bme280
from drivers.i2c_power import SupplyLine
from drivers.i2c_wire import I2cWire
from drivers.sht import Sht
from gateway.barn import BusSpec
from gateway.errors import GatewayError
from gateway.model import AIR, Quantity
from gateway.ports import Sensor
from tests.drivers.specs import sensor as spec_of


def sensors(wire: I2cWire) -> dict[str, Sensor]:
    quantities = (*AIR, Quantity.PRESSURE)
    return {
        "sht3x": Sht(spec_of("sht3x", {"address": 0x45, "heat_when_wet": True}), wire),
        "sht4x": Sht(spec_of("sht4x", {"address": 0x44, "heat_when_wet": True}), wire),
        "bme280": Bme280(spec_of("bme280", {"address": 0x76}, quantities=quantities), wire),
    }


def main(device: str, gpio_folder: str) -> None:
    options: dict[str, Any] = {"device": device}
    if gpio_folder:
        options["power"] = {"chip": "pinctrl", "line": "GPIO25"}
    wire = I2cWire(
        BusSpec(name="i2c", kind="i2c", options=options),
        supply_of=lambda chip, line: SupplyLine(chip, line, folder=Path(gpio_folder)),
    )
    known = sensors(wire)
    for line in sys.stdin:
        try:
            said: Any = [raw.value for raw in known[line.strip()].read()]
        except GatewayError as error:
            said = [type(error).__name__, str(error)]
        print(json.dumps(said), flush=True)
    wire.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
