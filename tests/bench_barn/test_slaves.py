"""The units of a line as functions of a request: values, outputs, refusals, the watchdog."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from drivers.bench.layout import encoded, store, units_of
from drivers.bench.slaves import COILS, Unit
from gateway.barn import RelaySpec
from gateway.model import Quantity
from tests.bench_barn.rig import patient
from tests.control.barns import barn, sensor

NOW_S = 100.0


def layout(register: int, kind: str, scale: float = 1.0, offset: float = 0.0) -> dict[str, Any]:
    return {"register": register, "type": kind, "scale": scale, "offset": offset}


def transmitter(
    temp: Mapping[str, Any], rh: Mapping[str, Any], temp_c: float = 20.0, rh_pct: float = 50.0, **options: Any
) -> Unit:
    spec = sensor(
        name="air",
        bus="line",
        options={"unit": 1, "function": 4, "base": 0, "word_order": "high-first", "temp": temp, "rh": rh} | options,
    )
    unit = units_of(barn(sensors=(spec,), kit=()), NOW_S)["line", 1]
    store(spec, {Quantity.TEMP: temp_c, Quantity.RH: rh_pct}, unit, trusted=True)
    return unit


def asked(function: int, start: int, count: int) -> bytes:
    return bytes((function,)) + struct.pack(">HH", start, count)


def test_common_layout_answers_byte_for_byte() -> None:
    # A layout of many cheap transmitters (from memory): signed, tenths, temperature first. -5.0 °C is FFCE.
    device = transmitter(layout(1, "int16", 0.1), layout(2, "uint16", 0.1), temp_c=-5.0, rh_pct=60.0)
    assert device.answer(asked(4, 1, 2), NOW_S) == bytes.fromhex("04 04 FF CE 02 58")


def test_low_word_first_is_as_a_probe_manual_prints_it() -> None:
    # Words 7AE1, 41F4 are 30.56 with the low word first; example of a humidity probe's manual.
    device = transmitter(layout(0, "float32"), layout(2, "float32"), word_order="low-first", temp_c=30.56, rh_pct=50.0)
    assert device.answer(asked(4, 0, 2), NOW_S)[2:] == bytes.fromhex("7A E1 41 F4")


def test_registers_counted_from_one_stand_one_lower_on_the_wire_and_gaps_read_zero() -> None:
    device = transmitter(
        layout(1, "int16", 0.01), layout(3, "int16", 0.01), base=1, function=3, temp_c=25.0, rh_pct=50.0
    )
    assert device.answer(asked(3, 0, 3), NOW_S) == bytes.fromhex("03 06 09 C4 00 00 13 88")


TYPES = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
}


@given(
    kind=st.sampled_from(sorted(TYPES)),
    value=st.floats(-60, 120),
    offset=st.floats(-50, 50),
    low_first=st.booleans(),
)
@patient
def test_every_type_reads_back_with_an_independent_library(
    kind: str, value: float, offset: float, low_first: bool
) -> None:
    temp = layout(0, kind, 0.01, offset)
    word_order = "low-first" if low_first else "high-first"
    device = transmitter(temp, layout(2, kind, 0.01), temp_c=value, word_order=word_order)
    count = 1 if kind.endswith("16") else 2
    reply = device.answer(asked(4, 0, count), NOW_S)
    words = list(struct.unpack(f">{count}H", reply[2:]))
    raw = ModbusClientMixin.convert_from_registers(words, TYPES[kind], word_order="little" if low_first else "big")
    assert isinstance(raw, int | float)
    lowest = offset if kind.startswith("uint") else -327.68 + offset
    assert raw * 0.01 + offset == pytest.approx(max(value, lowest), abs=0.0051, rel=1e-6)


def test_integers_stop_at_the_ends_of_their_type() -> None:
    assert encoded(1e9, layout(0, "int16")) == b"\x7f\xff"
    assert encoded(-1e9, layout(0, "int16")) == b"\x80\x00"
    assert encoded(-3, layout(0, "uint16")) == b"\x00\x00"


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        (asked(3, 1, 2), 1),  # this one has input registers only
        (asked(4, 0, 2), 2),
        (asked(4, 2, 2), 2),
        (asked(4, 1, 0), 3),
        (asked(4, 1, 126), 3),
        (b"\x04\x00\x01", 3),
        (b"\x2b\x0e\x01\x00", 1),
    ],
)
def test_transmitter_refuses_what_it_cannot_do(pdu: bytes, code: int) -> None:
    # codes: Modbus Application Protocol V1.1b3, section 7
    device = transmitter(layout(1, "int16", 0.1), layout(2, "uint16", 0.1))
    assert device.answer(pdu, NOW_S) == bytes((pdu[0] | 0x80, code))


def block(**options: Any) -> Unit:
    relay = RelaySpec(
        name="block", kind="modbus-coils", bus="line", refresh_s=5, options={"unit": 10, "base": 0} | options
    )
    return units_of(replace(barn(sensors=(), kit=()), relays=(relay,)), NOW_S)["line", 10]


def energised(device: Unit, at: int, now_s: float) -> bool:
    return bool(device.held(COILS, at, now_s))


def coil(address: int, value: int) -> bytes:
    return b"\x05" + struct.pack(">HH", address, value)


def test_power_up_releases_every_coil() -> None:
    assert block().answer(asked(1, 0, 8), NOW_S) == b"\x01\x01\x00"


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        (coil(0, 0x0001), 3),
        (coil(0, 0xFFFF), 3),
        (coil(8, 0xFF00), 2),
        (asked(1, 0, 9), 2),
        (asked(1, 0, 0), 3),
        (asked(1, 0, 2001), 3),
        (bytes.fromhex("0F 00 00 00 04 02 0F 00"), 3),
        (bytes.fromhex("0F 00 00 00 00 00"), 3),
        (bytes.fromhex("0F 00 06 00 04 01 0F"), 2),
        (asked(3, 7, 1), 2),
        (asked(3, 8, 2), 2),
        (asked(3, 8, 0), 3),
        (bytes.fromhex("06 00 09 00 1E"), 2),
        (bytes.fromhex("06 00 08 FF FF"), 3),
        (asked(2, 0, 1), 1),
        (asked(4, 0, 1), 1),
        (b"\x05\x00", 3),
    ],
)
def test_block_refuses_and_moves_nothing(pdu: bytes, code: int) -> None:
    device = block()
    device.answer(coil(2, 0xFF00), NOW_S)
    assert device.answer(pdu, NOW_S) == bytes((pdu[0] | 0x80, code))
    assert [energised(device, at, NOW_S) for at in range(8)] == [at == 2 for at in range(8)]


def test_many_coils_move_at_once_lowest_bit_first() -> None:
    device = block()
    # MODBUS Application Protocol V1.1b3, section 6.11, example: CD is 1100 1101, the lowest coil is the lowest bit
    device.answer(bytes.fromhex("0F 00 00 00 08 01 CD"), NOW_S)
    assert [energised(device, at, NOW_S) for at in range(8)] == [True, False, True, True, False, False, True, True]
    assert device.answer(asked(1, 0, 8), NOW_S) == b"\x01\x01\xcd"


def test_coils_fall_when_nobody_writes_for_the_watchdog_time() -> None:
    device = block()
    device.answer(coil(0, 0xFF00), NOW_S)
    assert energised(device, 0, NOW_S + 29.9)
    assert not energised(device, 0, NOW_S + 30.0)


def test_reading_and_refused_writes_do_not_feed_the_watchdog() -> None:
    device = block()
    device.answer(coil(0, 0xFF00), NOW_S)
    device.answer(asked(1, 0, 8), NOW_S + 20)
    device.answer(coil(99, 0xFF00), NOW_S + 20)
    assert not energised(device, 0, NOW_S + 30)


def test_watchdog_time_is_register_eight_and_zero_is_never() -> None:
    device = block()
    assert device.answer(asked(3, 8, 1), NOW_S) == b"\x03\x02\x00\x1e"
    assert device.answer(bytes.fromhex("06 00 08 00 05"), NOW_S) == bytes.fromhex("06 00 08 00 05")
    device.answer(coil(0, 0xFF00), NOW_S)
    assert not energised(device, 0, NOW_S + 5)
    device.answer(bytes.fromhex("06 00 08 00 00"), NOW_S + 6)
    device.answer(coil(0, 0xFF00), NOW_S + 6)
    assert energised(device, 0, NOW_S + 1e6)


@given(st.lists(st.tuples(st.floats(0, 20), st.one_of(st.none(), st.tuples(st.integers(0, 7), st.booleans())))))
@patient
def test_a_coil_pulls_only_if_asked_and_only_while_writes_keep_coming(
    turns: list[tuple[float, tuple[int, bool] | None]],
) -> None:
    device, now_s, written_s, asked_on = block(), NOW_S, NOW_S, set[int]()
    for pause_s, write in turns:
        now_s += pause_s
        if now_s - written_s >= 30:
            asked_on.clear()
        if write:
            address, on = write
            device.answer(coil(address, 0xFF00 if on else 0), now_s)
            asked_on = asked_on | {address} if on else asked_on - {address}
            written_s = now_s
        assert {at for at in range(8) if energised(device, at, now_s)} == asked_on


@given(st.binary(min_size=1, max_size=20))
@patient
def test_any_bytes_get_one_answer_of_their_function(pdu: bytes) -> None:
    for device in (block(), transmitter(layout(1, "int16", 0.1), layout(2, "uint16", 0.1))):
        reply = device.answer(pdu, NOW_S)
        assert reply[0] in (pdu[0], pdu[0] | 0x80)
        assert 2 <= len(reply) <= 253
