"""Owns: `loosebox export`: the readings of a stretch of time, as CSV or as line protocol.

Must not know: SQL.
How it works: in CSV one line is one measurement of one sensor, with a column for each quantity whose unit stands in
the header; coarse ones have least, mean, largest value and their number. `clock` says whether the time is that of a
set clock, put right later, or of a clock that was never set. Line protocol is what uplink sends to a store.
"""

from __future__ import annotations

import csv
import datetime
import sys
from argparse import Namespace
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TextIO

from gateway.app.why import parse_time
from gateway.control.inputs import UNITS
from gateway.errors import GatewayError, SiteError
from gateway.model import Quantity
from gateway.site import Site
from gateway.store.clocks import Clock
from gateway.store.extract import Extract, Listed, Told
from gateway.uplink.lines import LineWriter

RESOLUTIONS = ("raw", "minute", "quarter")
FORMATS = ("csv", "lines")
_FIRST_MS, _LAST_MS = -(2**50), 2**50


def export(args: Namespace, site: Site) -> int:
    """Write what was asked for; returns how many lines. Raises SiteError, StoreError, GatewayError."""
    history = Extract(site.history_file)
    channels = _chosen(history.listed(), args.channels)
    from_ms = _ms(args.begin, site, _FIRST_MS)
    to_ms = _ms(args.end, site, _LAST_MS)
    if args.format == "lines" and args.resolution != "raw":
        raise SiteError(("line protocol carries readings: leave --resolution out, or take --format csv",))
    told = history.told(channels, from_wall_ms=from_ms, to_wall_ms=to_ms, resolution=args.resolution)
    try:
        with _place(args.out) as out:
            if args.format == "lines":
                return _write_lines(told, site, out)
            return _write_csv(told, channels, args.resolution, out)
    except OSError as error:
        raise GatewayError(f"cannot write {args.out or 'to standard output'}: {error.strerror}") from error


def _place(out: Path | None) -> nullcontext[TextIO] | TextIO:
    return nullcontext(sys.stdout) if out is None else out.open("w", newline="", encoding="utf-8")


def _ms(text: str | None, site: Site, otherwise: int) -> int:
    return otherwise if text is None else round(parse_time(text, site.barn.zone).timestamp() * 1000)


def _chosen(listed: Sequence[Listed], wanted: str | None) -> tuple[Listed, ...]:
    """Channels by the names of channels, sensors or places."""
    if wanted is None:
        return tuple(listed)
    names = set(wanted.split(","))
    chosen = tuple(each for each in listed if names & {each.name, each.sensor, each.place})
    if unknown := names - {name for each in listed for name in (each.name, each.sensor, each.place)}:
        known = ", ".join(sorted({each.name for each in listed}))
        raise SiteError((f"the history has nothing called {', '.join(sorted(unknown))}; it has {known}",))
    return chosen


def _write_csv(told: Iterator[tuple[Told, ...]], channels: Sequence[Listed], resolution: str, out: TextIO) -> int:
    table = csv.writer(out, lineterminator="\n")
    quantities = [q for q in Quantity if any(each.quantity == q for each in channels)]
    parts = ("",) if resolution == "raw" else (" low", " mean", " high", " count")
    heads = [f"{q}{part}{_unit(q, part)}" for q in quantities for part in parts]
    table.writerow(["time_utc", "clock", "place", "sensor", *heads, *(["quality"] if resolution == "raw" else [])])
    lines = 0
    for instant in told:
        for by_quantity in _measurements(instant):
            first = next(iter(by_quantity.values()))
            values = [text for q in quantities for text in _values(by_quantity.get(q), resolution)]
            quality = [_quality(by_quantity)] if resolution == "raw" else []
            place = (first.channel.place, first.channel.sensor or first.channel.name)
            table.writerow([_utc(first.wall_ms), first.clock, *place, *values, *quality])
            lines += 1
    return lines


def _measurements(instant: tuple[Told, ...]) -> Iterator[dict[str, Told]]:
    """What one sensor told at one instant, by quantity; a channel that the barn did not list has no sensor."""
    found: dict[tuple[str, str], dict[str, Told]] = {}
    for told in instant:
        key = (told.channel.place, told.channel.sensor or told.channel.name)
        found.setdefault(key, {})[told.channel.quantity] = told
    yield from found.values()


def _values(told: Told | None, resolution: str) -> tuple[str, ...]:
    if resolution == "raw":
        return ("" if told is None or told.mean is None else repr(told.mean),)
    if told is None:
        return ("", "", "", "")
    return (*("" if value is None else f"{value:.10g}" for value in (told.low, told.mean, told.high)), str(told.count))


def _quality(by_quantity: dict[str, Told]) -> str:
    """One word when it is the same for all, else each with its quantity."""
    words = {quantity: told.quality for quantity, told in by_quantity.items()}
    if len(set(words.values())) == 1:
        return next(iter(words.values()))
    return "; ".join(f"{quantity}: {word}" for quantity, word in words.items())


def _unit(quantity: Quantity, part: str) -> str:
    unit = UNITS[quantity]
    return f" [{unit}]" if unit and part != " count" else ""


def _utc(wall_ms: int) -> str:
    """ISO 8601; a clock that was far off may have said a year that no calendar has."""
    try:
        when = datetime.datetime.fromtimestamp(wall_ms / 1000, datetime.UTC)
    except (ValueError, OverflowError, OSError):
        return ""
    return f"{when:%Y-%m-%dT%H:%M:%S}.{wall_ms % 1000:03d}Z"


def _write_lines(told: Iterator[tuple[Told, ...]], site: Site, out: TextIO) -> int:
    writer, lines = LineWriter(site.barn.name), 0
    for instant in told:
        for each in instant:
            channel = (each.channel.name, each.channel.sensor, each.channel.place, each.channel.quantity)
            sure = each.clock is not Clock.UNSYNCED
            line = writer.reading(channel, wall_ms=each.wall_ms, value=each.mean, quality=each.quality, sure=sure)
            out.write(line + "\n")
            lines += 1
    return lines
