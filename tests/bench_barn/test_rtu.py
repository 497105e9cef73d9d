"""Requests out of a stream of bytes, however they come, with noise before and between."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from drivers.bench.rtu import Ear, Request, crc16, sealed
from tests.bench_barn.rig import patient

units = st.integers(1, 247)
fixed = st.builds(lambda f, data: bytes((f,)) + data, st.integers(1, 6), st.binary(min_size=4, max_size=4))
many = st.builds(
    lambda f, head, data: bytes((f,)) + head + bytes((len(data),)) + data,
    st.sampled_from((15, 16)),
    st.binary(min_size=4, max_size=4),
    st.binary(min_size=1, max_size=246),
)
requests = st.builds(Request, unit=units, pdu=st.one_of(fixed, many))


@given(st.binary(min_size=1, max_size=256))
@patient
def test_checksum_is_that_of_an_independent_library(data: bytes) -> None:
    # pymodbus returns it with the bytes in the order of the line
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(
    "frame",
    [
        "11 05 00 AC FF 00 4E 8B",
        "11 0F 00 13 00 0A 02 CD 01 BF 0B",  # both: Modbus documentation's classic examples, from memory
    ],
)
def test_published_frames_are_heard(frame: str) -> None:
    raw = bytes.fromhex(frame)
    assert Ear().feed(raw) == (Request(unit=raw[0], pdu=raw[1:-2]),)


@given(st.lists(requests, min_size=1, max_size=4), st.data())
@patient
def test_cutting_the_stream_anywhere_changes_nothing(wanted: list[Request], data: st.DataObject) -> None:
    stream = b"".join(sealed(request.unit, request.pdu) for request in wanted)
    ear, heard = Ear(), list[Request]()
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        heard += ear.feed(stream[:size])
        stream = stream[size:]
    assert heard == wanted


@given(noise=st.binary(max_size=40), wanted=requests)
@patient
def test_request_after_noise_is_heard_at_the_latest_after_the_silence(noise: bytes, wanted: Request) -> None:
    ear = Ear()
    heard = ear.feed(noise + sealed(wanted.unit, wanted.pdu)) + ear.gap()
    assert wanted in heard


@given(noise=st.binary(max_size=300), wanted=requests)
@patient
def test_silence_after_noise_gives_a_fresh_start(noise: bytes, wanted: Request) -> None:
    ear = Ear()
    ear.feed(noise)
    ear.gap()
    assert ear.feed(sealed(wanted.unit, wanted.pdu)) == (wanted,)


@given(wanted=requests, data=st.data())
@patient
def test_one_flipped_bit_is_never_a_request(wanted: Request, data: st.DataObject) -> None:
    frame = bytearray(sealed(wanted.unit, wanted.pdu))
    at = data.draw(st.integers(0, 8 * len(frame) - 1))
    frame[at // 8] ^= 1 << at % 8
    ear = Ear()
    # A checksum of 16 bits always sees one flipped bit; the tail alone passes by chance once in 65,536 starts.
    assert wanted not in ear.feed(bytes(frame)) + ear.gap()


@given(unit=units, function=st.sampled_from((7, 20, 43, 65)), data=st.binary(max_size=20))
@patient
def test_unknown_function_is_heard_at_the_silence(unit: int, function: int, data: bytes) -> None:
    ear = Ear()
    pdu = bytes((function,)) + data
    assert ear.feed(sealed(unit, pdu)) == ()
    assert Request(unit=unit, pdu=pdu) in ear.gap()
