"""Owns: what a device remembers of how it wants to be spoken to: languages, degrees, face, and which board it shows.

Must not know: who holds it, what pages say.
How it works: links and the form of /device carry the choice (`?lang=es`, `?unit=c`, `?face=night`, `?one=1`,
`?board=gateside:arena`); the answer sets a cookie with all of them, so it works without scripts. What a cookie says
that is not known counts as not said.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal, cast
from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response

from dashboards.boards import Face

COOKIE = "device"
YEAR_S = 365 * 24 * 3600
CHOICES = ("lang", "unit", "face", "one", "board")  # in the order of the cookie
BOARDS = ("aisle", "gateside", "yard")
Unit = Literal["f", "c"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """`lang` None: the first language of the barn. `one`: boards speak that one alone.

    `board` is what the address without a path shows; a gate-side board may name its place behind a colon.
    """

    lang: str | None = None
    unit: Unit = "f"
    face: Face = Face.DAY
    one: bool = False
    board: str = "aisle"


def device_of(request: Request, languages: Collection[str]) -> Device:
    """What the device has chosen now or before."""
    parts = request.cookies.get(COOKIE, "").split(".", len(CHOICES) - 1)
    said = dict(zip(CHOICES, parts, strict=False))
    device = _with(Device(), languages, {**said, "board": unquote(said.get("board", ""))})
    return _with(device, languages, request.query_params)


def remember(request: Request, response: Response, device: Device) -> None:
    """Set the cookie when this request carried a choice."""
    if set(CHOICES) & request.query_params.keys():
        _set(request, response, device)


def renew(request: Request, response: Response, device: Device) -> None:
    """Keep for another year what a board remembers: nobody comes to choose again."""
    if COOKIE in request.cookies:
        _set(request, response, device)


def board_path(board: str, places: Collection[str]) -> str:
    """Where a board is shown; a gate-side board whose place is gone shows the first one."""
    kind, _, place = board.partition(":")
    return f"/{kind}?place={quote(place, safe='')}" if place in places else f"/{kind}"


def _with(device: Device, languages: Collection[str], said: Mapping[str, str]) -> Device:
    lang, unit, face, one, board = (said.get(name, "") for name in CHOICES)
    if lang in languages:
        device = replace(device, lang=lang)
    if unit in ("f", "c"):
        device = replace(device, unit=cast(Unit, unit))
    if one in ("0", "1"):
        device = replace(device, one=one == "1")
    if board in BOARDS or (board.startswith("gateside:") and len(board) <= 60):
        device = replace(device, board=board)
    return replace(device, face=Face(face)) if face in tuple(Face) else device


def _set(request: Request, response: Response, device: Device) -> None:
    value = f"{device.lang or ''}.{device.unit}.{device.face}.{int(device.one)}.{quote(device.board, safe='')}"
    response.set_cookie(COOKIE, value, max_age=YEAR_S, httponly=True, samesite="lax",
                        secure=request.scope["scheme"] == "https")  # fmt: skip
