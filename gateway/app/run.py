"""Owns: all roles of one barn as child processes, for a laptop or a small barn; and the emulated barn.

Must not know: what the roles do.
How it works: each role is started as `loosebox ROLE`. One that ends is started again after a pause that doubles up
to `LONGEST_PAUSE_S` and falls back when it has run well. On a stop every child gets SIGTERM and `END_S`. Children
die with this process, whatever happens to it, by the kernel's parent-death signal.
"""

from __future__ import annotations

import ctypes
import logging
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.bench.desk import SOCKET
from drivers.bench.weather_file import read_weather
from gateway.app.bench import prepare
from gateway.engine.clock import machine_s
from gateway.site import Site, load

log = logging.getLogger(__name__)

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 30.0
RAN_WELL_S = 60.0
END_S = 5.0
_PR_SET_PDEATHSIG = 1  # prctl(2)
_LIBC = ctypes.CDLL(None)


@dataclass(slots=True)
class Child:
    """One role and how it has fared. `process` is None while it waits to be started (again).

    `after` is a file that must be there first; waiting for it spares the log the noise of a barn that is not up yet.
    """

    name: str
    arguments: tuple[str, ...]
    after: Path | None = None
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    start_at_s: float = 0.0
    pause_s: float = FIRST_PAUSE_S


def run_barn(site_file: Path, stop: threading.Event) -> None:
    """Core, web and uplink of a real barn. Raises SiteError before anything is started."""
    site = load(site_file)
    _say(site)
    supervise(_roles(str(site_file)), stop)


def run_bench_barn(
    folder: Path,
    *,
    speed: float,
    weather: Path | None,
    port: int | None,
    stop: threading.Event,
    site_file: Path | None = None,
    clock_set: bool = True,
) -> None:
    """The emulated barn in `folder` and all roles on it. Raises SiteError or WeatherError before any start."""
    if weather is not None:
        read_weather(weather)
    site = prepare(folder, speed=speed, port=port, site_file=site_file, clock_set=clock_set)
    _say(site)
    serve = ("bench", "--dir", str(folder), "serve", *(("--weather", str(weather)) if weather else ()))
    supervise((Child("bench", serve), *_roles(str(site.path), "--emulated", after=folder / SOCKET)), stop)


def _roles(site_file: str, *core: str, after: Path | None = None) -> tuple[Child, ...]:
    return (
        Child("core", ("core", site_file, *core), after=after),
        Child("web", ("web", site_file)),
        Child("uplink", ("uplink", site_file)),
    )


def _say(site: Site) -> None:
    scheme = "https" if site.web.tls else "http"
    print(f"Loosebox runs {site.barn.name}. The wall: {scheme}://{site.web_listen}:{site.web_port}/aisle", flush=True)
    print("Stop with Ctrl-C.", flush=True)


def supervise(children: Sequence[Child], stop: threading.Event) -> None:
    """Keep all children running until `stop`, then end them in reverse order of their start."""
    try:
        while not stop.is_set():
            for child in children:
                _care(child, machine_s())
            stop.wait(0.2)
    finally:
        for child in children:
            if child.process is not None:
                child.process.terminate()
        for child in children:
            _end(child)


def _care(child: Child, now_s: float) -> None:
    if child.process is None:
        if now_s >= child.start_at_s and (child.after is None or child.after.exists()):
            child.process = _start(child.arguments)
            child.started_s = now_s
        return
    code = child.process.poll()
    if code is None:
        return
    if now_s - child.started_s > RAN_WELL_S:
        child.pause_s = FIRST_PAUSE_S
    log.warning("%s ended with %s; it starts again in %.0f s", child.name, _how(code), child.pause_s)
    child.process, child.start_at_s = None, now_s + child.pause_s
    child.pause_s = min(child.pause_s * 2, LONGEST_PAUSE_S)


def _start(arguments: tuple[str, ...]) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "gateway.cli", *arguments]
    # Own session: a Ctrl-C at the terminal reaches us alone, and we end the children in order.
    return subprocess.Popen(command, start_new_session=True, preexec_fn=_die_with_parent)


def _die_with_parent() -> None:
    _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _end(child: Child) -> None:
    if child.process is None:
        return
    try:
        child.process.wait(END_S)
    except subprocess.TimeoutExpired:
        log.warning("%s did not stop within %.0f s and is killed", child.name, END_S)
        child.process.kill()
        child.process.wait()


def _how(code: int) -> str:
    return f"signal {signal.Signals(-code).name}" if code < 0 else f"code {code}"
