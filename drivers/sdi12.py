"""Owns: the words of SDI-12: what is asked of a sensor, and what its answers say.

Must not know: ports, breaks, waiting, what a value means.
How it works: a `Question` is one command as a value, with a pure `parse` of the answer's line (without CR LF). A
measurement is asked for (`start`), which promises a number of values within a time, and its values are then fetched
page by page (`page`). Whoever answers says its address first; after MC and CC each page ends with a checksum.
Rules: "SDI-12, A Serial-Digital Interface Standard for Microprocessor-Based Sensors", version 1.4, sections 4.4
(commands and answers) and 4.4.12 (checksum).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final, Generic, TypeVar

from gateway.errors import ChecksumError, FrameError

T_co = TypeVar("T_co", covariant=True)

PAGES: Final = 10  # D0 to D9
LONGEST_LINE: Final = 1 + 75 + 3  # address, values, checksum

# A sign, then at most seven digits with or without a point.
_VALUE: Final = re.compile(rb"[+-](?=[0-9.]{1,8}(?:[+-]|\Z))(?:[0-9]*\.[0-9]+|[0-9]{1,7}\.?)")
_VALUES: Final = re.compile(rb"(?:%s)*" % _VALUE.pattern)
_CRC_LETTERS: Final = 3
_POLYNOMIAL: Final = 0xA001


@dataclass(frozen=True, slots=True, kw_only=True)
class Question(Generic[T_co]):
    """One command, and what its answer means. `parse` raises FrameError."""

    what: str
    frame: bytes
    parse: Callable[[bytes], T_co]


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """So many values, within so many seconds."""

    wait_s: int
    count: int


def start(*, address: str, command: str) -> Question[Promise]:
    """Begin a measurement: command "M", "MC", "C" or "CC", perhaps with a digit."""
    digits = 2 if command.startswith("C") else 1
    frame = f"{address}{command}!"
    return Question(what=f"SDI-12 {frame}", frame=frame.encode(), parse=partial(_promise, address.encode(), digits))


def page(*, address: str, number: int, sealed: bool, most: int) -> Question[tuple[float, ...]]:
    """Fetch a page of the values of the last measurement; no values on it: there are no more."""
    frame = f"{address}D{number}!"
    parse = partial(_values, address.encode(), sealed, most)
    return Question(what=f"SDI-12 {frame}", frame=frame.encode(), parse=parse)


def is_sealed(command: str) -> bool:
    """Whether the pages of this measurement carry a checksum."""
    return command[1:2] == "C"


def is_request(line: bytes, *, address: str) -> bool:
    """Whether a line is the service request of a sensor: it has measured before its time was over."""
    return line == address.encode()


def crc16(data: bytes) -> int:
    """CRC-16 with start 0 and the reflected polynomial A001."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ _POLYNOMIAL if crc & 1 else crc >> 1
    return crc


def crc_letters(crc: int) -> bytes:
    """A checksum as it goes over the line: 4, 6 and 6 bits in three letters."""
    return bytes((0x40 | crc >> 12, 0x40 | crc >> 6 & 0x3F, 0x40 | crc & 0x3F))


def _promise(address: bytes, digits: int, line: bytes) -> Promise:
    body = _answer_of(address, line)
    if not re.fullmatch(rb"[0-9]{%d}" % (3 + digits), body):
        raise FrameError("not a time and a number of values", line)
    return Promise(wait_s=int(body[:3]), count=int(body[3:]))


def _values(address: bytes, sealed: bool, most: int, line: bytes) -> tuple[float, ...]:
    if line == address:  # some sensors leave out the checksum when they have no data
        return ()
    body = _answer_of(address, _unsealed(line) if sealed else line)
    if not _VALUES.fullmatch(body):
        raise FrameError("not a row of signed numbers", line)
    values = tuple(float(value) for value in _VALUE.findall(body))
    if len(values) > most:
        raise FrameError(f"{len(values)} values, promised were {most}", line)
    return values


def _unsealed(line: bytes) -> bytes:
    body, letters = line[:-_CRC_LETTERS], line[-_CRC_LETTERS:]
    right = crc16(body)
    if letters != crc_letters(right):
        raise ChecksumError(_number_of(letters), right, line)
    return body


def _number_of(letters: bytes) -> int:
    return sum((letter & 0x3F) << 6 * at for at, letter in enumerate(reversed(letters)))


def _answer_of(address: bytes, line: bytes) -> bytes:
    if not line.startswith(address):
        raise FrameError(f"another one answered, not {address.decode()}", line)
    return line[len(address) :]
