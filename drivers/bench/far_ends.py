"""Owns: which emulated bus stands at the far end of each bus of a site file, and what the bench cannot emulate.

Must not know: what the devices are; time, faults.
How it works: each kind of bus has a `FarEnd`. It is made here and started by the bench, gets the measured values once
a barn second, and can vanish and appear. A site file that the bench cannot emulate is refused with a line for each
device.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final, Protocol

from drivers.bench import layout, sysfs_files
from drivers.bench.faults import Values
from drivers.bench.line import Line
from drivers.bench.rtu import Reply, Request
from drivers.bench.sdi12_line import Sdi12Line
from drivers.bench.sysfs_tree import SysfsTree
from drivers.bench.tcp_line import TcpLine
from drivers.bench.text_lines import LineTalker
from gateway.barn import Barn, BusSpec, RelaySpec, SensorSpec
from gateway.errors import SiteError

Ask = Callable[[str, Request], Reply | None]

_MODBUS: Final = ("serial", "modbus-tcp")
# By the kind of a sensor or relay: the kinds of bus on which the bench has it.
KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    **dict.fromkeys((*layout.SENSORS, *layout.RELAYS), _MODBUS),
    **dict.fromkeys((*sysfs_files.SENSORS, "pwm"), ("sysfs",)),
    "text-line": ("lines",),
    "nmea": ("lines",),
    "sdi12": ("sdi12",),
    "mqtt": ("mqtt",),
    "mqtt-relay": ("mqtt",),
}


class FarEnd(Protocol):
    """What stands at the other end of a bus."""

    def start(self) -> None:
        """Its port, folder or connection is there when this returns. Raises SiteError."""
        ...

    def tick(self, values: Mapping[str, Values], faults: Mapping[str, str], now_s: float) -> None:
        """Once a barn second: what each sensor measured, what is broken. Never blocks."""
        ...

    def vanish(self) -> None: ...

    def appear(self) -> None: ...

    def close(self) -> None:
        """Idempotent; nothing of it is left."""
        ...


def far_ends(barn: Barn, ask: Ask, *, turn_around_s: float) -> dict[str, FarEnd]:
    """A far end for each bus but those of kind mqtt, which one set of nodes serves."""
    return {
        bus.name: _far_end(barn, bus, partial(ask, bus.name), turn_around_s) for bus in barn.buses if bus.kind != "mqtt"
    }


def check(barn: Barn) -> None:
    """Raises SiteError with one line for each thing that the bench cannot emulate."""
    buses = {bus.name: bus.kind for bus in barn.buses}
    problems: list[str] = []
    items: tuple[SensorSpec | RelaySpec, ...] = (*barn.sensors, *barn.relays)
    for item in items:
        if buses[item.bus] not in KINDS.get(item.kind, ()):
            what = f"the bench cannot emulate {item.kind} on a {buses[item.bus]} bus"
            problems.append(f"{item.name}: {what}; it knows {', '.join(KINDS)}")
    problems += [problem for sensor in barn.sensors for problem in _unknown_files(sensor)]
    if problems:
        raise SiteError(tuple(problems))


def _unknown_files(sensor: SensorSpec) -> Iterator[str]:
    known = sysfs_files.quantities_of(sensor.kind)
    for quantity in sensor.quantities if known is not None else ():
        if known is not None and quantity not in known:
            yield f"{sensor.name}: the bench has no {quantity.key} on {sensor.kind}"
    if sensor.kind == "w1" and sensor.options["device"][:2] not in sysfs_files.W1_FAMILIES:
        yield f"{sensor.name}: the bench knows the 1-Wire families {', '.join(sysfs_files.W1_FAMILIES)}"


def _far_end(barn: Barn, bus: BusSpec, ask: Callable[[Request], Reply | None], turn_around_s: float) -> FarEnd:
    sensors = tuple(sensor for sensor in barn.sensors if sensor.bus == bus.name)
    made: dict[str, Callable[[], Any]] = {
        "serial": lambda: Line(Path(bus.options["port"]), ask, turn_around_s=turn_around_s),
        "modbus-tcp": lambda: TcpLine(bus, ask, turn_around_s=turn_around_s),
        "sysfs": lambda: SysfsTree(Path(bus.options["root"]), sensors, tuple(_drives(barn, bus.name))),
        "lines": lambda: LineTalker(bus, sensors),
        "sdi12": lambda: Sdi12Line(bus, sensors),
    }
    if bus.kind not in made:
        raise SiteError((f"{bus.name}: the bench cannot emulate a bus of kind {bus.kind}",))
    end: FarEnd = made[bus.kind]()
    return end


def _drives(barn: Barn, bus: str) -> Iterable[tuple[Any, Any]]:
    relays = {relay.name: relay for relay in barn.relays if relay.bus == bus and relay.kind == "pwm"}
    return ((kit, relays[kit.relay]) for kit in barn.kit if kit.relay in relays)
