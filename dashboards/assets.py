"""Owns: the files that browsers may keep for ever.

Must not know: pages, snapshots.
How it works: all are read once at start and served from memory under a name with their hash in it. The style
sheet names fonts by their plain names, which are replaced before its own hash is taken.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent / "static"
KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
    ".woff2": "font/woff2",
}


@dataclass(frozen=True, slots=True)
class Asset:
    """One file as it is sent."""

    body: bytes
    media_type: str


class Assets:
    """Hashed names of the files of one folder. `key` changes when any file does."""

    def __init__(self, folder: Path = FOLDER) -> None:
        self._names: dict[str, str] = {}
        self._files: dict[str, Asset] = {}
        paths = sorted(path for path in folder.iterdir() if path.suffix in KINDS)
        for path in sorted(paths, key=lambda path: path.suffix == ".css"):
            self._add(path)
        self.key = hashlib.sha256(" ".join(sorted(self._files)).encode()).hexdigest()[:12]

    def url(self, name: str) -> str:
        """The address of a file, from its plain name."""
        return f"/static/{self._names[name]}"

    def get(self, hashed: str) -> Asset | None:
        """The file behind a hashed name."""
        return self._files.get(hashed)

    def _add(self, path: Path) -> None:
        body = path.read_bytes()
        if path.suffix == ".css":
            for plain, hashed in self._names.items():
                body = body.replace(f'url("{plain}")'.encode(), f'url("{hashed}")'.encode())
        digest = hashlib.sha256(body).hexdigest()[:12]
        self._names[path.name] = f"{path.stem}-{digest}{path.suffix}"
        self._files[self._names[path.name]] = Asset(body, KINDS[path.suffix])
