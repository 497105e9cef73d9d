"""Owns: from the words on the line to the text that `loosebox calibrate` prints: errors, advice, a block to paste.

Must not know: how a correction is applied, devices.
How it works: a point is a salt, what the sensor said and at which temperature; or what a thermometer said in melting
ice. With a site file the sensor is looked up there: what stands corrected already is taken as said with that
correction, so the new offset holds both and replaces the old block.
"""

from __future__ import annotations

import argparse
import datetime
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from gateway.errors import GatewayError, RangeError
from gateway.heat.salts import (
    ICE_C,
    ICE_CORRECT_K,
    ICE_K,
    ICE_REPLACE_K,
    RH_CORRECT_PCT,
    RH_REPLACE_PCT,
    SALT_PCT,
    SALTS,
    Advice,
    ice_advice,
    rh_advice,
    salt_rh_pct,
)
from gateway.model import Quantity, Stamp
from gateway.site import load
from gateway.site_lines import did_you_mean, nearest, shown

_POINT: Final = re.compile(r"([A-Za-z0-9()]+)=([0-9.]+)@(-?[0-9.]+)")
_NAME: Final = re.compile("[a-z][a-z0-9-]{0,30}")
_BY: Final = re.compile(r"[^\s]+( [^\s]+)*")
_BY_LETTERS: Final = 40
ICED = ("temp", "globe", "skin")
_READ_C: Final = (-30.0, 60.0)  # a thermometer in ice that says more is read wrongly, or in another unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """What was there, what the sensor said, and how sure the first is."""

    where: str
    true: float
    said: float
    unsure: float

    @property
    def error(self) -> float:
        return self.said - self.true


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """All points of one sensor and what they mean. `standing` is the offset that was in force."""

    sensor: str
    quantity: str
    unit: str
    points: tuple[Point, ...]
    advice: Advice
    standing: float | None
    reference: str

    @property
    def offset(self) -> float:
        mean = sum(point.error for point in self.points) / len(self.points)
        return (self.standing or 0.0) - mean


def answer(args: argparse.Namespace, now: Stamp) -> str:
    """What to print. Raises GatewayError, RangeError, SiteError."""
    _check_words(args)
    points = _salts(args.point) if args.quantity == "rh" else (_ice(args.ice),)
    errors = [point.error for point in points]
    found = Found(
        sensor=args.sensor,
        quantity=args.quantity,
        unit="%" if args.quantity == "rh" else "K",
        points=points,
        advice=rh_advice(errors) if args.quantity == "rh" else ice_advice(errors[0]),
        standing=_standing(args.site, args.sensor, args.quantity) if args.site else None,
        reference=_reference(points),
    )
    text = "\n".join((*_said(found), *_advised(found)))
    return text if found.advice is not Advice.CORRECT else f"{text}\n\n{_block(found, args.by, args.on, now)}"


# --- reading the line -----------------------------------------------------------------------------------


def _check_words(args: argparse.Namespace) -> None:
    if not _NAME.fullmatch(args.sensor):
        raise GatewayError(f"{shown(args.sensor)} is no name of a sensor: a to z, 0 to 9 and -, a letter first")
    if not _BY.fullmatch(args.by) or len(args.by) > _BY_LETTERS or not args.by.isprintable():
        raise GatewayError(f"--by takes the name of a person, up to {_BY_LETTERS} letters")
    if args.quantity == "rh" and (args.ice is not None or len(args.point or ()) < 2):
        raise GatewayError(
            "rh needs two points or more, as --point NaCl=73.1@24.5 --point MgCl2=31.0@24.5; one cannot tell a shifted "
            "sensor from a worn one"
        )
    if args.quantity in ICED and (args.point or args.ice is None):
        raise GatewayError(f"{args.quantity} needs what the sensor says in melting ice, as --ice 0.4")


def _salts(texts: Sequence[str]) -> tuple[Point, ...]:
    points = tuple(_salt(text) for text in texts)
    if len({point.where.split()[0] for point in points}) < 2:
        raise GatewayError("two points of one salt say the same thing twice; take NaCl and MgCl2")
    return points


def _salt(text: str) -> Point:
    match = _POINT.fullmatch(text)
    if not match:
        raise GatewayError(
            f"--point {text}: say salt, what the sensor says in % and the temperature, as NaCl=73.1@24.5"
        )
    name, said_pct, at_c = match[1], _number(match[2]), _number(match[3])
    salt = next((salt for salt in SALTS if salt.name.lower() == name.lower()), None)
    if salt is None:
        known = [salt.name for salt in SALTS]
        guess = did_you_mean(nearest(name, known))
        raise GatewayError(f"--point {text}: {name} is not in the table;{guess} known are {', '.join(known)}")
    if not 0 <= said_pct <= 120:
        raise RangeError("relative humidity of the sensor [%]", said_pct, 0, 120)
    where = f"{salt.name} at {at_c:g} °C"
    return Point(where=where, true=salt_rh_pct(salt, temp_c=at_c), said=said_pct, unsure=SALT_PCT)


def _ice(text: str) -> Point:
    said_c = _number(text)
    low_c, high_c = _READ_C
    if not low_c <= said_c <= high_c:
        raise RangeError("temperature of the sensor in ice [°C]", said_c, low_c, high_c)
    return Point(where="melting ice", true=ICE_C, said=said_c, unsure=ICE_K)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise GatewayError(f"{text} is not a number") from None


def _standing(site: Path, sensor: str, quantity: str) -> float | None:
    """The offset that the site file has for it. Raises GatewayError when it has no such sensor."""
    barn = load(site).barn
    channels = {spec.name: {channel.quantity.key for channel in spec.channels} for spec in barn.sensors}
    if sensor not in channels:
        guess = did_you_mean(nearest(sensor, channels))
        raise GatewayError(f"{site.name} has no sensor {shown(sensor)};{guess} it has {', '.join(channels)}")
    if quantity not in channels[sensor]:
        raise GatewayError(f"{sensor} does not measure {quantity}, it has {', '.join(sorted(channels[sensor]))}")
    name = next(each for each in Quantity if each.key == quantity)
    return next((each.offset for each in barn.corrections if each.channel == f"{sensor}.{name}"), None)


# --- what is said ---------------------------------------------------------------------------------------


def _said(found: Found) -> list[str]:
    unit = found.unit
    shown_as = "°C" if unit == "K" else unit
    lines = [f"{found.sensor}, {found.quantity}:"]
    if found.standing is not None:
        lines.append(f"  a correction of {found.standing:+g} {unit} stands; it is taken to be in what the sensor says")
    for point in found.points:
        true = f"{point.true:.1f} ± {point.unsure:g} {shown_as}"
        error = f"error {point.error:+.1f} ± {point.unsure:g} {unit}"
        lines.append(f"  {point.where}: {true}, the sensor says {point.said:.1f}: {error}")
    return lines


def _advised(found: Found) -> list[str]:
    humid = found.quantity == "rh"
    least = f"{RH_CORRECT_PCT:g} % at every point" if humid else f"{ICE_CORRECT_K:g} K"
    match found.advice:
        case Advice.KEEP:
            return [f"Leave it as it is: a correction is for errors of more than {least}."]
        case Advice.CORRECT:
            return [f"Correct it: the error is more than {least}. Paste this into the site file:"]
    why = (
        f"its errors differ by more than {RH_REPLACE_PCT:g} %"
        if humid
        else f"it is off by more than {ICE_REPLACE_K:g} K"
    )
    return [f"Replace it: {why}. No single number makes that good. Was the point prepared well? Then try it once more."]


def _reference(points: Sequence[Point]) -> str:
    names = ", ".join(dict.fromkeys(point.where.split()[0] for point in points))
    return "melting ice, 0 °C" if points[0].where == "melting ice" else f"saturated salts {names}"


def _block(found: Found, by: str, on: datetime.date | None, now: Stamp) -> str:
    day = on or datetime.datetime.fromtimestamp(now.wall_s, datetime.UTC).astimezone().date()
    unsure_day = "    # this machine's clock is not set: is the day right?" if on is None and not now.trusted else ""
    instead = "# instead of the one that stands there\n" if found.standing is not None else ""
    quoted = by.replace("\\", "\\\\").replace('"', '\\"')
    return (
        f"{instead}[[corrections]]\n"
        f'sensor = "{found.sensor}"\n'
        f'quantity = "{found.quantity}"\n'
        f"offset = {found.offset:.1f}\n"
        f"on = {day.isoformat()}{unsure_day}\n"
        f'by = "{quoted}"\n'
        f'reference = "{found.reference}"'
    )
