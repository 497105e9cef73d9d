"""Owns: which site files may be emulated: those from which no way leads to a real barn.

Must not know: how the bench works, processes.
How it works: core acts in an emulated barn as in any other: it opens ports, talks to relays, writes a history. So every
path that it opens must lie in the bench's own folder and every host be this machine; one wrong line would let made-up
weather switch real fans or call real people. What the bench has no far end for is refused as well, before anything is
started.
"""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from drivers.bench.far_ends import check
from gateway.errors import SiteError
from gateway.site import Site
from gateway.site_buses import PATHS


def refuse_real(site: Site) -> None:
    """Raises SiteError with one line for each thing of a site file that is not for a bench."""
    problems = (*_outside(site), *_elsewhere(site))
    if problems:
        raise SiteError(problems)
    check(site.barn)


def _outside(site: Site) -> Iterator[str]:
    folder = site.path.parent.resolve()
    paths = [("history.file", site.history_file), ("link.socket", site.link_socket)]
    if site.history.cursors is not None:  # uplink keeps its cursors there, and the record of calls beside them
        paths.append(("history.cursors", site.history.cursors))
    for bus in site.barn.buses:
        paths += [(f"bus {bus.name}: {key}", Path(bus.options[key])) for key in PATHS if key in bus.options]
    for what, path in paths:
        # The folder may hold links of a bench that runs; where the name itself stands is what counts.
        if not (path.parent.resolve() / path.name).is_relative_to(folder):
            yield f"{what}: leads to {path}; allowed in an emulated barn: a relative path, as its own folder holds it"


def _elsewhere(site: Site) -> Iterator[str]:
    hosts = [(f"bus {bus.name}: host", str(bus.options["host"])) for bus in site.barn.buses if "host" in bus.options]
    if site.broker is not None:
        hosts.append(("mqtt.host", site.broker.host))
    hosts += _called(site)
    for what, host in hosts:
        if not _is_here(host):
            yield f"{what}: found {host}; allowed in an emulated barn: 127.0.0.1"
    if site.series is not None:
        yield "series: the readings of an emulated barn are made up; take this table out"


def _called(site: Site) -> list[tuple[str, str]]:
    """Who would be called: made-up weather must not wake anybody at night."""
    plan = site.alarms
    hosts = [("mail.host", plan.mail.host)] if plan.mail is not None else []
    if plan.heartbeat is not None:
        hosts.append(("alarms.heartbeat: url", urlsplit(plan.heartbeat.url).hostname or ""))
    for name, way in plan.ways.items():
        if way.webhook is not None:
            hosts.append((f"contact {name}: webhook url", urlsplit(way.webhook.url).hostname or ""))
    return hosts


def _is_here(host: str) -> bool:
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False
