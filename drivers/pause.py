"""Owns: how long a vanished port is left alone before it is tried again.

Must not know: ports, clocks (time is an argument).
How it works: the pause doubles with each failure up to a longest one, and starts anew when something worked.
"""

from __future__ import annotations

from typing import Final

_FIRST_PAUSE_S: Final = 1.0
_LONGEST_PAUSE_S: Final = 3.0  # a replugged adapter is back within 5 s: this, a second to be asked, one to be shown


class Pause:
    """How long to leave a vanished port alone: 1, 2, 3, 3 ... seconds."""

    def __init__(self) -> None:
        self._next_s = _FIRST_PAUSE_S
        self._until_s = float("-inf")

    def left_s(self, now_s: float) -> float:
        return max(0.0, self._until_s - now_s)

    def failed(self, now_s: float) -> None:
        self._until_s = now_s + self._next_s
        self._next_s = min(2 * self._next_s, _LONGEST_PAUSE_S)

    def worked(self) -> None:
        self._next_s = _FIRST_PAUSE_S
