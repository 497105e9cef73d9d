"""Owns: the bench as a whole: it puts the emulated barn behind real buses, keeps its time, and ends it cleanly.

Must not know: the gateway that will read it; equations, frames, files.
How it works: `start` claims the folder, writes the sysfs trees, opens a pseudo-terminal for each serial bus, and
starts one thread that lets barn time pass second by second, however fast the barn's clock runs. Every start
leaves its undoing on a stack; `stop` runs the stack backwards.

    driver -> pseudo-terminal -> Line -> World.answer       one thread for each line
    driver -> file            <- SysfsTree <- World         the stepping thread
    person -> bench.sock      -> Desk -> Faults             one thread
"""

from __future__ import annotations

import logging
import threading
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any, Final

from drivers.bench.desk import Desk
from drivers.bench.faults import Faults
from drivers.bench.line import Line
from drivers.bench.rtu import Request
from drivers.bench.sysfs_tree import SysfsTree
from drivers.bench.weather import Weather
from drivers.bench.world import World
from gateway.model import Barn
from gateway.ports import Clock

_log = logging.getLogger(__name__)

_STEP_S: Final = 1.0  # barn seconds
_SHORTEST_WAIT_S: Final = 0.01  # of the machine, when the barn runs very fast
_TURN_AROUND_S: Final = 0.005  # barn seconds


class Bench:
    """An emulated barn. One start and one stop in its life."""

    def __init__(self, barn: Barn, *, folder: Path, clock: Clock, weather: Weather) -> None:
        self._clock = clock
        self._faults = Faults(barn)
        stamp = clock.stamp()
        self._world = World(barn, weather=weather, faults=self._faults, now_s=stamp.mono_s, wall_s=stamp.wall_s)
        self._desk = Desk(folder, self._serve)
        self._lines = {
            bus.name: Line(
                Path(bus.options["port"]),
                partial(self._reply, bus.name),
                turn_around_s=clock.real_s(_TURN_AROUND_S),
            )
            for bus in barn.buses
            if bus.kind == "serial"
        }
        self._trees = {
            bus.name: SysfsTree(Path(bus.options["root"]), tuple(s for s in barn.sensors if s.bus == bus.name))
            for bus in barn.buses
            if bus.kind == "sysfs"
        }
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench time", daemon=True)
        self._undo = ExitStack()

    def start(self) -> None:
        """Ports, files and socket are there when this returns; what was begun is undone when it raises."""
        with ExitStack() as undo:
            undo.callback(self._desk.close)
            self._desk.start()
            for tree in self._trees.values():
                undo.callback(tree.remove)
            self._write_trees()
            for line in self._lines.values():
                undo.callback(line.close)
                line.start()
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
            self._world.advance(now_s=stamp.mono_s, wall_s=stamp.wall_s)
            try:
                self._write_trees()
            except OSError as error:
                _log.warning("bench files: %s", error)

    def _write_trees(self) -> None:
        sensed, faults = self._world.sensed(), self._faults.active()
        for bus, tree in self._trees.items():
            if faults.get(bus) == "gone":
                tree.remove()
            else:
                tree.write(sensed, faults)

    def _reply(self, bus: str, request: Request) -> bytes | None:
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
        if line := self._lines.get(target):
            line.vanish()
        return {"ok": True, "faults": self._faults.active()}

    def _mend(self, request: dict[str, Any]) -> dict[str, Any]:
        target = str(request.get("target"))
        if target not in self._faults.targets:
            return self._unknown(target)
        self._faults.clear(target)
        if line := self._lines.get(target):
            line.appear()
        return {"ok": True, "faults": self._faults.active()}

    def _unknown(self, target: str) -> dict[str, Any]:
        return {"ok": False, "error": f"there is no {target!r} on this bench", "allowed": list(self._faults.targets)}

    def _show(self, _: dict[str, Any]) -> dict[str, Any]:
        zones = {
            name: {"temp_c": round(air.temp_c, 2), "rh_pct": round(air.rh_pct, 1)}
            for name, air in self._world.air().items()
        }
        running = self._world.running(self._clock.now_s())
        return {"ok": True, "zones": zones, "running": running, "faults": self._faults.active()}
