"""Owns: the site file, the one TOML file that describes a barn: its form, its defaults, what it becomes.

Must not know: drivers, control, clocks, any hardware.
How it works: the forms say which keys each table has, the checks what must agree; all problems are told at
once. A file without problems becomes frozen parameters, with every default filled in and every path absolute.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from pydantic import ValidationError

from gateway import model
from gateway.errors import SiteError
from gateway.site_checks import CHECKS
from gateway.site_form import (
    LATE_TIMES,
    LOST_TIMES,
    POSTS,
    FanForm,
    FileForm,
    HwmonForm,
    IioForm,
    MisterForm,
    ModbusAirForm,
    PlaceForm,
    RelayForm,
    SensorForm,
    SerialForm,
    SysfsForm,
)
from gateway.site_lines import Key, form_problems, read

OWN_POST = "set in the site file; no published source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A checked site file."""

    barn: model.Barn
    history_file: Path
    link_socket: Path
    web_listen: str
    web_port: int
    path: Path


def load(path: Path) -> Site:
    """The site of a file. Raises SiteError with every problem, each as one line."""
    document = read(path)
    problems: dict[Key, str] = {}
    form = None
    try:
        form = FileForm.model_validate(document.data)
    except ValidationError as error:
        problems.update(form_problems(FileForm, error))
    for check in CHECKS:
        for key, text in check(document):
            problems.setdefault(key, text)
    if problems or form is None:
        ordered = sorted(problems.items(), key=lambda problem: document.line_of(problem[0]))
        raise SiteError(tuple(document.say(problem) for problem in ordered))
    return _site(form, path.absolute())


# --- frozen parameters ------------------------------------------------------------------------------


def _site(form: FileForm, path: Path) -> Site:
    folder = path.parent
    return Site(
        barn=_barn(form, folder),
        history_file=folder / form.history.file,
        link_socket=folder / form.link.socket,
        web_listen=form.web.listen,
        web_port=form.web.port,
        path=path,
    )


def _barn(form: FileForm, folder: Path) -> model.Barn:
    posts = {name: getattr(form.posts, name) for name in POSTS}
    return model.Barn(
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
        kit=tuple(_kit(kit) for kit in form.kit),
        buses=tuple(_bus(bus, folder) for bus in form.buses),
        relays=tuple(_relay(relay) for relay in form.relays),
        languages=tuple(form.barn.languages),
    )


def _post(name: str, at: float) -> model.Post:
    published = dict(zip(POSTS, model.DEFAULT_POSTS, strict=True))[name]
    return published if at == published.at else model.Post(at=at, source=OWN_POST)


def _pressure_pa(altitude_m: float) -> float:
    """Air pressure of the standard atmosphere [Pa] at a height [m].

    Reference: ICAO Doc 7488, manual of the ICAO standard atmosphere; in this form in the ASHRAE Handbook
    Fundamentals 2017, chapter 1, equation 3.
    """
    return float(101325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)


def _place(form: PlaceForm, languages: Sequence[str]) -> model.Place:
    given = form.label.model_dump()
    label = {language: given[language] or form.name for language in languages}
    kind = model.PlaceKind(form.kind)
    policy = model.Policy(form.policy) if form.policy else model.DEFAULT_POLICY[kind]
    return model.Place(name=form.name, kind=kind, label=label, policy=policy, air_mps=form.air_mps)


def _bus(form: SerialForm | SysfsForm, folder: Path) -> model.BusSpec:
    options = form.model_dump(exclude={"name", "kind"})
    where = "port" if form.kind == "serial" else "root"
    return model.BusSpec(name=form.name, kind=form.kind, options=options | {where: str(folder / options[where])})


def _sensor(form: ModbusAirForm | IioForm | HwmonForm) -> model.SensorSpec:
    return model.SensorSpec(
        name=form.name,
        place=form.place,
        kind=form.kind,
        bus=form.bus,
        every_s=form.every_s,
        late_after_s=form.late_after_s or LATE_TIMES * form.every_s,
        lost_after_s=form.lost_after_s or LOST_TIMES * form.every_s,
        stuck_after_s=form.stuck_after_s,
        options=form.model_dump(by_alias=True, exclude={*SensorForm.model_fields, "kind"}),
    )


def _relay(form: RelayForm) -> model.RelaySpec:
    options = {"unit": form.unit, "base": form.base}
    return model.RelaySpec(name=form.name, kind=form.kind, bus=form.bus, refresh_s=form.refresh_s, options=options)


def _kit(form: FanForm | MisterForm) -> model.KitSpec:
    fan = form if isinstance(form, FanForm) else None
    return model.KitSpec(
        name=form.name,
        place=form.place,
        kind=model.KitKind(form.kind),
        relay=form.relay,
        coil=form.coil,
        contact=form.contact,
        on_level=fan.on_level if fan else int(model.Level.STOP),
        min_on_s=fan.min_on_s if fan else 0.0,  # nothing may keep water running
        min_off_s=fan.min_off_s if fan else 300.0,
    )


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
        f"History: {site.history_file}",
        f"Link: {site.link_socket}",
        f"Pages: address {site.web_listen}, port {site.web_port}, {_reach(site.web_listen)}",
    ]
    return "\n".join(lines)


def _place_lines(barn: model.Barn, place: model.Place) -> Iterator[str]:
    does = "are ridden" if place.kind is model.PlaceKind.RIDING else "stand"
    yield f"Place {place.name}: horses {does} here; on the wall {' / '.join(place.label.values())}"
    yield f"  level by {_POLICIES[place.policy]}; air moves at {place.air_mps:g} m/s with the fans off"
    for sensor in barn.sensors:
        if sensor.place == place.name:
            ages = f"late after {sensor.late_after_s:g} s, lost after {sensor.lost_after_s:g} s"
            yield f"  sensor {sensor.name}: {sensor.kind} on {sensor.bus}, every {sensor.every_s:g} s, {ages}"
    items = [item for item in barn.kit if item.place == place.name]
    yield from (_kit_line(item) for item in items)
    if not items:
        yield "  nothing to switch here"


_POLICIES = {
    model.Policy.RULE: "the rule (the sum) alone",
    model.Policy.AIR: "the air (carry and roof) alone",
    model.Policy.STRICTER: "the stricter of rule and air",
}


def _kit_line(item: model.KitSpec) -> str:
    wiring = f"{item.contact} contact of coil {item.coil} on {item.relay}"
    use = "never switched on by this version"
    if item.kind is model.KitKind.FAN:
        use = f"runs from level {item.on_level}, at least {item.min_on_s:g} s on and {item.min_off_s:g} s off"
    return f"  {item.kind} {item.name}: {wiring}; {use}; board dead: {'RUNS' if item.safe_on else 'STAYS OFF'}"


def _relay_lines(relay: model.RelaySpec) -> Iterator[str]:
    yield f"Relay block {relay.name}: {relay.kind} on {relay.bus}, written every {relay.refresh_s:g} s"
    yield "  With the board dead its relays let go only if it loses power, or if its own watchdog, set longer, acts."


def _reach(listen: str) -> str:
    return "seen by this board only" if ip_address(listen).is_loopback else "seen by others on the network"
