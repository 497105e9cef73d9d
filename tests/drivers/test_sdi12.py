"""Owns: checks of the words of SDI-12.

Must not know: ports.
How it works: answers and checksums that the standard prints, and answers written by hand after its grammar. Each is
fed whole, with junk before and behind, cut short, and, where it carries a checksum, with each single bit flipped.
"""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sdi12 import Promise, Question, crc16, crc_letters, is_request, is_sealed, page, start
from gateway.errors import ChecksumError, FrameError, ReadError

STANDARD = "SDI-12 version 1.4, section 4.4.12.3"

# What the standard prints as answers with a checksum, and their values.
SEALED = [
    (b"0+3.14OqZ", (3.14,)),
    (b"0+3.14+2.718+1.414Ipz", (3.14, 2.718, 1.414)),
    (b"0+3.14+2.718IWO", (3.14, 2.718)),
]


def sealed_page(*, most: int = 9) -> Question[tuple[float, ...]]:
    return page(address="0", number=0, sealed=True, most=most)


def plain_page(*, most: int = 9) -> Question[tuple[float, ...]]:
    return page(address="0", number=0, sealed=False, most=most)


# --- the checksum -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("line", "values"), SEALED)
def test_the_checksums_that_the_standard_prints(line: bytes, values: tuple[float, ...]) -> None:
    assert crc_letters(crc16(line[:-3])) == line[-3:]
    assert sealed_page().parse(line) == values


def test_the_check_value_of_this_checksum() -> None:
    # CRC-16/ARC of "123456789" is BB3D: catalogue of parametrised CRC algorithms (from memory).
    assert crc16(b"123456789") == 0xBB3D


@pytest.mark.parametrize(("line", "values"), SEALED)
def test_every_flipped_bit_is_refused(line: bytes, values: tuple[float, ...]) -> None:
    for at in range(8 * len(line)):
        bent = bytearray(line)
        bent[at // 8] ^= 1 << at % 8
        with pytest.raises(FrameError):
            sealed_page().parse(bytes(bent))


@pytest.mark.parametrize(("line", "values"), SEALED)
def test_a_sealed_answer_that_was_cut_short_or_has_junk_is_refused(line: bytes, values: tuple[float, ...]) -> None:
    cut = [line[:size] for size in range(len(line)) if size != 1]  # the address alone: the sensor has no data
    for bad in (*cut, b"x" + line, b"0" + line, line + b"x", line + b"\0"):
        with pytest.raises(FrameError):
            sealed_page().parse(bad)


def test_a_wrong_checksum_is_told_with_both_numbers() -> None:
    with pytest.raises(ChecksumError) as caught:
        sealed_page().parse(b"0+3.14OqY")
    # OqZ stands for FC5A by the standard's own table; Y is one less than Z.
    assert (caught.value.received, caught.value.expected) == (0xFC59, 0xFC5A)


# --- commands and promises ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "frame", "sealed"),
    [
        ("M", b"0M!", False),
        ("MC", b"0MC!", True),
        ("M3", b"0M3!", False),
        ("C", b"0C!", False),
        ("CC9", b"0CC9!", True),
    ],
)
def test_commands_as_the_standard_writes_them(command: str, frame: bytes, sealed: bool) -> None:
    assert start(address="0", command=command).frame == frame
    assert is_sealed(command) is sealed


def test_data_is_asked_for_page_by_page() -> None:
    assert [page(address="c", number=n, sealed=True, most=1).frame for n in (0, 9)] == [b"cD0!", b"cD9!"]


def test_a_promise_is_a_time_and_a_number_of_values() -> None:
    # "00132" to 0M!: two values within 13 s (table of commands in the standard); a C has two digits for the number.
    assert start(address="0", command="M").parse(b"00132") == Promise(wait_s=13, count=2)
    assert start(address="0", command="MC").parse(b"00132") == Promise(wait_s=13, count=2)
    assert start(address="0", command="CC").parse(b"099920") == Promise(wait_s=999, count=20)


@pytest.mark.parametrize("line", [b"", b"0", b"0013", b"001322", b"10132", b"0+132", b"00132 ", b"0013\xb2", b"x00132"])
def test_what_is_no_promise_is_refused(line: bytes) -> None:
    with pytest.raises(FrameError):
        start(address="0", command="M").parse(line)


def test_a_service_request_is_the_address_alone() -> None:
    assert is_request(b"0", address="0")
    assert not any(is_request(line, address="0") for line in (b"", b"1", b"00", b"0+1", b"0 "))


# --- values -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "values"),
    [
        (b"0+3.14", (3.14,)),
        (b"0+23.4-5", (23.4, -5.0)),
        (b"0-0.001+1234567", (-0.001, 1234567.0)),
        (b"0+.5-12.", (0.5, -12.0)),
        (b"0+123.4567", (123.4567,)),
        (b"0", ()),
    ],
)
def test_signs_part_the_values(line: bytes, values: tuple[float, ...]) -> None:
    assert plain_page().parse(line) == values


@pytest.mark.parametrize(
    "line",
    [
        *(b"", b"1+3.14", b"03.14", b"0+", b"0+.", b"0+3.14-", b"0+1.2.3", b"0+12345678", b"0+1234.5678", b"0+1e5"),
        *(b"0+nan", b"0+ 1", b"0++1", b"0+1\0", b"\x000+1", b"0+1+2\r", b"0+\xb1", b"!0+1"),
    ],
)
def test_what_is_no_row_of_values_is_refused(line: bytes) -> None:
    with pytest.raises(FrameError):
        plain_page().parse(line)


def test_more_values_than_promised_are_refused() -> None:
    assert plain_page(most=2).parse(b"0+1+2") == (1.0, 2.0)
    with pytest.raises(FrameError, match="promised were 2"):
        plain_page(most=2).parse(b"0+1+2+3")


@settings(max_examples=6000, deadline=None)
@given(st.one_of(st.binary(max_size=40), st.text("0+-.123456789eInapz", max_size=40).map(str.encode)))
def test_whatever_comes_gives_finite_numbers_or_a_read_error(line: bytes) -> None:
    for question in (plain_page(), sealed_page()):
        values: tuple[float, ...] = ()
        with suppress(ReadError):
            values = question.parse(line)
        assert all(abs(value) <= 9999999 for value in values)
    for command in ("M", "CC"):
        with suppress(ReadError):
            promise = start(address="0", command=command).parse(line)
            assert 0 <= promise.wait_s <= 999 and 0 <= promise.count <= 99


NUMBERS = st.lists(
    st.integers(-9999999, 9999999).flatmap(lambda n: st.integers(0, 6).map(lambda d: (n, d))), max_size=9
)


@settings(max_examples=500, deadline=None)
@given(NUMBERS)
def test_what_a_sensor_prints_is_what_is_read(numbers: list[tuple[int, int]]) -> None:
    printed = [f"{n:+}" if not d else f"{n / 10**d:+.{d}f}" for n, d in numbers]
    short = [text for text in printed if len(text.strip("+-").replace(".", "")) <= 7]
    body = ("0" + "".join(short)).encode()
    assert plain_page().parse(body) == tuple(float(text) for text in short)
    assert sealed_page().parse(body + crc_letters(crc16(body))) == tuple(float(text) for text in short)
