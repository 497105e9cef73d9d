"""Owns: the registers of a BME280, and how its three numbers come from them.

Must not know: buses, time.
How it works: the chip has no checksum, so everything that can be known beforehand is checked: its number, that its
calibration was ever written, that its settings are those we wrote, that it has finished, and that it skipped nothing.
The formulas are those of the data sheet in whole numbers: 32 bits for temperature and humidity, 64 for pressure.
Rules: data sheet BST-BME280-DS002 (1.6 and later), 4.2.3 (compensation), 5.3 and 5.4 (registers).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

from gateway.errors import DeviceFault, FrameError, ReadError

ID: Final = b"\xd0"
CALIBRATION: Final = b"\x88"
CALIBRATION_BYTES: Final = 26
HUMIDITY_CALIBRATION: Final = b"\xe1"
HUMIDITY_CALIBRATION_BYTES: Final = 7
RESULT: Final = b"\xf2"  # settings, state and data in one go
RESULT_BYTES: Final = 13

RESET: Final = b"\xe0\xb6"
# No filter; each value once; then one measurement. Humidity's setting counts only when that of the others is written.
MEASURE: Final = b"\xf5\x00\xf2\x01\xf4\x25"
MEASURE_S: Final = 0.011  # the longest at these settings is 9.3 ms (appendix B)

_BME280: Final = 0x60
_OTHERS: Final = {0x56: "BMP280", 0x57: "BMP280", 0x58: "BMP280", 0x61: "BME680"}
_SETTINGS: Final = ((0, 0x07, 0x01), (2, 0xFF, 0x24), (3, 0xFD, 0x00))  # place in RESULT, bits, what they must hold
_MEASURING: Final = 0x08
_COPYING: Final = 0x01
_SKIPPED_20: Final = 0x80000
_SKIPPED_16: Final = 0x8000


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """The numbers that the maker burnt into this chip: T1 to T3, P1 to P9, H1 to H6."""

    t: tuple[int, int, int]
    p: tuple[int, int, int, int, int, int, int, int, int]
    h: tuple[int, int, int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    temp_c: float
    rh_pct: float
    pressure_pa: float


def expect_bme280(answer: bytes) -> None:
    """Raises FrameError for no chip at all, DeviceFault for another chip."""
    (number,) = answer
    if number in (0x00, 0xFF):
        raise FrameError("nobody answers with a chip number", answer)
    if number != _BME280:
        other = _OTHERS.get(number, "no BME280")
        raise DeviceFault(f"the chip's number is {number:#04x}: {other}, which measures not what the site file says")


def calibration_of(main: bytes, humidity: bytes) -> Calibration:
    """Raises FrameError when nobody can have burnt these in."""
    for block in (main, humidity):
        if len(set(block)) == 1:
            raise FrameError("calibration: all bytes are the same", block)
    t1, t2, t3, *p = struct.unpack_from("<Hhh" + "Hhhhhhhhh", main)
    h2, h3, e4, e5, e6, h6 = struct.unpack("<hBbBbb", humidity)
    if not t1 or not t2 or not p[0] or not h2:
        raise FrameError("calibration: a number that is never 0 is 0", main + humidity)
    return Calibration(
        t=(t1, t2, t3),
        p=(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], p[8]),
        h=(main[25], h2, h3, e4 << 4 | e5 & 0x0F, e6 << 4 | e5 >> 4, h6),
    )


def air_of(calibration: Calibration, result: bytes) -> Air:
    """Raises ReadError."""
    for place, bits, wanted in _SETTINGS:
        if result[place] & bits != wanted:
            raise FrameError("the settings are not those that were written", result)
    if result[1] & (_MEASURING | _COPYING):
        raise ReadError(f"the chip is still busy, its state is {result[1]:#04x}")
    pressure = int.from_bytes(result[5:8], "big") >> 4
    temp = int.from_bytes(result[8:11], "big") >> 4
    humidity = int.from_bytes(result[11:13], "big")
    if temp == _SKIPPED_20 or pressure == _SKIPPED_20 or humidity == _SKIPPED_16:
        raise FrameError("the chip skipped a measurement", result)
    fine = fine_temperature(calibration, temp)
    return Air(
        temp_c=(fine * 5 + 128 >> 8) / 100,
        rh_pct=_humidity(calibration, humidity, fine) / 1024,
        pressure_pa=_pressure(calibration, pressure, fine) / 256,
    )


def fine_temperature(calibration: Calibration, raw: int) -> int:
    """In 1/5120 °C; the two others need it."""
    t1, t2, t3 = calibration.t
    linear = ((raw >> 3) - (t1 << 1)) * t2 >> 11
    bend = ((raw >> 4) - t1) ** 2 >> 12
    return linear + (bend * t3 >> 14)


def _pressure(calibration: Calibration, raw: int, fine: int) -> int:
    """In 1/256 Pa."""
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = calibration.p
    t = fine - 128000
    offset = t * t * p6 + (t * p5 << 17) + (p4 << 35)
    slope = ((1 << 47) + ((t * t * p3 >> 8) + (t * p2 << 12))) * p1 >> 33
    if slope <= 0:
        raise ReadError(f"these numbers give no pressure: temperature {fine}, calibration {calibration.p}")
    p = ((1048576 - raw << 31) - offset) * 3125 // slope
    return (p + (p9 * (p >> 13) * (p >> 13) >> 25) + (p8 * p >> 19) >> 8) + (p7 << 4)


def _humidity(calibration: Calibration, raw: int, fine: int) -> int:
    """In 1/1024 %."""
    h1, h2, h3, h4, h5, h6 = calibration.h
    t = fine - 76800
    line = (raw << 14) - (h4 << 20) - h5 * t + 16384 >> 15
    gain = ((t * h6 >> 10) * ((t * h3 >> 11) + 32768) >> 10) + 2097152
    v = line * (gain * h2 + 8192 >> 14)
    v -= ((v >> 15) ** 2 >> 7) * h1 >> 4
    return min(max(v, 0), 419430400) >> 12
