"""Owns: the words of the site file's forms: what one value may be, and the sentence that says so.

Must not know: tables, what must agree between values, drivers, hardware.
How it works: annotated types; the description of each is what a person reads when a value is refused.
"""

from __future__ import annotations

from datetime import date
from ipaddress import ip_address
from typing import Annotated, Any

from pydantic import AfterValidator, ConfigDict, Field

from gateway.site_lines import one_of

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
LABEL_LETTERS = 7  # what fits on the wall at its reading distance

STRICT = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def span(low: float, high: float, what: str = "a number") -> Any:
    return Field(ge=low, le=high, description=f"{what} from {low:g} to {high:g}")


def table(example: str) -> Any:
    return Field(description=f"a table such as {example}")


def tables(name: str) -> Any:
    return Field(min_length=1, description=f"one or more tables [[{name}]]")


def _ip(text: str) -> str:
    return str(ip_address(text))


def _baud(number: int) -> int:
    if number not in BAUDS:
        raise ValueError("not a usual speed")
    return number


def _once_each(words: list[str]) -> list[str]:
    if len(set(words)) < len(words):
        raise ValueError("a word stands twice")
    return words


def once_each(example: str) -> tuple[Any, ...]:
    """For a list in which no word stands twice."""
    return (AfterValidator(_once_each), Field(min_length=1, description=f"a list of {example}"))


_LINE = r"^[^\s\p{C}]+( [^\s\p{C}]+)*$"  # visible letters, single blanks between words
Name = Annotated[
    str, Field(pattern="^[a-z][a-z0-9-]{0,30}$", description="a to z, 0 to 9 and -, a letter first, at most 31")
]
Title = Annotated[str, Field(max_length=40, pattern=_LINE, description="1 to 40 letters on one line")]
Words = Annotated[str, Field(max_length=120, pattern=_LINE, description="1 to 120 letters on one line")]
Label = Annotated[
    str, Field(max_length=LABEL_LETTERS, pattern=_LINE, description=f"1 to {LABEL_LETTERS} letters: the wall's limit")
]
File = Annotated[str, Field(pattern=r"^\P{Cc}+$", description="a path; a relative one starts at this file's folder")]
Device = Annotated[str, Field(pattern="^[^/\\s\\p{C}]+$", description="the text of the device's file label or name")]
Address = Annotated[str, AfterValidator(_ip), Field(description='an IP address such as "127.0.0.1", no host name')]
Host = Annotated[
    str,
    Field(
        pattern="^[A-Za-z0-9]([A-Za-z0-9.:-]{0,252})$", description='a host name or IP address such as "192.168.1.20"'
    ),
]
Topic = Annotated[
    str,
    Field(
        max_length=200, pattern=r"^[^\s\p{C}#+$][^\s\p{C}#+]*$", description="an MQTT topic without wildcards or blanks"
    ),
]
Pointer = Annotated[
    str,
    Field(pattern=r"^(/([^~/\p{C}]|~[01])*)*$", description='a JSON pointer (RFC 6901) such as "/air/temp"'),
]
_CLOCK = "([01][0-9]|2[0-3]):[0-5][0-9]"
Hours = Annotated[str, Field(pattern=f"^{_CLOCK}-{_CLOCK}$", description='hours such as "18:00-08:00"')]
Spans = Annotated[list[Hours], Field(description='a list of hours such as ["18:00-08:00"]')]
Base = Annotated[int, Field(ge=0, le=1, description="0 when the data sheet counts from 0, 1 when from 1")]
Baud = Annotated[int, AfterValidator(_baud), Field(description=one_of(BAUDS))]
StopBits = Annotated[int, Field(ge=1, le=2, description="1 or 2")]
Unit = Annotated[int, span(1, 247, "a whole number")]
Number16 = Annotated[int, span(0, 65535, "a whole number")]
IpPort = Annotated[int, span(1, 65535, "a whole number")]
Scale = Annotated[float, span(-1e6, 1e6)]
Wait = Annotated[float, span(0.05, 5)]
Pause = Annotated[float, span(0, 3600)]
Age = Annotated[float, span(1, 300)]
Day = Annotated[date, Field(description="a date such as 2026-05-02")]
