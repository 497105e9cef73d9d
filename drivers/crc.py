"""Owns: the checksum of Modbus RTU.

Must not know: frames, ports.
How it works: CRC-16 with start FFFF and the reflected polynomial A001, as "MODBUS over Serial Line
Specification and Implementation Guide V1.02", section 2.5.1.2, describes it. A frame has at most 256 bytes, so
the plain loop over bits is fast enough (tens of microseconds beside milliseconds on the line).
"""

from __future__ import annotations

_START = 0xFFFF
_POLYNOMIAL = 0xA001


def crc16_modbus(data: bytes) -> int:
    """The checksum of `data`; on the line its low byte goes first."""
    crc = _START
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ _POLYNOMIAL if crc & 1 else crc >> 1
    return crc
