"""Owns: the look through a large file of history that was not closed in order.

Must not know: how the file is written, what is done about damage.
How it works: a thread of its own with a connection that only reads, so that the start of core does not wait for a slow
card. It sees the file as it was when it began; commits go on beside it.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

from gateway.store.schema import DAMAGE, connect, primary_code, quick_check

log = logging.getLogger(__name__)


class Inspector:
    """Looks through the file once. In the end it is `sound`, or damage is `found`; then `on_damage` is called."""

    def __init__(self, path: Path, *, on_damage: Callable[[], None]) -> None:
        self._path, self._on_damage = path, on_damage
        self._stopped = False
        self.found = self.sound = False
        self._thread = threading.Thread(target=self._run, name="history-check", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Ends the look soon, finished or not; nobody waits for it."""
        self._stopped = True

    def _run(self) -> None:
        try:
            self._look()
        except sqlite3.Error as error:
            if primary_code(error) in DAMAGE:
                self.found = True
                self._on_damage()
            elif not self._stopped:
                log.warning("history: the check after an unclean stop did not come to an end: %s", error)

    def _look(self) -> None:
        connection = connect(self._path, "mode=ro")
        try:
            connection.set_progress_handler(lambda: int(self._stopped), 10_000)
            quick_check(connection)
            self.sound = True
            log.info("history: looked through after an unclean stop, sound")
        finally:
            connection.close()
