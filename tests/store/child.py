"""Owns: the processes that the crash tests start, stop and kill.

Must not know: what the tests expect.
How it works: `child.py MODE PATH`. Each mode talks in lines: it prints what was acknowledged, and waits on standard
input where the test has to change something first. Without root the rights of the caller are used as they are.
"""

from __future__ import annotations

import os
import resource
import sys
from pathlib import Path

from gateway.model import (
    Barn,
    Channel,
    CommandChange,
    Place,
    PlaceKind,
    Policy,
    Quality,
    Quantity,
    Reading,
    Reason,
    Stamp,
)
from gateway.store.queries import History
from gateway.store.writer import Writer

CHANNEL = Channel(name="air-1.temp_c", sensor="air-1", place="stalls", quantity=Quantity.TEMP)
BARN = Barn(
    name="Two Elms",
    zone="America/New_York",
    pressure_pa=101325.0,
    posts=(),
    carry_limits=(2.0, 1.2, 1.0),
    horse_mass_kg=500.0,
    dead_band=3.0,
    hold_s=300.0,
    places=(Place(name="stalls", kind=PlaceKind.STANDING, policy=Policy.AIR, label={"en": "Stalls"}),),
    sensors=(),
    kit=(),
)
NOBODY = 65534  # the overflow user, Documentation/admin-guide/sysctl/fs.rst of the Linux kernel


def hand_in(writer: Writer, n: int) -> None:
    """The n-th reading and the n-th command, both from 1."""
    stamp = Stamp(mono_s=float(n), wall_s=1e9 + n, boot="boot-a", trusted=True)
    writer.reading(Reading(channel=CHANNEL.name, value=float(n), quality=Quality.GOOD, stamp=stamp))
    reason = Reason(code="n", text=str(n))
    writer.events([CommandChange(kit="fans", on=n % 2 == 0, reasons=(reason,), stamp=stamp)])


def say(*words: object) -> None:
    print(*words, flush=True)


def give_up_rights() -> None:
    if os.geteuid() == 0:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)


def write_for_ever(path: Path) -> None:
    """Prints (readings, events) known to be on the disk until it is killed."""
    writer = Writer(path, BARN, (CHANNEL,), 0.005)
    n = 0
    while True:
        n += 1
        hand_in(writer, n)
        if n % 20 == 0:
            writer.flush(0.01)
        written = writer.written()
        say(written.readings, written.events)


def write_on_a_full_disk(path: Path) -> None:
    """No file may grow beyond 200 kB until the test says so; the kernel then fails the write as a full disk would."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
    writer = Writer(path, BARN, (CHANNEL,))
    handed = 0
    while not writer.trouble() and handed < 20_000:
        handed += 1
        hand_in(writer, handed)
        writer.flush(0.2)
    for _ in range(100):
        handed += 1
        hand_in(writer, handed)
    say(handed, writer.events_committed, writer.trouble())
    sys.stdin.readline()
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    say(writer.flush(10), writer.events_committed, writer.trouble())


def write_where_it_may_not(path: Path) -> None:
    give_up_rights()
    writer = Writer(path, BARN, (CHANNEL,))
    for n in range(1, 11):
        hand_in(writer, n)
    writer.flush(0.2)
    say(writer.events_committed, writer.trouble())
    sys.stdin.readline()
    say(writer.flush(10), writer.events_committed, writer.trouble())
    writer.close(5)


def read_only(path: Path) -> None:
    give_up_rights()
    say(len(History(path).commands(limit=100_000)))


if __name__ == "__main__":
    MODES = {
        "write-for-ever": write_for_ever,
        "full-disk": write_on_a_full_disk,
        "may-not": write_where_it_may_not,
        "read": read_only,
    }
    MODES[sys.argv[1]](Path(sys.argv[2]))
