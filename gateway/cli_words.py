"""Owns: the words that may follow the commands with the most of them.

Must not know: what is done about them; `run` gets them.
How it works: argparse; each function adds one command.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
Run: TypeAlias = Callable[[argparse.Namespace], object]


def add_reckon(commands: Commands, run: Run) -> None:
    reckon = commands.add_parser("reckon", help="reckon sum, wet bulb, carry and more from two numbers")
    say = reckon.add_argument
    say("--temp", required=True, help="air temperature, as 97F; a range as 20C..38C/2C; frost as --temp=-5C")
    say("--rh", required=True, help="relative humidity in per cent, as 62; a range as 30..90/10")
    say("--air", help="air speed at the horse, as 1.5m/s, 3mph, 5km/h or 3kn; 0.2 m/s when left out")
    say("--globe", help="black globe of 15 cm, as 41C or 106F; not together with --sun")
    say("--sun", help="global irradiance in the open, as 800W/m2")
    say("--altitude", help="height above the sea, as 300m or 1000ft")
    say("--mass", help="the horse, as 500kg or 1100lb")
    say("--pace", choices=("stand", "walk", "trot", "canter", "gallop"), default="stand", help="what the horse does")
    say("--wet", help="wet share of the skin, 0 to 1; 1 when left out")
    say("--just-worked", action="store_true", help="a standing horse still breathes and burns as after work")
    say("--temp-error", help="how far off the temperature may be, as 0.3K or 0.5F")
    say("--rh-error", help="how far off the humidity may be in per cent, as 2")
    say("--table", choices=("text", "csv", "svg"), help="a table over ranges, or a picture of the roof")
    say("--of", choices=("carry", "roof", "sum", "wet-bulb"), help="what stands in the table; carry when left out")
    say("--json", action="store_true", help="one JSON object")
    reckon.set_defaults(run=run)


def add_web(web: argparse.ArgumentParser) -> None:
    which = web.add_mutually_exclusive_group(required=True)
    which.add_argument("site", type=Path, nargs="?", help="the site file")
    which.add_argument(
        "--site-board", type=Path, metavar="ORG", help="all barns of this organisation file instead; needs no core"
    )


def add_look(commands: Commands, run: Run) -> None:
    look = commands.add_parser(
        "look",
        help="what is connected to this board, with blocks for the site file",
        description="List what is connected. Nothing is sent on any bus unless --ask-bus names one.",
    )
    say = look.add_argument
    say("--site", type=Path, help="a site file: names that are taken, and the broker to listen to")
    say("--seconds", type=float, default=5.0, help="how long to listen to the broker; 5 when left out")
    say("--ask-bus", metavar="PORT", help="ask on this serial port (Modbus) or /dev/i2c-N who is there")
    say("--baud", type=int, default=9600, help="speed of the serial port; 9600 when left out")
    say("--parity", choices=("none", "even", "odd"), default="none", help="of the serial port; none when left out")
    say("--stop-bits", type=int, choices=(1, 2), default=1, help="of the serial port; 1 when left out")
    say("--units", default="1-10", help="which Modbus units to ask, as 1-10 or 3; 1-10 when left out")
    say("--root", type=Path, default=Path("/"), help="another place for /dev, /sys and /proc, as a copy of a board's")
    look.set_defaults(run=run)


def add_dead_letters(commands: Commands, run: Run) -> None:
    dead = commands.add_parser(
        "dead-letters",
        help="what the store did not take, by reason, and sending it once more",
        description="List the lines that the time-series store did not take, counted by reason. After the cause is"
        " mended (a type that changed, a time the store did not accept) --send sends them once more; what is still not"
        " taken stays, with its new reason. Rows that the store has already are not doubled. To send, stop uplink first"
        " (systemctl stop loosebox-uplink) and do it as its user (sudo -u loosebox-uplink).",
    )
    dead.add_argument("site", type=Path, help="the site file")
    dead.add_argument("--send", action="store_true", help="send them once more; takes twenty seconds at least")
    dead.set_defaults(run=run)
