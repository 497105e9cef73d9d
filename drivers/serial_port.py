"""Owns: a serial port from opening to closing, also when its adapter is pulled.

Must not know: what travels over it, who answers, deadlines.
How it works: the port opens at first use, for this process alone. Any trouble of the operating system with it closes it
at once and leaves it alone for a while (`Pause`); then it is opened again under the same name.
"""

from __future__ import annotations

import errno
import termios
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any, Final

import serial

from drivers.pause import Pause
from gateway.errors import PortGone, ReadError

PARITY: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}

# The operating system reports a vanished port as either, pyserial an impossible setting as ValueError.
_PORT_ERRORS: Final = (OSError, termios.error, ValueError)


class SerialPort:
    """A port for this process alone: opened at first use, closed when it vanishes, tried again after a pause."""

    def __init__(self, *, bus: str, path: str, settings: Mapping[str, Any], now_s: Callable[[], float]) -> None:
        self._bus, self._path, self._settings, self._now_s = bus, path, settings, now_s
        self._port: serial.Serial | None = None
        self._pause = Pause()
        self._trouble = ""
        self._closed = False

    @property
    def is_open(self) -> bool:
        return self._port is not None

    @contextmanager
    def use(self) -> Iterator[serial.Serial]:
        """The open port. Raises PortGone, also for any trouble with the port inside."""
        port = self._opened()
        try:
            yield port
        except ReadError:
            self._pause.worked()  # a silent or confused device is no reason to leave the port alone
            raise
        except serial.SerialTimeoutException as error:
            raise self._gone("takes no bytes") from error
        except _PORT_ERRORS as error:
            raise self._gone(f"vanished: {error}") from error
        self._pause.worked()

    def close(self) -> None:
        """Release the port for good; idempotent."""
        self._closed = True
        self._drop()

    def _opened(self) -> serial.Serial:
        if self._closed:
            raise PortGone(f"{self._bus}: closed")
        if self._port is None:
            left_s = self._pause.left_s(self._now_s())
            if left_s > 0:
                raise PortGone(f"{self._trouble}; next try in {left_s:.0f} s")
            try:
                self._port = serial.Serial(port=self._path, exclusive=True, **self._settings)
            except _PORT_ERRORS as error:
                raise self._gone(_why(error)) from error
        return self._port

    def _gone(self, why: str) -> PortGone:
        self._drop()
        self._pause.failed(self._now_s())
        self._trouble = f"{self._bus}: {self._path} {why}"
        return PortGone(self._trouble)

    def _drop(self) -> None:
        """Close at once: a held descriptor would make the adapter come back under another number."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(*_PORT_ERRORS):
                port.reset_output_buffer()  # unsent bytes would delay the close
            with suppress(*_PORT_ERRORS):
                port.close()


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno in (errno.EAGAIN, errno.EBUSY):
        return "is held by another process"
    return f"cannot be opened: {error}"
