"""Owns: what must agree between the tables of a site file: names, buses, posts, ages.

Must not know: which single values are allowed, drivers, hardware. What must agree inside a device stands in
`site_device_checks`.
How it works: each check walks the raw values and gives problems, so a misspelt key elsewhere hides nothing.
These values are what no form has accepted yet: a check leaves one of a wrong type alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from gateway.model import AIR
from gateway.site_alarms import alarm_checks
from gateway.site_device_checks import DEVICE_CHECKS
from gateway.site_form import CARRIES, DEAD_BAND, POSTS, BarnForm
from gateway.site_lines import Document, Problem, did_you_mean, nearest, number_of, one_of, shown, text_of
from gateway.site_sensors import EVERY_S, LATE_TIMES, LOST_TIMES, measured
from gateway.site_web import web_checks
from gateway.site_words import LABEL_LETTERS

SOCKET_BYTES = 100  # Linux takes 107 bytes and a zero (unix(7), sun_path); a few are left for a temporary name

Problems = Iterator[Problem]

BUS_OF = {
    "modbus-registers": ("serial", "modbus-tcp"),
    "modbus-inputs": ("serial", "modbus-tcp"),
    "modbus-coils": ("serial", "modbus-tcp"),
    "modbus-speed": ("serial", "modbus-tcp"),
    "iio": ("sysfs",),
    "iio-loop": ("sysfs",),
    "iio-volts": ("sysfs",),
    "hwmon": ("sysfs",),
    "w1": ("sysfs",),
    "pwm": ("sysfs",),
    "sht3x": ("i2c",),
    "sht4x": ("i2c",),
    "bme280": ("i2c",),
    "text-line": ("lines",),
    "nmea": ("lines",),
    "sdi12": ("sdi12",),
    "gpio-contact": ("gpio",),
    "gpio-pulse": ("gpio",),
    "gpio-lines": ("gpio",),
    "mqtt": ("mqtt",),
    "mqtt-relay": ("mqtt",),
}
NAMED = ("places", "buses", "sensors", "relays", "kit", "signals")
REFERENCES = (
    ("sensors", "place", "places"),
    ("sensors", "bus", "buses"),
    ("relays", "bus", "buses"),
    ("kit", "place", "places"),
    ("kit", "relay", "relays"),
    ("kit", "switch", "sensors"),
    ("signals", "relay", "relays"),
    ("corrections", "sensor", "sensors"),
    ("places", "vents", "sensors"),
)
# In these tables no two with the same value of the first key have the same value of the second.
ONCE = (
    *(((section,), "", "name") for section in NAMED),
    *((("buses",), "", key) for key in ("port", "device", "chip")),
    (("corrections",), "sensor", "quantity"),
    (("contacts",), "", "name"),
    (("contacts",), "", "mqtt"),
)


def _names(document: Document, section: str) -> list[str]:
    names = [text_of(row, "name") for _, row in document.rows(section)]
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


def _place_and_kit(document: Document) -> Problems:
    """People take kit and places by hand by name, outputs are kept by it: the same name would be two things."""
    places, kit = _names(document, "places"), _names(document, "kit")
    for section, taken in (("kit", {"a place": places}), ("signals", {"a place": places, "a piece of kit": kit})):
        for i, row in document.rows(section):
            for what, names in taken.items():
                if text_of(row, "name") in names:
                    yield (section, i, "name"), f"found {shown(row['name'])}, the name of {what}; allowed: another one"


def _unknown_names(document: Document) -> Problems:
    for section, key, target in REFERENCES:
        known = _names(document, target)
        for i, row in document.rows(section):
            name = text_of(row, key)
            if name and name not in known:
                allowed = one_of(known) or f"nothing yet, there is no [[{target}]]"
                text = f"found {shown(name)}, not one of the {target};{did_you_mean(nearest(name, known))}"
                yield (section, i, key), f"{text} allowed: {allowed}"


def _wrong_bus(document: Document) -> Problems:
    buses = {text_of(row, "name"): text_of(row, "kind") for _, row in document.rows("buses")}
    known = {kind for kinds in BUS_OF.values() for kind in kinds}
    for section in ("sensors", "relays"):
        for i, row in document.rows(section):
            kind, bus = text_of(row, "kind"), text_of(row, "bus")
            needed, found = BUS_OF.get(kind, ()), buses.get(bus, "")
            if needed and found in known and found not in needed:
                fitting = one_of(name for name, is_a in buses.items() if is_a in needed)
                what = f"found {shown(bus)}, a bus of kind {shown(found)}; allowed for {shown(kind)}: one of kind"
                yield (section, i, "bus"), f"{what} {one_of(needed)}{f', here {fitting}' if fitting else ''}"
    if "mqtt" in buses.values() and not document.table("mqtt"):
        yield ("mqtt",), 'missing; allowed: a table [mqtt], since a bus has kind "mqtt"'


def _unwatched_places(document: Document) -> Problems:
    watched = [text_of(row, "place") for _, row in document.rows("sensors") if set(AIR) <= set(measured(row))]
    for i, row in document.rows("places"):
        if text_of(row, "name") and row["name"] not in watched:
            what = f"no sensor of temperature and humidity has place = {shown(row['name'])}"
            yield ("places", i, "name"), f"{what}; allowed: at least one such sensor here"


def _zone(document: Document) -> Problems:
    if not (zone := text_of(document.table("barn"), "zone")):
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
    posts = [(name, number_of(table, name, default)) for name, default in POSTS.items()]
    gaps = []
    for (low_name, low), (name, high) in pairwise(posts):
        if low is None or high is None:
            return
        if high <= low:
            yield ("posts", name), f"found {shown(high)}; allowed: more than {low_name}, which is {shown(low)}"
        gaps.append(high - low)
    dead_band = number_of(table, "dead_band", DEAD_BAND)
    if dead_band is not None and dead_band >= min(gaps) > 0:
        text = f"less than the smallest gap between two posts, which is {shown(min(gaps))}"
        yield ("posts", "dead_band"), f"found {shown(dead_band)}; allowed: {text}"


def _carries(document: Document) -> Problems:
    limits = [(name, number_of(document.table("carry"), name, default)) for name, default in CARRIES.items()]
    for (high_name, high), (name, low) in pairwise(limits):
        if high is not None and low is not None and low >= high:
            yield ("carry", name), f"found {shown(low)}; allowed: less than {high_name}, which is {shown(high)}"


def _ages(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        every_s = number_of(row, "every_s", EVERY_S)
        if every_s is None or every_s <= 0:
            continue
        late_s = number_of(row, "late_after_s", LATE_TIMES * every_s)
        lost_s = number_of(row, "lost_after_s", LOST_TIMES * every_s)
        if late_s is None or lost_s is None or every_s < late_s <= lost_s:
            continue
        key = "late_after_s" if "late_after_s" in row else "lost_after_s"
        here = f"here {shown(every_s)}, {shown(late_s)}, {shown(lost_s)}"
        unless = f"{LATE_TIMES} and {LOST_TIMES} times every_s unless given"
        yield (
            ("sensors", i, key),
            f"found {shown(row[key])}; allowed: every_s < late_after_s <= lost_after_s, {here} ({unless})",
        )


def _socket(document: Document) -> Problems:
    if socket := text_of(document.table("link"), "socket"):
        size = len(str(document.path.absolute().parent / socket).encode())
        if size > SOCKET_BYTES:
            text = (
                f"found a path of {size} bytes in full; allowed: at most {SOCKET_BYTES}, the system's limit for sockets"
            )
            yield ("link", "socket"), text


CHECKS = (
    _used_twice,
    _place_and_kit,
    _unknown_names,
    _wrong_bus,
    _unwatched_places,
    _zone,
    _labels,
    _posts,
    _carries,
    _ages,
    _socket,
    web_checks,
    alarm_checks,
    *DEVICE_CHECKS,
)
