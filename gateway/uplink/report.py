"""Owns: what uplink tells the other roles of itself: a small file, written anew every few seconds.

Must not know: who reads it.
How it works: a new file takes the place of the old one. It needs not survive a power cut, so that nothing is synced and
the card is spared. `at_s` is on the machine's monotonic clock, which all roles share: a reader can tell its age.
"""

from __future__ import annotations

import dataclasses
import json
import logging
import os
from collections.abc import Sequence
from pathlib import Path

from gateway.uplink.caller import CallsTold
from gateway.uplink.stream import Standing

log = logging.getLogger(__name__)


def write_report(
    path: Path,
    *,
    at_s: float,
    streams: Sequence[Standing],
    broker_up: bool | None,
    queued: int,
    calls: CallsTold | None = None,
) -> None:
    """Never raises: a report that cannot be written grows old, and that is seen. `calls` is None without contacts."""
    told = {
        "at_s": at_s,
        "streams": [dataclasses.asdict(stream) for stream in streams],
        "broker_up": broker_up,
        "queued": queued,
        "calls": None if calls is None else dataclasses.asdict(calls),
    }
    new = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with new.open("w") as file:
            os.fchmod(file.fileno(), 0o640)
            json.dump(told, file)
        new.replace(path)
    except OSError as error:
        log.debug("%s cannot be written: %s", path, error)
