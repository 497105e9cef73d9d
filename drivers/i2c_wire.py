"""Owns: an I2C bus from opening to closing, what its errors mean, and how it is brought back.

Must not know: chips, quantities. What is asked comes as a `Transfer`.
How it works: the bus opens at first use. A transfer is bytes out, a wait, bytes in. No clock stretching is asked for:
one common adapter gives up on it. A transfer that fails is tried again up a ladder. Everything here runs in one bus
thread.

Theory of operation. After each failure the next rung, then the transfer again, at most five times in all:

    wait 20 ms - wait 50 ms - reopen the bus, reset the chip - cut the supply (if there is a line for it)

The last rung hits every chip on the bus. It is taken when the bus itself is stuck, or when one chip has failed in three
asks one after another, and then seldom (`PowerCut`). The nine clock pulses that free a held data line (I2C-bus
specification, 3.1.16) are the adapter driver's work: a user program cannot send them. A bus that is stuck or gone is
left alone for a while (`Pause`), and calls in between fail at once, so that a second of waiting is not spent on each
sensor.
Rules: Linux Documentation/i2c/fault-codes.rst.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, Generic, Protocol, TypeVar

from smbus2 import I2cFunc, SMBus, i2c_msg

from drivers.i2c_power import PowerCut, Supply, SupplyLine
from drivers.pause import Pause
from gateway.barn import BusSpec
from gateway.errors import DeviceFault, FrameError, PortGone, ReadError

T = TypeVar("T")

_GAPS_S: Final = (0.02, 0.05)
_RESET_S: Final = 0.01  # the slowest chip here is ready 2 ms after a reset
_SILENT_ASKS: Final = 3

_MEANING: Final = {
    errno.ENXIO: "nobody answers at this address",
    errno.EREMOTEIO: "nobody answers at this address",
    errno.EAGAIN: "two spoke at once",
    errno.EIO: "the transfer failed, the adapter does not say why",
}
_STUCK: Final = {
    errno.EBUSY: "somebody holds the bus",
    errno.ETIMEDOUT: "a line is held low, or a chip stretches the clock too long",
}


class BusStuck(ReadError):
    """Nobody can speak on the bus."""

    quality = "bus-stuck"


class Adapter(Protocol):
    """An opened bus."""

    def i2c_rdwr(self, *i2c_msgs: i2c_msg) -> None: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer(Generic[T]):
    """Bytes out, a wait, bytes in, and their meaning.

    `pointer` is the register from which to read, sent in one go with the reading. `reset` is the chip's own reset. A
    chip without a checksum is read `twice`, and both must be the same.
    """

    what: str
    address: int
    send: bytes = b""
    wait_s: float = 0.0
    pointer: bytes = b""
    expect: int = 0
    twice: bool = False
    reset: bytes = b""
    parse: Callable[[bytes], T]


def opened(path: str) -> Adapter:
    """The bus behind a device file. Raises OSError, DeviceFault."""
    bus = SMBus()
    try:
        bus.open(path)
        if not bus.funcs & I2cFunc.I2C:
            raise DeviceFault(f"{path}: this adapter knows SMBus only, it cannot carry plain I2C transfers")
    except BaseException:
        bus.close()  # `open` leaves its descriptor behind when the file is no bus
        raise
    return bus


class I2cWire:
    """An I2C bus and the supply of its sensors."""

    def __init__(
        self,
        spec: BusSpec,
        *,
        now_s: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        open_adapter: Callable[[str], Adapter] = opened,
        supply_of: Callable[[str, str], Supply] = SupplyLine,
    ) -> None:
        self._name, self._path = spec.name, str(spec.options["device"])
        self._now_s, self._sleep, self._open_adapter = now_s, sleep, open_adapter
        power = spec.options.get("power")
        supply = supply_of(power["chip"], power["line"]) if power else None
        self._power = PowerCut(supply, now_s=now_s, sleep=sleep) if supply else None
        self._adapter: Adapter | None = None
        self._pause = Pause()
        self._trouble: ReadError = PortGone(f"{self._name}: closed")
        self._closed = False
        self._failed_asks: dict[int, int] = {}
        self._cut_for: int | None = None  # the address that the last cut was made for

    def ask(self, transfer: Transfer[T]) -> T:
        """One transfer and its checked answer. Raises ReadError, DeviceFault."""
        self._expect_usable()
        rungs = iter((self._wait_a_little, self._wait_longer, self._restart, self._cut_supply))
        while True:
            try:
                got = self._once(transfer)
            except PortGone:
                raise
            except ReadError as error:
                rung = next(rungs, None)
                if rung is None or not rung(transfer, error):
                    self._give_up(transfer.address, error)
                    raise
            else:
                self._worked(transfer.address)
                return got

    def close(self) -> None:
        """Release the bus and the supply line for good; idempotent."""
        self._closed = True
        self._drop()
        if self._power is not None:
            self._power.close()

    def _expect_usable(self) -> None:
        if self._closed:
            raise PortGone(f"{self._name}: closed")
        left_s = self._pause.left_s(self._now_s())
        if left_s > 0:
            raise type(self._trouble)(f"{self._trouble}; next try in {left_s:.0f} s")

    def _once(self, transfer: Transfer[T]) -> T:
        adapter = self._opened()
        try:
            raw = self._carry(adapter, transfer)
        except OSError as error:
            raise self._meaning(transfer.what, error) from error
        return transfer.parse(raw)

    def _carry(self, adapter: Adapter, transfer: Transfer[T]) -> bytes:
        if transfer.send:
            adapter.i2c_rdwr(i2c_msg.write(transfer.address, transfer.send))
        if transfer.wait_s:
            self._sleep(transfer.wait_s)
        raw = _fetched(adapter, transfer)
        if transfer.twice and _fetched(adapter, transfer) != raw:
            raise FrameError(f"{transfer.what}: two readings of the same registers differ", raw)
        return raw

    def _opened(self) -> Adapter:
        if self._adapter is None:
            try:
                if self._power is not None:
                    self._power.feed()
                self._adapter = self._open_adapter(self._path)
            except OSError as error:
                raise self._gone(str(error)) from error
        return self._adapter

    # --- rungs: each makes the next try likelier, or says that there shall be none -----------------------

    def _wait_a_little(self, _: Transfer[T], __: ReadError) -> bool:
        self._sleep(_GAPS_S[0])
        return True

    def _wait_longer(self, _: Transfer[T], __: ReadError) -> bool:
        self._sleep(_GAPS_S[1])
        return True

    def _restart(self, transfer: Transfer[T], _: ReadError) -> bool:
        self._drop()
        adapter = self._opened()
        if transfer.reset:
            with suppress(OSError):  # a chip that hears nothing will not hear this: the next try tells
                adapter.i2c_rdwr(i2c_msg.write(transfer.address, transfer.reset))
            self._sleep(_RESET_S)
        return True

    def _cut_supply(self, transfer: Transfer[T], error: ReadError) -> bool:
        asks = self._failed_asks.get(transfer.address, 0) + 1
        if self._power is None or not (isinstance(error, BusStuck) or asks >= _SILENT_ASKS):
            return False
        if not self._power.cut():
            return False
        self._cut_for = transfer.address
        return True

    # --- what is remembered ------------------------------------------------------------------------------

    def _worked(self, address: int) -> None:
        self._pause.worked()
        self._failed_asks.pop(address, None)
        if self._cut_for == address and self._power is not None:
            self._cut_for = None
            self._power.helped()

    def _give_up(self, address: int, error: ReadError) -> None:
        self._failed_asks[address] = self._failed_asks.get(address, 0) + 1
        if isinstance(error, BusStuck):
            self._leave_alone(error)

    def _meaning(self, what: str, error: OSError) -> ReadError:
        code = error.errno or 0
        if code in _MEANING:
            return ReadError(f"{what}: {_MEANING[code]}")
        if code in _STUCK:
            return BusStuck(f"{self._name}: {_STUCK[code]}")
        return self._gone(str(error))

    def _gone(self, why: str) -> PortGone:
        self._drop()
        trouble = PortGone(f"{self._name}: {why}")
        self._leave_alone(trouble)
        return trouble

    def _leave_alone(self, trouble: ReadError) -> None:
        self._trouble = trouble
        self._pause.failed(self._now_s())

    def _drop(self) -> None:
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            with suppress(OSError):
                adapter.close()


def _fetched(adapter: Adapter, transfer: Transfer[T]) -> bytes:
    if not transfer.expect:
        return b""
    answer = i2c_msg.read(transfer.address, transfer.expect)
    if transfer.pointer:
        adapter.i2c_rdwr(i2c_msg.write(transfer.address, transfer.pointer), answer)
    else:
        adapter.i2c_rdwr(answer)
    return bytes(answer.buf[: transfer.expect])
