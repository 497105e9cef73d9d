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

from dashboards.air_text import sentence
from dashboards.boards import Limits
from dashboards.live import Live
from dashboards.present import verdicts
from dashboards.problems import documented, problem
from dashboards.words import Words
from gateway.engine.snapshot import Snapshot, to_json

_PROPOSAL = "Our proposal, not published; advice only."
_CARRY = (
    "About how much heat this air can take from a wet horse over the heat that must go at carry_pace [-], 0 to 10: "
    "from 1 upward the horse can keep it up. The limits of carry that make levels where horses stand (2, 1.2 and 1 "
    f"unless the site file moves them) are part of it. {_PROPOSAL}"
)
_ROOF = (
    "About the fastest pace whose carry is at least 1 now; none: not even standing; empty when unknown. The level and "
    f"the sentence follow it at once when it gets slower and a few minutes late when it gets faster. {_PROPOSAL}"
)
_SENTENCE = (
    "By language: says in short words that the rule and the air differ. Empty texts when rule_level equals air_level, "
    f"or nothing is known. What it says of the air: {_PROPOSAL[0].lower()}{_PROPOSAL[1:]}"
)


_ELSEWHERE = ("alarms", "alarms_wall_s", "tested_wall_s", "tested_by", "trials")  # at /api/v1/alarms


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Kit(_Model):
    """One fan, mister or valve."""

    name: str = Field(description="Name in the site file.")
    kind: str = Field(description="fan, mister or valve.")
    asked: bool = Field(description="What the gateway asks: true is running.")
    seen: bool | None = Field(description="What the hardware reads back; null when it cannot tell.")
    reasons: list[str] = Field(description="Why it is asked, most important first, as sentences.")
    reason_codes: list[str] = Field(description="The same reasons as codes, in the same order.")
    trouble: str = Field(description="What is wrong with it, or empty.")
    wanted: bool | None = Field(description="What demand or a person asks for; null when not known.")
    running: bool | None = Field(description="What its proof of run shows; null when it has none.")
    switch: str = Field(description="Where its hand/off/auto switch stands; empty when it has none.")
    speed: float = Field(description="Share of full speed [-].")
    since_s: float = Field(description="For how long asked has been as it is [s].")
    wait_s: float = Field(description="How long a timer still keeps it from what is wanted [s].")
    hand: str = Field(description="on or off while a person has it by hand; else empty.")
    hand_by: str = Field(description="Who has it by hand.")
    hand_why: str = Field(description="Why, in that person's words.")
    hand_until_wall_s: float | None = Field(description="Until when it is by hand [Unix s]; a label only.")


class Place(_Model):
    """One place with its air, level and kit. A lost place has null for every number of the air."""

    name: str = Field(description="Name in the site file.")
    kind: str = Field(description="riding: horses are ridden here; standing: they stand.")
    label: dict[str, str] = Field(description="Name for people, by language.")
    words: dict[str, str] = Field(description="The word on the wall, by language. Unknown has its own word.")
    freshness: Literal["fresh", "late", "lost"] = Field(description="late: old but still counted; lost: removed.")
    policy: Literal["rule", "air", "stricter"] = Field(description="Which input sets the level, or the stricter.")
    level: int | None = Field(ge=0, le=3, description="Rails of the gate, 0 open to 3 shut; null when unknown.")
    rule_level: int | None = Field(ge=0, le=3, description="Level by the rule: the sum against the posts.")
    air_level: int | None = Field(ge=0, le=3, description=f"Level by the air: carry and roof. {_PROPOSAL}")
    sentence: dict[str, str] = Field(description=_SENTENCE)
    last_level: int | None = Field(ge=0, le=3, description="The last level that was known; null if there was none.")
    sum_f_pct: float | None = Field(description="Air temperature [°F] plus relative humidity [%], not rounded.")
    temp_c: float | None = Field(description="Air temperature [°C].")
    rh_pct: float | None = Field(description="Relative humidity [%].")
    wet_bulb_c: float | None = Field(description="Wet-bulb temperature [°C].")
    dew_point_c: float | None = Field(description="Dew point [°C].")
    roof: Literal["canter", "trot", "walk", "stand", "none", ""] = Field(description=_ROOF)
    carry: float | None = Field(description=_CARRY)
    carry_pace: str = Field(description="The pace that carry, carry_low and carry_high are for; empty when unknown.")
    carry_low: float | None = Field(description=f"About the lowest carry under the assumptions [-]. {_PROPOSAL}")
    carry_high: float | None = Field(description=f"About the highest carry under the assumptions [-]. {_PROPOSAL}")
    carries: dict[str, float] = Field(description=f"Carry by pace [-], about; empty when unknown. {_PROPOSAL}")
    age_s: float | None = Field(description="Age of the last good reading when the snapshot was taken [s].")
    good_wall_s: float | None = Field(description="When the last good reading was taken [Unix s]; a label only.")
    lost_code: str = Field(description="Why there is no reading, as a code; empty when there is one.")
    lost_text: str = Field(description="The same as a sentence.")
    kit: list[Kit] = Field(description="Fans, misters and valves of this place.")
    wind_mps: float | None = Field(description="Speed of the air, measured there [m/s]; null when not measured.")
    globe_c: float | None = Field(description="Globe temperature, measured there [°C]; null when not measured.")
    occupied: bool = Field(description="Whether horses are there.")
    cooled_by: str = Field(description="Who is cooling a horse there now; else empty.")
    cooled_until_wall_s: float | None = Field(description="Until when that lasts [Unix s]; a label only.")


class Fault(_Model):
    """Something that needs a person."""

    subject: str = Field(description="The sensor, kit, line or part that it is about.")
    code: str = Field(description="What kind of fault.")
    text: str = Field(description="The fault as a sentence.")
    since_wall_s: float = Field(description="When it began [Unix s]; a label only.")


class Signal(_Model):
    """A lamp or a chime that calls people in the barn."""

    name: str = Field(description="Name in the site file.")
    kind: str = Field(description="lamp or chime.")
    asked: bool = Field(description="What the gateway asks: true is on.")
    seen: bool | None = Field(description="What the hardware reads back; null when it cannot tell.")
    trouble: str = Field(description="What is wrong with it, or empty.")


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
    signals: list[Signal] = Field(description="Lamps and chimes that call people in the barn.")
    step_s: float = Field(description="How long this step of the core took [s]; 0 when nobody measured it.")


def now_of(snapshot: Snapshot, age_s: float, languages: dict[str, Words]) -> Now:
    """The response for a snapshot."""
    data = {name: value for name, value in to_json(snapshot).items() if name not in _ELSEWHERE}
    for shown, place in zip(data["places"], snapshot.places, strict=True):
        shown["words"] = verdicts(place, languages)
        shown["sentence"] = {lang: sentence(place, words) for lang, words in languages.items()}
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
