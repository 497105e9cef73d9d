"""Owns: the example site file and a way to load a changed copy of it.

Must not know: how the site file is read.
How it works: `write` puts a text into a fresh folder as barn.toml; `problems_of` loads it and gives the lines of
the SiteError, or nothing when the file was accepted.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.errors import SiteError
from gateway.site import load

EXAMPLE = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"


@pytest.fixture(scope="session")
def example() -> str:
    return EXAMPLE.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def write(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str | bytes], Path]:
    folder = tmp_path_factory.mktemp("site")

    def write_it(content: str | bytes) -> Path:
        path = folder / "barn.toml"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write_it


@pytest.fixture(scope="session")
def problems_of(write: Callable[[str | bytes], Path]) -> Callable[[str | bytes], list[str]]:
    def load_it(content: str | bytes) -> list[str]:
        try:
            load(write(content))
        except SiteError as error:
            return list(error.problems)
        return []

    return load_it
