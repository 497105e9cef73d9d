"""Owns: the bench as a whole: it puts the emulated barn behind real buses, keeps its time, and ends it cleanly.

Must not know: the gateway that will read it; equations, frames, files.
How it works: `start` claims the folder, starts a far end for each bus, and one thread that lets barn time pass second
by second, however fast the barn's clock runs. Every start leaves its undoing on a stack; `stop` runs the stack
backwards.

    driver -> pty, TCP  -> Line, TcpLine -> World.answer    one thread for each line
    driver -> file, pty <- SysfsTree, LineTalker <- World   the stepping thread, each barn second
    person -> bench.sock -> Desk -> Faults                  one thread
"""

from __future__ import annotations

import logging
import math
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

from drivers.bench.desk import Desk
from drivers.bench.far_ends import FarEnd, check, far_ends
from drivers.bench.faults import Faults
from drivers.bench.mqtt_node import BrokerAt, MqttNodes
from drivers.bench.rtu import Reply, Request
from drivers.bench.sysfs_tree import SysfsTree
from drivers.bench.weather import Weather
from drivers.bench.world import World
from gateway.barn import Barn
from gateway.errors import SiteError
from gateway.ports import Clock

_log = logging.getLogger(__name__)

_STEP_S: Final = 1.0  # barn seconds
_SHORTEST_WAIT_S: Final = 0.01  # of the machine, when the barn runs very fast
_TURN_AROUND_S: Final = 0.005  # barn seconds


class Bench:
    """An emulated barn. One start and one stop in its life. `broker` is needed for devices behind MQTT."""

    def __init__(
        self, barn: Barn, *, folder: Path, clock: Clock, weather: Weather, broker: BrokerAt | None = None
    ) -> None:
        check(barn)
        self._clock = clock
        self._faults = Faults(barn)
        stamp = clock.stamp()
        self._world = World(barn, weather=weather, faults=self._faults, now_s=stamp.mono_s, wall_s=stamp.wall_s)
        self._desk = Desk(folder, self._serve)
        self._ends: dict[str, FarEnd] = far_ends(barn, self._answer, turn_around_s=clock.real_s(_TURN_AROUND_S))
        self._nodes = _nodes(barn, broker, clock)
        if self._nodes:
            self._ends |= {bus.name: self._nodes for bus in barn.buses if bus.kind == "mqtt"}
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench time", daemon=True)
        self._undo = ExitStack()

    def start(self) -> None:
        """Ports, files and socket are there when this returns; what was begun is undone when it raises."""
        with ExitStack() as undo:
            undo.callback(self._desk.close)
            self._desk.start()
            for end in dict.fromkeys(self._ends.values()):
                undo.callback(end.close)
                end.start()
            self._tick()
            undo.callback(self._end_time)
            self._thread.start()
            self._undo = undo.pop_all()

    def stop(self) -> None:
        """No thread, no link, no file of the bench is left. Idempotent."""
        self._undo.close()

    def _end_time(self) -> None:
        self._ended.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._ended.wait(max(_SHORTEST_WAIT_S, self._clock.real_s(_STEP_S))):
            stamp = self._clock.stamp()
            self._world.advance(now_s=stamp.mono_s, wall_s=stamp.wall_s, told=self._told(stamp.mono_s))
            try:
                self._tick()
            except OSError as error:
                _log.warning("bench files: %s", error)

    def _tick(self) -> None:
        values, faults, now_s = self._world.sensed(), self._faults.active(), self._clock.now_s()
        for end in dict.fromkeys(self._ends.values()):
            end.tick(values, faults, now_s)

    def _told(self, now_s: float) -> dict[str, float]:
        """What outputs say that are no Modbus unit."""
        told: dict[str, float] = {}
        for end in self._ends.values():
            if isinstance(end, SysfsTree):
                told |= end.told()
        if self._nodes:
            told |= {name: float(on) for name, on in self._nodes.running(now_s).items()}
        return told

    def _answer(self, bus: str, request: Request) -> Reply | None:
        return self._world.answer(bus, request, self._clock.now_s())

    def _serve(self, request: dict[str, Any]) -> dict[str, Any]:
        does = {"fault": self._break, "clear": self._mend, "show": self._show}
        do = does.get(str(request.get("do")))
        if do is None:
            return {"ok": False, "error": f"cannot do {request.get('do')!r}", "allowed": sorted(does)}
        return do(request)

    def _break(self, request: dict[str, Any]) -> dict[str, Any]:
        target, kind = str(request.get("target")), str(request.get("kind"))
        if target not in self._faults.targets:
            return self._unknown(target)
        if not self._faults.put(target, kind=kind):
            allowed = self._faults.allowed(target)
            return {"ok": False, "error": f"{target} has no fault {kind!r}", "allowed": list(allowed)}
        if end := self._ends.get(target):
            end.vanish()
        return {"ok": True, "faults": self._faults.active()}

    def _mend(self, request: dict[str, Any]) -> dict[str, Any]:
        target = str(request.get("target"))
        if target not in self._faults.targets:
            return self._unknown(target)
        self._faults.clear(target)
        if end := self._ends.get(target):
            end.appear()
        return {"ok": True, "faults": self._faults.active()}

    def _unknown(self, target: str) -> dict[str, Any]:
        return {"ok": False, "error": f"there is no {target!r} on this bench", "allowed": list(self._faults.targets)}

    def _show(self, _: dict[str, Any]) -> dict[str, Any]:
        zones = {
            name: {"temp_c": round(air.temp_c, 2), "rh_pct": round(air.rh_pct, 1)}
            for name, air in self._world.air().items()
        }
        sensed = {
            name: {str(quantity): _shown(value) for quantity, value in values.items()}
            for name, values in self._world.sensed().items()
        }
        running = self._world.running(self._clock.now_s())
        return {"ok": True, "zones": zones, "running": running, "sensed": sensed, "faults": self._faults.active()}


def _shown(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None  # JSON has no NaN


def _nodes(barn: Barn, broker: BrokerAt | None, clock: Clock) -> MqttNodes | None:
    buses = [bus.name for bus in barn.buses if bus.kind == "mqtt"]
    if not buses:
        return None
    if broker is None:
        raise SiteError((f"{buses[0]}: the bench needs a broker for devices behind MQTT",))
    return MqttNodes(barn, broker, clock)
