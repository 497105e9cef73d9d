"""Owns: the far ends of serial lines in tests, on real pseudo-terminals.

Must not know: any driver of this project; the independent device is pymodbus.
How it works: `Pty` is a port that can vanish and return under one name. `Peer` is a far end whose answers the
test scripts, with delays. `Slave` is pymodbus' own serial server behind two ports and a thread that copies
bytes between them.
"""

from __future__ import annotations

import asyncio
import os
import select
import threading
import time
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

HANG_UP = b""  # in a script: the port vanishes
REQUEST_BYTES = 8  # every Modbus request that these tests send

Script = Callable[[bytes], list[tuple[float, bytes]]]


class Pty:
    """A serial port under a fixed name. Vanishing hangs it up, as unplugging an adapter does."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.appear()

    def appear(self) -> None:
        self.far, self.near = os.openpty()  # the near end is held so that a client may come and go
        tty.setraw(self.near)
        self.name = os.ttyname(self.near)
        self.link.symlink_to(self.name)

    def vanish(self) -> None:
        self.link.unlink(missing_ok=True)
        for end in (self.far, self.near):
            os.close(end)


class Peer:
    """A far end that answers each request by `script`: pairs of a delay after the request and bytes."""

    def __init__(self, pty: Pty, script: Script, *, request_bytes: int = REQUEST_BYTES) -> None:
        self._pty, self.script, self._request_bytes = pty, script, request_bytes
        self.requests: list[tuple[float, bytes]] = []
        self._due: list[tuple[float, bytes]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        got = b""
        while not self._stop.is_set():
            wait_s = min([0.01, *(max(0.0, due_s - time.monotonic()) for due_s, _ in self._due)])
            if select.select([self._pty.far], [], [], wait_s)[0]:
                got += os.read(self._pty.far, 256)
            while len(got) >= self._request_bytes:
                request, got = got[: self._request_bytes], got[self._request_bytes :]
                now_s = time.monotonic()
                self.requests.append((now_s, request))
                self._due += [(now_s + delay_s, data) for delay_s, data in self.script(request)]
            self._send_due()

    def _send_due(self) -> None:
        now_s = time.monotonic()
        for item in [item for item in self._due if item[0] <= now_s]:
            self._due.remove(item)
            if item[1] == HANG_UP:
                self._pty.vanish()
                self._stop.set()
                return
            os.write(self._pty.far, item[1])


class Slave:
    """pymodbus' serial server: three transmitters and a relay block on one line."""

    def __init__(self, folder: Path, devices: list[SimDevice]) -> None:
        self.line, self._inner = Pty(folder / "line-a"), Pty(folder / "inner")
        self._units = {made.id for made in devices}
        self._stop = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._serving_ends = asyncio.Event()
        self._server: ModbusSerialServer | None = None
        ready = threading.Event()
        self._threads = [
            threading.Thread(target=self._serve, args=(devices, ready), daemon=True),
            threading.Thread(target=self._copy, daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        assert ready.wait(5.0), "the independent slave did not start"

    def coil(self, *, unit: int, address: int) -> bool:
        """What the slave itself says of a coil, not by way of the line."""
        assert self._server is not None
        ask = self._server.async_getValues(unit, 1, address, 1)
        return bool(asyncio.run_coroutine_threadsafe(ask, self._loop).result(5.0)[0])

    def stop(self) -> None:
        self._stop.set()
        self._loop.call_soon_threadsafe(self._serving_ends.set)
        for thread in self._threads:
            thread.join()
        self.line.vanish()
        self._inner.vanish()

    def _serve(self, devices: list[SimDevice], ready: threading.Event) -> None:
        self._loop.run_until_complete(self._until_stopped(devices, ready))
        self._loop.close()

    async def _until_stopped(self, devices: list[SimDevice], ready: threading.Event) -> None:
        self._server = ModbusSerialServer(devices, port=str(self._inner.link), baudrate=9600)
        await self._server.serve_forever(background=True)
        ready.set()
        await self._serving_ends.wait()
        shutdown: Callable[[], Awaitable[None]] = self._server.shutdown  # its own annotation is missing
        await shutdown()

    def _copy(self) -> None:
        """Requests and answers alike begin with the unit; the kernel hands on each in one piece."""
        other = {self.line.far: self._inner.far, self._inner.far: self.line.far}
        while not self._stop.is_set():
            for end in select.select(list(other), [], [], 0.02)[0]:
                data = os.read(end, 256)
                if data[0] in self._units:  # nobody speaks for a unit that is not there; pymodbus would refuse
                    os.write(other[end], data)


def device(
    unit: int,
    *,
    holding: list[SimData] | None = None,
    inputs: list[SimData] | None = None,
    coils: list[bool] | None = None,
) -> SimDevice:
    """A device with separate tables; a table that is not given has one cell far away from every test."""
    cell = [SimData(9999, values=0, datatype=DataType.REGISTERS)]
    bit = [SimData(9999, values=False, datatype=DataType.BITS)]
    own_coils = [SimData(0, values=coils, datatype=DataType.BITS)] if coils else bit
    return SimDevice(id=unit, simdata=(own_coils, bit, holding or cell, inputs or cell))
