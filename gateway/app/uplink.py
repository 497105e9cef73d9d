"""Owns: the uplink role: what leaves the barn.

Must not know: devices; how core works.
How it works: the site file can name no destination yet, so it says that it has nothing to do and waits for the end.
It holds its place as a process of its own: what speaks to networks must not share the fate of what holds relays.
"""

from __future__ import annotations

import logging
import threading

from gateway.engine import watchdog
from gateway.site import Site

log = logging.getLogger(__name__)


def run_uplink(site: Site, stop: threading.Event) -> None:
    """Wait until `stop`."""
    log.info("uplink has nothing to do: %s names no destination", site.path.name)
    watchdog.ready("nothing to do")
    stop.wait()
    watchdog.stopping()
    log.info("uplink has stopped")
