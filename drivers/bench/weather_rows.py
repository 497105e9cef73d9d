"""Owns: reading a weather CSV into rows.

Must not know: what the rows are for: the bench draws lines between them, a replay holds each until the next.
How it works: the header names the columns, `time,temp_c,rh_pct` and perhaps `wind_mps`, `globe_c`, `ghi_wm2`; a time
is ISO 8601 with its zone. An empty field is a missing value; anything else that is no plausible number is refused
with the file and the line.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Final

from gateway.errors import WeatherError

NEEDED: Final = ("time", "temp_c", "rh_pct")
OPTIONAL: Final = ("wind_mps", "globe_c", "ghi_wm2")
_RANGES: Final = {
    "temp_c": (-60.0, 60.0),
    "rh_pct": (0.0, 100.0),
    "wind_mps": (0.0, 60.0),
    "globe_c": (-60.0, 90.0),
    "ghi_wm2": (0.0, 1500.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherRow:
    """One row; None where the file has no value."""

    when: datetime
    temp_c: float | None
    rh_pct: float | None
    wind_mps: float | None = None
    globe_c: float | None = None
    ghi_wm2: float | None = None


def read_rows(path: Path) -> tuple[WeatherRow, ...]:
    """All rows of a file, in rising time. Raises WeatherError, naming the file and the line."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            table = csv.DictReader(file)
            _check_header(path, table.fieldnames or ())
            rows = tuple(_row(path, table.line_num, fields) for fields in table)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise WeatherError(f"{path}: cannot be read: {error}") from error
    if not rows:
        raise WeatherError(f"{path}, line 2: no row of weather")
    for number, (before, after) in enumerate(pairwise(rows), start=2):
        if after.when <= before.when:
            raise WeatherError(f"{path}: row {number} is not later than the row before it; sort the file by time")
    return rows


def _check_header(path: Path, names: Iterable[str]) -> None:
    names = tuple(names)
    missing = [name for name in NEEDED if name not in names]
    unknown = [name for name in names if name not in NEEDED + OPTIONAL]
    if missing:
        raise WeatherError(f"{path}, line 1: no column {', '.join(missing)}; the header is {','.join(names)}")
    if unknown:
        allowed = ", ".join(NEEDED + OPTIONAL)
        raise WeatherError(f"{path}, line 1: unknown column {', '.join(unknown)}; allowed: {allowed}")


def _row(path: Path, line: int, fields: Mapping[str, str | None]) -> WeatherRow:
    if None in fields or None in fields.values():
        raise WeatherError(f"{path}, line {line}: not as many values as the header has names")
    values = {name: _number(path, line, name=name, text=text or "") for name, text in fields.items() if name != "time"}
    return WeatherRow(
        when=_time(path, line, fields["time"] or ""),
        temp_c=values["temp_c"],
        rh_pct=values["rh_pct"],
        wind_mps=values.get("wind_mps"),
        globe_c=values.get("globe_c"),
        ghi_wm2=values.get("ghi_wm2"),
    )


def _time(path: Path, line: int, text: str) -> datetime:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise WeatherError(f"{path}, line {line}: {text!r} is not an ISO 8601 time") from error
    if when.tzinfo is None:
        raise WeatherError(f"{path}, line {line}: {text!r} has no zone; write for example {text.strip()}-04:00")
    return when


def _number(path: Path, line: int, *, name: str, text: str) -> float | None:
    if not text.strip():
        return None
    low, high = _RANGES[name]
    try:
        value = float(text)
    except ValueError as error:
        raise WeatherError(f"{path}, line {line}: {name} is {text!r}, not a number") from error
    if not low <= value <= high:
        raise WeatherError(f"{path}, line {line}: {name} is {value:g}, allowed are {low:g} to {high:g}")
    return value
