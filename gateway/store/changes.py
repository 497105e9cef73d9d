"""Owns: the changes over a stretch of wall time: levels, commands and what people asked for.

Must not know: what is made of them.
How it works: the numbers of the rows follow (boot, mono_ms), so the first and the last row of a stretch are found by
halving, without walking through years. For each subject the newest change before the stretch comes along: it says what
held when the stretch began. At most `most` changes of one kind are read, the newest; `cut` says that there were more.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from gateway.model import CommandChange, HandChange, LevelChange
from gateway.store import rows
from gateway.store.clocks import Clocks
from gateway.store.position import Position
from gateway.store.queries import WHEN, History

# A row may be written a moment after one of a later time, by another thread.
MARGIN_MS = 5000
_SELECT = {
    "levels": f"SELECT {WHEN}, t.place, t.level_before, t.level_after, t.sum_f_pct, t.code, t.text FROM levels t",
    "commands": f"SELECT {WHEN}, t.kit, t.is_on, t.reasons FROM commands t",
    "hands": f"SELECT {WHEN}, t.subject, t.kind, t.until_mono_ms, t.until_wall_ms, t.person, t.why FROM hands t",
}
_SUBJECT = {"levels": "place", "commands": "kit", "hands": "subject"}
_READ: dict[str, Callable[[rows.Row], Any]] = {"levels": rows.level, "commands": rows.command, "hands": rows.hand}


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """Oldest first, those before the stretch included. `cut`: only the newest of a kind are here."""

    levels: tuple[LevelChange, ...] = ()
    commands: tuple[CommandChange, ...] = ()
    hands: tuple[HandChange, ...] = ()
    cut: bool = False


def changes(
    history: History, from_wall_s: float, to_wall_s: float, *, places: Collection[str], kit: Collection[str], most: int
) -> Changes:
    """What changed over a stretch of wall time at these places and with this kit. Raises StoreError."""
    with history.asking() as connection:
        connection.execute("BEGIN")  # all questions see the same history
        clocks = Clocks(connection)
        spans = tuple(clocks.spans(rows.whole_ms(from_wall_s), rows.whole_ms(to_wall_s)))
        if not spans:
            return Changes()
        begin = min((span.boot_id, span.from_ms - MARGIN_MS) for span in spans)
        end = max((span.boot_id, span.to_ms + MARGIN_MS) for span in spans)
        found: dict[str, tuple[Any, ...]] = {}
        cut = False
        for table, subjects in (("levels", places), ("commands", kit), ("hands", kit)):
            first, after = _number(connection, table, begin), _number(connection, table, end)
            inside = _between(connection, table, first, after, most + 1)
            cut = cut or len(inside) > most
            read = [*(() if len(inside) > most else _before(connection, table, first, subjects)), *inside[-most:]]
            found[table] = tuple(_righted(map(_READ[table], read), clocks))
    return Changes(cut=cut, **found)


def _number(connection: sqlite3.Connection, table: str, at: Position) -> int:
    """The number of the first row at or after a position, or one more than that of the last row."""
    low, high = connection.execute(f"SELECT coalesce(min(id), 0), coalesce(max(id), -1) + 1 FROM {table}").fetchone()
    while low < high:
        middle = (low + high) // 2
        number, *position = connection.execute(
            f"SELECT id, boot, mono_ms FROM {table} WHERE id >= ? ORDER BY id LIMIT 1", (middle,)
        ).fetchone()
        low, high = (number + 1, high) if tuple(position) < at else (low, middle)
    return int(low)


def _between(connection: sqlite3.Connection, table: str, first: int, after: int, most: int) -> list[rows.Row]:
    query = f"{_SELECT[table]} JOIN boots b ON b.id = t.boot WHERE t.id >= ? AND t.id < ? ORDER BY t.id DESC LIMIT ?"
    return connection.execute(query, (first, after, most)).fetchall()[::-1]


def _before(connection: sqlite3.Connection, table: str, first: int, subjects: Iterable[str]) -> Iterator[rows.Row]:
    """The newest row of each subject before a number."""
    query = f"{_SELECT[table]} JOIN boots b ON b.id = t.boot WHERE t.{_SUBJECT[table]} = ? AND t.id < ?\
 ORDER BY t.id DESC LIMIT 1"
    for subject in subjects:
        yield from connection.execute(query, (subject, first))


def _righted(found: Iterable[Any], clocks: Clocks) -> Iterator[Any]:
    for change in found:
        yield replace(change, stamp=clocks.right(change.stamp)[0])
