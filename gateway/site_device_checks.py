"""Owns: what must agree inside a sensor, a relay or a piece of kit: outputs, registers, wiring, proofs.

Must not know: which single values are allowed, drivers, hardware.
How it works: as in `site_checks`: each check walks raw values, which no form has accepted yet, and leaves one of a
wrong type alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gateway.model import Quantity
from gateway.site_kit import OUTPUT_OF
from gateway.site_lines import Document, Key, Problem, Table, nearest, number_of, one_of, shown, text_of
from gateway.site_sensors import NMEA_HAS, PLACED, measured

Problems = Iterator[Problem]

WIDTH = {"int32": 2, "uint32": 2, "float32": 2}  # registers of 16 bits that a value takes; others take one
LAST_REGISTER = 65535
DRIVES = ("register", "channel")  # outputs of drives, which no signal can have: the check of the wiring says so

# Which wiring fits which kind of relay, and why another does not.
CONTACTS = {
    "modbus-coils": ("normally-closed", "normally-open"),
    "gpio-lines": ("normally-closed", "normally-open"),
    "mqtt-relay": ("normally-closed", "normally-open"),
    "modbus-speed": ("full-on-loss",),
    "pwm": ("full-on-loss",),
}
# What is safe for each kind of kit, as its form says.
SAFE = {
    "fan": ("normally-closed", "full-on-loss"),
    **dict.fromkeys(("mister", "valve", "lamp", "chime"), ("normally-open",)),
}
SPEAKING = ("w1", "nmea")  # their form asks for `measures`
# Keys of nmea that only one sentence knows.
ONLY_IN = {"transducers": "XDR", "reference": "MWV"}
# Of these keys of an inner table exactly one must be there.
EITHER: dict[str, tuple[str, ...]] = {"text-line": ("column", "pointer"), "mqtt": ("name", "pointer")}


def _by_name(document: Document, section: str) -> dict[str, Table]:
    return {text_of(row, "name"): row for _, row in document.rows(section) if text_of(row, "name")}


def _switched(document: Document) -> Iterator[tuple[str, int, Table]]:
    """Whatever hangs on an output of a relay."""
    return ((section, i, row) for section in ("kit", "signals") for i, row in document.rows(section))


def _inner(row: Table) -> Iterator[tuple[str, Table]]:
    """The inner tables that say where a quantity stands."""
    return ((key, row[key]) for key in PLACED if isinstance(row.get(key), dict))


def _nothing_measured(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        kind = text_of(row, "kind")
        if kind and kind not in SPEAKING and not measured(row):
            yield ("sensors", i, "kind"), "it measures nothing; allowed: at least one key that says what it measures"


def _registers(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        base = number_of(row, "base")
        if text_of(row, "kind") != "modbus-registers" or base not in (0, 1):
            continue
        taken: dict[float, str] = {}
        for key, inner in _inner(row):
            yield from _cells(("sensors", i, key), inner, int(base), taken)


def _cells(key: Key, inner: Table, base: int, taken: dict[float, str]) -> Problems:
    if (first := number_of(inner, "register")) is None or first < 0:
        return
    if first < base:
        yield (*key, "register"), f"found {shown(first)}; allowed: from base, which is {shown(base)}"
        return
    cells = {first + n: str(key[-1]) for n in range(WIDTH.get(text_of(inner, "type"), 1))}
    if first <= LAST_REGISTER < max(cells) - base:
        yield (*key, "register"), f"found {shown(first)}; allowed: room for its two registers, up to {LAST_REGISTER}"
    if owner := next((taken[cell] for cell in cells if cell in taken), ""):
        yield (*key, "register"), f"found {shown(first)}, part of {owner}; allowed: registers of its own"
    taken |= cells


def _bases(document: Document) -> Problems:
    """Numbers beside the measured ones that count from `base` too."""
    for section in ("sensors", "relays"):
        for i, row in document.rows(section):
            if (base := number_of(row, "base")) not in (0, 1):
                continue
            for outer, inner in row.items():
                if not isinstance(inner, dict):
                    continue
                for word in ("status", "input", "hand", "auto", *(("register",) if outer == "watchdog" else ())):
                    at = number_of(inner, word)
                    if at is not None and 0 <= at < base:
                        yield (
                            (section, i, outer, word),
                            f"found {shown(at)}; allowed: from base, which is {shown(base)}",
                        )


def _inputs_twice(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        seen: dict[float, str] = {}
        for key, inner in _inner(row) if text_of(row, "kind") == "modbus-inputs" else ():
            for word in ("input", "hand", "auto"):
                if (at := number_of(inner, word)) is None:
                    continue
                if at in seen:
                    yield ("sensors", i, key, word), f"found {shown(at)}, taken by {seen[at]}; allowed: one not in use"
                seen.setdefault(at, f"{key} {word}")


def _either(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        keys = EITHER.get(text_of(row, "kind"), ())
        if text_of(row, "format") in ("senml", "json"):
            keys = ("name",) if row["format"] == "senml" else ("pointer",)
        for key, inner in _inner(row) if keys else ():
            there = [word for word in ("column", "name", "pointer") if word in inner]
            if len(there) != 1 or there[0] not in keys:
                yield ("sensors", i, key), f"found {one_of(there) or 'none of them'}; allowed: one of {one_of(keys)}"


def _spans(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        for key, inner in _inner(row):
            for low, high in (("low", "high"), ("low_v", "high_v")):
                at = number_of(inner, high)
                if at is not None and at == number_of(inner, low, 0.0):
                    yield ("sensors", i, key, high), f"found {shown(at)}; allowed: another number than {low}"


def _sentences(document: Document) -> Problems:
    for i, row in document.rows("sensors"):
        has = NMEA_HAS.get(text_of(row, "sentence"))
        said = row.get("measures")
        if text_of(row, "kind") == "nmea" and has and isinstance(said, list):
            alien = [word for word in said if isinstance(word, str) and word not in has]
            if alien:
                text = f"found {one_of(alien)}, which is not in {row['sentence']}; allowed: {one_of(has)}"
                yield ("sensors", i, "measures"), text


def _sentence_keys(document: Document) -> Problems:
    """Keys that would do nothing in the sentence that was chosen."""
    for i, row in document.rows("sensors"):
        sentence = text_of(row, "sentence")
        if text_of(row, "kind") != "nmea" or sentence not in NMEA_HAS:
            continue
        for key, only in ONLY_IN.items():
            if key in row and sentence != only:
                yield ("sensors", i, key), f"not for {sentence}; allowed: only with sentence = {shown(only)}"
        names, said = row.get("transducers"), row.get("measures")
        if isinstance(names, dict) and isinstance(said, list):
            alien = [word for word in names if word in NMEA_HAS["XDR"] and word not in said]
            if alien:
                text = f"found {one_of(alien)}, which it does not measure; allowed: {one_of(said)}"
                yield ("sensors", i, "transducers"), text


def _outputs(document: Document) -> Problems:
    relays = _by_name(document, "relays")
    for section, i, row in _switched(document):
        relay = relays.get(text_of(row, "relay"), {})
        if not (needed := OUTPUT_OF.get(text_of(relay, "kind"))) or (section == "signals" and needed in DRIVES):
            continue
        alien = [key for key in OUTPUT_OF.values() if key in row and key != needed]
        if alien:
            text = f"not for a relay of kind {shown(relay['kind'])}; allowed: {needed} instead"
            yield (section, i, alien[0]), text
        elif needed not in row and not nearest(needed, row):  # a misspelt one is told by itself
            yield (section, i, needed), f"missing; allowed: which {needed} of its relay"
        at, base = number_of(row, needed), number_of(relay, "base")
        if needed in ("coil", "register") and at is not None and base in (0, 1) and 0 <= at < base:
            text = f"found {shown(at)}; allowed: from the base of its relay block, which is {shown(base)}"
            yield (section, i, needed), text


def _outputs_twice(document: Document) -> Problems:
    """An output has one use, however many [[relays]] name its device."""
    relays = _by_name(document, "relays")
    seen: dict[tuple[object, ...], str] = {}
    for section, i, row in _switched(document):
        relay = relays.get(text_of(row, "relay"), {})
        needed = OUTPUT_OF.get(text_of(relay, "kind"), "")
        if needed == "line" or not isinstance(row.get(needed), int | str):
            continue  # lines have a check of their own: an input may have taken one
        at = number_of(row, needed)
        output = row[needed] if at is None else at - (number_of(relay, "base") or 0)
        device = (text_of(relay, key) for key in ("kind", "bus", "chip", "topic"))
        claim = (*device, number_of(relay, "unit"), output)
        if claim in seen:
            yield (section, i, needed), f"found {shown(row[needed])}, taken by {seen[claim]}; allowed: one not in use"
        seen.setdefault(claim, f"{section}[{i}] {shown(row.get('name', ''))}")


def _watchdogs(document: Document) -> Problems:
    """The register of a watchdog, written as seconds, is not the speed of a drive."""
    speeds = {(text_of(row, "relay"), number_of(row, "register")) for _, row in document.rows("kit")}
    for i, row in document.rows("relays"):
        watchdog = row.get("watchdog")
        at = number_of(watchdog, "register") if isinstance(watchdog, dict) else None
        if text_of(row, "kind") == "modbus-speed" and at is not None and (text_of(row, "name"), at) in speeds:
            text = f"found {shown(at)}, the speed of a piece of kit; allowed: a register of its own"
            yield ("relays", i, "watchdog", "register"), text


def _wiring(document: Document) -> Problems:
    relays = _by_name(document, "relays")
    for section, i, row in _switched(document):
        kind, what = text_of(relays.get(text_of(row, "relay"), {}), "kind"), text_of(row, "kind")
        fitting = CONTACTS.get(kind, ())
        safe = [contact for contact in fitting if contact in SAFE.get(what, ())]
        if fitting and what in SAFE and not safe:
            able = one_of(name for name, contacts in CONTACTS.items() if set(contacts) & set(SAFE[what]))
            text = f"found {shown(row['relay'])}, of kind {shown(kind)}, which is not safe for a {what}"
            yield (section, i, "relay"), f"{text}; allowed: a relay of kind {able}"
        elif safe and text_of(row, "contact") in SAFE[what] and row["contact"] not in safe:
            text = (
                f"found {shown(row['contact'])}; allowed for a {what} on a relay of kind {shown(kind)}: {one_of(safe)}"
            )
            yield (section, i, "contact"), text


def _speeds(document: Document) -> Problems:
    for i, row in document.rows("kit"):
        least, contact = number_of(row, "least_speed"), text_of(row, "contact")
        if contact in SAFE["fan"] and contact != "full-on-loss" and least is not None and 0.1 <= least < 1:
            text = "1 or nothing, since its relay knows only on and off"
            yield ("kit", i, "least_speed"), f"found {shown(least)}; allowed: {text}"


def _proofs(document: Document) -> Problems:
    sensors = {name: measured(row) for name, row in _by_name(document, "sensors").items()}
    for i, row in document.rows("kit"):
        proof = row.get("proof")
        if isinstance(proof, dict):
            yield from _has(("kit", i, "proof"), proof, sensors)
        switch = text_of(row, "switch")
        if switch in sensors and Quantity.SWITCH not in sensors[switch]:
            text = f"found {shown(switch)}, which tells no switch; allowed: a sensor with a table switch"
            yield ("kit", i, "switch"), text
    for i, row in document.rows("corrections"):
        yield from _has(("corrections", i), row, sensors)


def _expiries(document: Document) -> Problems:
    """A node lets go when it hears nothing for `expires_s`: two refreshes may be lost before that."""
    for i, row in document.rows("relays"):
        if text_of(row, "kind") == "mqtt-relay":
            refresh_s, expires_s = number_of(row, "refresh_s", 5.0), number_of(row, "expires_s", 15.0)
            if refresh_s is not None and expires_s is not None and expires_s < 2 * refresh_s:
                text = f"found {shown(expires_s)}; allowed: at least twice refresh_s, which is {shown(refresh_s)}"
                yield ("relays", i, "expires_s"), text


def _watchers(document: Document) -> Problems:
    """Sensors that watch the barn itself must measure what they are named for."""
    sensors = {name: measured(row) for name, row in _by_name(document, "sensors").items()}
    asked: list[tuple[Key, Table, str]] = [
        (("safety", key), document.table("safety"), key) for key in ("fire", "supply")
    ]
    asked += [(("places", i, "vents"), row, "vents") for i, row in document.rows("places")]
    for where, row, key in asked:
        needed = Quantity.SUPPLY if key == "supply" else Quantity.CONTACT
        name = text_of(row, key)
        if name and needed not in sensors.get(name, ()):
            text = f"found {shown(name)}; allowed: a sensor that measures {needed.key}"
            yield where, text
    safety = document.table("safety")
    there = nearest("supply_low_v", set(safety) - {"supply"})  # a misspelt one is told by itself
    if text_of(safety, "supply") and not there:
        yield ("safety", "supply_low_v"), "missing; allowed: the voltage below which fans turn too slowly"


def _mist_needs_air(document: Document) -> Problems:
    """Water without moving air only wets the floor, so a mister needs a fan whose running is proven."""
    fans = {text_of(row, "place") for _, row in document.rows("kit") if row.get("kind") == "fan" and row.get("proof")}
    for i, row in document.rows("kit"):
        if row.get("kind") == "mister" and text_of(row, "place") and row["place"] not in fans:
            text = f"no fan with a table proof at {shown(row['place'])}; allowed: where a fan is proven to run"
            yield ("kit", i, "place"), text
    mist = document.table("mist")
    pulse_s, every_s = number_of(mist, "pulse_s", 60.0), number_of(mist, "every_s", 300.0)
    if pulse_s is not None and every_s is not None and every_s <= pulse_s:
        yield ("mist", "every_s"), f"found {shown(every_s)}; allowed: more than pulse_s, which is {shown(pulse_s)}"
    start, stop = number_of(mist, "start_below_pct", 65.0), number_of(mist, "stop_above_pct", 72.0)
    if start is not None and stop is not None and stop <= start:
        yield ("mist", "stop_above_pct"), f"found {shown(stop)}; allowed: more than start_below_pct, {shown(start)}"


def _has(key: Key, row: Table, sensors: Mapping[str, tuple[Quantity, ...]]) -> Problems:
    """Whether the sensor that a table names has the quantity that it names."""
    sensor, quantity = text_of(row, "sensor"), text_of(row, "quantity")
    if sensor and sensor not in sensors:
        allowed = one_of(sensors) or "nothing yet, there is no [[sensors]]"
        yield (*key, "sensor"), f"found {shown(sensor)}, not one of the sensors; allowed: {allowed}"
    elif sensor and quantity and sensors[sensor] and quantity not in {each.key for each in sensors[sensor]}:
        has = one_of(each.key for each in sensors[sensor])
        yield (*key, "quantity"), f"found {shown(quantity)}, which {sensor} does not measure; allowed: {has}"


def _gpio_lines(document: Document) -> Problems:
    """A line of a chip has one use, be it an output, an input or the supply of a bus."""
    chips = {text_of(row, "name"): text_of(row, "chip") for _, row in document.rows("buses")}
    buses = {text_of(row, "name"): text_of(row, "bus") for _, row in document.rows("relays")}
    seen: dict[tuple[str, str], str] = {}
    for key, chip, line in (
        *_supply_lines(document),
        *((key, chips.get(bus, ""), line) for key, bus, line in _input_lines(document)),
        *((key, chips.get(bus, ""), line) for key, bus, line in _output_lines(document, buses)),
    ):
        if chip and (chip, line) in seen:
            yield key, f"found {shown(line)}, taken by {seen[chip, line]}; allowed: one not in use"
        seen.setdefault((chip, line), f"{key[0]}[{key[1]}]")


def _supply_lines(document: Document) -> Iterator[tuple[Key, str, str]]:
    for i, row in document.rows("buses"):
        power = row.get("power")
        if isinstance(power, dict) and text_of(power, "line"):
            yield ("buses", i, "power", "line"), text_of(power, "chip"), text_of(power, "line")


def _input_lines(document: Document) -> Iterator[tuple[Key, str, str]]:
    for i, row in document.rows("sensors"):
        if text_of(row, "kind") not in ("gpio-contact", "gpio-pulse"):
            continue
        for key, inner in _inner(row):
            for word in ("line", "hand", "auto"):
                if line := text_of(inner, word):
                    yield ("sensors", i, key, word), text_of(row, "bus"), line


def _output_lines(document: Document, buses: Mapping[str, str]) -> Iterator[tuple[Key, str, str]]:
    for section, i, row in _switched(document):
        if line := text_of(row, "line"):
            yield (section, i, "line"), buses.get(text_of(row, "relay"), ""), line


DEVICE_CHECKS = (
    _nothing_measured,
    _registers,
    _bases,
    _inputs_twice,
    _either,
    _spans,
    _sentences,
    _sentence_keys,
    _outputs,
    _outputs_twice,
    _watchdogs,
    _wiring,
    _speeds,
    _proofs,
    _expiries,
    _watchers,
    _mist_needs_air,
    _gpio_lines,
)
