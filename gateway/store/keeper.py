"""Owns: the housekeeping of an open file: rolling up, dropping, staying within the disk budget.

Must not know: threads, waiting.
How it works: one bite of work at a time, a few milliseconds each, so that whoever holds the file can put a commit
between any two. Age is looked at when an hour has been rolled up, and at the start. The budget counts pages in use;
`max_page_count` is the hard limit. Dropping begins at 95 % and ends at 90 % of it: what is between the first and the
limit is room for events while readings are being dropped. Freed pages are used again; the file does not shrink.
"""

from __future__ import annotations

import sqlite3

from gateway.site_history import Keep
from gateway.store.drop import Dropper, Limits
from gateway.store.position import Position, delivered
from gateway.store.rollup import RollUp

BEGIN_AT, END_AT = 0.95, 0.90
MOST_BITES_BEFORE_A_WRITE = 10


class Keeper:
    """Belongs to one open file and its thread."""

    def __init__(self, connection: sqlite3.Connection, keep: Keep) -> None:
        self._connection, self._keep = connection, keep
        page_bytes = int(connection.execute("PRAGMA page_size").fetchone()[0])
        self._budget_pages = keep.budget_mb * 1_000_000 // page_bytes
        # A file that is larger already keeps its size as the limit, until rows have been dropped.
        connection.execute(f"PRAGMA max_page_count = {self._budget_pages}")
        self._roll_up = RollUp(connection)
        self._dropper = Dropper(connection, keep)
        self._look_at_age = True
        self._relieving = False

    @property
    def lost_wanted(self) -> int:
        """How many readings of which a destination waited had to go for space, since the file was opened."""
        return self._dropper.lost_wanted

    def bite(self, newest: Position) -> bool:
        """Do a little; False when there is nothing to do. Raises sqlite3.Error."""
        if self._pressed() and self._dropper.for_space(self._limits(newest)):
            return True
        done = self._roll_up.done
        if self._roll_up.bite(newest):
            self._look_at_age = self._look_at_age or self._roll_up.done != done
            return True
        if self._look_at_age:
            self._look_at_age = self._dropper.by_age(self._limits(newest))
            return self._look_at_age
        return False

    def make_room(self, newest: Position) -> None:
        """Before a batch: drop a little if the budget is nearly used up."""
        for _ in range(MOST_BITES_BEFORE_A_WRITE):
            if self._used() < BEGIN_AT * self._budget_pages or not self._dropper.for_space(self._limits(newest)):
                return

    def _pressed(self) -> bool:
        used = self._used()
        self._relieving = used > (END_AT if self._relieving else BEGIN_AT) * self._budget_pages
        return self._relieving

    def _used(self) -> int:
        """Pages that hold something."""
        run = self._connection.execute
        return int(run("PRAGMA page_count").fetchone()[0]) - int(run("PRAGMA freelist_count").fetchone()[0])

    def _limits(self, newest: Position) -> Limits:
        return Limits(
            newest=newest, rolled=self._roll_up.done, delivered=delivered(self._connection, self._keep.cursors)
        )
