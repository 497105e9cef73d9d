"""Owns: a pseudo-terminal under a fixed name, which stands for a serial port of the emulated barn.

Must not know: what is said on the line, threads.
How it works: the name is a link that is put in place in one move. Our own hold on the far end keeps the line alive
while no driver has it open. Shutting closes both ends, which is what a pulled USB adapter looks like.
"""

from __future__ import annotations

import os
import tty
from contextlib import suppress
from pathlib import Path
from typing import Final

from gateway.errors import SiteError

_PSEUDO_TERMINALS: Final = Path("/dev/pts")


class PseudoPort:
    """A pseudo-terminal under a fixed name. All calls come from one thread."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self.near = self._far = -1  # we hold the far end as well, so that the line lives while no driver has it open
        self._name = ""

    @property
    def is_open(self) -> bool:
        return self.near >= 0

    def open(self) -> None:
        """The link is there when this returns. Raises SiteError when something real has its place."""
        _refuse_real(self._link)
        self.near, self._far = os.openpty()
        os.set_blocking(self.near, False)
        tty.setraw(self._far)
        self._name = os.ttyname(self._far)
        self._link.parent.mkdir(parents=True, exist_ok=True)
        fresh = self._link.with_name(f".{self._link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._name)
        fresh.replace(self._link)

    def send(self, data: bytes) -> None:
        with suppress(BlockingIOError):  # nobody has read for long
            os.write(self.near, data)

    def shut(self) -> None:
        """What a pulled adapter looks like. Idempotent."""
        if not self.is_open:
            return
        with suppress(OSError):
            if self._link.is_symlink() and os.readlink(self._link) == self._name:
                self._link.unlink()
        for end in (self.near, self._far):
            os.close(end)
        self.near = self._far = -1


def _refuse_real(link: Path) -> None:
    """A site file of a real barn names real ports; the bench must not put itself in their place."""
    if link.is_symlink():
        target = link.resolve()
        if target.exists() and target.parent != _PSEUDO_TERMINALS:
            raise SiteError((f"{link}: leads to {target}, a real port; the bench takes only a path that is free",))
    elif link.exists():
        raise SiteError((f"{link}: is not a link of a bench; the bench takes only a path that is free",))
