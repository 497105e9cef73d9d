"""Owns: what the metrics page tells beside the snapshot: uplink's own report, late steps, disk.

Must not know: how the page looks, how uplink works.
How it works: everything is looked up when the page is asked for. What cannot be read is left out, never 0.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from dashboards.metrics import Around, CallsSeen, StreamSeen
from gateway.engine.clock import machine_s
from gateway.errors import StoreError
from gateway.store.queries import History

REPORT = "uplink-report.json"
FORGET_AFTER_S = 60.0


def report_file(cursors: Path) -> Path:
    """Where uplink's report lies: beside its cursors."""
    return cursors.with_name(REPORT)


def around(history_file: Path, report: Path) -> Around:
    """As it is now."""
    disk = os.statvfs(history_file.parent) if history_file.parent.exists() else None
    return Around(
        **_uplink(report),
        steps_late=_steps_late(history_file),
        history_bytes=_size(history_file),
        disk_free_bytes=disk.f_bavail * disk.f_frsize if disk else None,
        disk_size_bytes=disk.f_blocks * disk.f_frsize if disk else None,
    )


def _uplink(path: Path) -> dict[str, Any]:
    """Uplink's report, as long as it is not old: then only its age is told."""
    try:
        told = json.loads(path.read_bytes())
        age_s = machine_s() - float(told["at_s"])
        if age_s < 0:
            return {}  # of an earlier boot
        if age_s > FORGET_AFTER_S:
            return {"uplink_age_s": age_s}
        streams = tuple(
            StreamSeen(**{name: one[name] for name in StreamSeen.__dataclass_fields__}) for one in told["streams"]
        )
        calls = told.get("calls")
        return {
            "uplink_age_s": age_s,
            "streams": streams,
            "broker_up": told["broker_up"],
            "queued": told["queued"],
            "calls": _calls(calls) if calls else None,
        }
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _calls(told: dict[str, Any]) -> CallsSeen:
    return CallsSeen(
        pending=told["pending"],
        delivered=told["delivered"],
        given_up=told["given_up"],
        arrive=not told["lost"],
        kept=not told["unkept"],
    )


def _steps_late(history_file: Path) -> int | None:
    try:
        beats = History(history_file).beats(limit=1)
    except StoreError:
        return None
    return beats[-1].late if beats else None


def _size(history_file: Path) -> int | None:
    found = [history_file.with_name(history_file.name + end) for end in ("", "-wal")]
    sizes = [path.stat().st_size for path in found if path.exists()]
    return sum(sizes) if sizes else None
