"""Owns: from the words on the line to the text that `loosebox reckon` prints.

Must not know: how anything is reckoned or drawn.
How it works: every quantity is read with its unit, contradictions are refused in one line that says what to change,
then one of words, JSON, table or picture is made.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable

from gateway.app import reckon_units as units
from gateway.app.reckon import Asked, as_json, reckon
from gateway.app.reckon_picture import roof_picture
from gateway.app.reckon_table import Quantity, as_csv, as_text, at
from gateway.app.reckon_words import in_words
from gateway.barn import DEFAULT_POSTS
from gateway.errors import GatewayError
from gateway.heat.horse import Pace
from gateway.heat.uncertainty import Accuracy


def answer(args: argparse.Namespace) -> str:
    """What to print. Raises GatewayError, RangeError."""
    temps, humidities = units.temperatures(args.temp), units.humidities(args.rh)
    asked = at(_asked(args), temps.unit, temps.values[0], humidities.values[0])
    if args.table is not None:
        return _table(args, temps, humidities, asked)
    if args.of is not None:
        raise GatewayError("--of chooses what a table shows: add --table text or --table csv")
    if temps.is_range or humidities.is_range:
        raise GatewayError("a range needs a table: add --table text, csv or svg, or give one temperature and humidity")
    found = reckon(asked, DEFAULT_POSTS)
    return json.dumps(as_json(found)) if args.json else in_words(found, DEFAULT_POSTS)


def _asked(args: argparse.Namespace) -> Asked:
    """Everything beside the air itself, which the caller puts in for each cell."""
    plain = Asked(temp_c=20.0, rh_pct=50.0)
    return Asked(
        temp_c=plain.temp_c,
        rh_pct=plain.rh_pct,
        air_mps=_given(args.air, units.speed_mps),
        globe_c=_given(args.globe, units.temperature_c),
        sun_w_m2=_given(args.sun, units.sun_w_m2),
        altitude_m=plain.altitude_m if args.altitude is None else units.height_m(args.altitude),
        mass_kg=plain.mass_kg if args.mass is None else units.mass_kg(args.mass),
        pace=Pace(args.pace),
        wetness=plain.wetness if args.wet is None else units.wetness(args.wet),
        just_worked=args.just_worked,
        accuracy=Accuracy(
            temp_k=plain.accuracy.temp_k if args.temp_error is None else units.apart_k(args.temp_error),
            rh_pct=plain.accuracy.rh_pct if args.rh_error is None else units.humidity_pct(args.rh_error),
        ),
    )


def _given(text: str | None, read: Callable[[str], float]) -> float | None:
    return None if text is None else read(text)


def _table(args: argparse.Namespace, temps: units.Span, humidities: units.Span, asked: Asked) -> str:
    if args.json:
        raise GatewayError("--json is for one state of the air; for programs, a table is --table csv")
    if asked.globe_c is not None:
        raise GatewayError("--globe belongs to one air temperature: leave it out of a table")
    if args.table == "svg":
        if args.of not in (None, Quantity.ROOF):
            raise GatewayError("the picture shows the roof: leave --of out, or ask for --table text or csv")
        if not (temps.is_range and humidities.is_range):
            raise GatewayError("the picture needs two ranges, as --temp 20C..38C/2C --rh 30..90/10")
        return roof_picture(temps, humidities, asked, DEFAULT_POSTS)
    quantity = Quantity.CARRY if args.of is None else Quantity(args.of)
    return (as_csv if args.table == "csv" else as_text)(temps, humidities, asked, quantity)
