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

from gateway.barn import Barn, Place
from gateway.model import Channel, CommandChange, PlaceKind, Policy, Quality, Quantity, Reading, Reason, Stamp
from gateway.site_history import Keep
from gateway.store.outbox import Outbox
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
    writer.flush(10)
    n = 0
    while True:
        n += 1
        hand_in(writer, n)
        if n % 20 == 0:
            writer.flush(1)
        written = writer.written()
        say(written.readings, written.events)


def keep_for_ever(path: Path) -> None:
    """Goes on where the file ends: a reading each ten seconds of its own time, kept for an hour and a quarter.

    Prints (newest reading, newest event) known to be on the disk, so that rolling up and dropping are killed as well.
    """
    writer = Writer(path, BARN, (CHANNEL,), 0.01, keep=Keep(raw_days=0.05, cursors=path.with_name("cursors.json")))
    writer.flush(10)
    before = Outbox(path).newest()[1] // 10_000
    numbered = Outbox(path).newest_event()
    n = before
    while True:
        n += 1
        stamp = Stamp(mono_s=n * 10.0, wall_s=1e9 + n * 10, boot="boot-a", trusted=True)
        writer.reading(Reading(channel=CHANNEL.name, value=float(n), quality=Quality.GOOD, stamp=stamp))
        if n % 50 == 0:
            writer.events([CommandChange(kit="fans", on=True, reasons=(Reason(code="n", text=str(n)),), stamp=stamp)])
            writer.flush(1)
            written = writer.written()
            say(before + written.readings, numbered + written.events)


def write_on_a_full_disk(path: Path) -> None:
    """No file may grow beyond 400 kB until the test says so; the kernel then fails the write as a full disk would."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
    fill(Writer(path, BARN, (CHANNEL,)))


def write_on_a_small_disk(path: Path) -> None:
    """The file lies on a file system that is really too small; the test makes it larger."""
    fill(Writer(path, BARN, (CHANNEL,)))


def fill(writer: Writer) -> None:
    """Writes until there is trouble and a little longer, then waits for the test to make room."""
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
    if resource.getrlimit(resource.RLIMIT_FSIZE)[0] != resource.RLIM_INFINITY:
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
        "keep-for-ever": keep_for_ever,
        "full-disk": write_on_a_full_disk,
        "small-disk": write_on_a_small_disk,
        "may-not": write_where_it_may_not,
        "read": read_only,
    }
    MODES[sys.argv[1]](Path(sys.argv[2]))
