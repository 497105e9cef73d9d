"""Owns: starting the emulated barn in a folder, and asking it for faults.

Must not know: core, web.
How it works: the shipped site file, or another one, and the start of the barn's clock are written into the folder; the
bench then serves its buses there until it is told to stop. Core runs beside it with the very same site file.
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
from drivers.bench.mqtt_node import BrokerAt
from drivers.bench.weather import HotDay, Weather
from drivers.bench.weather_file import read_weather
from gateway.app.bench_site import refuse_real
from gateway.app.core import BENCH_CLOCK
from gateway.engine.clock import FastClock, FastStart, load_start, machine_s
from gateway.errors import SiteError
from gateway.site import Site, load

log = logging.getLogger(__name__)

SITE_FILE = "barn.toml"
# A made-up date in the hot season, at an hour when the air begins to be heavy.
FIRST_DAY = datetime.date(2026, 7, 14)
FIRST_HOUR = 10


def prepare(
    folder: Path, *, speed: float, port: int | None = None, site_file: Path | None = None, clock_set: bool = True
) -> Site:
    """Lay out a folder for a new bench: site file (its wall on `port`, if given) and clock. Returns the site.

    Raises SiteError when the site file is wrong or leads to a real barn.
    """
    if site_file is None:
        text = resources.files("drivers.bench").joinpath(SITE_FILE).read_text()
    else:
        load(site_file)  # what is wrong is told with the name of the file that people edit
        text = site_file.read_text()
    _refuse_real_folder(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / SITE_FILE).write_text(text if port is None else _on_port(text, port))
    site = load(folder / SITE_FILE)
    refuse_real(site)
    first_s = _first(site).timestamp()
    start = FastStart(machine_s=machine_s(), wall_s=first_s, speed=speed, trusted=clock_set)
    start.save(folder / BENCH_CLOCK)
    return site


def _refuse_real_folder(folder: Path) -> None:
    """A site file that somebody wrote must not be lost."""
    if (folder / SITE_FILE).exists() and not (folder / BENCH_CLOCK).exists():
        problem = f"{folder / SITE_FILE}: was not made by a bench and would be lost; choose another folder with --dir"
        raise SiteError((problem,))


def _on_port(text: str, port: int) -> str:
    """A site file with its wall on another port."""
    before, _, web = text.partition("\n[web]\n")
    rest = re.sub(r"\A((?:(?!\[).*\n)*?)port = .*\n", r"\1", web)
    return f"{before}\n[web]\nport = {port}\n{rest}"


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
    bench = Bench(site.barn, folder=site.path.parent, clock=clock, weather=weather, broker=_broker(site))
    bench.start()
    log.info("the emulated barn %s runs in %s", site.barn.name, site.path.parent)
    try:
        stop.wait()
    finally:
        bench.stop()
    log.info("the emulated barn has stopped")


def _broker(site: Site) -> BrokerAt | None:
    """Where the emulated MQTT nodes of this barn find their broker."""
    broker = site.broker
    if broker is None:
        return None
    password = broker.password_file.read_text().strip() if broker.password_file else ""
    return BrokerAt(
        host=broker.host, port=broker.port, tls=broker.tls, ca_file=broker.ca_file, user=broker.user, password=password
    )
