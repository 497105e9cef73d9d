"""Owns: reading a posted form.

Must not know: which forms there are.
How it works: the plain form encoding of the HTML standard, at most a few kilobytes. A field that stands twice counts
as its last. Files are never taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qsl

from starlette.exceptions import HTTPException
from starlette.requests import Request

LONGEST = 8192


async def form_of(request: Request) -> Mapping[str, str]:
    """The fields. Raises HTTPException for a body that is too long or of another kind."""
    if not request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        raise HTTPException(415, "A form is sent as application/x-www-form-urlencoded.")
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LONGEST:
            raise HTTPException(413, f"A form has at most {LONGEST} bytes.")
    try:
        return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=40))
    except ValueError as error:
        raise HTTPException(422, "The form cannot be read.") from error
