"""Owns: one mistake in the example file, and the line that must be said about it.

Must not know: how mistakes are found.
How it works: `broken` changes the example after an anchor and counts the line itself, in plain text; the whole
message is compared.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

Problems = Callable[[str | bytes], list[str]]


def broken(example: str, anchor: str, old: str, new: str) -> tuple[str, int]:
    """The example with `old`, the first after `anchor`, replaced; and the line of that place."""
    at = example.index(old, example.index(anchor))
    return example[:at] + new + example[at + len(old) :], example[:at].count("\n") + 1


BUS_KINDS = '"serial", "modbus-tcp", "lines", "sdi12", "sysfs", "i2c", "gpio", "mqtt"'
FAN_CONTACT = (
    '"normally-closed" for a fan: behind a normally-open contact a dead board would stop it; '
    '"full-on-loss" for a drive that goes to full speed when its signal is lost'
)

NUMBER_MISTAKES = [
    (
        "[barn]",
        "altitude_m = 30",
        "altitude_m = 9000",
        'barn key "altitude_m": found 9000; allowed: a number from -400 to 5000',
    ),
    (
        "[barn]",
        "altitude_m = 30",
        "altitude_m = true",
        'barn key "altitude_m": found true; allowed: a number from -400 to 5000',
    ),
    (
        "[barn]",
        "altitude_m = 30",
        "altitude_m = nan",
        'barn key "altitude_m": found nan; allowed: a number from -400 to 5000',
    ),
    ("[posts]", "hold_s = 300", "hold_s = inf", 'posts key "hold_s": found inf; allowed: a number from 0 to 3600'),
    ("[posts]", "plan = 150", "plan = 130", 'posts key "plan": found 130; allowed: more than watch, which is 130'),
    (
        "[posts]",
        "dead_band = 3",
        "dead_band = 20",
        'posts key "dead_band": found 20; allowed: less than the smallest gap between two posts, which is 20',
    ),
    (
        '"line-a"',
        "baud = 9600",
        "baud = 9601",
        'buses[0] "line-a" key "baud": found 9601; '
        "allowed: 300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200",
    ),
    ('"line-a"', "stop_bits = 1", "stop_bits = 1.5", 'buses[0] "line-a" key "stop_bits": found 1.5; allowed: 1 or 2'),
    (
        '"stalls-air"',
        "every_s = 5",
        "every_s = 61",
        'sensors[0] "stalls-air" key "every_s": found 61; allowed: a number from 1 to 60',
    ),
    (
        '"arena-air"',
        "unit = 2",
        "unit = 0",
        'sensors[1] "arena-air" key "unit": found 0; allowed: a whole number from 1 to 247',
    ),
    (
        '"arena-air"',
        "function = 3",
        "function = true",
        'sensors[1] "arena-air" key "function": found true; allowed: 3 for holding registers, 4 for input registers',
    ),
    (
        '"arena-air"',
        "base = 1",
        "base = 2",
        'sensors[1] "arena-air" key "base": found 2; allowed: 0 when the data sheet counts from 0, 1 when from 1',
    ),
    (
        '"arena-air"',
        "register = 1,",
        "register = 0,",
        'sensors[1] "arena-air" temp key "register": found 0; allowed: from base, which is 1',
    ),
    (
        '"arena-air"',
        "register = 3,",
        "register = 1,",
        'sensors[1] "arena-air" rh key "register": found 1, part of temp; allowed: registers of its own',
    ),
    (
        '"rack-air"',
        "register = 2,",
        "register = 1,",
        'sensors[2] "rack-air" rh key "register": found 1, part of temp; allowed: registers of its own',
    ),
    (
        '"rack-air"',
        "register = 2,",
        "register = 65536,",
        'sensors[2] "rack-air" rh key "register": found 65536; allowed: a whole number from 0 to 65535',
    ),
    (
        '"stalls-air"',
        "scale = 0.1",
        "scale = 0",
        'sensors[0] "stalls-air" temp key "scale": found 0; allowed: a number above 0, at most 1000',
    ),
    (
        '"stall-fans"',
        "on_level = 1",
        "on_level = 4",
        'kit[0] "stall-fans" key "on_level": found 4; allowed: a whole number from 1 to 3',
    ),
    ("[web]", "port = 8460", "port = 0", 'web key "port": found 0; allowed: a whole number from 1 to 65535'),
]

WORD_MISTAKES = [
    (
        "[barn]",
        "America/New_York",
        "America/New_Yrok",
        'barn key "zone": found "America/New_Yrok"; did you mean "America/New_York"? '
        'allowed: a name from the IANA time zone list, such as "America/New_York"',
    ),
    (
        "[barn]",
        "America/New_York",
        "/etc/passwd",
        'barn key "zone": found "/etc/passwd"; '
        'allowed: a name from the IANA time zone list, such as "America/New_York"',
    ),
    (
        "[barn]",
        '"Cedar Bend"',
        '"Cedar\\nBend"',
        'barn key "name": found "Cedar\\nBend"; allowed: 1 to 40 letters on one line',
    ),
    ("[barn]", '["en", "es"]', '["en", "fr"]', 'barn key "languages": found "fr"; allowed: a list of "en", "es"'),
    ("[barn]", '["en", "es"]', '["en", "en"]', 'barn key "languages": found a list; allowed: a list of "en", "es"'),
    (
        "[[places]]",
        '"standing"',
        '"sleeping"',
        'places[0] "stalls" key "kind": found "sleeping"; allowed: "riding", "standing"',
    ),
    (
        "[[places]]",
        '"Cuadras"',
        '"Caballos"',
        'places[0] "stalls" label key "es": found "Caballos"; allowed: 1 to 7 letters: the wall\'s limit',
    ),
    (
        '"arena"',
        'label = { en = "Arena", es = "Pista" }',
        "label = 7",
        'places[1] "arena" key "label": found 7; allowed: a table such as { en = "Stalls", es = "Cuadras" }',
    ),
    (
        '"wash-rack"',
        'label = { en = "Rack", es = "Duchas" }',
        'label = { en = "Rack" }',
        'places[2] "wash-rack" key "label": none for "es", and the name "wash-rack" is too long for the wall; '
        "allowed: 1 to 7 letters",
    ),
    (
        '"line-a"',
        'kind = "serial"',
        'kind = "seriel"',
        f'buses[0] "line-a" key "kind": found "seriel"; allowed: {BUS_KINDS}',
    ),
    (
        '"line-a"',
        '"none" ',
        '"odd parity" ',
        'buses[0] "line-a" key "parity": found "odd parity"; allowed: "none", "even", "odd"',
    ),
    (
        '"line-a"',
        'port = "line-a"',
        'port = ""',
        'buses[0] "line-a" key "port": found ""; allowed: a path; a relative one starts at this file\'s folder',
    ),
    (
        '"stalls-air"',
        'place = "stalls"',
        'place = "stals"',
        'sensors[0] "stalls-air" key "place": found "stals", not one of the places; did you mean "stalls"? '
        'allowed: "stalls", "arena", "wash-rack", "outdoors"',
    ),
    (
        '"outside-air"',
        'bus = "kernel"',
        'bus = "line-a"',
        'sensors[3] "outside-air" key "bus": found "line-a", a bus of kind "serial"; '
        'allowed for "iio": one of kind "sysfs", here "kernel"',
    ),
    (
        '"outside-air"',
        '"in_temp"',
        '"../in_temp"',
        'sensors[3] "outside-air" key "temp": found "../in_temp"; allowed: a channel such as "in_temp"',
    ),
    (
        '"block-1"',
        'bus = "line-a"',
        'bus = "kernel"',
        'relays[0] "block-1" key "bus": found "kernel", a bus of kind "sysfs"; '
        'allowed for "modbus-coils": one of kind "serial", "modbus-tcp", here "line-a"',
    ),
    (
        '"stall-fans"',
        '"normally-closed"',
        '"normally-open"',
        f'kit[0] "stall-fans" key "contact": found "normally-open"; allowed: {FAN_CONTACT}',
    ),
    (
        '"stall-mist"',
        '"normally-open"',
        '"normally-closed"',
        'kit[3] "stall-mist" key "contact": found "normally-closed"; allowed: "normally-open" for a mister: '
        "behind a normally-closed contact a dead board would let it run",
    ),
    (
        "[web]",
        '"127.0.0.1"',
        '"localhost"',
        'web key "listen": found "localhost"; allowed: an IP address such as "127.0.0.1", no host name',
    ),
]

TAKEN = "allowed: one not in use"
ORDER = "allowed: every_s < late_after_s <= lost_after_s, here"
WHY = "(2 and 3 times every_s unless given)"

# What was changed, and then the words after which the spoken line is searched, and those on that line.
CLASHES = [
    (
        ('"arena-air"', 'name = "rack-air"', 'name = "arena-air"'),
        ("unit = 2", 'name = "arena-air"'),
        f'sensors[2] "arena-air" key "name": found "arena-air", taken by sensors[1] "arena-air"; {TAKEN}',
    ),
    (
        ('"rack-fan"', "coil = 2", "coil = 1"),
        ('"rack-fan"', "coil = 1"),
        f'kit[2] "rack-fan" key "coil": found 1, taken by kit[1] "arena-fans"; {TAKEN}',
    ),
    (
        ('"block-1"', "base = 0", "base = 1"),
        ('"stall-fans"', "coil = 0"),
        'kit[0] "stall-fans" key "coil": found 0; allowed: from the base of its relay block, which is 1',
    ),
    (
        ('"outside-air"', 'place = "outdoors"', 'place = "stalls"'),
        ('label = { en = "Rack"', 'name = "outdoors"'),
        'places[3] "outdoors" key "name": no sensor of temperature and humidity has place = "outdoors"; '
        "allowed: at least one such sensor here",
    ),
    (
        ('"rack-air"', "every_s = 5", "every_s = 5\nlate_after_s = 5"),
        ('"rack-air"', "late_after_s"),
        f'sensors[2] "rack-air" key "late_after_s": found 5; {ORDER} 5, 5, 15 {WHY}',
    ),
    (
        ('"rack-air"', "every_s = 5", "every_s = 5\nlate_after_s = 16"),
        ('"rack-air"', "late_after_s"),
        f'sensors[2] "rack-air" key "late_after_s": found 16; {ORDER} 5, 16, 15 {WHY}',
    ),
    (
        ('"rack-air"', "every_s = 5", "every_s = 5\nlost_after_s = 9"),
        ('"rack-air"', "lost_after_s"),
        f'sensors[2] "rack-air" key "lost_after_s": found 9; {ORDER} 5, 10, 9 {WHY}',
    ),
    (
        ('"rack-air"', "every_s = 5", "every_s = 5\nlost_after_s = 301"),
        ('"rack-air"', "lost_after_s"),
        'sensors[2] "rack-air" key "lost_after_s": found 301; allowed: a number from 1 to 300',
    ),
    (
        ('"kernel"', 'kind = "sysfs"', ""),
        ("stop_bits", "[[buses]]"),
        f'buses[1] "kernel" key "kind": missing; allowed: {BUS_KINDS}',
    ),
    (
        ('"stall-fans"', 'contact = "normally-closed"', ""),
        ("feeds the block", "[[kit]]"),
        f'kit[0] "stall-fans" key "contact": missing; allowed: {FAN_CONTACT}',
    ),
    (
        ('"rack-air"', "register = 0, ", ""),
        ('"rack-air"', "temp ="),
        'sensors[2] "rack-air" temp key "register": missing; allowed: a whole number from 0 to 65535',
    ),
    (
        ("[link]", "[link]", "[link.more]"),
        ("[history]", "[link.more]"),
        'link key "more": not known here; allowed: socket',
    ),
]


@pytest.mark.parametrize(("anchor", "old", "new", "said"), NUMBER_MISTAKES + WORD_MISTAKES)
def test_a_wrong_value_is_named_with_its_line(
    example: str, problems_of: Problems, anchor: str, old: str, new: str, said: str
) -> None:
    text, line = broken(example, anchor, old, new)
    assert problems_of(text) == [f"barn.toml line {line}: {said}"]


@pytest.mark.parametrize(("change", "place", "said"), CLASHES)
def test_what_does_not_agree_is_named_at_the_place_to_change(
    example: str, problems_of: Problems, change: tuple[str, str, str], place: tuple[str, str], said: str
) -> None:
    text, _ = broken(example, *change)
    line = text[: text.index(place[1], text.index(place[0]))].count("\n") + 1
    assert f"barn.toml line {line}: {said}" in problems_of(text)


def test_a_clash_in_one_place_is_told_once(example: str, problems_of: Problems) -> None:
    for change, _, _ in CLASHES[1:-1]:
        assert len(problems_of(broken(example, *change)[0])) == 1, change
