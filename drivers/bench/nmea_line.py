"""Owns: what an emulated weather instrument says in NMEA 0183.

Must not know: drivers.nmea, to which it is an independent second writing; ports, zones.
How it works: `sentence` turns what a sensor of the bench measures, and its fault, into one line. Rules: NMEA 0183.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from gateway.barn import SensorSpec
from gateway.model import Quantity

# stuck, power-on and wet bend the values before they come here
NMEA_FAULTS: Final = ("silence", "torn", "checksum", "empty", "magic", "stuck", "power-on", "wet")

_TALKER: Final = "WI"  # weather instruments
_MAGIC: Final = 999.9  # what some instruments print for "no value"
_KNOTS: Final = 1.943844  # in a metre per second
_INCHES_HG: Final = 2.95299875e-4  # in a pascal
_XDR: Final = {
    Quantity.TEMP: ("C", "{:.1f}", 1.0, "C"),
    Quantity.RH: ("H", "{:.1f}", 1.0, "P"),
    Quantity.PRESSURE: ("P", "{:.5f}", 1e-5, "B"),
}


def sentence(spec: SensorSpec, values: Mapping[Quantity, float], fault: str, *, turn: int) -> bytes | None:
    """What it says now; None is silence. Torn sentences lose their end and a letter in turn."""
    if fault == "silence":
        return None
    say = {"MWV": _mwv, "MDA": _mda, "XDR": _xdr}[spec.options["sentence"]]
    if fault == "magic":
        errors = spec.options["errors"]
        values = dict.fromkeys(values, errors[0] if errors else _MAGIC)
    body = (spec.options["talker"] or _TALKER) + say(spec.options, values, fault == "empty")
    seal = 0
    for letter in body.encode():
        seal ^= letter
    if fault == "checksum":
        seal ^= 0x01
    line = f"${body}*{seal:02X}\r\n".encode()
    if fault == "torn":
        middle = len(line) // 2
        return line[:middle] + (b"\r\n" if turn % 2 else line[middle + 1 :])
    return line


def _mwv(options: Mapping[str, Any], values: Mapping[Quantity, float], empty: bool) -> str:
    reference = "T" if options["reference"] == "true" else "R"
    if empty:
        return f"MWV,,{reference},,M,V"
    angle = _shown(values, Quantity.DIRECTION, "{:.0f}")
    return f"MWV,{angle},{reference},{_shown(values, Quantity.WIND, '{:.1f}')},M,A"


def _mda(options: Mapping[str, Any], values: Mapping[Quantity, float], empty: bool) -> str:
    if empty:
        return "MDA" + 20 * ","
    inches = _shown(values, Quantity.PRESSURE, "{:.2f}", _INCHES_HG)
    bars = _shown(values, Quantity.PRESSURE, "{:.4f}", 1e-5)
    temp, rh = _shown(values, Quantity.TEMP, "{:.1f}"), _shown(values, Quantity.RH, "{:.1f}")
    angle = _shown(values, Quantity.DIRECTION, "{:.1f}")
    knots, mps = _shown(values, Quantity.WIND, "{:.1f}", _KNOTS), _shown(values, Quantity.WIND, "{:.1f}")
    return f"MDA,{inches},I,{bars},B,{temp},C,,,{rh},,,,{angle},T,,,{knots},N,{mps},M"


def _xdr(options: Mapping[str, Any], values: Mapping[Quantity, float], empty: bool) -> str:
    groups = []
    for quantity, (letter, form, scale, unit) in _XDR.items():
        if quantity in values:
            number = "" if empty else _shown(values, quantity, form, scale)
            groups.append(f",{letter},{number},{unit},{options['transducers'].get(quantity.key, '')}")
    return "XDR" + "".join(groups)


def _shown(values: Mapping[Quantity, float], quantity: Quantity, form: str, scale: float = 1.0) -> str:
    """Empty for what it does not measure."""
    return form.format(values[quantity] * scale) if quantity in values else ""
