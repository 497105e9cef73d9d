"""Owns: the socket of the bench, over which somebody asks for a fault, for its end, or for a look.

Must not know: what a fault does; zones, lines.
How it works: a unix stream socket `bench.sock` in the folder of the bench; each line is one JSON object, and each
gets one back with `ok`. A wrong request is answered with what would be right. One caller at a time, and a silent
one is dropped. The socket also claims the folder: a second bench there refuses to start.

    {"do": "fault", "target": "stalls-air", "kind": "silence"}    {"do": "clear", "target": "stalls-air"}
    {"do": "show"}  ->  zones, running, sensed, faults
"""

from __future__ import annotations

import json
import logging
import os
import select
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from gateway.errors import AlreadyRunning, LinkError

_log = logging.getLogger(__name__)

SOCKET: Final = "bench.sock"

_TICK_S: Final = 0.1  # how soon the thread notices that it shall end
_PATIENCE_S: Final = 2.0
_LONGEST_LINE: Final = 4096


def ask(folder: Path, request: dict[str, Any]) -> dict[str, Any]:
    """One question to the bench of a folder. Raises LinkError when none runs there."""
    line = json.dumps(request).encode() + b"\n"
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
            sock.settimeout(_PATIENCE_S)
            sock.connect(str(folder / SOCKET))
            sock.sendall(line)
            with sock.makefile("rb") as file:
                answer = json.loads(file.readline())
    except (OSError, ValueError) as error:
        raise LinkError(f"no bench answers in {folder}: {error}") from error
    if not isinstance(answer, dict):
        raise LinkError(f"the bench in {folder} answers with {type(answer).__name__}, not an object")
    return answer


class Desk:
    """Serves the socket in a thread of its own. `serve` gets each request and returns its answer."""

    def __init__(self, folder: Path, serve: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        self._path, self._serve = folder / SOCKET, serve
        self._ended = threading.Event()
        self._listener: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, name="bench desk", daemon=True)

    def start(self) -> None:
        """Raises AlreadyRunning when a bench answers in this folder."""
        self._path.parent.mkdir(parents=True, exist_ok=True)
        if _answers(self._path):
            raise AlreadyRunning(f"a bench already runs in {self._path.parent}")
        self._path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listener.bind(str(self._path))
            os.chmod(self._path, 0o600)
            listener.listen()
        except OSError:
            listener.close()
            raise
        listener.setblocking(False)
        self._listener = listener
        self._thread.start()

    def close(self) -> None:
        """Idempotent; waits for the thread."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._listener is not None:
            self._listener.close()
            self._listener = None
            self._path.unlink(missing_ok=True)

    def _run(self) -> None:
        assert self._listener is not None
        while not self._ended.is_set():
            ready, _, _ = select.select([self._listener], [], [], _TICK_S)
            if not ready:
                continue
            try:
                caller, _ = self._listener.accept()
                with caller:
                    caller.settimeout(_TICK_S)
                    self._talk(caller)
            except OSError as error:  # the caller went away, or there are no descriptors left
                _log.info("bench desk: %s", error)
                self._ended.wait(_TICK_S)

    def _talk(self, caller: socket.socket) -> None:
        waiting = b""
        silent_s = 0.0
        while not self._ended.is_set() and silent_s < _PATIENCE_S:
            try:
                data = caller.recv(_LONGEST_LINE)
            except TimeoutError:
                silent_s += _TICK_S
                continue
            *lines, waiting = (waiting + data).split(b"\n")
            for line in lines:
                caller.sendall(json.dumps(self._answer(line)).encode() + b"\n")
            if not data or len(waiting) > _LONGEST_LINE:
                return
            silent_s = 0.0

    def _answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError) as error:
            return {"ok": False, "error": f"not JSON: {error}"}
        if not isinstance(request, dict):
            return {"ok": False, "error": 'not an object; for example {"do": "show"}'}
        return self._serve(request)


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.settimeout(_PATIENCE_S)
        try:
            sock.connect(str(path))
        except (FileNotFoundError, ConnectionRefusedError):
            return False
        except OSError:
            return path.exists()
        return True
