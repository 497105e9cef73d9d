"""Owns: sentences of NMEA 0183 that weather instruments send: MWV, MDA and XDR.

Must not know: ports, when a sentence came, whether a value is plausible.
How it works: `parser` turns the options of a sensor into a function from a line to its values. A sentence begins at
the last `$` of a line, so one that broke into another is told from it; it needs its checksum. What is damaged raises
FrameError, which is noise; an empty field, status V or a number of `errors` is the device's own word that it has no
value.
Rules: NMEA 0183: exclusive or of what stands between `$` and `*`, two upper-case hexadecimal digits, 82 characters
with `$`, CR and LF. Fields of the three sentences as in the gpsd project's "NMEA Revealed".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial, reduce
from operator import xor
from typing import Final

from drivers.text_line import Parse, number
from gateway.barn import SensorSpec
from gateway.errors import BadText, ChecksumError, EmptyText, FrameError
from gateway.model import Quantity

_LONGEST: Final = 82 - len("\r\n")
_SENTENCE: Final = re.compile(rb"\$([\x20-\x23\x25-\x29\x2b-\x7e]*)\*([0-9A-F]{2})")

_KNOT_MPS: Final = 1852 / 3600  # exact
_WIND_MPS: Final = {"K": 1 / 3.6, "M": 1.0, "N": _KNOT_MPS}
_INCH_HG_PA: Final = 3386.389  # conventional inch of mercury, NIST SP 811, appendix B.8
_BAR_PA: Final = 1e5

# XDR: letter of the transducer's type, and what a number of each unit is in ours.
_TRANSDUCERS: Final[Mapping[Quantity, tuple[str, Mapping[str, float]]]] = {
    Quantity.TEMP: ("C", {"C": 1.0}),
    Quantity.RH: ("H", {"P": 1.0}),
    Quantity.PRESSURE: ("P", {"B": _BAR_PA, "P": 1.0}),
}

# MDA: fields from 1 in order of preference, each with the unit that stands behind it and its size in ours. The
# direction is the true one: which way is north by a magnet differs by up to 20° from place to place.
_MDA: Final[Mapping[Quantity, tuple[tuple[int, str, float], ...]]] = {
    Quantity.TEMP: ((5, "C", 1.0),),
    Quantity.RH: ((9, "", 1.0),),
    Quantity.WIND: ((19, "M", 1.0), (17, "N", _KNOT_MPS)),
    Quantity.DIRECTION: ((13, "T", 1.0),),
    Quantity.PRESSURE: ((3, "B", _BAR_PA), (1, "I", _INCH_HG_PA)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """What one sensor wants of a sentence."""

    formatter: str
    talker: str
    quantities: tuple[Quantity, ...]
    reference: str
    names: Mapping[str, str]
    errors: tuple[float, ...]

    def number(self, text: str, what: str) -> float:
        value = number(text, what)
        if value in self.errors:
            raise EmptyText(f"{what}: {text} means that there is no value")
        return value


Values = tuple[float, ...] | None


def parser(spec: SensorSpec) -> Parse:
    """From a line to the values of a sensor, in the order of its quantities; None when it is another sentence."""
    options = spec.options
    wanted = _Wanted(
        formatter=options["sentence"],
        talker=options["talker"],
        quantities=spec.quantities,
        reference=options["reference"][0].upper(),
        names=options["transducers"],
        errors=tuple(options["errors"]),
    )
    return partial(_values, wanted=wanted)


def checksum(body: bytes) -> int:
    """Of what stands between `$` and `*`."""
    return reduce(xor, body, 0)


def fields_of(line: bytes, *, formatter: str, talker: str = "") -> list[str] | None:
    """The fields behind the address of a sound sentence, None for another one. Raises FrameError."""
    start = line.rfind(b"$")
    sentence = line[start:]
    address = sentence[1:7].decode("ascii", "replace")
    if start < 0 or address[2:] != f"{formatter}," or not re.match(talker or "[A-Z]{2}", address):
        return None
    if len(sentence) > _LONGEST:
        raise FrameError(f"longer than {_LONGEST} characters", sentence[:_LONGEST])
    match = _SENTENCE.fullmatch(sentence)
    if not match:
        raise FrameError("no checksum at its end, or bytes that no sentence has", sentence)
    body, sent = match[1], int(match[2], 16)
    if sent != (right := checksum(body)):
        raise ChecksumError(sent, right, sentence)
    return body.decode("ascii").split(",")[1:]


def _values(line: bytes, *, wanted: _Wanted) -> Values:
    fields = fields_of(line, formatter=wanted.formatter, talker=wanted.talker)
    return None if fields is None else _READS[wanted.formatter](fields, wanted)


def _mwv(fields: Sequence[str], wanted: _Wanted) -> Values:
    """Angle, R or T, speed, unit of speed, status."""
    angle, reference, speed, unit, status = _at_least(5, fields)
    if reference not in (wanted.reference, ""):
        return None
    if status != "A":
        raise EmptyText(f"MWV: status {status!r}, not A: the device does not trust its values")
    if reference == "":
        raise BadText("MWV: says neither R nor T")
    return tuple(
        wanted.number(speed, "MWV speed") * _size(unit, _WIND_MPS, "MWV speed")
        if quantity is Quantity.WIND
        else wanted.number(angle, "MWV angle")
        for quantity in wanted.quantities
    )


def _mda(fields: Sequence[str], wanted: _Wanted) -> Values:
    fields = [*fields, *[""] * (20 - len(fields))]  # instruments leave out what they do not have at the end
    return tuple(_of_mda(fields, quantity, wanted) for quantity in wanted.quantities)


def _of_mda(fields: Sequence[str], quantity: Quantity, wanted: _Wanted) -> float:
    what = f"MDA {quantity.key}"
    for at, unit, size in _MDA[quantity]:
        if fields[at - 1]:
            value = wanted.number(fields[at - 1], what)
            return value * (size if unit == "" else _size(fields[at], {unit: size}, what))
    raise EmptyText(f"{what}: empty")


def _xdr(fields: Sequence[str], wanted: _Wanted) -> Values:
    """Groups of type, value, unit and name."""
    if len(fields) % 4:
        raise FrameError(f"XDR of {len(fields)} fields, not groups of 4", ",".join(fields).encode())
    groups = list(zip(*[iter(fields)] * 4, strict=True))
    found = {quantity: _groups(groups, quantity, wanted) for quantity in wanted.quantities}
    if not any(found.values()):
        return None  # an instrument may spread what it has over several sentences
    return tuple(_of_xdr(found[quantity], quantity, wanted) for quantity in wanted.quantities)


def _groups(groups: Sequence[Sequence[str]], quantity: Quantity, wanted: _Wanted) -> list[Sequence[str]]:
    letter, name = _TRANSDUCERS[quantity][0], wanted.names.get(quantity.key)
    return [group for group in groups if group[0] == letter and name in (None, group[3])]


def _of_xdr(groups: Sequence[Sequence[str]], quantity: Quantity, wanted: _Wanted) -> float:
    what = f"XDR {quantity.key}"
    if len(groups) > 1:
        names = ", ".join(repr(group[3]) for group in groups)
        raise BadText(f"{what}: stands there for each of {names}; name one in transducers")
    if not groups:
        raise EmptyText(f"{what}: not in this sentence")
    _, value, unit, _ = groups[0]
    return wanted.number(value, what) * _size(unit, _TRANSDUCERS[quantity][1], what)


def _size(unit: str, sizes: Mapping[str, float], what: str) -> float:
    if unit not in sizes:
        raise BadText(f"{what}: unit {unit!r} is none of {', '.join(sizes)}")
    return sizes[unit]


def _at_least(count: int, fields: Sequence[str]) -> Sequence[str]:
    if len(fields) < count:
        raise FrameError(f"{len(fields)} fields, {count} needed", ",".join(fields).encode())
    return fields[:count]


_READS: Final[Mapping[str, Callable[[Sequence[str], _Wanted], Values]]] = {"MWV": _mwv, "MDA": _mda, "XDR": _xdr}
