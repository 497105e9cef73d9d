"""Owns: who was told what, as the screens ask for it, made of uplink's record.

Must not know: SQL, pages, how a message travels.
How it works: the record is opened read-only for each question, beside uplink which writes it.
"""

from __future__ import annotations

from pathlib import Path

from dashboards.calls import CallSeen
from gateway.alarms.notices import News
from gateway.uplink.calls_ledger import CallsReader, Row

CALLS = "uplink-calls.db"


def calls_file(cursors: Path) -> Path:
    """Where uplink's record of calls lies: beside its cursors."""
    return cursors.with_name(CALLS)


class LedgerCalls:
    """What `dashboards.calls.Calls` asks for."""

    def __init__(self, path: Path) -> None:
        self._reader = CallsReader(path)

    def latest(self, count: int) -> tuple[CallSeen, ...]:
        """The newest `count` of them, newest first. Raises StoreError."""
        return tuple(_seen(row) for row in self._reader.latest(count))


def _seen(row: Row) -> CallSeen:
    first = row.notice.items[0]
    is_trial = first.news is News.TEST
    return CallSeen(
        contact=row.notice.contact,
        way=row.way,
        kind=row.message.kind,
        subject=row.message.subject,
        made_wall_s=row.message.made_wall_s,
        state=str(row.state),
        why=row.why,
        at_wall_s=row.wall_s,
        alarms=() if is_trial else tuple(item.alarm for item in row.notice.items),
        attempts=row.attempts,
        number=first.episode if is_trial else 0,
    )
