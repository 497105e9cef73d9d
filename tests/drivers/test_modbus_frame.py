"""Owns: checks of the Modbus RTU codec.

Must not know: ports.
How it works: published frames with their source beside each; answers built by pymodbus; answers fed whole, byte
by byte, with junk behind, and with each single bit flipped. Every frame's checksum is also computed by pymodbus.
"""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from drivers.modbus_frame import (
    Request,
    number,
    read_bits,
    read_registers,
    registers_of,
    write_coil,
    write_coils,
    write_register,
    write_registers,
)
from gateway.errors import ChecksumError, FrameError, RangeError, ReadError, Refused

GUIDE = "MODBUS Application Protocol V1.1b3, section 6 (from memory)"

# Each: who published the frame, our request, the frame.
REQUESTS = [
    ("bbs.21ic.com thread 162927", read_registers(unit=17, function=3, address=107, count=3), "11 03 006B 0003 7687"),
    (
        "test vectors of bert1020/mbserver",
        read_registers(unit=1, function=3, address=0, count=10),
        "01 03 0000 000A C5CD",
    ),
    (
        "test vectors of bert1020/mbserver",
        read_registers(unit=1, function=3, address=0, count=1),
        "01 03 0000 0001 840A",
    ),
    (
        "test vectors of bert1020/mbserver",
        read_registers(unit=1, function=4, address=0, count=1),
        "01 04 0000 0001 31CA",
    ),
    ("EE072 probe manual, p. 9", read_registers(unit=234, function=3, address=0x3EA, count=2), "EA 03 03EA 0002 F2A0"),
    ("checksum by pymodbus", read_registers(unit=1, function=4, address=1, count=2), "01 04 0001 0002 200B"),
    (
        "simplymodbus.ca FC01 (from memory)",
        read_bits(unit=17, function=1, address=19, count=37),
        "11 01 0013 0025 0E84",
    ),
    (
        "simplymodbus.ca FC02 (from memory)",
        read_bits(unit=17, function=2, address=196, count=22),
        "11 02 00C4 0016 BAA9",
    ),
    ("simplymodbus.ca FC05 (from memory)", write_coil(unit=17, address=172, on=True), "11 05 00AC FF00 4E8B"),
    ("checksum by pymodbus", write_coil(unit=1, address=0, on=True), "01 05 0000 FF00 8C3A"),
    ("checksum by pymodbus", write_coil(unit=1, address=0, on=False), "01 05 0000 0000 CDCA"),
    ("simplymodbus.ca FC06 (from memory)", write_register(unit=17, address=1, value=3), "11 06 0001 0003 9A9B"),
    (
        "simplymodbus.ca FC15",
        write_coils(unit=17, address=19, values=[bool(0x1CD >> n & 1) for n in range(10)]),
        "11 0F 0013 000A 02 CD01 BF0B",
    ),
    (
        "simplymodbus.ca FC16 (from memory)",
        write_registers(unit=17, address=1, values=[10, 258]),
        "11 10 0001 0002 04 000A 0102 C6F0",
    ),
]

# Each: who published the answer, the request, the answer, what it says.
ANSWERS = [
    (
        "test vectors of bert1020/mbserver",
        read_registers(unit=1, function=4, address=0, count=2),
        "01 04 04 0000 08E6 7DCE",
        (0, 0x8E6),
    ),
    (
        "layout of cheap transmitters",
        read_registers(unit=1, function=4, address=1, count=2),
        "01 04 04 FFCE 0258 AAF5",
        (0xFFCE, 600),
    ),
    (
        GUIDE + " 6.3",
        read_registers(unit=17, function=3, address=107, count=3),
        "11 03 06 022B 0000 0064 C8BA",
        (555, 0, 100),
    ),
    (
        "checksum by pymodbus; LSB first as in " + GUIDE,
        read_bits(unit=1, function=1, address=0, count=8),
        "01 01 01 05 918B",
        (True, False, True, False, False, False, False, False),
    ),
    (
        GUIDE + " 6.1: outputs 20-38 are CD 6B 05",
        read_bits(unit=17, function=1, address=19, count=19),
        "11 01 03 CD6B05 4012",
        tuple(digit == "1" for digit in "1011001111010110101"),
    ),
    ("simplymodbus.ca FC05 (from memory)", write_coil(unit=17, address=172, on=True), "11 05 00AC FF00 4E8B", None),
    ("simplymodbus.ca FC06 (from memory)", write_register(unit=17, address=1, value=3), "11 06 0001 0003 9A9B", None),
    ("simplymodbus.ca FC15", write_coils(unit=17, address=19, values=[True] * 10), "11 0F 0013 000A 2699", None),
    (
        "simplymodbus.ca FC16 (from memory)",
        write_registers(unit=17, address=1, values=[10, 258]),
        "11 10 0001 0002 1298",
        None,
    ),
]

# Codes: MODBUS Application Protocol V1.1b3, section 7, as vendors' manuals repeat them.
REFUSALS = [
    (read_registers(unit=1, function=4, address=1, count=2), "01 84 02 C2C1", 2, "illegal address"),
    (read_registers(unit=1, function=3, address=0, count=2), "01 83 0B 00F7", 11, "behind the gateway is silent"),
]

WITH_ANSWER = [(request, answer) for _, request, answer, _ in ANSWERS] + [
    (request, answer) for request, answer, _, _ in REFUSALS
]
words = st.integers(0, 0xFFFF)


def sealed(body: bytes) -> bytes:
    """`body` with the checksum that pymodbus computes."""
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def from_pymodbus(answer: ModbusPDU, unit: int) -> bytes:
    return sealed(bytes((unit, answer.function_code)) + answer.encode())


@pytest.mark.parametrize(("source", "request_", "frame"), REQUESTS)
def test_requests_are_the_published_bytes(source: str, request_: Request[Any], frame: str) -> None:
    assert request_.frame.hex() == bytes.fromhex(frame).hex(), source
    assert request_.frame == sealed(request_.frame[:-2])


@pytest.mark.parametrize(("source", "request_", "answer", "content"), ANSWERS)
def test_answers_are_read_as_published(source: str, request_: Request[Any], answer: str, content: Any) -> None:
    raw = bytes.fromhex(answer)
    assert raw == sealed(raw[:-2]), source
    assert request_.parse(raw) == content, source


@pytest.mark.parametrize(("request_", "answer", "code", "meaning"), REFUSALS)
def test_an_exception_is_a_refusal_with_its_meaning(
    request_: Request[Any], answer: str, code: int, meaning: str
) -> None:
    with pytest.raises(Refused, match=meaning) as caught:
        request_.parse(bytes.fromhex(answer))
    assert caught.value.code == code


def test_an_unknown_exception_code_is_still_a_refusal() -> None:
    with pytest.raises(Refused, match="unknown code"):
        read_bits(unit=1, function=1, address=0, count=1).parse(sealed(bytes((1, 0x81, 0x63))))


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_the_length_is_right_at_every_byte(request_: Request[Any], answer: str) -> None:
    raw = bytes.fromhex(answer)
    refused = raw[1] & 0x80
    for count in range(len(raw)):
        assert request_.length(raw[:count]) > count
        if count >= 2 or not refused:
            assert request_.length(raw[:count]) == len(raw)
    assert request_.length(raw) == len(raw)


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_a_part_of_an_answer_is_no_answer(request_: Request[Any], answer: str) -> None:
    raw = bytes.fromhex(answer)
    for count in range(len(raw)):
        with pytest.raises(FrameError) as caught:
            request_.parse(raw[:count])
        assert caught.value.raw == raw[:count]


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
@pytest.mark.parametrize("junk", ["00", "FF", "0000", "01 04 04 FFCE 0258 AAF5"])
def test_an_answer_with_junk_behind_it_is_refused(request_: Request[Any], answer: str, junk: str) -> None:
    with pytest.raises(FrameError):
        request_.parse(bytes.fromhex(answer) + bytes.fromhex(junk))


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_every_single_flipped_bit_is_refused(request_: Request[Any], answer: str) -> None:
    raw = bytes.fromhex(answer)
    for place in range(8 * len(raw)):
        flipped = (int.from_bytes(raw, "big") ^ 1 << place).to_bytes(len(raw), "big")
        with pytest.raises(FrameError):
            request_.parse(flipped)
        with pytest.raises(FrameError):  # as a wire collects it, which may stop earlier
            request_.parse(flipped[: request_.length(flipped)])


def test_a_wrong_checksum_says_both_sums() -> None:
    request = read_registers(unit=1, function=4, address=1, count=2)
    with pytest.raises(ChecksumError) as caught:
        request.parse(bytes.fromhex("01 04 04 FFCE 0258 AAF4"))
    assert (caught.value.received, caught.value.expected) == (0xF4AA, 0xF5AA)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("02 04 04 FFCE 0258", "unit 2 answered instead of unit 1"),
        ("01 03 04 FFCE 0258", "function 3 instead of 4"),
        ("01 04 02 FFCE", "begins otherwise"),
        ("01 04 06 FFCE 0258 0000", "begins otherwise"),
        ("01 04 0001 0002", "local echo"),
    ],
)
def test_a_sound_frame_that_answers_something_else_is_refused(answer: str, said: str) -> None:
    with pytest.raises(FrameError, match=said):
        read_registers(unit=1, function=4, address=1, count=2).parse(sealed(bytes.fromhex(answer)))


@pytest.mark.parametrize("answer", ["0A 05 0001 FF00", "0A 05 0000 0000"])
def test_a_write_whose_echo_names_another_coil_or_value_is_refused(answer: str) -> None:
    with pytest.raises(FrameError, match="begins otherwise"):
        write_coil(unit=10, address=0, on=True).parse(sealed(bytes.fromhex(answer)))


@given(st.integers(1, 247), st.sampled_from([3, 4]), st.integers(0, 0xFF00), st.lists(words, min_size=1, max_size=125))
def test_registers_built_by_pymodbus_come_back(unit: int, function: int, address: int, values: list[int]) -> None:
    answer = {3: ReadHoldingRegistersResponse, 4: ReadInputRegistersResponse}[function](registers=values)
    request = read_registers(unit=unit, function=function, address=address, count=len(values))
    assert request.parse(from_pymodbus(answer, unit)) == tuple(values)


@given(st.integers(1, 247), st.sampled_from([1, 2]), st.lists(st.booleans(), min_size=1, max_size=2000))
def test_bits_built_by_pymodbus_come_back(unit: int, function: int, values: list[bool]) -> None:
    answer = {1: ReadCoilsResponse, 2: ReadDiscreteInputsResponse}[function](bits=values)
    request = read_bits(unit=unit, function=function, address=0, count=len(values))
    assert request.parse(from_pymodbus(answer, unit)) == tuple(values)


@given(
    st.one_of(
        st.builds(read_registers, unit=st.just(9), function=st.sampled_from([3, 4]), address=words, count=st.just(1)),
        st.builds(read_bits, unit=st.just(9), function=st.sampled_from([1, 2]), address=words, count=st.just(1)),
        st.builds(write_coil, unit=st.just(9), address=words, on=st.booleans()),
        st.builds(write_register, unit=st.just(9), address=words, value=words),
        st.builds(
            write_coils, unit=st.just(9), address=st.just(7), values=st.lists(st.booleans(), min_size=1, max_size=1968)
        ),
        st.builds(
            write_registers, unit=st.just(9), address=st.just(7), values=st.lists(words, min_size=1, max_size=123)
        ),
    )
)
def test_pymodbus_understands_every_request(request_: Request[Any]) -> None:
    assert request_.frame == sealed(request_.frame[:-2])
    understood = DecodePDU(is_server=True).decode(request_.frame[1:-2])
    assert understood is not None
    assert bytes((understood.function_code,)) + understood.encode() == request_.frame[1:-2]


@given(st.binary(max_size=300))
def test_noise_is_never_taken_for_an_answer(noise: bytes) -> None:
    with pytest.raises(ReadError):
        read_registers(unit=1, function=4, address=1, count=2).parse(noise)


@pytest.mark.parametrize(
    ("words_", "kind", "low_first", "value", "source"),
    [
        ((0x7AE1, 0x41F4), "float32", True, 30.56, "probe manual M212287EN, p. 118"),
        ((0x41F4, 0x7AE1), "float32", False, 30.56, "the same, words swapped"),
        ((0xFFCE,), "int16", False, -50.0, "two's complement: -5.0 in tenths"),
        ((0xFFCE,), "uint16", False, 65486.0, "the same bits without a sign"),
        ((0x0258,), "int16", False, 600.0, "0258h = 600"),
        ((0xFFFF, 0xFFFE), "int32", False, -2.0, "two's complement"),
        ((0xFFFE, 0xFFFF), "int32", True, -2.0, "the same, words swapped"),
        ((0xFFFF, 0xFFFE), "uint32", False, 4294967294.0, "2^32 - 2"),
    ],
)
def test_numbers_are_read_as_published(
    words_: tuple[int, ...], kind: str, low_first: bool, value: float, source: str
) -> None:
    assert number(words_, kind=kind, low_first=low_first) == pytest.approx(value, abs=5e-6), source
    assert registers_of(kind) == len(words_)


@given(st.floats(width=32, allow_nan=False), st.booleans())
def test_a_float_survives_both_word_orders(value: float, low_first: bool) -> None:
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    assert number((low, high) if low_first else (high, low), kind="float32", low_first=low_first) == value


def test_a_float_that_is_no_number_stays_none() -> None:
    # IEEE 754-2008, 3.4: exponent all ones, fraction not zero.
    assert math.isnan(number((0x7FC0, 0), kind="float32", low_first=False))


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: read_registers(unit=0, function=3, address=0, count=1),  # nobody answers a broadcast
        lambda: read_registers(unit=248, function=3, address=0, count=1),
        lambda: read_registers(unit=1, function=3, address=-1, count=1),
        lambda: read_registers(unit=1, function=3, address=0xFFFF, count=2),
        lambda: read_registers(unit=1, function=3, address=0, count=126),
        lambda: read_registers(unit=1, function=1, address=0, count=1),
        lambda: read_bits(unit=1, function=3, address=0, count=1),
        lambda: read_bits(unit=1, function=1, address=0, count=2001),
        lambda: write_coils(unit=1, address=0, values=[]),
        lambda: write_coils(unit=1, address=0, values=[True] * 1969),
        lambda: write_registers(unit=1, address=0, values=[0] * 124),
        lambda: write_register(unit=1, address=0, value=0x10000),
    ],
)
def test_requests_outside_the_protocol_are_not_built(wrong: Any) -> None:
    with pytest.raises(RangeError):
        wrong()
