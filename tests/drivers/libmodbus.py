"""Owns: libmodbus as an independent peer, through ctypes: a slave and a master, over RTU and TCP.

Must not know: any driver of this project.
How it works: the shared library of Debian's package libmodbus5 (3.1.x). A slave runs in a thread of its own; its
tables can be looked at and changed beside the line. `Cable` ties two pseudo-terminals together, since both sides want
to open a port.
Rules: libmodbus 3.1 manual pages; struct modbus_mapping_t of its modbus.h.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import select
import socket
import threading
from pathlib import Path
from typing import Any

from tests.drivers.far_end import Pty

_LONGEST = 260
_WAIT_US = 50_000


class _Mapping(ctypes.Structure):
    _fields_ = (
        *((f"{what}_{table}", ctypes.c_int) for table in ("bits", "input_bits") for what in ("nb", "start")),
        *((f"{what}_{table}", ctypes.c_int) for table in ("input_registers", "registers") for what in ("nb", "start")),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    )


def _library() -> Any:
    found = ctypes.util.find_library("modbus")
    assert found, "Debian's package libmodbus5 is needed: apt-get install libmodbus5"
    library = ctypes.CDLL(found, use_errno=True)
    library.modbus_new_rtu.restype = library.modbus_new_tcp.restype = ctypes.c_void_p
    library.modbus_mapping_new.restype = ctypes.POINTER(_Mapping)
    library.modbus_strerror.restype = ctypes.c_char_p
    return library


class Cable:
    """Two ports, what goes into one comes out of the other."""

    def __init__(self, folder: Path) -> None:
        self.ours, self.theirs = Pty(folder / "line-a"), Pty(folder / "theirs")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._copy, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        self._stop.set()
        self._thread.join()
        self.ours.vanish()
        self.theirs.vanish()

    def _copy(self) -> None:
        other = {self.ours.far: self.theirs.far, self.theirs.far: self.ours.far}
        while not self._stop.is_set():
            for end in select.select(list(other), [], [], 0.02)[0]:
                os.write(other[end], os.read(end, 512))


class _Context:
    """A libmodbus context, for RTU when `at` is a path, for TCP when it is a port."""

    def __init__(self, at: Path | int) -> None:
        self.library = _library()
        made = (
            self.library.modbus_new_tcp(b"127.0.0.1", ctypes.c_int(at))
            if isinstance(at, int)
            else self.library.modbus_new_rtu(str(at).encode(), 9600, ctypes.c_char(b"N"), 8, 1)
        )
        self.pointer = ctypes.c_void_p(made)

    def call(self, name: str, *arguments: Any) -> int:
        return int(getattr(self.library, name)(self.pointer, *arguments))

    def must(self, name: str, *arguments: Any) -> int:
        """Raises OSError in the library's own words."""
        result = self.call(name, *arguments)
        if result < 0:
            number = ctypes.get_errno()
            raise OSError(number, self.library.modbus_strerror(number).decode())
        return result

    def free(self) -> None:
        self.library.modbus_close(self.pointer)
        self.library.modbus_free(self.pointer)


class LibmodbusSlave:
    """One unit with 16 cells in each of the four tables."""

    def __init__(self, at: Path | int, *, unit: int) -> None:
        self._context, self._tcp = _Context(at), isinstance(at, int)
        self._context.must("modbus_set_slave", unit)
        self._context.must("modbus_set_indication_timeout", 0, _WAIT_US)
        self._tables = self._context.library.modbus_mapping_new(16, 16, 16, 16)
        self._stop = threading.Event()
        self._listener = self._context.must("modbus_tcp_listen", 1) if self._tcp else -1
        if not self._tcp:
            self._context.must("modbus_connect")
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def put(self, table: str, address: int, value: int) -> None:
        """`table` is bits, input_bits, registers or input_registers."""
        getattr(self._tables.contents, f"tab_{table}")[address] = value

    def get(self, table: str, address: int) -> int:
        return int(getattr(self._tables.contents, f"tab_{table}")[address])

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        if self._tcp:
            os.close(self._listener)
        self._context.library.modbus_mapping_free(self._tables)
        self._context.free()

    def _run(self) -> None:
        while not self._stop.is_set():
            if not self._tcp:
                self._serve()
            elif select.select([self._listener], [], [], 0.02)[0]:
                listener = ctypes.c_int(self._listener)
                if self._context.call("modbus_tcp_accept", ctypes.byref(listener)) >= 0:
                    self._serve()
                    self._context.call("modbus_close")

    def _serve(self) -> None:
        heard = (ctypes.c_uint8 * _LONGEST)()
        while not self._stop.is_set():
            size = self._context.call("modbus_receive", heard)
            if size > 0:
                self._context.call("modbus_reply", heard, size, self._tables)
            elif size < 0 and self._tcp and ctypes.get_errno() != 110:  # 110: nobody asked within the time
                return


class LibmodbusMaster:
    """Asks one unit. Raises OSError when it refuses or is silent."""

    def __init__(self, at: Path | int, *, unit: int) -> None:
        self._context = _Context(at)
        self._context.must("modbus_set_slave", unit)
        self._context.must("modbus_connect")
        self._context.must("modbus_set_response_timeout", 1, 0)

    def words(self, name: str, address: int, count: int) -> list[int]:
        """`name` is registers or input_registers."""
        found = (ctypes.c_uint16 * count)()
        self._context.must(f"modbus_read_{name}", address, count, found)
        return list(found)

    def bits(self, name: str, address: int, count: int) -> list[int]:
        """`name` is bits or input_bits."""
        found = (ctypes.c_uint8 * count)()
        self._context.must(f"modbus_read_{name}", address, count, found)
        return list(found)

    def write_bit(self, address: int, on: bool) -> None:
        self._context.must("modbus_write_bit", address, int(on))

    def write_register(self, address: int, value: int) -> None:
        self._context.must("modbus_write_register", address, value)

    def close(self) -> None:
        self._context.free()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as sock:
        return int(sock.getsockname()[1])
