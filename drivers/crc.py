"""Owns: the checksums of the wires: Modbus RTU, 1-Wire, and the SHT family of humidity chips.

Must not know: frames, ports.
How it works: plain loops over bits. The longest frame has 256 bytes, so they are fast enough (tens of microseconds
beside milliseconds on the line).
Rules: CRC-16 with start FFFF and the reflected polynomial A001: "MODBUS over Serial Line Specification and
Implementation Guide V1.02", section 2.5.1.2. CRC-8 with start 0 and the reflected polynomial 8C: 1-Wire, Maxim
application note 27. CRC-8 with start FF and polynomial 31, not reflected: data sheet SHT3x-DIS, table 20.
"""

from __future__ import annotations

_START = 0xFFFF
_POLYNOMIAL = 0xA001
_ONE_WIRE_POLYNOMIAL = 0x8C
_SHT_START = 0xFF
_SHT_POLYNOMIAL = 0x31


def crc16_modbus(data: bytes) -> int:
    """The checksum of `data`; on the line its low byte goes first."""
    crc = _START
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ _POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def crc8_one_wire(data: bytes) -> int:
    """The checksum behind a scratchpad or a device number."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ _ONE_WIRE_POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def crc8_sht(data: bytes) -> int:
    """The checksum behind each word of two bytes."""
    crc = _SHT_START
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ _SHT_POLYNOMIAL) & 0xFF if crc & 0x80 else crc << 1
    return crc
