"""Owns: that one process at a time keeps the cursors and the dead letters of a history.

Must not know: what stands in them.
How it works: a lock of the kernel on a file beside the cursors; it ends with the process, however that ends. The file
is opened for reading only, so that it may belong to another user.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.errors import GatewayError


@contextmanager
def claimed(cursors: Path) -> Iterator[None]:
    """Hold the claim. Raises GatewayError when another process does, or the disk does not take the file."""
    path = cursors.with_name(cursors.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise GatewayError(f"{path} cannot be opened: {error.strerror or error}") from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError as error:
        raise GatewayError(f"another process keeps {cursors}, most likely uplink; stop it first") from error
    finally:
        os.close(handle)
