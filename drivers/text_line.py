"""Owns: what a line of text says: columns, or JSON with pointers.

Must not know: ports, when a line came, whether a value is plausible.
How it works: `parser` turns the options of a sensor into a function from a line to its values. `begins` is taken off
the front of a line, and columns count from 1 in what is left: of "AIR,23.4,51.0" the temperature is column 2 with
begins = "AIR" and column 1 with begins = "AIR,". A line with too few columns or that is not JSON raises FrameError,
which is noise; a column that is there and holds no number is the device's own word. Honesty: such a line has no
checksum. Only the number of its columns or its brackets tell that it was torn; a number that lost its end tells
nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from drivers.json_pointer import document, number_at, tokens
from gateway.barn import SensorSpec
from gateway.errors import BadText, EmptyText, FrameError, SiteError

_NUMBER: Final = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_SHOWN: Final = 48  # bytes of a bad line that are kept

Parse = Callable[[bytes], tuple[float, ...] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """Where one value stands, by column or by pointer, and how it is made from its number."""

    column: int
    pointer: str
    path: tuple[str, ...]
    scale: float
    offset: float


def parser(spec: SensorSpec) -> Parse:
    """From a line to the values of a sensor, in the order of its quantities; None when the line is of another."""
    fields = tuple(_field(spec.name, spec.options[quantity.key]) for quantity in spec.quantities)
    begins, separator = spec.options["begins"].encode(), spec.options["separator"]
    if all(field.column for field in fields):
        return partial(_columns, fields=fields, begins=begins, separator=separator)
    if any(field.column for field in fields):
        raise SiteError((f"sensor {spec.name}: a line has columns or is JSON; allowed: column for all, or pointer",))
    return partial(_json, fields=fields, begins=begins)


def number(text: str, what: str) -> float:
    """A decimal number. Raises EmptyText or BadText."""
    text = text.strip()
    if not text:
        raise EmptyText(f"{what}: empty")
    if not _NUMBER.fullmatch(text) or not math.isfinite(value := float(text)):
        raise BadText(f"{what}: {text[:_SHOWN]!r} is not a number")
    return value


def _field(sensor: str, options: Mapping[str, Any]) -> _Field:
    pointer = options.get("pointer", "")
    try:
        path = tokens(pointer)
    except ValueError as error:
        raise SiteError((f"sensor {sensor}: pointer {error}",)) from error
    column = options.get("column", 0)
    return _Field(column=column, pointer=pointer, path=path, scale=options["scale"], offset=options["offset"])


def _columns(line: bytes, *, fields: tuple[_Field, ...], begins: bytes, separator: str) -> tuple[float, ...] | None:
    if not line.startswith(begins):
        return None
    text = line.removeprefix(begins).decode("ascii", "replace")
    cells = text.split() if separator == " " else text.split(separator)
    if (most := max(field.column for field in fields)) > len(cells):
        raise FrameError(f"{len(cells)} columns, {most} needed", line[:_SHOWN])
    return tuple(_scaled(f, number(cells[f.column - 1], f"column {f.column}")) for f in fields)


def _json(line: bytes, *, fields: tuple[_Field, ...], begins: bytes) -> tuple[float, ...] | None:
    if not line.startswith(begins):
        return None
    within = begins.startswith((b"{", b"["))  # then it is the head of the document itself
    found = document(line if within else line.removeprefix(begins))
    return tuple(_scaled(f, number_at(found, f.path, f.pointer)) for f in fields)


def _scaled(field: _Field, value: float) -> float:
    return value * field.scale + field.offset
