"""Owns: /metrics, the barn and the gateway as numbers for a monitoring server.

Must not know: files, uplink, how the history is kept; whoever wires the web hands in `Around`.
How it works: families of samples are made from the snapshot and from `Around`, then written in the text form that the
client asks for: Prometheus 0.0.4, or OpenMetrics 1.0, which differ in how counters are named and in the end mark. What
is not known has no sample; it is never 0. A snapshot that has grown old gives no air and no kit, only its age.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from dashboards.live import Live
from gateway.engine.snapshot import KitView, PlaceView, Snapshot

TEXT = "text/plain; version=0.0.4; charset=utf-8"
OPEN_METRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
STATES = ("ok", "waiting", "away", "refused", "stopped", "starting")

Labels = tuple[tuple[str, str], ...]
Sample = tuple[Labels, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamSeen:
    """One destination of the history. `behind_s` is for how long it has not been at the history's end."""

    name: str
    state: str
    pending: int
    behind_s: float
    readings: int
    events: int
    dead: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CallsSeen:
    """Messages to contacts, by way. `arrive`: at least one way gets through; `kept`: the record of them is kept."""

    pending: int
    delivered: int
    given_up: int
    arrive: bool
    kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is known of the gateway beside the snapshot; None or empty where it is not known."""

    streams: tuple[StreamSeen, ...] = ()
    uplink_age_s: float | None = None
    broker_up: bool | None = None
    queued: int | None = None
    calls: CallsSeen | None = None
    steps_late: int | None = None
    history_bytes: int | None = None
    disk_free_bytes: int | None = None
    disk_size_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """All samples of one name. `kind` is gauge or counter; a counter's name ends in _total."""

    name: str
    kind: str
    text: str
    samples: tuple[Sample, ...]


def router(live: Live, around: Callable[[], Around], *, old_after_s: float) -> APIRouter:
    """The route for monitoring."""
    routes = APIRouter(tags=["metrics"])

    @routes.get("/metrics", summary="Numbers for a monitoring server", response_class=Response)
    def metrics(request: Request) -> Response:
        is_open = "application/openmetrics-text" in request.headers.get("accept", "")
        snapshot = live.current() if live.heard_within(old_after_s) else None
        text = page(families(snapshot, live.age_s(), around()), is_open=is_open)
        return Response(text, media_type=OPEN_METRICS if is_open else TEXT)

    return routes


def page(found: Iterable[Family], *, is_open: bool) -> str:
    """The text form of families; those without samples are left out."""
    lines = []
    for family in found:
        if not family.samples:
            continue
        name = family.name.removesuffix("_total") if is_open else family.name
        lines += [f"# HELP {name} {family.text}", f"# TYPE {name} {family.kind}"]
        lines += [f"{family.name}{_labels(labels)} {value:.10g}" for labels, value in family.samples]
    return "\n".join([*lines, *(["# EOF"] if is_open else []), ""])


def families(snapshot: Snapshot | None, age_s: float | None, around: Around) -> Iterator[Family]:
    """Everything that is told."""
    yield _gauge("core_up", "1 while the core is heard.", [((), float(snapshot is not None))])
    yield _gauge("snapshot_age_seconds", "How long ago the core was heard.", _one(age_s))
    if snapshot is not None:
        yield from _core(snapshot)
        yield from _places(snapshot)
        yield from _kit(snapshot)
    yield from _uplink(around)
    if around.calls is not None:
        yield from _calls(around.calls)
    late = around.steps_late
    yield _counter("steps_late_total", "Steps of this run of the core that were left out, being late.", _one(late))
    yield _gauge("history_size_bytes", "Size of the history's files.", _one(around.history_bytes))
    yield _gauge("disk_free_bytes", "Free space where the history is.", _one(around.disk_free_bytes))
    yield _gauge("disk_size_bytes", "Size of the file system where the history is.", _one(around.disk_size_bytes))


def _core(snapshot: Snapshot) -> Iterator[Family]:
    barn = (("barn", snapshot.barn), ("emulated", str(snapshot.emulated).lower()))
    yield _gauge("barn_info", "Which barn this is.", [(barn, 1.0)])
    yield _counter("steps_total", "Steps of this run of the core, one a second.", _one(snapshot.steps))
    yield _gauge("step_seconds", "How long the newest step of the core took.", _one(snapshot.step_s or None))
    yield _gauge("clock_trusted", "1 when the board's clock is known to be set.", _one(snapshot.clock_trusted))
    yield _gauge("clock_unix_seconds", "Wall-clock time of the newest step.", _one(snapshot.wall_s))
    codes: dict[str, int] = {}
    for fault in snapshot.faults:
        codes[fault.code] = codes.get(fault.code, 0) + 1
    standing = [((("code", code),), float(count)) for code, count in sorted(codes.items())]
    yield _gauge("faults", "Faults that stand now, by code.", standing or [((("code", "none"),), 0.0)])


def _places(snapshot: Snapshot) -> Iterator[Family]:
    def of(name: str, text: str, get: Callable[[PlaceView], float | None]) -> Family:
        found = [((("place", place.name),), get(place)) for place in snapshot.places]
        return _gauge(name, text, [(labels, float(value)) for labels, value in found if value is not None])

    yield of("air_temperature_celsius", "Air temperature.", lambda p: p.temp_c)
    yield of("air_humidity_ratio", "Relative humidity, 0 to 1.", lambda p: None if p.rh_pct is None else p.rh_pct / 100)
    yield of("air_wet_bulb_celsius", "Wet-bulb temperature.", lambda p: p.wet_bulb_c)
    yield of("air_speed_meters_per_second", "Speed of the air, where it is measured.", lambda p: p.wind_mps)
    yield of(
        "heat_points", "Air temperature in degrees Fahrenheit plus relative humidity in percent.", lambda p: p.sum_f_pct
    )
    yield of("carry_ratio", "What the air can take from a wet horse over what must go.", lambda p: p.carry)
    yield of("level", "Rails of the gate, 0 open to 3 shut; no sample while it is not known.", lambda p: p.level)
    yield of("reading_age_seconds", "Age of the newest good reading of the air.", lambda p: p.age_s)
    yield of("place_occupied", "1 when horses are there.", lambda p: float(p.occupied))
    states = [
        ((("place", place.name), ("state", state)), float(place.freshness == state))
        for place in snapshot.places
        for state in ("fresh", "late", "lost")
    ]
    yield _gauge("place_freshness", "1 for the state that the air of a place is in.", states)


def _kit(snapshot: Snapshot) -> Iterator[Family]:
    def of(name: str, text: str, get: Callable[[KitView], float | bool | None]) -> Family:
        found = [
            ((("kit", kit.name), ("kind", kit.kind), ("place", place.name)), get(kit))
            for place in snapshot.places
            for kit in place.kit
        ]
        return _gauge(name, text, [(labels, float(value)) for labels, value in found if value is not None])

    yield of("kit_asked", "1 when the gateway asks it to run.", lambda k: k.asked)
    yield of("kit_seen", "1 when the hardware reads back that it is on.", lambda k: k.seen)
    yield of("kit_running", "1 when its proof of run shows that it runs.", lambda k: k.running)
    yield of("kit_speed_ratio", "Share of full speed that is asked.", lambda k: k.speed)
    yield of("kit_by_hand", "1 while a person has it by hand.", lambda k: bool(k.hand))
    yield of("kit_trouble", "1 when something is wrong with it.", lambda k: bool(k.trouble))


def _uplink(around: Around) -> Iterator[Family]:
    def of(name: str, text: str, get: Callable[[StreamSeen], float]) -> Family:
        return _gauge(name, text, [((("stream", one.name),), float(get(one))) for one in around.streams])

    yield _gauge("uplink_report_age_seconds", "Age of what uplink last said of itself.", _one(around.uplink_age_s))
    yield _gauge("uplink_queued_messages", "Messages that wait for the broker.", _one(around.queued))
    yield _gauge("broker_up", "1 while the broker is reached.", _one(around.broker_up))
    yield of("stream_pending_readings", "Readings behind the cursor, not yet delivered.", lambda s: s.pending)
    yield of("stream_behind_seconds", "For how long it has not been at the history's end.", lambda s: s.behind_s)
    yield of(
        "stream_delivered_readings", "Readings delivered; less after a minute is sent again.", lambda s: s.readings
    )
    yield of("stream_delivered_events", "Events delivered.", lambda s: s.events)
    yield of("stream_dead_letters", "Rows that the destination does not take, kept with the reason.", lambda s: s.dead)
    states = [
        ((("stream", one.name), ("state", state)), float(one.state == state))
        for one in around.streams
        for state in STATES
    ]
    yield _gauge("stream_state", "1 for the state that a stream is in.", states)


def _calls(calls: CallsSeen) -> Iterator[Family]:
    yield _gauge("calls_pending", "Messages to contacts that have not arrived yet, by way.", _one(calls.pending))
    delivered, given_up = _one(calls.delivered), _one(calls.given_up)
    yield _counter("calls_delivered_total", "Messages to contacts that arrived since uplink's start.", delivered)
    yield _counter("calls_given_up_total", "Messages to contacts that were given up, with the reason.", given_up)
    yield _gauge("calls_arrive", "0 when no message to a contact arrives by any way.", _one(calls.arrive))
    yield _gauge("calls_kept", "1 while the record of messages is kept on the disk.", _one(calls.kept))


def _gauge(name: str, text: str, samples: Sequence[Sample]) -> Family:
    return Family(name=f"loosebox_{name}", kind="gauge", text=text, samples=tuple(samples))


def _counter(name: str, text: str, samples: Sequence[Sample]) -> Family:
    return Family(name=f"loosebox_{name}", kind="counter", text=text, samples=tuple(samples))


def _one(value: float | None) -> list[Sample]:
    return [] if value is None else [((), float(value))]


def _labels(labels: Labels) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{name}="{_escaped(value)}"' for name, value in labels) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
