"""Owns: what must agree between the tables of a site file: names, buses, units, coils, posts, ages.

Must not know: which single values are allowed, drivers, hardware.
How it works: each check walks the raw values and gives problems, so a misspelt key elsewhere hides nothing.
These values are what no form has accepted yet: a check leaves one of a wrong type alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from gateway.site_form import (
    CARRIES,
    DEAD_BAND,
    EVERY_S,
    LABEL_LETTERS,
    LATE_TIMES,
    LOST_TIMES,
    POSTS,
    BarnForm,
)
from gateway.site_lines import Document, Problem, Table, did_you_mean, nearest, one_of, shown

SOCKET_BYTES = 100  # Linux takes 107 bytes and a zero (unix(7), sun_path); a few are left for a temporary name

Problems = Iterator[Problem]

BUS_OF = {"modbus-air": "serial", "iio": "sysfs", "hwmon": "sysfs", "modbus-coils": "serial"}
NAMED = ("places", "buses", "sensors", "relays", "kit")
REFERENCES = (
    ("sensors", "place", "places"),
    ("sensors", "bus", "buses"),
    ("relays", "bus", "buses"),
    ("kit", "place", "places"),
    ("kit", "relay", "relays"),
)
# In these tables no two with the same value of the first key have the same value of the second.
ONCE = (
    *(((section,), "", "name") for section in NAMED),
    (("buses",), "", "port"),
    (("sensors", "relays"), "bus", "unit"),
    (("kit",), "relay", "coil"),
)
WIDTH = {"int32": 2, "uint32": 2, "float32": 2}  # registers of 16 bits that a value takes; others take one


def _number(row: Table, key: str, default: float | None = None) -> float | None:
    value = row.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e9:
        return None
    return value


def _text(row: Table, key: str) -> str:
    value = row.get(key)
    return value if isinstance(value, str) else ""


def _names(document: Document, section: str) -> list[str]:
    names = [_text(row, "name") for _, row in document.rows(section)]
    return [name for name in names if name]


def _used_twice(document: Document) -> Problems:
    for sections, scope, key in ONCE:
        seen: dict[tuple[Any, Any], str] = {}
        for section in sections:
            for i, row in document.rows(section):
                claim = (row.get(scope, ""), row.get(key))
                if not all(isinstance(value, str | int) for value in claim):
                    continue
                if claim in seen:
                    yield (section, i, key), f"found {shown(claim[1])}, taken by {seen[claim]}; allowed: one not in use"
                seen.setdefault(claim, f"{section}[{i}] {shown(row.get('name', ''))}")


def _unknown_names(document: Document) -> Problems:
    for section, key, target in REFERENCES:
        known = _names(document, target)
        for i, row in document.rows(section):
            name = _text(row, key)
            if name and name not in known:
                allowed = one_of(known) or f"nothing yet, there is no [[{target}]]"
                text = f"found {shown(name)}, not one of the {target};{did_you_mean(nearest(name, known))}"
                yield (section, i, key), f"{text} allowed: {allowed}"


def _wrong_bus(document: Document) -> Problems:
    buses = {_text(row, "name"): _text(row, "kind") for _, row in document.rows("buses")}
    for section in ("sensors", "relays"):
        for i, row in document.rows(section):
            kind, bus = _text(row, "kind"), _text(row, "bus")
            needed, found = BUS_OF.get(kind, ""), buses.get(bus, "")
            if needed and found in BUS_OF.values() and found != needed:
                fitting = one_of(name for name, is_a in buses.items() if is_a == needed)
                text = f"found {shown(bus)}, a bus of kind {shown(found)}; allowed for {shown(kind)}: one of kind"
                yield (section, i, "bus"), f"{text} {shown(needed)}{f', here {fitting}' if fitting else ''}"


def _unwatched_places(document: Document) -> Problems:
    watched = [_text(row, "place") for _, row in document.rows("sensors")]
    for i, row in document.rows("places"):
        if _text(row, "name") and row["name"] not in watched:
            yield (
                ("places", i, "name"),
                f"no sensor has place = {shown(row['name'])}; allowed: at least one sensor here",
            )


def _zone(document: Document) -> Problems:
    if not (zone := _text(document.table("barn"), "zone")):
        return
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder, as "America"
        guess = did_you_mean(nearest(zone, available_timezones()))
        yield ("barn", "zone"), f"found {shown(zone)};{guess} allowed: {BarnForm.model_fields['zone'].description}"


def _labels(document: Document) -> Problems:
    languages = document.table("barn").get("languages", ["en", "es"])
    for i, row in document.rows("places"):
        name, label = row.get("name"), row.get("label", {})
        if not isinstance(languages, list) or not isinstance(name, str) or not isinstance(label, dict):
            continue
        bare = [word for word in ("en", "es") if word in languages and word not in label]
        if bare and len(name) > LABEL_LETTERS:
            text = f"none for {one_of(bare)}, and the name {shown(name)} is too long for the wall"
            yield (("places", i, "label"), f"{text}; allowed: 1 to {LABEL_LETTERS} letters")


def _posts(document: Document) -> Problems:
    table = document.table("posts")
    posts = [(name, _number(table, name, default)) for name, default in POSTS.items()]
    gaps = []
    for (low_name, low), (name, high) in pairwise(posts):
        if low is None or high is None:
            return
        if high <= low:
            yield ("posts", name), f"found {shown(high)}; allowed: more than {low_name}, which is {shown(low)}"
        gaps.append(high - low)
    dead_band = _number(table, "dead_band", DEAD_BAND)
    if dead_band is not None and dead_band >= min(gaps) > 0:
        text = f"less than the smallest gap between two posts, which is {shown(min(gaps))}"
        yield ("posts", "dead_band"), f"found {shown(dead_band)}; allowed: {text}"


def _carries(document: Document) -> Problems:
    limits = [(name, _number(document.table("carry"), name, default)) for name, default in CARRIES.items()]
    for (high_name, high), (name, low) in pairwise(limits):
        if high is not None and low is not None and low >= high:
            yield ("carry", name), f"found {shown(low)}; allowed: less than {high_name}, which is {shown(high)}"


def _ages(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        every_s = _number(row, "every_s", EVERY_S)
        if every_s is None or every_s <= 0:
            continue
        late_s = _number(row, "late_after_s", LATE_TIMES * every_s)
        lost_s = _number(row, "lost_after_s", LOST_TIMES * every_s)
        if late_s is None or lost_s is None or every_s < late_s <= lost_s:
            continue
        key = "late_after_s" if "late_after_s" in row else "lost_after_s"
        here = f"here {shown(every_s)}, {shown(late_s)}, {shown(lost_s)}"
        unless = f"{LATE_TIMES} and {LOST_TIMES} times every_s unless given"
        yield (
            ("sensors", i, key),
            f"found {shown(row[key])}; allowed: every_s < late_after_s <= lost_after_s, {here} ({unless})",
        )


def _registers(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        base, taken = _number(row, "base"), set[float]()
        for key in ("temp", "rh"):
            register = row.get(key)
            first = _number(register, "register") if isinstance(register, dict) else None
            if base not in (0, 1) or first is None or not isinstance(register, dict):
                continue
            cells = {first + n for n in range(WIDTH.get(_text(register, "type"), 1))}
            if 0 <= first < base:
                yield (
                    ("sensors", i, key, "register"),
                    f"found {shown(first)}; allowed: from base, which is {shown(base)}",
                )
            elif cells & taken:
                yield (
                    ("sensors", i, key, "register"),
                    f"found {shown(first)}, part of temp; allowed: registers of its own",
                )
            taken |= cells


def _coils(document: Document) -> Problems:
    bases = {_text(row, "name"): _number(row, "base") for _, row in document.rows("relays")}
    for i, row in document.rows("kit"):
        coil, base = _number(row, "coil"), bases.get(_text(row, "relay"))
        if coil is not None and base in (0, 1) and 0 <= coil < base:
            text = f"found {shown(coil)}; allowed: from the base of its relay block, which is {shown(base)}"
            yield ("kit", i, "coil"), text


def _socket(document: Document) -> Problems:
    if socket := _text(document.table("link"), "socket"):
        size = len(str(document.path.absolute().parent / socket).encode())
        if size > SOCKET_BYTES:
            text = (
                f"found a path of {size} bytes in full; allowed: at most {SOCKET_BYTES}, the system's limit for sockets"
            )
            yield ("link", "socket"), text


CHECKS = (
    _used_twice,
    _unknown_names,
    _wrong_bus,
    _unwatched_places,
    _zone,
    _labels,
    _posts,
    _carries,
    _ages,
    _registers,
    _coils,
    _socket,
)
