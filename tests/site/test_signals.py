"""[[signals]] in a site file: what it becomes, and one mistake at a time with the line that must be said about it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.barn import SignalSpec
from gateway.model import Priority, SignalKind
from gateway.site import describe, load

Problems = Callable[[str | bytes], list[str]]

EXAMPLES = Path(__file__).parents[2] / "drivers" / "examples"
FIELD = (EXAMPLES / "field-wiring.toml").read_text(encoding="utf-8")
CHIME = FIELD.index('name = "tack-room-chime"')


def changed(old: str, new: str) -> str:
    """The example with one change in its chime."""
    assert old in FIELD[CHIME:]
    return FIELD[:CHIME] + FIELD[CHIME:].replace(old, new, 1)


def test_a_lamp_and_a_chime_become_signals() -> None:
    lamp, chime = load(EXAMPLES / "field-wiring.toml").barn.signals
    assert lamp == SignalSpec(name="aisle-lamp", kind=SignalKind.LAMP, relay="block-1", output=4, least=Priority.SOON)
    assert chime == SignalSpec(
        name="tack-room-chime", kind=SignalKind.CHIME, relay="block-1", output=5, quiet=((21 * 60, 6 * 60),)
    )
    assert not lamp.safe_on and not chime.safe_on


def test_check_says_how_it_is_wired_and_what_horses_must_be_spared() -> None:
    told = describe(load(EXAMPLES / "field-wiring.toml"))
    assert "Signal aisle-lamp: lamp; normally-open, coil 4 of block-1; on for every alarm that cannot wait" in told
    assert "Signal tack-room-chime: chime; normally-open, coil 5 of block-1; on for NOW alarms only" in told
    assert told.count("board dead: STAYS OFF") >= 2
    assert "no siren and no strobe in the aisle, a chime of at most 65 dBA at 1 m" in told


@pytest.mark.parametrize("file", ["one-board", "far-nodes"])
def test_gpio_lines_and_nodes_can_have_signals(file: str) -> None:
    (lamp,) = load(EXAMPLES / f"{file}.toml").barn.signals
    assert lamp.output in ("GPIO21", "lamp-1") and lamp.least is Priority.NOW


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("coil = 5", "coil = 4", 'key "coil": found 4, taken by signals[0] "aisle-lamp"; allowed: one not in use'),
        ("coil = 5", "coil = 0", 'key "coil": found 0, taken by kit[0] "rack-fan"; allowed: one not in use'),
        ("coil = 5\n", "", 'key "coil": missing; allowed: which coil of its relay'),
        ("coil = 5", 'line = "GPIO4"', 'key "line": not for a relay of kind "modbus-coils"; allowed: coil instead'),
        ('"block-1"', '"block-9"', 'key "relay": found "block-9", not one of the relays; did you mean "block-1"?'),
        (
            'relay = "block-1"\ncoil = 5', 'relay = "drive-1"',
            'key "relay": found "drive-1", of kind "modbus-speed", which is not safe for a chime',
        ),
        (
            "coil = 5", 'coil = 5\ncontact = "normally-closed"',
            'key "contact": found "normally-closed"; allowed: "normally-open" for a signal',
        ),
        ('"21:00-06:00"', '"9pm"', 'a list of hours such as'),
        ('"tack-room-chime"', '"rack-fan"', 'key "name": found "rack-fan", the name of a piece of kit'),
        ('"tack-room-chime"', '"arena"', 'key "name": found "arena", the name of a place'),
        ('"tack-room-chime"', '"aisle-lamp"', 'key "name": found "aisle-lamp", taken by signals[0] "aisle-lamp"'),
        ('kind = "chime"', 'kind = "siren"', 'key "kind": found "siren"'),
        ('kind = "chime"', 'kind = "lamp"', 'key "quiet": not known here'),
        ("coil = 5", 'coil = 5\nleast = "when-you-can"', 'key "least": found "when-you-can"; allowed: "now"'),
    ],
)  # fmt: skip
def test_one_mistake_is_one_line(problems_of: Problems, old: str, new: str, said: str) -> None:
    (told,) = problems_of(changed(old, new))
    assert "signals[1]" in told and said in told


def test_a_line_of_a_chip_has_one_use(problems_of: Problems) -> None:
    text = (EXAMPLES / "one-board.toml").read_text(encoding="utf-8").replace('line = "GPIO21"', 'line = "GPIO20"')
    (told,) = problems_of(text)
    assert 'signals[0] "aisle-lamp" key "line": found "GPIO20", taken by kit[' in told
