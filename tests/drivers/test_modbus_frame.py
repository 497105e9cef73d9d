"""Owns: checks of the Modbus codec, in both frames.

Must not know: ports.
How it works: published frames with their source beside each; answers built by pymodbus; answers fed whole, byte
by byte, with junk before and behind, and with each single bit flipped. Every frame is also made by pymodbus.
"""

from __future__ import annotations

import math
import struct
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from drivers.modbus_frame import RtuFrame, TcpFrame
from drivers.modbus_pdu import (
    Request,
    TargetSilent,
    number,
    read_bits,
    read_registers,
    registers_of,
    write_coil,
    write_coils,
    write_register,
    write_registers,
)
from gateway.errors import BusTimeout, ChecksumError, FrameError, RangeError, ReadError, Refused

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
    (read_registers(unit=1, function=3, address=0, count=2), "01 83 06 C132", 6, "busy"),
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
    sent = RtuFrame(request_).frame
    assert sent.hex() == bytes.fromhex(frame).hex(), source
    assert sent == sealed(sent[:-2])


@pytest.mark.parametrize(("source", "request_", "answer", "content"), ANSWERS)
def test_answers_are_read_as_published(source: str, request_: Request[Any], answer: str, content: Any) -> None:
    raw = bytes.fromhex(answer)
    assert raw == sealed(raw[:-2]), source
    assert RtuFrame(request_).parse(raw) == content, source


@pytest.mark.parametrize(("request_", "answer", "code", "meaning"), REFUSALS)
def test_an_exception_is_a_refusal_with_its_meaning(
    request_: Request[Any], answer: str, code: int, meaning: str
) -> None:
    with pytest.raises(Refused, match=meaning) as caught:
        RtuFrame(request_).parse(bytes.fromhex(answer))
    assert caught.value.code == code


def test_a_gateway_whose_device_is_silent_is_a_lost_device_and_no_refusal() -> None:
    # MODBUS Application Protocol V1.1b3, section 7, code 0B: "usually means that the device is not present".
    request = read_registers(unit=1, function=3, address=0, count=2)
    with pytest.raises(TargetSilent) as caught:
        RtuFrame(request).parse(bytes.fromhex("01 83 0B 00F7"))
    assert isinstance(caught.value, BusTimeout)
    assert caught.value.quality == "silent"


def test_an_unknown_exception_code_is_still_a_refusal() -> None:
    with pytest.raises(Refused, match="unknown code"):
        RtuFrame(read_bits(unit=1, function=1, address=0, count=1)).parse(sealed(bytes((1, 0x81, 0x63))))


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_the_length_is_right_at_every_byte(request_: Request[Any], answer: str) -> None:
    raw = bytes.fromhex(answer)
    refused = raw[1] & 0x80
    frame = RtuFrame(request_)
    for count in range(len(raw)):
        assert frame.length(raw[:count]) > count
        if count >= 2 or not refused:
            assert frame.length(raw[:count]) == len(raw)
    assert frame.length(raw) == len(raw)


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_a_part_of_an_answer_is_no_answer(request_: Request[Any], answer: str) -> None:
    raw = bytes.fromhex(answer)
    for count in range(len(raw)):
        with pytest.raises(FrameError) as caught:
            RtuFrame(request_).parse(raw[:count])
        assert caught.value.raw == raw[:count]


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
@pytest.mark.parametrize("junk", ["00", "FF", "0000", "01 04 04 FFCE 0258 AAF5"])
def test_an_answer_with_junk_before_or_behind_it_is_refused(request_: Request[Any], answer: str, junk: str) -> None:
    for raw in (bytes.fromhex(answer) + bytes.fromhex(junk), bytes.fromhex(junk) + bytes.fromhex(answer)):
        with pytest.raises(FrameError):
            RtuFrame(request_).parse(raw)


@pytest.mark.parametrize(("request_", "answer"), WITH_ANSWER)
def test_every_single_flipped_bit_is_refused(request_: Request[Any], answer: str) -> None:
    raw, frame = bytes.fromhex(answer), RtuFrame(request_)
    for place in range(8 * len(raw)):
        flipped = (int.from_bytes(raw, "big") ^ 1 << place).to_bytes(len(raw), "big")
        with pytest.raises(FrameError):
            frame.parse(flipped)
        with pytest.raises(FrameError):  # as a wire collects it, which may stop earlier
            frame.parse(flipped[: frame.length(flipped)])


def test_a_wrong_checksum_says_both_sums() -> None:
    request = read_registers(unit=1, function=4, address=1, count=2)
    with pytest.raises(ChecksumError) as caught:
        RtuFrame(request).parse(bytes.fromhex("01 04 04 FFCE 0258 AAF4"))
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
        RtuFrame(read_registers(unit=1, function=4, address=1, count=2)).parse(sealed(bytes.fromhex(answer)))


@pytest.mark.parametrize("answer", ["0A 05 0001 FF00", "0A 05 0000 0000"])
def test_a_write_whose_echo_names_another_coil_or_value_is_refused(answer: str) -> None:
    with pytest.raises(FrameError, match="begins otherwise"):
        RtuFrame(write_coil(unit=10, address=0, on=True)).parse(sealed(bytes.fromhex(answer)))


@given(st.integers(1, 247), st.sampled_from([3, 4]), st.integers(0, 0xFF00), st.lists(words, min_size=1, max_size=125))
def test_registers_built_by_pymodbus_come_back(unit: int, function: int, address: int, values: list[int]) -> None:
    answer = {3: ReadHoldingRegistersResponse, 4: ReadInputRegistersResponse}[function](registers=values)
    request = read_registers(unit=unit, function=function, address=address, count=len(values))
    assert RtuFrame(request).parse(from_pymodbus(answer, unit)) == tuple(values)
    assert TcpFrame(request, 7).parse(over_tcp(answer, unit, 7)) == tuple(values)


@given(st.integers(1, 247), st.sampled_from([1, 2]), st.lists(st.booleans(), min_size=1, max_size=2000))
def test_bits_built_by_pymodbus_come_back(unit: int, function: int, values: list[bool]) -> None:
    answer = {1: ReadCoilsResponse, 2: ReadDiscreteInputsResponse}[function](bits=values)
    request = read_bits(unit=unit, function=function, address=0, count=len(values))
    assert RtuFrame(request).parse(from_pymodbus(answer, unit)) == tuple(values)
    assert TcpFrame(request, 7).parse(over_tcp(answer, unit, 7)) == tuple(values)


REQUESTED = st.one_of(
    st.builds(read_registers, unit=st.just(9), function=st.sampled_from([3, 4]), address=words, count=st.just(1)),
    st.builds(read_bits, unit=st.just(9), function=st.sampled_from([1, 2]), address=words, count=st.just(1)),
    st.builds(write_coil, unit=st.just(9), address=words, on=st.booleans()),
    st.builds(write_register, unit=st.just(9), address=words, value=words),
    st.builds(
        write_coils, unit=st.just(9), address=st.just(7), values=st.lists(st.booleans(), min_size=1, max_size=1968)
    ),
    st.builds(write_registers, unit=st.just(9), address=st.just(7), values=st.lists(words, min_size=1, max_size=123)),
)


@given(REQUESTED, words)
def test_pymodbus_understands_every_request(request_: Request[Any], transaction: int) -> None:
    sent = RtuFrame(request_).frame
    assert sent == sealed(sent[:-2])
    understood = DecodePDU(is_server=True).decode(request_.pdu)
    assert understood is not None
    assert bytes((understood.function_code,)) + understood.encode() == request_.pdu
    used, unit, found, pdu = FramerSocket(DecodePDU(is_server=True)).decode(TcpFrame(request_, transaction).frame)
    assert (used, unit, found, pdu) == (len(request_.pdu) + 7, request_.unit, transaction, request_.pdu)


fuzz = settings(max_examples=4000, deadline=None)  # about 6 s


@fuzz
@given(st.binary(max_size=40), REQUESTED)
def test_noise_is_never_taken_for_an_answer_and_never_breaks_the_codec(noise: bytes, request_: Request[Any]) -> None:
    for frame in (RtuFrame(request_), TcpFrame(request_, 7)):
        assert frame.length(noise) >= 0
        with pytest.raises(ReadError):
            frame.parse(noise)


@fuzz
@given(st.binary(max_size=40), REQUESTED)
def test_noise_in_a_sound_frame_is_an_answer_or_a_read_error(noise: bytes, request_: Request[Any]) -> None:
    pdu = request_.head[:1] + noise
    with suppress(ReadError):
        RtuFrame(request_).parse(sealed(bytes((request_.unit,)) + pdu))
    with suppress(ReadError):
        TcpFrame(request_, 7).parse(struct.pack(">HHHB", 7, 0, len(pdu) + 1, request_.unit) + pdu)


# --- TCP ----------------------------------------------------------------------------------------------

# Transaction 0001, unit 11, register 107 of 3: the answers of the guide's example in the header that
# MODBUS Messaging on TCP/IP V1.0b, section 3.1.3, describes (from memory).
TCP_REQUEST = read_registers(unit=17, function=3, address=107, count=3)
TCP_ANSWER = bytes.fromhex("0001 0000 0009 11 03 06 022B 0000 0064")


def over_tcp(answer: ModbusPDU, unit: int, transaction: int) -> bytes:
    answer.dev_id, answer.transaction_id = unit, transaction
    return FramerSocket(DecodePDU(is_server=False)).buildFrame(answer)


def test_a_request_over_tcp_is_the_published_bytes() -> None:
    assert TcpFrame(TCP_REQUEST, 1).frame.hex() == bytes.fromhex("0001 0000 0006 11 03 006B 0003").hex()
    assert TcpFrame(TCP_REQUEST, 1).parse(TCP_ANSWER) == (555, 0, 100)


def test_the_length_over_tcp_is_right_at_every_byte() -> None:
    frame = TcpFrame(TCP_REQUEST, 1)
    for count in range(len(TCP_ANSWER)):
        assert frame.length(TCP_ANSWER[:count]) > count
        assert count < 6 or frame.length(TCP_ANSWER[:count]) == len(TCP_ANSWER)
        with pytest.raises(FrameError):
            frame.parse(TCP_ANSWER[:count])


def test_junk_before_or_behind_an_answer_over_tcp_is_refused() -> None:
    for raw in (b"\0" + TCP_ANSWER, TCP_ANSWER + b"\0", TCP_ANSWER + TCP_ANSWER):
        with pytest.raises(FrameError):
            TcpFrame(TCP_REQUEST, 1).parse(raw)


def test_every_flipped_bit_of_header_function_and_byte_count_is_refused() -> None:
    """The data behind them has no checksum over TCP: the network below has its own."""
    for place in range(8 * 9):
        flipped = bytearray(TCP_ANSWER)
        flipped[place // 8] ^= 1 << place % 8
        with pytest.raises(ReadError):
            TcpFrame(TCP_REQUEST, 1).parse(bytes(flipped))


def test_no_length_in_a_header_makes_a_wire_wait_for_more_than_a_frame_can_hold() -> None:
    # 253 bytes: MODBUS Application Protocol V1.1b3, section 4.1.
    for length in (0, 1, 2, 255, 0xFFFF):
        header = struct.pack(">HHHB", 1, 0, length, 17)
        assert TcpFrame(TCP_REQUEST, 1).length(header) == len(header)


def test_an_exception_over_tcp_is_a_refusal_or_a_silent_device() -> None:
    with pytest.raises(Refused, match="illegal address"):
        TcpFrame(TCP_REQUEST, 1).parse(bytes.fromhex("0001 0000 0003 11 83 02"))
    with pytest.raises(TargetSilent):
        TcpFrame(TCP_REQUEST, 1).parse(bytes.fromhex("0001 0000 0003 11 83 0B"))


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
