"""Owns: numbers out of JSON texts that devices send: strict reading (RFC 8259) and JSON pointers (RFC 6901).

Must not know: which device sent the text, how it came, what the number means.
How it works: `tokens` takes a pointer apart once, at the start; `document` reads a text; `number_at` walks from one to
the other. Whatever a device sends ends in a number or in a ReadError.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from typing import Any, Final

from gateway.errors import BadText, EmptyText, FrameError

_SHOWN: Final = 64  # bytes of a bad text that are kept
_INDEX: Final = re.compile("0|[1-9][0-9]{0,9}")  # RFC 6901, section 4: no leading zeros


def tokens(pointer: str) -> tuple[str, ...]:
    """The reference tokens of a pointer; none for "", which means the whole document. Raises ValueError."""
    if not pointer:
        return ()
    if not pointer.startswith("/"):
        raise ValueError(f"{pointer!r} does not start with /")
    if re.search("~(?![01])", pointer):
        raise ValueError(f"{pointer!r} has a ~ that is not ~0 or ~1")
    # Section 4: first ~1, then ~0, else "~01" would become "/".
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def document(raw: bytes) -> object:
    """What a text holds. Raises EmptyText, or FrameError when it is not JSON, or not plainly so."""
    if not raw.strip():
        raise EmptyText("the text is empty")
    try:
        found: object = json.loads(raw.decode(), object_pairs_hook=_once, parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise FrameError(f"not JSON ({error})", raw[:_SHOWN]) from error
    return found


def number_at(found: object, path: Sequence[str], pointer: str) -> float:
    """The number where `path` (the tokens of `pointer`) leads. Raises BadText, or EmptyText for a null."""
    for token in path:
        found = _child(found, token, pointer)
    if found is None:
        raise EmptyText(f"{pointer}: null")
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise BadText(f"{pointer}: {str(found)[:40]!r} is not a number")
    return finite(found, pointer)


def finite(found: float, what: str) -> float:
    """As a float. Raises BadText for what JSON can write and a float cannot hold."""
    try:
        number = float(found)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise BadText(f"{what}: a number beyond all measure")
    return number


def _child(found: object, token: str, pointer: str) -> object:
    if isinstance(found, dict) and token in found:
        child: object = found[token]
        return child
    if isinstance(found, list) and _INDEX.fullmatch(token) and int(token) < len(found):
        return found[int(token)]
    raise BadText(f"{pointer}: nothing there")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A name that comes twice has no meaning that sender and receiver must share (RFC 8259, section 4)."""
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a name comes twice")
    return made


def _refuse(constant: str) -> object:
    raise ValueError(f"{constant} is not JSON")
