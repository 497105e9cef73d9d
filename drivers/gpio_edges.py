"""Owns: how many pulses a second a line has had, from the edges that the kernel has reported.

Must not know: chips, requests, what a pulse means.
How it works: the kernel numbers the edges of a line from 1 and stamps them on the monotonic clock. Its buffer is
limited and drops the oldest, so the numbers count, not the reports: a gap in them is edges that were lost. Those
inside the window are counted by the numbers. A gap that reaches back over the window's beginning cannot be divided:
then the mean since the last edge before it is told, exact over that longer time.
"""

from __future__ import annotations

from collections import deque
from typing import Final

_MOST_MARKS: Final = 100_000  # a minute at more than 1600 edges a second, which no anemometer or meter has


class EdgeCount:
    """The edges of one line since `start_s`."""

    def __init__(self, start_s: float) -> None:
        self._start_s = start_s
        self._marks: deque[tuple[float, int]] = deque([(start_s, 0)], maxlen=_MOST_MARKS)

    def edge(self, at_s: float, number: int) -> None:
        """The kernel has reported edge `number` of this line, which was at `at_s`."""
        self._marks.append((at_s, number))

    def seen_s(self, now_s: float) -> float:
        """For how long edges have been counted."""
        return now_s - self._start_s

    def per_second(self, *, now_s: float, window_s: float) -> float:
        """The mean rate of the last `window_s`; 0 when no edge came."""
        marks, begin_s = self._marks, now_s - window_s
        while len(marks) > 1 and marks[1][0] <= begin_s:
            marks.popleft()
        (before_s, before), last = marks[0], marks[-1][1]
        lost_at_begin = len(marks) > 1 and marks[1][1] > before + 1
        whole_window = before_s <= begin_s and not lost_at_begin
        return (last - before) / (window_s if whole_window else now_s - before_s)
