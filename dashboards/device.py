"""Owns: what a device remembers of how it wants to be spoken to: language, degrees, face.

Must not know: who holds it, what pages say.
How it works: links carry the choice (`?lang=es`, `?unit=c`, `?face=night`); the answer sets a cookie with all three,
so it works without scripts. What a cookie says that is not known counts as not said.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal, cast

from starlette.requests import Request
from starlette.responses import Response

from dashboards.boards import Face

COOKIE = "device"
YEAR_S = 365 * 24 * 3600
Unit = Literal["f", "c"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """`lang` None: the first language of the barn."""

    lang: str | None = None
    unit: Unit = "f"
    face: Face = Face.DAY


def device_of(request: Request, languages: Collection[str]) -> Device:
    """What the device has chosen now or before."""
    said = [*request.cookies.get(COOKIE, "").split("."), "", "", ""]
    device = _with(Device(), languages, said[0], said[1], said[2])
    asked = request.query_params
    return _with(device, languages, asked.get("lang", ""), asked.get("unit", ""), asked.get("face", ""))


def remember(request: Request, response: Response, device: Device) -> None:
    """Set the cookie when this request carried a choice."""
    if {"lang", "unit", "face"} & request.query_params.keys():
        value = f"{device.lang or ''}.{device.unit}.{device.face}"
        response.set_cookie(COOKIE, value, max_age=YEAR_S, httponly=True, samesite="lax",
                            secure=request.scope["scheme"] == "https")  # fmt: skip


def _with(device: Device, languages: Collection[str], lang: str, unit: str, face: str) -> Device:
    if lang in languages:
        device = replace(device, lang=lang)
    if unit in ("f", "c"):
        device = replace(device, unit=cast(Unit, unit))
    return replace(device, face=Face(face)) if face in tuple(Face) else device
