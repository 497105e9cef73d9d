"""Owns: checks of the checksum. Must not know: frames. How it works: published vectors, then an independent library."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from drivers.crc import crc16_modbus


def test_check_string_of_the_crc_catalogues() -> None:
    # CRC-16/MODBUS, check value for the nine digits (from memory).
    assert crc16_modbus(b"123456789") == 0x4B37


def test_example_of_the_serial_line_guide() -> None:
    # MODBUS over Serial Line V1.02, appendix B: CRC of 02 07 is 1241h, sent as 41 12 (from memory).
    assert crc16_modbus(bytes.fromhex("02 07")) == 0x1241


@given(st.binary(max_size=256))
def test_agrees_with_an_independent_library(data: bytes) -> None:
    swapped = FramerRTU.compute_CRC(data)  # pymodbus keeps it in the order of the line
    assert crc16_modbus(data) == int.from_bytes(swapped.to_bytes(2, "big"), "little")
