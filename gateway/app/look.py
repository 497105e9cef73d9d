"""Owns: the order of `loosebox look`: corner after corner, then all blocks to paste.

Must not know: how anything is found.
How it works: a generator of lines, so that a person sees each corner as it is done. Nothing is sent on a bus unless
the line names one.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import gpiod

from gateway.app import look_ask, look_heard, look_ports, look_sysfs
from gateway.app.look_found import Corner, Paste
from gateway.engine.clock import machine_s
from gateway.errors import GatewayError
from gateway.site import load

_HOW = "# Names, places and numbers below are proposals. Paste what you need and run: loosebox check FILE"


def look(args: argparse.Namespace) -> Iterator[str]:
    """Lines to print. Raises GatewayError, SiteError."""
    if not args.root.is_dir():
        raise GatewayError(f"--root {args.root}: there is no such folder")
    paste = Paste(site=load(args.site) if args.site else None)
    for corner in _corners(args, paste):
        yield corner.text()
        yield ""
    if args.ask_bus:
        yield from look_ask.ask(args, paste)
        yield ""
    if not paste.blocks:
        yield "Nothing to paste."
        return
    yield _HOW
    for block in paste.blocks:
        yield ""
        yield block


def _corners(args: argparse.Namespace, paste: Paste) -> Iterator[Corner]:
    yield look_ports.serial_ports(args.root, paste)
    yield look_ports.i2c_adapters(args.root, paste)
    yield from look_sysfs.corners(args.root / "sys", paste)
    yield look_ports.gpio_chips(look_ports.gpio_files(args.root), gpiod.Chip, paste)
    if paste.site and paste.site.broker:
        yield look_heard.heard(paste.site.broker, args.seconds, machine_s, paste)
