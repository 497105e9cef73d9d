"""A stream with a history, a far end and a ledger, for the tests of streams. A file may have a `rig` of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.uplink.stream_rig import Rig


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Rig]:
    """Batches of 16 rows."""
    made = Rig(tmp_path, batch=16)
    yield made
    made.close()
