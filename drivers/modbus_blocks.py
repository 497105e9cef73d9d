"""Owns: which cells of a Modbus device are asked for together.

Must not know: what a cell means, how it is asked.
How it works: cells that stand near one another come in one request, in the order of their addresses. A wider block
would touch cells that a device may not have, and it would then refuse the whole request.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Cells:
    """Addresses from `first` on, `count` of them."""

    first: int
    count: int

    @property
    def end(self) -> int:
        return self.first + self.count


def blocks_of(wanted: Iterable[Cells], *, widest_gap: int, longest: int) -> tuple[Cells, ...]:
    """Blocks that hold all `wanted`, none with more than `widest_gap` unasked cells in a row, none too long to ask."""
    blocks: list[Cells] = []
    for cells in sorted(wanted):
        last = blocks[-1] if blocks else None
        if last is None or cells.first - last.end > widest_gap or cells.end - last.first > longest:
            blocks.append(cells)
        else:
            blocks[-1] = Cells(first=last.first, count=max(last.end, cells.end) - last.first)
    return tuple(blocks)
