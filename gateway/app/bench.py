"""Owns: starting the emulated barn in a folder, and asking it for faults.

Must not know: core, web.
How it works: the shipped site file and the start of the barn's clock are written into the folder; the bench then
serves its buses there until it is told to stop. Core runs beside it with the very same site file.
"""

from __future__ import annotations

import datetime
import logging
import re
import threading
import zoneinfo
from importlib import resources
from pathlib import Path

from drivers.bench.barn import Bench
from drivers.bench.weather import HotDay, Weather
from drivers.bench.weather_file import read_weather
from gateway.app.core import BENCH_CLOCK
from gateway.engine.clock import FastClock, FastStart, load_start, machine_s
from gateway.site import Site, load

log = logging.getLogger(__name__)

SITE_FILE = "barn.toml"
# A made-up date in the hot season, at an hour when the air begins to be heavy.
FIRST_DAY = datetime.date(2026, 7, 14)
FIRST_HOUR = 10


def prepare(folder: Path, *, speed: float, port: int | None = None) -> Site:
    """Lay out a folder for a new bench: site file (its wall on `port`, if given) and clock. Returns the site."""
    folder.mkdir(parents=True, exist_ok=True)
    shipped = resources.files("drivers.bench").joinpath(SITE_FILE).read_text()
    if port is not None:
        shipped = re.sub(r"^port = \d+$", f"port = {port}", shipped, flags=re.MULTILINE)
    (folder / SITE_FILE).write_text(shipped)
    site = load(folder / SITE_FILE)
    FastStart(machine_s=machine_s(), wall_s=_first(site).timestamp(), speed=speed).save(folder / BENCH_CLOCK)
    return site


def _first(site: Site) -> datetime.datetime:
    """The moment at which the emulated barn begins."""
    return datetime.datetime.combine(FIRST_DAY, datetime.time(FIRST_HOUR), zoneinfo.ZoneInfo(site.barn.zone))


def run_bench(site: Site, *, weather_file: Path | None, stop: threading.Event) -> None:
    """Serve the emulated barn of `site` until `stop`."""
    clock = FastClock(load_start(site.path.parent / BENCH_CLOCK))
    offset = _first(site).utcoffset()
    assert offset is not None  # _first has a zone
    weather: Weather = (
        read_weather(weather_file) if weather_file else HotDay(zone_offset_h=offset.total_seconds() / 3600)
    )
    bench = Bench(site.barn, folder=site.path.parent, clock=clock, weather=weather)
    bench.start()
    log.info("the emulated barn %s runs in %s", site.barn.name, site.path.parent)
    try:
        stop.wait()
    finally:
        bench.stop()
    log.info("the emulated barn has stopped")
