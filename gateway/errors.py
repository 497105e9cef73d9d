"""Owns: the whole error tree, one root.

Must not know: anything else.
How it works: three kinds of trouble. Configuration (`SiteError`) stops the start. Temporary (`ReadError`,
`CommandError`) becomes a quality or a visible fault and never crosses the poller or the actuator loop.
Severe (`DeviceFault`) is the device's own word that it is broken: no value, and a fault of its own name.
Fields carry the facts; raw bytes are kept.
"""

from __future__ import annotations


class GatewayError(Exception):
    """Root of every error that this program raises on purpose."""


class SiteError(GatewayError, ValueError):
    """The site file is wrong. `problems` has one line for each mistake, each saying what to change."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


class RangeError(GatewayError, ValueError):
    """A number given to a formula is outside the range for which the formula is known."""

    def __init__(self, name: str, value: float, low: float, high: float) -> None:
        self.name, self.value, self.low, self.high = name, value, low, high
        super().__init__(f"{name} is {value:g}, allowed are {low:g} to {high:g}")


class WeatherError(GatewayError, ValueError):
    """A weather file cannot be read; the message names the file and the line."""


class ReadError(GatewayError):
    """One measurement failed and may succeed next time. `quality` is the word stored with the empty reading."""

    quality = "silent"


class BusTimeout(ReadError, TimeoutError):
    """Nothing, or too little, came back before the deadline. A part of an answer (`raw`) makes it torn, not silent."""

    def __init__(self, what: str, waited_s: float, raw: bytes = b"") -> None:
        self.waited_s, self.raw = waited_s, raw
        self.quality = "torn" if raw else "silent"
        got = f", only {raw.hex(' ')}" if raw else ""
        super().__init__(f"{what}: no answer within {waited_s:.2f} s{got}")


class NoNews(BusTimeout):
    """A device that speaks unasked has said nothing since the last read. While its last word is young, all is well."""


class PortGone(ReadError, OSError):
    """The port or the file is not there, vanished, or is held by another process."""

    quality = "port-gone"


class FrameError(ReadError, ValueError):
    """Bytes arrived that are not the answer to our request (torn, foreign unit, other function or length)."""

    quality = "torn"

    def __init__(self, why: str, raw: bytes) -> None:
        self.raw = raw
        super().__init__(f"{why}: {raw.hex(' ')}")


class ChecksumError(FrameError):
    """The checksum does not fit the bytes."""

    def __init__(self, received: int, expected: int, raw: bytes) -> None:
        self.received, self.expected = received, expected
        super().__init__(f"checksum {received:04X}, computed {expected:04X}", raw)


class Refused(ReadError):
    """The device answered that it will not do this. It is alive: this is never a lost bus."""

    quality = "refused"

    def __init__(self, what: str, code: int, meaning: str) -> None:
        self.code = code
        super().__init__(f"{what}: device refuses with code {code} ({meaning})")


class BadText(ReadError, ValueError):
    """A text source did not hold a number."""

    quality = "not-a-number"


class EmptyText(ReadError, ValueError):
    """A text source was empty. That is no reading, never zero."""

    quality = "empty"


class Implausible(ReadError, ValueError):
    """The number can only be right in another unit than the site file says."""

    quality = "out-of-range"


class Outdated(ReadError, ValueError):
    """A message that is too old, from the future, or no newer than one that was already taken."""

    quality = "old"


class DeviceFault(GatewayError):
    """The device says of itself that it is broken, or is not the device that the site file names."""

    quality = "device-fault"


class CommandError(GatewayError):
    """An output could not be set. The kit is then in an unknown state until read back."""


class StoreError(GatewayError):
    """The history cannot be opened or written. Control goes on without it."""


class NewerSchema(StoreError):
    """The history was written by a newer program; it is left untouched."""


class LinkError(GatewayError):
    """A peer on the link broke its rules (size, version, form) or went away."""


class AlreadyRunning(GatewayError):
    """A second core was started for the same site."""
