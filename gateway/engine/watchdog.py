"""Owns: telling systemd that we are ready, alive, stopping.

Must not know: what a healthy step is; the caller says so by calling.
How it works: one datagram to the socket that systemd names in the environment (sd_notify(3)); nothing at all when
there is none. `alive` is called by a complete step only, never by a thread of its own.
"""

from __future__ import annotations

import os
import socket


def notify(state: str) -> bool:
    """Send one sd_notify message, as `READY=1`. True when there was somebody to tell."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            out.setblocking(False)
            out.sendto(state.encode(), address)
    except OSError:
        return False  # systemd is busy or gone; the next step tells it again
    return True


def ready(status: str) -> None:
    notify(f"READY=1\nSTATUS={status}")


def alive(status: str) -> None:
    notify(f"WATCHDOG=1\nSTATUS={status}")


def stopping() -> None:
    notify("STOPPING=1")
