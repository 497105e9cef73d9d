"""Owns: a table over a range of temperatures and humidities, as text and as CSV.

Must not know: how a cell is reckoned beyond its name, pictures.
How it works: one row for a temperature, one column for a humidity as text; one line for a cell as CSV. Temperatures
stay in the unit in which they were asked for.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum

from gateway.app.reckon import Asked
from gateway.app.reckon_units import Span
from gateway.app.reckon_words import conditions, one_digit
from gateway.heat.balance import carry, roof
from gateway.heat.indices import heat_sum
from gateway.heat.psychro import wet_bulb_c
from gateway.heat.units import celsius, fahrenheit

_LOW_MARK = "!"


class Quantity(StrEnum):
    """What stands in the cells."""

    CARRY = "carry"
    ROOF = "roof"
    SUM = "sum"
    WET_BULB = "wet-bulb"


def as_csv(temps: Span, humidities: Span, asked: Asked, quantity: Quantity) -> str:
    """One line for each cell; units stand in brackets in the header."""
    unit = {
        Quantity.CARRY: f"carry at {asked.pace} [1]",
        Quantity.ROOF: "roof [pace]",
        Quantity.SUM: "sum [°F + %]",
        Quantity.WET_BULB: f"wet bulb [°{temps.unit}]",
    }[quantity]
    cell = _cell(quantity, temps.unit, exact=True)
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow((f"temp [°{temps.unit}]", "rh [%]", unit))
    rows.writerows(
        (f"{temp:g}", f"{rh:g}", cell(at(asked, temps.unit, temp, rh)))
        for temp in temps.values
        for rh in humidities.values
    )
    return out.getvalue().rstrip("\n")


def as_text(temps: Span, humidities: Span, asked: Asked, quantity: Quantity) -> str:
    """Aligned columns under a line that says what they are."""
    cell = _cell(quantity, temps.unit, exact=False)
    head = [f"°{temps.unit} \\ %", *(f"{rh:g}" for rh in humidities.values)]
    rows = [
        [f"{temp:g}", *(cell(at(asked, temps.unit, temp, rh)) for rh in humidities.values)] for temp in temps.values
    ]
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(len(head))]
    lines = ["  ".join(f"{text:>{wide}}" for text, wide in zip(row, widths, strict=True)) for row in (head, *rows)]
    return "\n".join((_title(asked, quantity, temps.unit), "", *lines, *_legend(quantity, lines)))


def at(asked: Asked, unit: str, degrees: float, rh_pct: float) -> Asked:
    """The same question for another state of the air; `degrees` are of `unit`, "F" or "C"."""
    return replace(asked, temp_c=celsius(degrees) if unit == "F" else degrees, rh_pct=rh_pct)


def _title(asked: Asked, quantity: Quantity, unit: str) -> str:
    if quantity is Quantity.SUM:
        return "Sum of °F and % relative humidity"
    if quantity is Quantity.WET_BULB:
        return f"Wet bulb [°{unit}], {asked.altitude_m:.0f} m above the sea"
    if quantity is Quantity.ROOF:
        return f"Roof, the fastest pace that the air carries: {conditions(asked, pace=None)}"
    return f"Carry: {conditions(asked, pace=asked.pace)}"


def _legend(quantity: Quantity, lines: list[str]) -> tuple[str, ...]:
    marked = quantity is Quantity.CARRY and any(_LOW_MARK in line for line in lines)
    own = "An estimate for a typical horse; look at the horse." if quantity in (Quantity.CARRY, Quantity.ROOF) else ""
    mark = f"{_LOW_MARK} below 1: the air cannot take the heat." if marked else ""
    said = " ".join(text for text in (mark, own) if text)
    return ("", said) if said else ()


def _cell(quantity: Quantity, unit: str, *, exact: bool) -> Callable[[Asked], str]:
    """The text of one cell: short for people, all digits that mean something for programs."""
    if quantity is Quantity.CARRY:
        return _carry_exact if exact else _carry_short
    if quantity is Quantity.ROOF:
        return _roof
    if quantity is Quantity.SUM:
        return _sum_exact if exact else _sum_short
    return lambda asked: _wet_bulb(asked, unit, 3 if exact else 1)


def _carry_exact(asked: Asked) -> str:
    return f"{carry(asked.around(), asked.pace, asked.horse()):.4f}"


def _carry_short(asked: Asked) -> str:
    value = carry(asked.around(), asked.pace, asked.horse())
    return f"{min(value, 0.99):.2f}{_LOW_MARK}" if value < 1.0 else f"{value:.2f} "


def _roof(asked: Asked) -> str:
    found = roof(asked.around(), asked.horse())
    return "none" if found is None else found.value


def _sum_exact(asked: Asked) -> str:
    return f"{heat_sum(temp_c=asked.temp_c, rh_pct=asked.rh_pct):.10g}"


def _sum_short(asked: Asked) -> str:
    return one_digit(heat_sum(temp_c=asked.temp_c, rh_pct=asked.rh_pct))


def _wet_bulb(asked: Asked, unit: str, digits: int) -> str:
    found_c = wet_bulb_c(temp_c=asked.temp_c, rh_pct=asked.rh_pct, pressure_pa=asked.around().pressure_pa)
    return f"{fahrenheit(found_c) if unit == 'F' else found_c:.{digits}f}"
