"""Owns: one unit on an emulated line, as a function of a request: its registers, inputs, coils and its watchdog.

Must not know: ports, threads, zones, faults of the wire, what a number means.
How it works: four tables, as the standard has them: coils, discrete inputs, holding and input registers. `answer`
takes the function and data of one request and returns those of the reply; what the unit does not do comes back as an
exception reply with its code. Outputs start released, and fall back to that when nobody wrote for the watchdog's time.
Everything that the site file puts at one address shares one unit.
Rules: "MODBUS Application Protocol V1.1b3" (2012), sections 6 and 7.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import Final

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3

COILS, INPUTS, HOLDING, INPUT_REGISTERS = 1, 2, 3, 4  # tables, by the function that reads them
_BITS: Final = (COILS, INPUTS)
_WRITES: Final = {5: COILS, 15: COILS, 6: HOLDING, 16: HOLDING}
_MOST_READ: Final = {COILS: 2000, INPUTS: 2000, HOLDING: 125, INPUT_REGISTERS: 125}
_MOST_WRITTEN: Final = {COILS: 1968, HOLDING: 123}

WATCHDOG_S: Final = 30
LONGEST_WATCHDOG_S: Final = 3600

Place = tuple[int, int]  # table, address


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """What can be written: what it falls back to, and the highest value that it takes."""

    released: int
    highest: int


@dataclass(slots=True, kw_only=True)
class Watchdog:
    """A holding register with the time without a write after which outputs fall back; 0 is never."""

    address: int
    per_second: float = 1.0
    stubborn: bool = False  # answers a write and keeps 0


@dataclass(slots=True, kw_only=True)
class Unit:
    """One address. Its functions may be called by one thread at a time. A place in `deaf` does not follow."""

    written_s: float
    names: list[str] = field(default_factory=list)
    deaf: frozenset[Place] = frozenset()
    watchdog: Watchdog | None = None
    _cells: dict[int, dict[int, int]] = field(default_factory=lambda: {1: {}, 2: {}, 3: {}, 4: {}})
    _outputs: dict[Place, Output] = field(default_factory=dict)

    def add_output(self, table: int, address: int, output: Output) -> None:
        self._outputs[table, address] = output
        self._cells[table][address] = output.released

    def add_watchdog(self, watchdog: Watchdog) -> None:
        self.watchdog = watchdog
        self._cells[HOLDING][watchdog.address] = round(WATCHDOG_S * watchdog.per_second)

    def put(self, table: int, address: int, value: int) -> None:
        """What the unit measures, from inside."""
        self._cells[table][address] = value

    def held(self, table: int, address: int, now_s: float) -> int:
        """What an output holds."""
        self._watch(now_s)
        return self._cells[table][address]

    def answer(self, pdu: bytes, now_s: float) -> bytes:
        self._watch(now_s)
        function = pdu[0]
        if function in _WRITES and self._takes(_WRITES[function]):
            return self._written(pdu, now_s)
        if self._cells.get(function):
            return self._read(pdu)
        return _refusal(function, ILLEGAL_FUNCTION)

    def _takes(self, table: int) -> bool:
        """Whether anything of a table can be written."""
        return (table == HOLDING and self.watchdog is not None) or any(own == table for own, _ in self._outputs)

    def _watch(self, now_s: float) -> None:
        if self.watchdog is None:
            return
        limit_s = self._cells[HOLDING][self.watchdog.address] / self.watchdog.per_second
        if limit_s and now_s - self.written_s >= limit_s:
            for (table, address), output in self._outputs.items():
                self._cells[table][address] = output.released

    def _read(self, pdu: bytes) -> bytes:
        table = pdu[0]
        if len(pdu) != 5:
            return _refusal(table, ILLEGAL_VALUE)
        start, count = struct.unpack(">HH", pdu[1:])
        if not 1 <= count <= _MOST_READ[table]:
            return _refusal(table, ILLEGAL_VALUE)
        cells = self._cells[table]
        if start < min(cells) or start + count - 1 > max(cells):
            return _refusal(table, ILLEGAL_ADDRESS)
        values = [cells.get(address, 0) for address in range(start, start + count)]  # gaps read as zero
        if table in _BITS:
            bits = sum(bit << at for at, bit in enumerate(values))
            data = bits.to_bytes((count + 7) // 8, "little")
        else:
            data = struct.pack(f">{count}H", *values)
        return bytes((table, len(data))) + data

    def _written(self, pdu: bytes, now_s: float) -> bytes:
        values = _values(pdu)
        if values is None:
            return _refusal(pdu[0], ILLEGAL_VALUE)
        table, start = _WRITES[pdu[0]], int.from_bytes(pdu[1:3], "big")
        places = [(table, start + at) for at in range(len(values))]
        for place, value in zip(places, values, strict=True):
            if code := self._trouble(place, value):
                return _refusal(pdu[0], code)
        for place, value in zip(places, values, strict=True):
            self._store(place, value)
        self.written_s = now_s
        return pdu[:5]

    def _trouble(self, place: Place, value: int) -> int:
        output, watchdog = self._outputs.get(place), self.watchdog
        if output:
            return ILLEGAL_VALUE if value > output.highest else 0
        if watchdog and place == (HOLDING, watchdog.address):
            return ILLEGAL_VALUE if value > LONGEST_WATCHDOG_S * watchdog.per_second else 0
        return ILLEGAL_ADDRESS

    def _store(self, place: Place, value: int) -> None:
        table, address = place
        if self.watchdog and self.watchdog.stubborn and place == (HOLDING, self.watchdog.address):
            value = 0
        if place not in self.deaf:
            self._cells[table][address] = value


def _refusal(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))


def _values(pdu: bytes) -> list[int] | None:
    """What a write writes; None when it has another form than the standard's."""
    function, table = pdu[0], _WRITES[pdu[0]]
    if len(pdu) < 5:
        return None
    number = int.from_bytes(pdu[3:5], "big")
    if function == 5:
        return [int(number == 0xFF00)] if len(pdu) == 5 and number in (0x0000, 0xFF00) else None
    if function == 6:
        return [number] if len(pdu) == 5 else None
    size = (number + 7) // 8 if table == COILS else 2 * number
    if not 1 <= number <= _MOST_WRITTEN[table] or len(pdu) != 6 + size or pdu[5] != size:
        return None
    if table == HOLDING:
        return list(struct.unpack(f">{number}H", pdu[6:]))
    bits = int.from_bytes(pdu[6:], "little")
    return [bits >> at & 1 for at in range(number)]
