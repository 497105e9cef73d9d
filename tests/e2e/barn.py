"""A whole emulated barn as a user starts it: `loosebox run` in a folder of its own, on a port of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from drivers.bench.desk import ask
from gateway.engine import link
from gateway.model import CommandChange
from gateway.store.queries import History


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def loosebox(*arguments: str, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    """One command, to its end."""
    return subprocess.run(
        [sys.executable, "-m", "gateway.cli", *arguments], capture_output=True, text=True, timeout=timeout, check=False
    )


class Barn:
    """A running barn."""

    def __init__(self, folder: Path, port: int, process: subprocess.Popen[str], speed: float) -> None:
        self.folder, self.process, self.speed = folder, process, speed
        self.url = f"http://127.0.0.1:{port}"
        self.history = History(folder / "history.db")

    def log(self) -> str:
        """What the roles have said so far."""
        return (self.folder.parent / "barn.log").read_text()

    def now(self) -> dict[str, Any]:
        """What /api/v1/now says; empty while nobody answers or core is not heard."""
        try:
            with urllib.request.urlopen(self.url + "/api/v1/now", timeout=2) as answer:
                found: dict[str, Any] = json.load(answer)
                return found
        except OSError:
            return {}

    def has_air(self) -> bool:
        """Whether every place has a level."""
        return all(p["level"] is not None for p in self.now().get("places", [{"level": None}]))

    def place(self, name: str) -> dict[str, Any]:
        places = self.now().get("places", [])
        return next((p for p in places if p["name"] == name), {})

    def kit(self, name: str) -> dict[str, Any]:
        """One piece of kit as /api/v1/now has it; empty while nobody tells."""
        return next((k for p in self.now().get("places", []) for k in p["kit"] if k["name"] == name), {})

    def faults(self) -> dict[tuple[str, str], str]:
        """What is wrong, by subject and code: its sentence."""
        return {(f["subject"], f["code"]): f["text"] for f in self.now().get("faults", [])}

    def commands(self, kit: str) -> list[CommandChange]:
        """What the history has of one piece of kit, oldest first."""
        return [change for change in self.history.commands() if change.kit == kit]

    def hand(self, subject: str, kind: str, minutes: float = 0, *, sure: bool = False) -> dict[str, Any]:
        """Ask core over the link, as web does for a person."""
        request = {"do": "hand", "subject": subject, "kind": kind, "minutes": minutes, "by": "Ana", "sure": sure}
        return asyncio.run(link.ask(self.folder / "link.sock", request, within_s=20))

    def put(self, **faults: str) -> None:
        """Break things, as put(stalls_air="silence"); an underscore stands for a hyphen."""
        for target, kind in faults.items():
            answer = self.bench(do="fault", target=target.replace("_", "-"), kind=kind)
            assert answer["ok"], answer

    def mend(self, *targets: str) -> None:
        """Mend these, or everything."""
        for target in targets or self.bench(do="show")["faults"]:
            self.bench(do="clear", target=target)

    def running(self) -> dict[str, bool]:
        """Which kit physically runs in the emulated barn."""
        found: dict[str, bool] = self.bench(do="show")["running"]
        return found

    def bench(self, **request: str) -> dict[str, Any]:
        return ask(self.folder, request)

    def child(self, role: str) -> int:
        """Process id of a role, found by its command line among the children of `run`."""
        for entry in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, IndexError, ValueError):
                parent = int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1])
                words = (entry / "cmdline").read_text().split("\0")
                if parent == self.process.pid and role in words:
                    return int(entry.name)
        return 0

    def wait(self, condition: Callable[[], Any], barn_s: float, what: str) -> Any:
        """Poll until `condition` is true, for `barn_s` of barn time and a few real seconds of grace."""
        end = time.monotonic() + barn_s / self.speed + 15
        while time.monotonic() < end:
            if found := condition():
                return found
            time.sleep(0.05)
        raise AssertionError(f"{what} did not happen; now: {json.dumps(self.now())[:4000]}")

    def stays(self, condition: Callable[[], Any], barn_s: float, what: str) -> None:
        """Look again and again for `barn_s` of barn time; it must be true each time."""
        end = time.monotonic() + barn_s / self.speed
        while time.monotonic() < end:
            assert condition(), f"{what} did not stay so; now: {json.dumps(self.now())[:4000]}"
            time.sleep(0.05)

    def stream(self) -> subprocess.Popen[bytes]:
        """A viewer: a process that reads the wall's event stream for as long as it is sent."""
        code = (
            "import sys, urllib.request\nfor line in urllib.request.urlopen(sys.argv[1]): print(len(line), flush=True)"
        )
        return subprocess.Popen([sys.executable, "-c", code, self.url + "/aisle/stream"], stdout=subprocess.PIPE)

    def stop(self) -> tuple[int, float]:
        """SIGTERM; returns the exit code and how long the stop took."""
        begun = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20), time.monotonic() - begun


@contextlib.contextmanager
def running_barn(
    folder: Path, *, speed: float, options: Sequence[str] = (), notify: Path | None = None, air: bool = True
) -> Iterator[Barn]:
    """Start it, wait until the wall has air at all places (with `air`; else until it shows them), end it by its own
    process id.

    `options` are further words for `loosebox run`; `notify` is the socket on which a service manager would listen.
    """
    port = free_port()
    process = subprocess.Popen(
        [
            sys.executable, "-m", "gateway.cli", "run",
            "--dir", str(folder), "--speed", str(speed), "--port", str(port), *options,
        ],
        stderr=(log := (folder.parent / "barn.log").open("w")), stdout=subprocess.DEVNULL, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"} | ({"NOTIFY_SOCKET": str(notify)} if notify else {}),
    )  # fmt: skip
    barn = Barn(folder, port, process, speed)
    try:
        barn.wait(barn.now, 30, "an answer")
        if air:
            barn.wait(barn.has_air, 30, "air")
        yield barn
    finally:
        if process.poll() is None:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(15)
            process.kill()
            process.wait()
        log.close()
