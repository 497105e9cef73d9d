"""Owns: one disagreement inside a sensor, a relay or a piece of kit, and the line that must be said about it.

Must not know: how disagreements are found.
How it works: as in `test_one_mistake`, but from the files to copy from, which hold every kind. The line is counted
here, in plain text. `ALLOWED` are changes beside the forbidden ones that must not be told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

Problems = Callable[[str | bytes], list[str]]

EXAMPLES = Path(__file__).parents[2] / "drivers" / "examples"
TEXTS = {path.stem: path.read_text(encoding="utf-8") for path in EXAMPLES.glob("*.toml")}
BOARD, FIELD, FAR = "one-board", "field-wiring", "far-nodes"
FREE = "allowed: one not in use"


@dataclass(frozen=True, slots=True)
class Case:
    """In `file` the first `old` after `anchor` becomes `new`; then `said` is told for the line of `at`.

    `at` stands after `anchor`; what is missing is told at the header of its table.
    """

    file: str
    anchor: str
    old: str
    new: str
    at: str
    said: str

    def text(self) -> str:
        text = TEXTS[self.file]
        place = text.index(self.old, text.index(self.anchor))
        return text[:place] + self.new + text[place + len(self.old) :]

    def line(self) -> int:
        text = self.text()
        anchor = text.index(self.anchor)
        at = text.rindex(self.at, 0, anchor) if self.at.startswith("[[") else text.index(self.at, anchor)
        return text[:at].count("\n") + 1


def case(file: str, anchor: str, old: str, new: str, at: str, said: str) -> Case:
    return Case(file, f'name = "{anchor}"', old, new, at, said)


NOTHING = 'kind": it measures nothing; allowed: at least one key that says what it measures'

CASES = [
    # a sensor that measures nothing
    case(FIELD, "rack-coat", 'skin = { register = 7, type = "int16", scale = 0.1 }', "", "kind", f'key "{NOTHING}'),
    case(BOARD, "stalls-air-3", 'temp = "temp1"\nrh = "humidity1"', "", "kind", f'key "{NOTHING}'),
    # registers
    case(
        FIELD,
        "arena-air",
        "register = 1,",
        "register = 0,",
        "temp =",
        'temp key "register": found 0; allowed: from base, which is 1',
    ),
    case(
        FIELD,
        "rack-air",
        "register = 4,",
        "register = 3,",
        "pressure =",
        'pressure key "register": found 3, part of rh; allowed: registers of its own',
    ),
    case(
        FIELD,
        "rack-air",
        "register = 4,",
        "register = 65535,",
        "pressure =",
        'pressure key "register": found 65535; allowed: room for its two registers, up to 65535',
    ),
    # other numbers that count from base
    case(
        FIELD,
        "arena-air",
        "status = 2",
        "status = 0",
        "temp =",
        'temp key "status": found 0; allowed: from base, which is 1',
    ),
    case(
        FIELD,
        "rack-switch",
        "base = 0",
        "base = 1",
        "switch =",
        'switch key "hand": found 0; allowed: from base, which is 1',
    ),
    case(
        FIELD,
        "arena-pump",
        "base = 0\ncontact = { input = 2",
        "base = 1\ncontact = { input = 0",
        "contact =",
        'contact key "input": found 0; allowed: from base, which is 1',
    ),
    case(
        FIELD,
        "drive-1",
        "register = 40",
        "register = 0",
        "watchdog =",
        'watchdog key "register": found 0; allowed: from base, which is 1',
    ),
    # inputs of one sensor
    case(
        FIELD,
        "rack-switch",
        "auto = 1",
        "auto = 0",
        "switch =",
        f'switch key "auto": found 0, taken by switch hand; {FREE}',
    ),
    # exactly one way to find a value
    case(
        FIELD,
        "rack-air-2",
        "temp = { column = 2 }",
        "temp = { scale = 2 }",
        "temp =",
        'key "temp": found none of them; allowed: one of "column", "pointer"',
    ),
    case(
        FIELD,
        "rack-air-2",
        "temp = { column = 2 }",
        'temp = { column = 2, pointer = "/t" }',
        "temp =",
        'key "temp": found "column", "pointer"; allowed: one of "column", "pointer"',
    ),
    case(
        FAR,
        "far-air",
        'temp = { name = "far-barn:temp" }',
        'temp = { pointer = "/t" }',
        "temp =",
        'key "temp": found "pointer"; allowed: one of "name"',
    ),
    case(
        FAR,
        "paddock-air",
        'temp = { pointer = "/air/temp" }',
        'temp = { name = "t" }',
        "temp =",
        'key "temp": found "name"; allowed: one of "pointer"',
    ),
    # spans
    case(
        BOARD,
        "yard-sun",
        "high = 1500",
        "high = 0",
        "sun =",
        'sun key "high": found 0; allowed: another number than low',
    ),
    case(
        BOARD,
        "yard-wind-volts",
        "high_v = 10",
        "high_v = 0",
        "wind =",
        'wind key "high_v": found 0; allowed: another number than low_v',
    ),
    case(
        BOARD,
        "yard-wind-volts",
        "low_v = 0, high_v = 10",
        "high_v = 0",
        "wind =",
        'wind key "high_v": found 0; allowed: another number than low_v',
    ),
    # sentences of NMEA 0183
    case(
        FIELD,
        "mast-wind",
        '["wind", "direction"]',
        '["wind", "temp"]',
        "measures",
        'key "measures": found "temp", which is not in MWV; allowed: "wind", "direction"',
    ),
    case(
        FIELD,
        "mast-wind",
        'reference = "relative"',
        'transducers = { temp = "TEMP" }',
        "transducers",
        'key "transducers": not for MWV; allowed: only with sentence = "XDR"',
    ),
    case(
        FIELD,
        "mast-air",
        "transducers =",
        'reference = "true"\ntransducers =',
        "reference",
        'key "reference": not for XDR; allowed: only with sentence = "MWV"',
    ),
    case(
        FIELD,
        "mast-air",
        'rh = "RH" }',
        'rh = "RH", pressure = "P" }',
        "transducers",
        'key "transducers": found "pressure", which it does not measure; allowed: "temp", "rh"',
    ),
    # which output
    case(
        BOARD,
        "stall-fan",
        'line = "GPIO5"',
        "coil = 5",
        "coil",
        'key "coil": not for a relay of kind "gpio-lines"; allowed: line instead',
    ),
    case(
        FIELD,
        "arena-fan",
        "register = 1\n",
        "",
        "[[kit]]",
        'key "register": missing; allowed: which register of its relay',
    ),
    case(
        FIELD,
        "arena-fan",
        "register = 1\n",
        "register = 0\n",
        "register",
        'key "register": found 0; allowed: from the base of its relay block, which is 1',
    ),
    # one output, one piece of kit
    case(
        FIELD, "arena-mist", "coil = 1", "coil = 0", "coil", f'key "coil": found 0, taken by kit[0] "rack-fan"; {FREE}'
    ),
    # what would be written as seconds must not be a speed
    case(
        FIELD,
        "drive-1",
        "register = 40",
        "register = 1",
        "watchdog =",
        'watchdog key "register": found 1, the speed of a piece of kit; allowed: a register of its own',
    ),
    # wiring
    case(
        BOARD,
        "stall-fan",
        '"normally-closed"',
        '"full-on-loss"',
        "contact",
        'key "contact": found "full-on-loss"; allowed for a fan on a relay of kind "gpio-lines": "normally-closed"',
    ),
    case(
        FIELD,
        "arena-fan",
        '"full-on-loss"',
        '"normally-closed"',
        "contact",
        'key "contact": found "normally-closed"; allowed for a fan on a relay of kind "modbus-speed": "full-on-loss"',
    ),
    case(
        BOARD,
        "stall-mist",
        'relay = "relay-board"\nline = "GPIO16"',
        'relay = "speed-pins"\nchannel = 1',
        "relay =",
        'key "relay": found "speed-pins", of kind "pwm", which is not safe for a mister; '
        'allowed: a relay of kind "modbus-coils", "gpio-lines", "mqtt-relay"',
    ),
    # speed of what knows only on and off
    case(
        BOARD,
        "stall-fan",
        "on_level = 1 ",
        "on_level = 1\nleast_speed = 0.4 ",
        "least_speed",
        'key "least_speed": found 0.4; allowed: 1 or nothing, since its relay knows only on and off',
    ),
    # sensors that kit and corrections name
    case(
        FIELD,
        "arena-fan",
        'sensor = "fan-amps"',
        'sensor = "fan-ampere"',
        "proof",
        'proof key "sensor": found "fan-ampere", not one of the sensors; allowed: "arena-air", "rack-air", "fan-amps", '
        '"rack-coat", "rack-switch", "arena-pump", "rack-doors", "fire-panel", "mast-wind", "mast-air", "rack-air-2", '
        '"rack-globe", "outside"',
    ),
    case(
        FIELD,
        "arena-fan",
        'quantity = "current"',
        'quantity = "flow"',
        "proof",
        'proof key "quantity": found "flow", which fan-amps does not measure; allowed: "current", "supply"',
    ),
    case(
        FIELD,
        "rack-fan",
        'switch = "rack-switch"',
        'switch = "arena-pump"',
        "switch",
        'key "switch": found "arena-pump", which tells no switch; allowed: a sensor with a table switch',
    ),
    case(
        BOARD,
        "mist-master",
        'quantity = "rh"',
        'quantity = "sun"',
        "quantity",
        'key "quantity": found "sun", which stalls-air does not measure; allowed: "temp", "rh"',
    ),
    # sensors that watch the barn
    case(
        FIELD,
        "block-1",
        'fire = "fire-panel"',
        'fire = "fan-amps"',
        "fire =",
        'safety key "fire": found "fan-amps"; allowed: a sensor that measures contact',
    ),
    case(
        FIELD,
        "block-1",
        'supply = "fan-amps"',
        'supply = "rack-air"',
        "supply =",
        'safety key "supply": found "rack-air"; allowed: a sensor that measures supply',
    ),
    case(
        FIELD,
        "arena",
        'vents = "rack-doors"',
        'vents = "rack-switch"',
        "vents =",
        'key "vents": found "rack-switch"; allowed: a sensor that measures contact',
    ),
    case(
        FIELD,
        "arena-mist",
        "supply_low_v = 21",
        "",
        "[safety]",
        'safety key "supply_low_v": missing; allowed: the voltage below which fans turn too slowly',
    ),
    # water needs moving air, and bounds in order
    case(
        FIELD,
        "arena-fan",
        "proof = {",
        "#",
        'place = "arena"\nkind = "mister"',
        'key "place": no fan with a table proof at "arena"; allowed: where a fan is proven to run',
    ),
    case(
        BOARD,
        "mist-master",
        "stop_above_pct = 72",
        "stop_above_pct = 65",
        "stop_above_pct",
        'mist key "stop_above_pct": found 65; allowed: more than start_below_pct, 65',
    ),
    # lines of a chip
    case(
        BOARD,
        "stall-fan",
        'line = "GPIO5"',
        'line = "GPIO6"',
        "line",
        f'key "line": found "GPIO6", taken by sensors[10]; {FREE}',
    ),
    case(
        BOARD,
        "fan-switch",
        'auto = "GPIO23"',
        'auto = "GPIO22"',
        "switch =",
        f'switch key "auto": found "GPIO22", taken by sensors[8]; {FREE}',
    ),
    case(
        BOARD,
        "yard-wind",
        'line = "GPIO6"',
        'line = "GPIO25"',
        "wind =",
        f'wind key "line": found "GPIO25", taken by buses[1]; {FREE}',
    ),
]


def where(case: Case) -> str:
    return f"{case.file}: {case.said[:60]}"


@pytest.mark.parametrize("case", CASES, ids=where)
def test_a_disagreement_is_told_once_at_the_place_to_change(case: Case, problems_of: Problems) -> None:
    found = problems_of(case.text())
    told = [line for line in found if line.endswith(f" {case.said}")]
    assert len(told) == 1, found
    assert told[0].startswith(f"barn.toml line {case.line()}: "), (case.line(), told)


@pytest.mark.parametrize("name", TEXTS)
def test_the_files_that_are_broken_here_are_whole(name: str, problems_of: Problems) -> None:
    assert problems_of(TEXTS[name]) == []


ALLOWED = [
    # one device may give and take: a relay block with a thermometer, two sensors in one housing
    case(FIELD, "rack-air", "unit = 2", "unit = 10", "", ""),
    case(FIELD, "rack-coat", "unit = 4", "unit = 1", "", ""),
    # one status register for both quantities
    case(FIELD, "arena-air", "status = 4", "status = 2", "", ""),
    # signals that fall while the quantity rises
    case(BOARD, "yard-wind-volts", "low_v = 0, high_v = 10", "low_v = 10, high_v = 0", "", ""),
    # the last register, and the last two
    case(FIELD, "rack-coat", "register = 7", "register = 65535", "", ""),
    case(FIELD, "rack-air", "register = 4", "register = 65534", "", ""),
    # a line of the same name on another chip
    case(BOARD, "box-i2c", 'chip = "pinctrl-rp1", line = "GPIO25"', 'chip = "expander", line = "GPIO6"', "", ""),
    # full speed written out
    case(BOARD, "stall-fan", "on_level = 1 ", "on_level = 1\nleast_speed = 1 ", "", ""),
]


@pytest.mark.parametrize("case", ALLOWED, ids=lambda case: f"{case.new[:40]!r}")
def test_what_only_looks_like_a_disagreement_is_taken(case: Case, problems_of: Problems) -> None:
    assert problems_of(case.text()) == []


def second(file: str, anchor: str, name: str, *changes: tuple[str, str]) -> str:
    """The example with a copy of the table of `anchor` put before it, under another name and with changes."""
    text = TEXTS[file]
    at = text.index(f'name = "{anchor}"')
    start = text.rindex("[[", 0, at)
    end = text.index("\n[[", at)
    copy = text[start:end].replace(f'"{anchor}"', f'"{name}"')
    for old, new in changes:
        assert old in copy
        copy = copy.replace(old, new)
    return text[:start] + copy.partition("\n\n")[0] + "\n" + text[start:]


def test_two_relay_tables_of_one_device_cannot_hide_that_an_output_is_used_twice(problems_of: Problems) -> None:
    """Block 2 is block 1 once more, counting from 1: its coil 2 is the other's coil 1."""
    text = second(FIELD, "block-1", "block-2", ("base = 0", "base = 1"))
    text = text.replace('relay = "block-1"\ncoil = 0', 'relay = "block-2"\ncoil = 2')
    (said,) = problems_of(text)
    assert said.endswith(f'kit[2] "arena-mist" key "coil": found 1, taken by kit[0] "rack-fan"; {FREE}')
    assert problems_of(text.replace("coil = 2", "coil = 3")) == []


def test_a_mistake_in_measures_is_told_once(problems_of: Problems) -> None:
    """The form asks w1 and nmea for `measures`, so nobody needs to hear that they measure nothing as well."""
    for file, line in ((BOARD, 'measures = "globe"'), (FIELD, 'measures = ["wind", "direction"]')):
        (said,) = problems_of(TEXTS[file].replace(line, ""))
        assert 'key "measures": missing' in said


def test_a_misspelt_output_is_told_by_its_name_alone(problems_of: Problems) -> None:
    (said,) = problems_of(TEXTS[FIELD].replace("coil = 1", "coyl = 1"))
    assert '"coyl": not known here; did you mean "coil"?' in said


def test_transducers_of_another_form_are_told_and_nothing_breaks(problems_of: Problems) -> None:
    good = 'transducers = { temp = "TEMP", rh = "RH" }'
    for wrong in ("transducers = { temp = 1 }", 'transducers = { x = "y" }', "transducers = 5", "transducers = [1]"):
        (said,) = problems_of(TEXTS[FIELD].replace(good, wrong))
        assert 'sensors[9] "mast-air" key "transducers": found ' in said
        assert 'allowed: a table { temp = "TEMP" }' in said


def test_a_bus_of_messages_needs_a_broker(problems_of: Problems) -> None:
    text = TEXTS[FAR]
    start, end = text.index("[mqtt]"), text.index("[[buses]]")
    said, of_contact = problems_of(text[:start] + text[end:])
    assert said.endswith('key "mqtt": missing; allowed: a table [mqtt], since a bus has kind "mqtt"')
    assert 'contacts[1] "Luis" key "mqtt"' in of_contact


def test_a_correction_of_the_same_quantity_is_told(problems_of: Problems) -> None:
    text = TEXTS[BOARD]
    start, end = text.index("[[corrections]]"), text.index("[history]")
    (said,) = problems_of(text[:end] + text[start:end] + text[end:])
    assert said.endswith('corrections[1] key "quantity": found "rh", taken by corrections[0] ""; ' + FREE)


@pytest.mark.parametrize("key", ["chip", "device", "port"])
def test_a_device_file_or_chip_is_one_bus(key: str, problems_of: Problems) -> None:
    file, anchor = {"chip": (BOARD, "pins"), "device": (BOARD, "box-i2c"), "port": (FIELD, "line-a")}[key]
    found = problems_of(second(file, anchor, "again"))
    assert any(f'key "{key}": found ' in said and said.endswith(FREE) for said in found), found


def test_a_proof_that_anything_would_pass_is_refused(problems_of: Problems) -> None:
    (said,) = problems_of(TEXTS[FIELD].replace("at_least = 1.2", "at_least = 0"))
    assert said.endswith('proof key "at_least": found 0; allowed: a number above 0, at most 1000000')
