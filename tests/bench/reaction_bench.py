"""From the sensor's byte to the relay's byte on one line: how long heat takes to become air.

A real core process at the pace of a real barn reads four transmitters and writes a relay block behind a
pseudo-terminal. The far end is a process of its own: it holds each answer back until its bytes would have crossed the
wire, makes a place hot or cool at a moment of its own choice, and notes when the answer that said so had left and when
the command came.

The parts of the way: the next poll (up to `every_s`, before the first byte, so not in the figure), the bytes of the
answer on the wire, the next step (core steps once a second and polls at the beginning of a step, so an answer waits for
the step after it: 1 s less its own place in the round of polls), what is before the command on the line, and the bytes
of the command. What a step costs beside that is the figure less 1 s.
"""

from __future__ import annotations

import json
import os
import random
import select
import struct
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from drivers.crc import crc16_modbus

Row = tuple[str, str, str]  # what, measured, aim

BAUD, CHAR_BITS = 9600, 10  # 8N1
REQUEST_BYTES, AIR_BYTES, ECHO_BYTES, COIL_BYTES = 8, 9, 8, 6
PLACES, CHANGES, APART_S = 4, 60, 1.2
STEP_S = 1.0
BLOCK = 10
HOT, COOL = (350, 600), (150, 500)  # tenths of °C and %: every fan is wanted, none is
READ_COIL, READ_INPUTS, WRITE_COIL = 1, 4, 5
LONGEST_S = 180.0


def rows() -> list[Row]:
    """What was measured, the figure, the aim."""
    with tempfile.TemporaryDirectory() as folder:
        took_s = sorted(_measured(Path(folder)))
    wire_s = (AIR_BYTES + REQUEST_BYTES) * CHAR_BITS / BAUD
    what = f"sensor byte to relay byte, {PLACES} places on one line, {BAUD} baud, {len(took_s)} changes"
    found = (
        f"p50 {1e3 * _at(took_s, 0.5):.0f} ms, p99 {1e3 * _at(took_s, 0.99):.0f} ms; "
        f"of it the wait for the step up to {1e3 * STEP_S:.0f} ms, the bytes alone {1e3 * wire_s:.0f} ms"
    )
    return [(what, found, "one step, the bytes, and what is before them on the line")]


def main() -> None:
    print("reaction")
    for what, measured, aim in rows():
        print(f"  {what}: {measured} (aim: {aim})")


def _at(ordered: list[float], share: float) -> float:
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def _measured(folder: Path) -> list[float]:
    """Seconds from each answer that told a change to the command that followed, both with their bytes on the wire."""
    far, near = os.openpty()
    tty.setraw(near)
    (folder / "barn.toml").write_text(_site(os.ttyname(near)))
    far_end = [sys.executable, "-m", "tests.bench.reaction_bench", str(far)]
    core = [sys.executable, "-m", "gateway.cli", "core", str(folder / "barn.toml")]
    with subprocess.Popen(far_end, pass_fds=[far], stdout=subprocess.PIPE, text=True) as line:
        assert line.stdout is not None
        line.stdout.readline()  # it listens
        with (folder / "log").open("w") as log, subprocess.Popen(core, stderr=log) as process:
            try:
                told = line.stdout.readline()
            finally:
                process.terminate()
                process.wait(20)
                line.terminate()
    os.close(far)
    os.close(near)
    found: list[float] = json.loads(told or "[]")
    if len(found) < CHANGES:
        raise RuntimeError(f"{len(found)} of {CHANGES} changes were answered within {LONGEST_S:g} s")
    return found


def _site(port: str) -> str:
    """An invented barn whose fans may switch as often as the bench likes."""
    return f"""
        [barn]
        name = "Stopwatch"
        zone = "America/New_York"
        altitude_m = 0
        [posts]
        hold_s = 0
        [safety]
        stagger_s = 1
        [[buses]]
        name = "line"
        kind = "serial"
        port = "{port}"
        baud = {BAUD}
        parity = "none"
        answer_within_s = 1
        [[relays]]
        name = "block"
        bus = "line"
        kind = "modbus-coils"
        unit = {BLOCK}
        base = 0
        refresh_s = 60
        [history]
        file = "history.db"
        [link]
        socket = "link.sock"
        """ + "".join(map(_place, range(PLACES)))


def _place(number: int) -> str:
    return f"""
        [[places]]
        name = "row-{number}"
        kind = "standing"
        [[sensors]]
        name = "air-{number}"
        place = "row-{number}"
        bus = "line"
        kind = "modbus-registers"
        every_s = 1
        unit = {number + 1}
        function = 4
        base = 0
        temp = {{ register = 0, type = "int16", scale = 0.1 }}
        rh = {{ register = 1, type = "uint16", scale = 0.1 }}
        [[kit]]
        name = "fan-{number}"
        place = "row-{number}"
        kind = "fan"
        relay = "block"
        coil = {number}
        contact = "normally-closed"
        min_on_s = 0
        min_off_s = 0
        starts_per_h = 60
        """


class _FarEnd:
    """Four transmitters and a relay block. A place has one change at a time on its way."""

    def __init__(self, far: int) -> None:
        self._far, self._chance = far, random.Random(1)
        self._hot, self._coils = [False] * PLACES, [0] * PLACES
        self._untold: dict[int, bool] = {}  # a place whose change no answer has told yet
        self._told_s: dict[int, float] = {}  # when the answer had crossed the wire
        self._next_s, self._turn = 0.0, 0
        self.took_s: list[float] = []

    def serve(self) -> None:
        heard, end_s = b"", time.monotonic() + LONGEST_S
        while len(self.took_s) < CHANGES and time.monotonic() < end_s:
            self._change(time.monotonic())
            if not select.select([self._far], [], [], 0.05)[0]:
                continue
            heard += os.read(self._far, 64)
            if len(heard) >= REQUEST_BYTES:
                self._answer(heard[:REQUEST_BYTES], time.monotonic())
                heard = b""

    def _change(self, now_s: float) -> None:
        """In turn a place becomes hot and the one before it cool: two fans never start within one stagger."""
        if not self._next_s:
            if all(self._coils):  # in cool air every fan is held off: core has settled
                self._next_s = now_s + APART_S
            return
        rank, cools = divmod(self._turn, 2)
        place = (rank - cools) % PLACES
        if now_s < self._next_s or place in self._untold or place in self._told_s:
            return
        self._turn += 1
        if self._hot[place] == bool(cools):
            self._next_s = now_s + APART_S * self._chance.uniform(1.0, 1.5)
            self._hot[place] = self._untold[place] = not cools

    def _answer(self, request: bytes, begun_s: float) -> None:
        unit, function, address = request[0], request[1], int.from_bytes(request[2:4], "big")
        if unit == BLOCK and function == WRITE_COIL:
            self._write(address, int(request[4] == 0xFF), begun_s)
            self._send(request[:-2], begun_s, ECHO_BYTES)
        elif unit == BLOCK and function == READ_COIL:
            self._send(bytes((unit, function, 1, self._coils[address])), begun_s, COIL_BYTES)
        elif function == READ_INPUTS:
            place = unit - 1
            body = struct.pack(">BBBHH", unit, function, 4, *(HOT if self._hot[place] else COOL))
            self._send(body, begun_s, AIR_BYTES)
            if self._untold.pop(place, None) is not None:
                # Its first byte left one answer's time before its last.
                self._told_s[place] = time.monotonic() - AIR_BYTES * CHAR_BITS / BAUD

    def _write(self, place: int, coil: int, now_s: float) -> None:
        """The request came in one piece: on a wire its last byte would have been there later."""
        self._coils[place] = coil
        wanted = int(not self._hot[place])  # an energised coil holds the fan off
        if place in self._told_s and coil == wanted:
            self.took_s.append(now_s + REQUEST_BYTES * CHAR_BITS / BAUD - self._told_s.pop(place))

    def _send(self, body: bytes, begun_s: float, size: int) -> None:
        until_s = begun_s + (REQUEST_BYTES + size) * CHAR_BITS / BAUD
        while (left_s := until_s - time.monotonic()) > 0:
            time.sleep(left_s)
        os.write(self._far, body + struct.pack("<H", crc16_modbus(body)))


def _run_far_end(far: int) -> None:
    os.sched_setaffinity(0, range(os.cpu_count() or 1))  # a transmitter does not use our processor
    print("listens", flush=True)
    end = _FarEnd(far)
    end.serve()
    print(json.dumps(end.took_s), flush=True)


if __name__ == "__main__":
    if len(sys.argv) == 2:
        _run_far_end(int(sys.argv[1]))
    else:
        main()
