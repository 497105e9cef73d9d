"""Owns: the snapshot for programs: /api/v1/now and its description.

Must not know: pages, pictures.
How it works: explicit response models with units mirror the snapshot, so the OpenAPI document is complete and a
change of the snapshot cannot change the API unseen. The words of the wall stand beside each level.
"""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from dashboards.boards import Limits
from dashboards.live import Live
from dashboards.present import verdicts
from dashboards.problems import documented, problem
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot, to_json


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Kit(_Model):
    """One fan or mister."""

    name: str = Field(description="Name in the site file.")
    kind: str = Field(description="fan or mister.")
    asked: bool = Field(description="What the gateway asks: true is running.")
    seen: bool | None = Field(description="What the hardware reads back; null when it cannot tell.")
    reasons: list[str] = Field(description="Why it is asked, most important first, as sentences.")
    reason_codes: list[str] = Field(description="The same reasons as codes, in the same order.")
    trouble: str = Field(description="What is wrong with it, or empty.")


class Place(_Model):
    """One place with its air, level and kit. A lost place has null for every number of the air."""

    name: str = Field(description="Name in the site file.")
    kind: str = Field(description="riding: horses are ridden here; standing: they stand.")
    label: dict[str, str] = Field(description="Name for people, by language.")
    words: dict[str, str] = Field(description="The word on the wall, by language. Unknown has its own word.")
    freshness: Literal["fresh", "late", "lost"] = Field(description="late: old but still counted; lost: removed.")
    level: int | None = Field(ge=0, le=3, description="Rails of the gate, 0 open to 3 shut; null when unknown.")
    last_level: int | None = Field(ge=0, le=3, description="The last level that was known; null if there was none.")
    sum_f_pct: float | None = Field(description="Air temperature [°F] plus relative humidity [%], not rounded.")
    temp_c: float | None = Field(description="Air temperature [°C].")
    rh_pct: float | None = Field(description="Relative humidity [%].")
    wet_bulb_c: float | None = Field(description="Wet-bulb temperature [°C].")
    dew_point_c: float | None = Field(description="Dew point [°C].")
    age_s: float | None = Field(description="Age of the last good reading when the snapshot was taken [s].")
    good_wall_s: float | None = Field(description="When the last good reading was taken [Unix s]; a label only.")
    lost_code: str = Field(description="Why there is no reading, as a code; empty when there is one.")
    lost_text: str = Field(description="The same as a sentence.")
    kit: list[Kit] = Field(description="Fans and misters of this place.")


class Fault(_Model):
    """Something that needs a person."""

    subject: str = Field(description="The sensor, kit, line or part that it is about.")
    code: str = Field(description="What kind of fault.")
    text: str = Field(description="The fault as a sentence.")
    since_wall_s: float = Field(description="When it began [Unix s]; a label only.")


class Now(_Model):
    """The barn at the last step of the core."""

    age_s: float = Field(description="How long ago this snapshot reached the web role [s].")
    version: int = Field(description="Version of the snapshot.")
    barn: str = Field(description="Name of the barn.")
    zone: str = Field(description="Time zone of the barn, an IANA name.")
    emulated: bool = Field(description="True: no real barn, the numbers are made up.")
    boot: str = Field(description="Identity of the board's boot; mono_s is comparable within one boot.")
    steps: int = Field(description="Steps since the core started.")
    mono_s: float = Field(description="Monotonic time of the step [s].")
    wall_s: float = Field(description="Wall-clock time of the step [Unix s]; trust it only with clock_trusted.")
    clock_trusted: bool = Field(description="Whether the board's clock is known to be set.")
    posts: list[float] = Field(description="Sums at which levels 1, 2 and 3 begin [°F + %].")
    languages: list[str] = Field(description="Languages of the wall, in order.")
    places: list[Place] = Field(description="All places, in the order of the site file.")
    faults: list[Fault] = Field(description="What needs a person now.")


def now_of(snapshot: Snapshot, age_s: float, languages: dict[str, Words]) -> Now:
    """The response for a snapshot."""
    data = to_json(snapshot)
    for shown, place in zip(data["places"], snapshot.places, strict=True):
        shown["words"] = verdicts(place, languages)
    return Now.model_validate({**data, "age_s": round(age_s, 3)})


def router(live: Live, languages: dict[str, Words], limits: Limits) -> APIRouter:
    """All routes for programs."""
    routes = APIRouter(prefix="/api/v1", tags=["now"])

    @routes.get(
        "/now",
        response_model=Now,
        responses=documented(503),
        summary="The barn now",
        description="The newest snapshot. 503 when the core has not been heard lately: old air is not served as air.",
    )
    async def now(request: Request) -> Response:
        snapshot, age_s = live.current(), live.age_s()
        if snapshot is None or age_s is None or not live.heard_within(limits.bar_after_s):
            heard = "never" if age_s is None else f"{age_s:.0f} s ago"
            return problem(request, 503, f"The core was last heard {heard}.", headers={"Retry-After": "5"})
        return JSONResponse(now_of(snapshot, age_s, languages).model_dump(mode="json"))

    return routes
