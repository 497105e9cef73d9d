"""Owns: what a 1-Wire thermometer's nine bytes mean, and every way in which they mean nothing.

Must not know: files, when to read.
How it works: the kernel prints the bytes, its own judgement of their checksum, and a temperature. That temperature is
not used: after a bad checksum some kernels compute it from the bad bytes. The checksum is computed here again, the
bytes that never change must be as the data sheet says, and three numbers that are no temperature are refused.

Theory of refusal. Nine zero bytes have a right checksum (0), so a line that is held low reads as 0 °C. A part that
lost its supply and restarted holds +85 °C until it has converted, with a right checksum as well. A part that is fed
too weakly gives 07FF, which is 127.94 °C.
Rules: data sheets DS18B20, DS18S20, DS1825 (memory map, "Temperature register"); Linux
Documentation/w1/slaves/w1_therm.rst (85.00 and 127.94 with byte 6 = 0C).
"""

from __future__ import annotations

import re
from typing import Final

from drivers.crc import crc8_one_wire
from gateway.errors import BadText, ChecksumError, EmptyText, FrameError, ReadError

HALF_DEGREES: Final = "10"  # DS18S20: 0.5 °C and a counter for the rest
PLACED: Final = "3b"  # DS1825: four bits of its configuration are pins that tell its place
FAMILIES: Final = (HALF_DEGREES, "22", "28", PLACED, "42")

_BYTE = "[0-9a-f]{2}"
_FORM: Final = re.compile(
    rf"((?:{_BYTE} ){{9}}): crc=({_BYTE}) (YES|NO)\s*\n(?:{_BYTE} ){{9}}t=-?[0-9]+", re.ASCII | re.IGNORECASE
)
_POWER_ON_C: Final = 85.0
_NEAR_C: Final = 5.0  # a real 85 °C does not come out of the blue
_TOO_LITTLE_POWER: Final = 0x07FF
_NEVER_CONVERTED: Final = 0x0C  # in byte 6


class HeldLow(ReadError):
    """A line that nothing but a fault keeps low."""

    quality = "bus-stuck"


class NotConverted(ReadError):
    """The thermometer holds a number that it never measured."""

    quality = "power-on-value"


def temp_c(text: str, *, family: str, last_c: float | None) -> float:
    """The temperature in the file `w1_slave`; `last_c` is the one before, if there was one. Raises ReadError."""
    scratchpad = _checked(text)
    _expect_reserved(scratchpad, family)
    return _measured(scratchpad, family, last_c)


def _checked(text: str) -> bytes:
    if not text:
        raise EmptyText("w1_slave is empty: the kernel got no answer from the device")
    if not (form := _FORM.fullmatch(text)):
        raise BadText(f"w1_slave: {text[:80]!r} is not of the known form")
    scratchpad = bytes.fromhex(form[1])
    if not any(scratchpad):
        raise HeldLow("only zeros: the line is held low")
    if scratchpad == b"\xff" * 9:
        raise ReadError("only ones: nobody answers on the line")
    if (crc := crc8_one_wire(scratchpad[:8])) != scratchpad[8]:
        raise ChecksumError(scratchpad[8], crc, scratchpad)
    if int(form[2], 16) != crc or form[3].upper() != "YES":
        raise FrameError(f"the kernel says crc={form[2]} {form[3]}", scratchpad)
    return scratchpad


def _expect_reserved(scratchpad: bytes, family: str) -> None:
    config, per_degree = scratchpad[4], scratchpad[7]
    if family == HALF_DEGREES:
        fixed = config == 0xFF
    elif family == PLACED:
        fixed = config & 0x90 == 0x10
    else:
        fixed = config & 0x9F == 0x1F
    if not fixed or scratchpad[5] != 0xFF or per_degree != 0x10:
        raise FrameError(f"bytes that never change have changed, or this is no part of family {family}", scratchpad)


def _measured(scratchpad: bytes, family: str, last_c: float | None) -> float:
    count = int.from_bytes(scratchpad[:2], "little", signed=True)
    if family == HALF_DEGREES:
        value_c = (count >> 1) - 0.25 + (scratchpad[7] - scratchpad[6]) / scratchpad[7]
    elif count == _TOO_LITTLE_POWER:
        raise NotConverted("07FF: the device has too little power to measure")
    else:
        unused = 3 - (scratchpad[4] >> 5 & 3)  # low bits that this resolution leaves undefined
        value_c = (count >> unused << unused) / 16
    if value_c == _POWER_ON_C and (scratchpad[6] == _NEVER_CONVERTED or _surprising(value_c, last_c)):
        raise NotConverted("85 °C: the value after power-on, not a measured one")
    return value_c


def _surprising(value_c: float, last_c: float | None) -> bool:
    return last_c is None or abs(value_c - last_c) > _NEAR_C
