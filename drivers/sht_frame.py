"""Owns: the commands of the SHT3x and SHT4x humidity chips, and what their answers mean.

Must not know: buses, time, when to heat.
How it works: each kind of chip is a value. An answer is two words of two bytes, each with its own checksum. Values are
computed as the data sheet says and not clamped: a wet SHT4x says more than 100 %.
Rules: data sheets SHT3x-DIS (version 5, 2018: commands without clock stretching, 4.3 to 4.13) and SHT4x (version 3,
2022: 4.5 to 4.9); the commands of SHT4x also in Linux drivers/hwmon/sht4x.c.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from drivers.crc import crc8_sht
from gateway.errors import ChecksumError, FrameError

ANSWER_BYTES: Final = 6
_FULL: Final = 65535


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    temp_c: float
    rh_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """`measure_s` is its longest measurement. A heater without `heat_off` goes off by itself after `heat_s`."""

    name: str
    measure: bytes
    measure_s: float
    reset: bytes
    heat_on: bytes
    heat_off: bytes
    heat_s: float
    settle_s: float
    rh_at_0_pct: float
    rh_span_pct: float


# How long a chip keeps the warmth of its heater: own choice, on the careful side.
SHT3X: Final = Chip(
    name="SHT3x",
    measure=b"\x24\x00",
    measure_s=0.016,
    reset=b"\x30\xa2",
    heat_on=b"\x30\x6d",
    heat_off=b"\x30\x66",
    heat_s=30.0,
    settle_s=120.0,
    rh_at_0_pct=0.0,
    rh_span_pct=100.0,
)
SHT4X: Final = Chip(
    name="SHT4x",
    measure=b"\xfd",
    measure_s=0.01,
    reset=b"\x94",
    heat_on=b"\x39",  # 200 mW for one second
    heat_off=b"",
    heat_s=1.1,
    settle_s=60.0,
    rh_at_0_pct=-6.0,
    rh_span_pct=125.0,
)
CHIPS: Final[Mapping[str, Chip]] = {"sht3x": SHT3X, "sht4x": SHT4X}


def air_of(chip: Chip, answer: bytes) -> Air:
    """Raises FrameError."""
    if len(answer) != ANSWER_BYTES:
        raise FrameError(f"{chip.name}: {len(answer)} bytes instead of {ANSWER_BYTES}", answer)
    temp, rh = _word(answer[:3]), _word(answer[3:])
    return Air(temp_c=-45 + 175 * temp / _FULL, rh_pct=chip.rh_at_0_pct + chip.rh_span_pct * rh / _FULL)


def _word(three: bytes) -> int:
    if (crc := crc8_sht(three[:2])) != three[2]:
        raise ChecksumError(three[2], crc, three)
    return int.from_bytes(three[:2], "big")
