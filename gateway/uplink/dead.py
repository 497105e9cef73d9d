"""Owns: dead letters, the lines that a store did not take: how they are kept, and how they are sent once more.

Must not know: cursors, the history, who the store is.
How it works: one JSON object a line, appended and synced. After a crash a letter may stand there twice; it counts once,
with its newest reason. Sending again is idempotent, because a store knows each row by series and time: a batch that is
not taken is halved down to the letters that are still refused, and those keep the new reason.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from gateway.uplink.verdict import Outcome, Verdict

MOST_BYTES = 4_000_000
MOST_IN_A_ROW = 100
_READINGS = ("loosebox_reading,", "loosebox_lost,")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """A line that `to` did not take, and why. `history` names the file whose rows it was made of."""

    to: str
    why: str
    line: str
    history: str = ""

    @property
    def is_reading(self) -> bool:
        return self.line.startswith(_READINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What became of letters that were sent again. `stopped` says why it came to no end, if it did not."""

    taken: tuple[DeadLetter, ...]
    left: tuple[DeadLetter, ...]
    stopped: str = ""


def append(path: Path, letter: DeadLetter) -> None:
    """On the disk when this returns. Raises OSError. The newest few megabytes are kept."""
    if path.exists() and path.stat().st_size > MOST_BYTES:
        path.replace(_older(path))
    with path.open("ab") as file:
        os.fchmod(file.fileno(), 0o640)
        file.write(_line(letter))
        file.flush()
        os.fsync(file.fileno())


def read(path: Path) -> tuple[DeadLetter, ...]:
    """All that lie in the file and in the one before it, oldest first, each once. Raises OSError."""
    found: dict[tuple[str, str], DeadLetter] = {}
    for file in (_older(path), path):
        for line in file.read_bytes().splitlines() if file.exists() else ():
            letter = _letter(line)
            if letter is not None:
                found[letter.to, letter.line] = letter
    return tuple(found.values())


def content(letters: Iterable[DeadLetter]) -> bytes:
    """The file of these letters."""
    return b"".join(map(_line, letters))


def remove(path: Path) -> None:
    """The file and the one before it. Raises OSError."""
    for file in (path, _older(path)):
        file.unlink(missing_ok=True)


def send_again(letters: Sequence[DeadLetter], deliver: Callable[[Sequence[str]], Verdict], batch: int) -> Sent:
    """Ends early when the store is away, refuses, or takes none of a hundred on end."""
    taken: list[DeadLetter] = []
    left: list[DeadLetter] = []
    limit, in_a_row, at = batch, 0, 0
    while at < len(letters):
        part = letters[at : at + limit]
        verdict = deliver([letter.line for letter in part])
        if verdict.outcome is Outcome.DELIVERED:
            taken += part
            limit, in_a_row = min(2 * limit, batch), 0
        elif verdict.outcome is not Outcome.BAD or in_a_row >= MOST_IN_A_ROW:
            return Sent(taken=tuple(taken), left=(*left, *letters[at:]), stopped=verdict.why)
        elif len(part) > 1:
            limit = len(part) // 2
            continue
        else:
            left.append(replace(part[0], why=verdict.why))
            in_a_row += 1
        at += len(part)
    return Sent(taken=tuple(taken), left=tuple(left))


def _older(path: Path) -> Path:
    return path.with_name(path.name + ".old")


def _line(letter: DeadLetter) -> bytes:
    return json.dumps(asdict(letter)).encode() + b"\n"


def _letter(line: bytes) -> DeadLetter | None:
    """None for half a line, which a power cut may leave: its row was not passed over, and is sent anyway."""
    try:
        found = json.loads(line)
        return DeadLetter(**{key: str(found[key]) for key in ("to", "why", "line")}, history=found.get("history", ""))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
