"""Owns: SenML packs in JSON: from bytes to resolved records and back (RFC 8428), and its units of our quantities.

Must not know: sensors, topics, clocks. A time stays as it is said, relative or absolute.
How it works: `decode` walks the records in order and carries the base fields from one to the next. Everything that
the standard forbids is refused with the whole pack: a pack that is half right cannot be told from a wrong one.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from drivers.json_pointer import document, finite
from gateway.errors import BadText, FrameError, Implausible
from gateway.model import Quantity

ABSOLUTE_FROM_S: Final = 2.0**28  # section 4.5.3: a time below counts from now, else it is Unix time
_VERSION: Final = 10  # section 4.1: the version of this standard
_SECONDARY: Final = 16  # RFC 9100: the bit that says that secondary units (RFC 8798) may occur
_NAME: Final = re.compile("[A-Za-z0-9][A-Za-z0-9:./_-]*")  # section 4.5.1

_NUMBER, _TEXT, _BOOL = (int, float), (str,), (bool,)
_LABELS: Final[dict[str, tuple[type, ...]]] = {
    **dict.fromkeys(("bt", "bv", "bs", "bver", "v", "s", "t", "ut"), _NUMBER),
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), _TEXT),
    "vb": _BOOL,
}
_VALUES: Final = ("v", "vs", "vb", "vd")

# Factor and offset from a unit to that of the quantity; the first is the one that we write. Sections 12.1 and, for
# km/h, hPa, mA and mV, RFC 8798 section 3 (these four from memory).
UNITS: Final[Mapping[Quantity, Mapping[str, tuple[float, float]]]] = {
    Quantity.TEMP: {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    Quantity.GLOBE: {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    Quantity.SKIN: {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    Quantity.RH: {"%RH": (1.0, 0.0)},
    Quantity.WIND: {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0)},
    Quantity.DIRECTION: {"deg": (1.0, 0.0), "rad": (180 / math.pi, 0.0)},
    Quantity.PRESSURE: {"Pa": (1.0, 0.0), "hPa": (100.0, 0.0)},
    Quantity.SUN: {"W/m2": (1.0, 0.0)},
    Quantity.CURRENT: {"A": (1.0, 0.0), "mA": (0.001, 0.0)},
    Quantity.SPEED: {"1/min": (1.0, 0.0), "1/s": (60.0, 0.0)},
    Quantity.FLOW: {"l/s": (60.0, 0.0), "m3/s": (60_000.0, 0.0)},
    Quantity.SUPPLY: {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One resolved record. `time_s` is relative to the arrival below ABSOLUTE_FROM_S, Unix time from there on.

    `value` is None when the record has only a sum over time, `total`.
    """

    name: str
    unit: str = ""
    time_s: float = 0.0
    value: float | bool | str | bytes | None = None
    total: float | None = None

    @property
    def is_absolute(self) -> bool:
        return self.time_s >= ABSOLUTE_FROM_S


def decode(raw: bytes) -> tuple[Record, ...]:
    """The resolved records of a pack, in its order. Raises FrameError, BadText or EmptyText."""
    pack = document(raw)
    if not isinstance(pack, list) or not pack:
        raise FrameError("not an array of SenML records", raw[:64])
    base, records = _Base(), []
    for number, said in enumerate(pack, start=1):
        try:
            if record := base.resolve(said):
                records.append(record)
        except ValueError as error:
            raise FrameError(f"SenML record {number}: {error}", raw[:64]) from error
    return tuple(records)


def encode(records: Iterable[Record]) -> bytes:
    """A pack of resolved records; what is empty or zero is left out."""
    return json.dumps([_said(record) for record in records], separators=(",", ":"), allow_nan=False).encode()


def measured(record: Record, quantity: Quantity) -> float:
    """The value in the unit of a quantity. Raises BadText, or Implausible for another unit. No unit: as it is."""
    if isinstance(record.value, bool) or not isinstance(record.value, int | float):
        raise BadText(f"{record.name}: holds no number")
    known = UNITS.get(quantity, {})
    if record.unit and record.unit not in known:
        raise Implausible(
            f"{record.name}: its unit is {record.unit!r}, known for {quantity.key} are {', '.join(known)}"
        )
    factor, offset = known[record.unit] if record.unit else (1.0, 0.0)
    return record.value * factor + offset


@dataclass(slots=True)
class _Base:
    """The base fields in force."""

    fields: dict[str, Any] = field(default_factory=dict)

    def resolve(self, said: object) -> Record | None:
        """The record, or None for one that has base fields only."""
        own = _checked(said)
        if "bver" in own and own["bver"] != self.fields.get("bver", own["bver"]):
            raise ValueError("the version changes within the pack")
        self.fields |= {label: value for label, value in own.items() if label.startswith("b")}
        if all(label.startswith("b") for label in own):
            return None
        name = self.fields.get("bn", "") + own.get("n", "")
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name[:40]!r} is no SenML name")
        total = finite(self._sum("bs", own.get("s")), name) if {"s", "bs"} & {*own, *self.fields} else None
        return Record(
            name=name,
            unit=own.get("u", self.fields.get("bu", "")),
            time_s=finite(self._sum("bt", own.get("t")), name),
            value=self._value(own, name, may_lack=total is not None),
            total=total,
        )

    def _value(self, own: Mapping[str, Any], name: str, *, may_lack: bool) -> float | bool | str | bytes | None:
        kinds = [label for label in _VALUES if label in own]
        if len(kinds) > 1 or (not kinds and not may_lack):
            raise ValueError(f"{name[:40]} has {len(kinds)} values, not one")
        if not kinds:
            return None
        if kinds == ["v"]:
            return finite(self._sum("bv", own["v"]), name)
        value: bool | str = own[kinds[0]]
        return _octets(str(value)) if kinds == ["vd"] else value

    def _sum(self, label: str, own: float | None) -> float:
        return finite(self.fields.get(label, 0), label) + finite(own or 0, label)


def _checked(said: object) -> dict[str, Any]:
    """The known fields of a record, each of its type."""
    if not isinstance(said, dict) or not said:
        raise ValueError("not an object with fields")
    if alien := next((label for label in said if label not in _LABELS and label.endswith("_")), ""):
        raise ValueError(f"field {alien[:20]!r} must be understood, and is not")  # section 4.4
    own = {label: value for label, value in said.items() if label in _LABELS}
    for label, value in own.items():
        if not isinstance(value, _LABELS[label]) or (isinstance(value, bool) and label != "vb"):
            raise ValueError(f"field {label} is of a wrong type")
    if not _understood(own.get("bver", _VERSION)):
        raise ValueError(f"version {own['bver']} is not known here")
    return own


def _understood(version: float) -> bool:
    """Up to 10, or with the feature of secondary units on top, as RFC 9100 numbers them."""
    whole = 1 <= version <= _VERSION | _SECONDARY and version == int(version)
    return whole and int(version) & ~_SECONDARY <= _VERSION


def _octets(text: str) -> bytes:
    """Base64 with the URL-safe alphabet, with or without padding (section 5)."""
    try:
        return base64.b64decode(text.rstrip("=") + "=" * (-len(text.rstrip("=")) % 4), altchars=b"-_", validate=True)
    except binascii.Error as error:
        raise ValueError(f"vd: {error}") from error


def _said(record: Record) -> dict[str, Any]:
    said: dict[str, Any] = {"n": record.name}
    if record.unit:
        said["u"] = record.unit
    if record.time_s:
        said["t"] = record.time_s
    match record.value:
        case bool():
            said["vb"] = record.value
        case int() | float():
            said["v"] = record.value
        case str():
            said["vs"] = record.value
        case bytes():
            said["vd"] = base64.urlsafe_b64encode(record.value).decode().rstrip("=")
    if record.total is not None:
        said["s"] = record.total
    return said
