"""Owns: the form of [series], the time-series store that the history is streamed to, and what it becomes.

Must not know: HTTP, the history, how a problem is worded.
How it works: one pydantic model in, one frozen value out. A token is sent to another machine through TLS only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, Field

from gateway.site_words import STRICT, File, Title

LOOPBACK = ("127.0.0.1", "localhost", "::1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The store. `ca_file` is None when the certificates that the system trusts shall do."""

    url: str
    org: str
    bucket: str
    token_file: Path
    ca_file: Path | None
    gzip: bool


def _base(text: str) -> str:
    """A bare base address: no user, no query; without TLS only on this machine. Raises ValueError."""
    parts = urlsplit(text)
    bare = parts.hostname and not (parts.username or parts.password or parts.query or parts.fragment)
    if not bare or parts.port == 0 or any(letter.isspace() for letter in text):  # .port raises when it is none
        raise ValueError("no base address")
    if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in LOOPBACK):
        raise ValueError("without TLS only on this machine")
    return text.rstrip("/")


Base = Annotated[
    str,
    AfterValidator(_base),
    Field(
        max_length=200,
        description='an address such as "https://store.example:8086"; http:// only on this machine, as the token would'
        " travel readable",
    ),
]


class SeriesForm(BaseModel):
    """A store that takes line protocol at /api/v2/write. The token stands alone in a file of mode 0600."""

    model_config = STRICT
    url: Base
    org: Title
    bucket: Title
    token_file: File
    ca_file: File | None = Field(None, description="a path; left out: the certificates that the system trusts")
    gzip: bool = Field(True, description="true or false")


def series(form: SeriesForm, folder: Path) -> Series:
    """The parameters of a form; relative paths start at `folder`."""
    return Series(
        url=form.url,
        org=form.org,
        bucket=form.bucket,
        token_file=folder / form.token_file,
        ca_file=folder / form.ca_file if form.ca_file else None,
        gzip=form.gzip,
    )


def stream_lines(store: Series | None, broker: str) -> tuple[str, ...]:
    """What is carried where, for the person who checks the barn. `broker` is empty when nothing is published there."""
    lines = []
    if store is not None:
        packed = ", packed" if store.gzip else ""
        lines.append(f"Streamed to the store {store.url}, organisation {store.org}, bucket {store.bucket}{packed}")
    if broker:
        lines.append(f"Published to the broker {broker}: readings, events, and how everything stands")
    return tuple(lines)
