"""Owns: the site file, the one TOML file that describes a barn: its form, its defaults, what it becomes.

Must not know: drivers, control, clocks, any hardware.
How it works: the forms say which keys each table has, the checks what must agree; all problems are told at
once. A file without problems becomes frozen parameters, with every default filled in and every path absolute.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from gateway import barn as barn_of
from gateway import model
from gateway.site_alarms import NOBODY, AlarmPlan, alarm_lines, alarm_plan
from gateway.site_buses import PATHS, BusForm
from gateway.site_checks import CHECKS
from gateway.site_form import POSTS, BrokerForm, CorrectionForm, FileForm, MistForm, PlaceForm, SafetyForm
from gateway.site_history import Keep, keep
from gateway.site_kit import OUTPUT_OF, FanForm, MisterForm, RelayForm, ValveForm
from gateway.site_lines import checked
from gateway.site_sensors import LATE_TIMES, LOST_TIMES, SensorForm, measured
from gateway.site_signals import signal_lines, signals_of
from gateway.site_streams import Series, series, stream_lines
from gateway.site_web import WebAccess, access_lines, access_of

OWN_POST = "set in the site file; no published source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """The MQTT broker. `password_file` is None when it asks for none; `prefix` begins every topic of this barn.

    `publish`: the history and how everything stands go there, not only devices' messages.
    """

    host: str
    port: int
    tls: bool
    ca_file: Path | None
    user: str
    password_file: Path | None
    prefix: str
    publish: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A checked site file."""

    barn: barn_of.Barn
    history_file: Path
    history: Keep
    link_socket: Path
    web_listen: str
    web_port: int
    web: WebAccess
    path: Path
    broker: Broker | None = None
    series: Series | None = None
    alarms: AlarmPlan = NOBODY


def load(path: Path) -> Site:
    """The site of a file. Raises SiteError with every problem, each as one line."""
    return _site(checked(path, FileForm, CHECKS), path.absolute())


# --- frozen parameters ------------------------------------------------------------------------------


def _site(form: FileForm, path: Path) -> Site:
    folder, mqtt = path.parent, form.mqtt
    return Site(
        barn=_barn(form, folder),
        history_file=folder / form.history.file,
        history=keep(form.history, folder),
        link_socket=folder / form.link.socket,
        web_listen=form.web.listen,
        web_port=form.web.port,
        web=access_of(form.web, folder, folder / form.history.file),
        path=path,
        broker=broker(mqtt, folder, prefix=mqtt.prefix, publish=mqtt.publish) if mqtt else None,
        series=series(form.series, folder) if form.series else None,
        alarms=alarm_plan(form.alarms, form.contacts, form.mail, folder),
    )


def broker(form: BrokerForm, folder: Path, *, prefix: str = "", publish: bool = False) -> Broker:
    """The parameters of a form; relative paths start at `folder`."""
    return Broker(
        host=form.host,
        port=form.port,
        tls=form.tls,
        ca_file=folder / form.ca_file if form.ca_file else None,
        user=form.user or "",
        password_file=folder / form.password_file if form.password_file else None,
        prefix=prefix,
        publish=publish,
    )


def _barn(form: FileForm, folder: Path) -> barn_of.Barn:
    posts = {name: getattr(form.posts, name) for name in POSTS}
    return barn_of.Barn(
        name=form.barn.name,
        zone=form.barn.zone,
        pressure_pa=_pressure_pa(form.barn.altitude_m),
        posts=tuple(_post(name, at) for name, at in posts.items()),
        carry_limits=(form.carry.watch, form.carry.plan, form.carry.stop),
        horse_mass_kg=form.horse.mass_kg,
        dead_band=form.posts.dead_band,
        hold_s=form.posts.hold_s,
        places=tuple(_place(place, form.barn.languages) for place in form.places),
        sensors=tuple(_sensor(sensor) for sensor in form.sensors),
        kit=tuple(_kit(kit, {relay.name: relay.kind for relay in form.relays}) for kit in form.kit),
        buses=tuple(_bus(bus, folder) for bus in form.buses),
        relays=tuple(_relay(relay) for relay in form.relays),
        mist=_mist(form.mist),
        safety=_safety(form.safety),
        stagger_s=form.safety.stagger_s,
        corrections=tuple(_correction(correction) for correction in form.corrections),
        languages=tuple(form.barn.languages),
        signals=signals_of(form.signals, {relay.name: relay.kind for relay in form.relays}),
    )


def _post(name: str, at: float) -> barn_of.Post:
    published = dict(zip(POSTS, barn_of.DEFAULT_POSTS, strict=True))[name]
    return published if at == published.at else barn_of.Post(at=at, source=OWN_POST)


def _pressure_pa(altitude_m: float) -> float:
    """Air pressure of the standard atmosphere [Pa] at a height [m].

    Reference: ICAO Doc 7488, manual of the ICAO standard atmosphere; in this form in the ASHRAE Handbook
    Fundamentals 2017, chapter 1, equation 3.
    """
    return float(101325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def _place(form: PlaceForm, languages: Sequence[str]) -> barn_of.Place:
    given = form.label.model_dump()
    label = {language: given[language] or form.name for language in languages}
    kind = model.PlaceKind(form.kind)
    policy = model.Policy(form.policy) if form.policy else barn_of.DEFAULT_POLICY[kind]
    return barn_of.Place(
        name=form.name,
        kind=kind,
        label=label,
        policy=policy,
        air_mps=form.air_mps,
        occupied=tuple(_span(hours) for hours in form.occupied),
        hot=tuple(_span(hours) for hours in form.hot),
        vents=_channel(form.vents, "contact") if form.vents else "",
        rotates=form.rotate_lead,
    )


def _span(hours: str) -> barn_of.Span:
    """Minutes of the day of "18:00-08:00"."""
    begin, end = (int(clock[:2]) * 60 + int(clock[3:]) for clock in hours.split("-"))
    return begin, end


def _mist(form: MistForm) -> barn_of.MistRules:
    given = form.model_dump(exclude={"hours", "flush_after_h"})
    return barn_of.MistRules(**given, hours=_span(form.hours), flush_after_s=form.flush_after_h * 3600)


def _safety(form: SafetyForm) -> barn_of.Safety:
    return barn_of.Safety(
        fire=_channel(form.fire, "contact") if form.fire else "",
        supply=_channel(form.supply, "supply") if form.supply else "",
        supply_low_v=form.supply_low_v or 0.0,
        freeze_c=form.freeze_c,
    )


def _bus(form: Any, folder: Path) -> barn_of.BusSpec:
    options = _options(form, BusForm)
    paths = {key: str(folder / options[key]) for key in PATHS if key in options}
    return barn_of.BusSpec(name=form.name, kind=form.kind, options=options | paths)


def _sensor(form: Any) -> barn_of.SensorSpec:
    return barn_of.SensorSpec(
        name=form.name,
        place=form.place,
        kind=form.kind,
        bus=form.bus,
        every_s=form.every_s,
        late_after_s=form.late_after_s or LATE_TIMES * form.every_s,
        lost_after_s=form.lost_after_s or LOST_TIMES * form.every_s,
        stuck_after_s=form.stuck_after_s,
        quantities=measured(form.model_dump()),
        options=_options(form, SensorForm),
    )


def _relay(form: Any) -> barn_of.RelaySpec:
    return barn_of.RelaySpec(
        name=form.name, kind=form.kind, bus=form.bus, refresh_s=form.refresh_s, options=_options(form, RelayForm)
    )


def _options(form: BaseModel, base: type[BaseModel]) -> dict[str, Any]:
    """What a device's own kind has beyond the keys of every such table; keys that were left out are left out."""
    return form.model_dump(by_alias=True, exclude_none=True, exclude={*base.model_fields, "kind"})


def _kit(form: FanForm | MisterForm | ValveForm, relays: Mapping[str, str]) -> barn_of.KitSpec:
    fan = form if isinstance(form, FanForm) else None
    mister = form if isinstance(form, MisterForm) else None
    return barn_of.KitSpec(
        name=form.name,
        place=form.place,
        kind=model.KitKind(form.kind),
        relay=form.relay,
        output=form.model_dump(by_alias=True)[OUTPUT_OF[relays[form.relay]]],
        contact=form.contact,
        on_level=fan.on_level if fan else int(model.Level.STOP),
        min_on_s=fan.min_on_s if fan else 0.0,  # nothing may keep water running
        min_off_s=fan.min_off_s if fan else 0.0,  # its pulses keep a mister's pauses
        least_speed=fan.least_speed if fan else 1.0,
        air_mps=fan.air_mps if fan else 0.0,
        proof=_proof(form),
        switch=_channel(form.switch, "switch") if form.switch else "",
        starts_per_h=fan.starts_per_h if fan else 60,
        power_w=fan.power_w if fan else mister.power_w if mister else 0.0,
        water_lpm=mister.water_lpm if mister else 0.0,
    )


def _proof(form: FanForm | MisterForm | ValveForm) -> barn_of.Proof | None:
    if form.proof is None:
        return None
    return barn_of.Proof(
        channel=_channel(form.proof.sensor, form.proof.quantity),
        at_least=form.proof.at_least,
        within_s=form.proof.within_s,
    )


def _correction(form: CorrectionForm) -> barn_of.Correction:
    return barn_of.Correction(
        channel=_channel(form.sensor, form.quantity),
        offset=form.offset,
        on=form.on.isoformat(),
        by=form.by,
        reference=form.reference,
    )


def _channel(sensor: str, key: str) -> str:
    return f"{sensor}.{next(quantity for quantity in model.Quantity if quantity.key == key)}"


# --- plain language ---------------------------------------------------------------------------------


def describe(site: Site) -> str:
    """What this site file says, for the person who wires and checks the barn."""
    barn = site.barn
    sources = {
        post.source: [f"{same.at:g}" for same in barn.posts if same.source == post.source] for post in barn.posts
    }
    lines = [
        f"{barn.name}: time zone {barn.zone}, air pressure {barn.pressure_pa / 100:.0f} hPa by its altitude",
        *(f"Levels begin at {', '.join(posts)}: {source}" for source, posts in sources.items()),
        f"By the air, levels of standing places begin below carry {', '.join(f'{c:g}' for c in barn.carry_limits)}: "
        f"our proposal, not published; a horse of {barn.horse_mass_kg:g} kg",
        f"A level ends {barn.dead_band:g} points below its post, held for {barn.hold_s:g} s.",
        *(line for place in barn.places for line in _place_lines(barn, place)),
        *(line for relay in barn.relays for line in _relay_lines(relay)),
        *signal_lines(barn.signals, {relay.name: relay.kind for relay in barn.relays}),
        f"History: {site.history_file}",
        f"Link: {site.link_socket}",
        *stream_lines(site.series, site.broker.host if site.broker and site.broker.publish else ""),
        *alarm_lines(site.alarms, site.broker.prefix if site.broker else ""),
        f"Pages: address {site.web_listen}, port {site.web_port}, {_reach(site.web_listen)}",
        *access_lines(site.web),
    ]
    return "\n".join(lines)


def _place_lines(barn: barn_of.Barn, place: barn_of.Place) -> Iterator[str]:
    does = "are ridden" if place.kind is model.PlaceKind.RIDING else "stand"
    yield f"Place {place.name}: horses {does} here; on the wall {' / '.join(place.label.values())}"
    yield f"  level by {_POLICIES[place.policy]}; air moves at {place.air_mps:g} m/s with the fans off"
    for sensor in barn.sensors:
        if sensor.place == place.name:
            ages = f"late after {sensor.late_after_s:g} s, lost after {sensor.lost_after_s:g} s"
            yield f"  sensor {sensor.name}: {sensor.kind} on {sensor.bus}, every {sensor.every_s:g} s, {ages}"
    items = [item for item in barn.kit if item.place == place.name]
    relays = {relay.name: OUTPUT_OF.get(relay.kind, "output") for relay in barn.relays}
    yield from (_kit_line(item, relays[item.relay]) for item in items)
    if not items:
        yield "  nothing to switch here"


_POLICIES = {
    model.Policy.RULE: "the rule (the sum) alone",
    model.Policy.AIR: "the air (carry and roof) alone",
    model.Policy.STRICTER: "the stricter of rule and air",
}


def _kit_line(item: barn_of.KitSpec, output: str) -> str:
    wiring = f"{item.contact}, {output} {item.output} of {item.relay}"
    use = "in pulses, and only while every rule of [mist] allows it"
    if item.kind is model.KitKind.VALVE:
        use = "open while a mister of its place runs"
    if item.kind is model.KitKind.FAN:
        use = f"runs from level {item.on_level}, at least {item.min_on_s:g} s on and {item.min_off_s:g} s off"
    return f"  {item.kind} {item.name}: {wiring}; {use}; board dead: {'RUNS' if item.safe_on else 'STAYS OFF'}"


def _relay_lines(relay: barn_of.RelaySpec) -> Iterator[str]:
    yield f"Relay block {relay.name}: {relay.kind} on {relay.bus}, written every {relay.refresh_s:g} s"
    yield f"  With the board dead {_board_dead(relay)}"


def _board_dead(relay: barn_of.RelaySpec) -> str:
    match relay.kind:
        case "gpio-lines":
            return "a line may keep its last level while it has power: pull it to off, and cut the relays' supply."
        case "pwm":
            return "the signal is lost: the drive must then go to full speed. A chip with power goes on as it was."
        case "mqtt-relay":
            return f"each node lets go by itself {relay.options['expires_s']:g} s after the last word to it."
    if watchdog := relay.options.get("watchdog"):
        return f"its own watchdog lets go after {watchdog['seconds']:g} s."
    return "its relays let go only if it loses power, or if its own watchdog, set longer, acts."


def _reach(listen: str) -> str:
    return "seen by this board only" if ip_address(listen).is_loopback else "seen by others on the network"
