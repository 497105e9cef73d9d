"""Owns: what the kernel's files say of a measured value: names, units, scales, the text of a 1-Wire thermometer.

Must not know: folders, faults of a file, zones, what reads it.
How it works: `files_of` gives the files that never change and those with the values. Each class has its own units.
Rules: Linux Documentation/ABI/testing/sysfs-bus-iio, Documentation/hwmon/sysfs-interface.rst, and
Documentation/w1/slaves/w1_therm.rst; scales of real chips beside each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from drivers.bench.faults import Values
from gateway.barn import SensorSpec
from gateway.model import Quantity

Files = dict[str, str]

_RH_SCALE: Final = 125000 / 16384
_SI7020_TEMP: Final = (1000.0, 175720 / 16384, -4368.0)
# By quantity: units of the iio class for one of ours, then scale and offset of a chip that has it: value in the unit
# of the class = (raw + offset) * scale.
_IIO: Final[Mapping[Quantity, tuple[float, float, float]]] = {
    Quantity.TEMP: _SI7020_TEMP,  # Linux drivers/iio/humidity/si7020.c
    Quantity.GLOBE: _SI7020_TEMP,
    Quantity.RH: (1000.0, _RH_SCALE, -786.0),  # the same
    Quantity.SKIN: (1000.0, 20.0, -13657.5),  # Linux drivers/iio/temperature/mlx90614.c
    Quantity.PRESSURE: (0.001, 0.001, 0.0),  # kPa
    Quantity.CURRENT: (1000.0, 1.0, 0.0),  # mA
    Quantity.SUPPLY: (1000.0, 1.0, 0.0),  # mV
}
_HWMON: Final[Mapping[Quantity, float]] = {
    Quantity.TEMP: 1000.0,
    Quantity.GLOBE: 1000.0,
    Quantity.SKIN: 1000.0,
    Quantity.RH: 1000.0,
    Quantity.CURRENT: 1000.0,
    Quantity.SUPPLY: 1000.0,
    Quantity.SPEED: 1.0,
}
_ADC_MV: Final = 0.125  # one step of a common 16 bit converter at its range of 4.096 V (ADS1115 data sheet)
_LOOP_MA: Final = (3.8, 20.5)  # a transmitter at the ends of its range, NAMUR NE 43

_POWER_ON: Final = "50 05 4b 46 7f ff 0c 10"  # scratchpad of a DS18B20 that has not measured yet: 85 °C
W1_FAMILIES: Final = ("22", "28", "3b", "42")  # those whose scratchpad is that of the DS18B20


def quantities_of(kind: str) -> frozenset[Quantity] | None:
    """What the files of a kind can hold; None is anything."""
    return {"iio": frozenset(_IIO), "hwmon": frozenset(_HWMON)}.get(kind)


def files_of(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    """The files that never change, and those with the values."""
    return _KINDS[sensor.kind](sensor, values, fault)


def _iio(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    still, moving = _named(sensor), Files()
    for quantity, value in values.items():
        name, (units, scale, offset) = sensor.options[quantity.key], _IIO[quantity]
        if quantity is Quantity.RH and sensor.options["rh_unit"] == "percent":
            scale /= 1000
            value /= 1000
        still[f"{name}_scale"] = f"{scale:.9f}\n" if scale > 1 else f"{scale:.12f}\n"
        if offset:
            still[f"{name}_offset"] = f"{offset:g}\n"
        moving[f"{name}_raw"] = whole(value * units / scale - offset)
    return still, moving


def _hwmon(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    moving = {f"{sensor.options[key.key]}_input": whole(_HWMON[key] * value) for key, value in values.items()}
    return _named(sensor), moving


def _loop(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    def loop_mv(value: float, table: Mapping[str, Any]) -> float:
        if fault == "wire-break":
            return 0.0
        signal_ma = 4.0 + 16.0 * (value - table["low"]) / (table["high"] - table["low"])
        return float(min(_LOOP_MA[1], max(_LOOP_MA[0], signal_ma)) * sensor.options["shunt_ohm"])

    return _adc(sensor, values, loop_mv)


def _volts(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    def terminal_mv(value: float, table: Mapping[str, Any]) -> float:
        share = (value - table["low"]) / (table["high"] - table["low"])
        volts = table["low_v"] + share * (table["high_v"] - table["low_v"])
        return float(1000.0 * volts / sensor.options["divider"])

    return _adc(sensor, values, terminal_mv)


def _adc(
    sensor: SensorSpec, values: Values, signal_mv: Callable[[float, Mapping[str, Any]], float]
) -> tuple[Files, Files]:
    still, moving = _named(sensor), Files()
    for quantity, value in values.items():
        table = sensor.options[quantity.key]
        still[f"{table['channel']}_scale"] = f"{_ADC_MV}\n"
        moving[f"{table['channel']}_raw"] = whole(signal_mv(value, table) / _ADC_MV)
    return still, moving


def _w1(sensor: SensorSpec, values: Values, fault: str) -> tuple[Files, Files]:
    (value,) = values.values()
    raw = round(16.0 * value)
    scratchpad = raw.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x10 - raw % 16, 0x10))
    if fault == "power-on":
        scratchpad = bytes.fromhex(_POWER_ON)
    crc = _crc8(scratchpad)
    shown = [f"{byte:02x}" for byte in (*scratchpad, crc)]
    word = "NO" if fault == "crc" else "YES"
    milli_c = round(1000.0 * int.from_bytes(scratchpad[:2], "little", signed=True) / 16.0)
    text = " ".join(shown)
    return _named(sensor), {"w1_slave": f"{text} : crc={crc:02x} {word}\n{text} t={milli_c}\n"}


def _named(sensor: SensorSpec) -> Files:
    return {"name": f"{sensor.options['device']}\n"}


def whole(value: float) -> str:
    return f"{round(value)}\n" if math.isfinite(value) else "nan\n"


def _crc8(data: bytes) -> int:
    """Dallas 1-Wire: polynomial 8C, reflected, from 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


_KINDS: Final[Mapping[str, Callable[[SensorSpec, Values, str], tuple[Files, Files]]]] = {
    "iio": _iio,
    "hwmon": _hwmon,
    "w1": _w1,
    "iio-loop": _loop,
    "iio-volts": _volts,
}
SENSORS: Final = tuple(_KINDS)
