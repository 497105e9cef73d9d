"""Owns: core and uplink as processes that are cheap to start, so that hundreds of them can be killed in a test.

Must not know: what the test expects.
How it works: `stable.py SITE TOLD` imports both roles once and forks: a start costs a few milliseconds instead of the
second that imports take. What is forked runs the command line of the role, with its own handling of signals. Standard
input is obeyed word by word, and each word answered by a line:

    core | uplink    start it -> its process id
    kill PID         SIGKILL -> how it ended: -9, or the code with which it had ended before by itself
    end PID          SIGTERM -> the same

So that there is more to kill in a short life, core commits every quarter second and keeps readings for half an hour,
uplink looks twenty times a second, and goes back by half a minute instead of a whole one (7 s were too few: on a busy
machine a store lost at its kill what it had acknowledged 8 s before). The writer of core tells in the file TOLD how
many (readings, events) of this life are on the disk; the kernel keeps what was told when the process is killed.
"""

from __future__ import annotations

import ctypes
import dataclasses
import mmap
import os
import signal
import struct
import sys
import threading
import traceback
from pathlib import Path
from typing import Any

from gateway import cli
from gateway.app import core, uplink
from gateway.barn import Barn
from gateway.model import Channel
from gateway.site_history import Keep
from gateway.store.writer import Writer
from gateway.uplink import ledger, series, stream, to_store  # noqa: F401  imported here, so not after each fork

COUNTS = struct.Struct("=qq")
RAW_DAYS = 0.02
_PR_SET_PDEATHSIG = 1  # prctl(2)


def main(site: str, told: Path) -> None:
    living: set[int] = set()
    for line in sys.stdin:
        word, *number = line.split()
        if word in ("core", "uplink"):
            answer = _forked(word, site, told)
            living.add(answer)
        else:
            answer = _ended(int(number[0]), signal.SIGKILL if word == "kill" else signal.SIGTERM)
            living.remove(int(number[0]))
        print(answer, flush=True)
    for process in living:
        os.kill(process, signal.SIGKILL)


def _ended(process: int, by: signal.Signals) -> int:
    os.kill(process, by)
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


def _forked(role: str, site: str, told: Path) -> int:
    if process := os.fork():
        return process
    code = 70
    try:
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        os.dup2(2, 1)
        if role == "core":
            code = _core(site, told)
        else:
            uplink.LOOK_EVERY_S, stream.LIVE_EVERY_S = 0.05, 0.2
            ledger.TRAIL_S, ledger.TRAIL_STEP_S = 30.0, 1.0
            code = cli.main(["uplink", site])
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def _core(site: str, told: Path) -> int:
    def writer(path: Path, barn: Barn, channels: tuple[Channel, ...], *, keep: Keep, **rest: Any) -> Writer:
        keep = dataclasses.replace(keep, raw_days=RAW_DAYS)
        made = Writer(path, barn, channels, batch_s=0.25, keep=keep, **rest)
        threading.Thread(target=_tell, args=(made, told), daemon=True).start()
        return made

    vars(core)["Writer"] = writer  # the site file has no word for a batch, and none for less than a day
    return cli.main(["core", site, "--emulated"])


def _tell(writer: Writer, told: Path) -> None:
    with told.open("r+b") as file, mmap.mmap(file.fileno(), COUNTS.size) as memory:
        while True:
            written = writer.written()
            COUNTS.pack_into(memory, 0, written.readings, written.events)
            threading.Event().wait(0.005)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
