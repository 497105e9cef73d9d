"""Requests over the link, from web's side: real sockets, a core that answers late, wrong or never."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.engine.link import LinkServer, ask
from gateway.engine.link_words import LONGEST_FROM_CORE
from gateway.errors import GatewayError, LinkError
from tests.engine.fakes import until


@contextlib.contextmanager
def core(path: Path, answer: Any) -> Iterator[LinkServer]:
    server = LinkServer(path, on_request=answer)
    try:
        yield server
    finally:
        server.close()


@contextlib.contextmanager
def scripted(path: Path, said: bytes, *, then_close: bool = True) -> Iterator[None]:
    """Something that listens where core should, and says this to whoever comes."""
    stop = threading.Event()
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(str(path))
    server.listen(1)

    def serve() -> None:
        peer, _ = server.accept()
        peer.recv(65_536)  # closing with unread bytes would reset the line, and what was said would be lost with it
        peer.sendall(said)
        if not then_close:
            stop.wait(5)
        peer.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        server.close()
        thread.join(5)


def test_the_answer_of_core_comes_back(tmp_path: Path) -> None:
    def answer(peer: str, request: dict[str, Any]) -> dict[str, Any]:
        return {"peer": peer, "heard": request}

    with core(tmp_path / "s", answer):
        got = asyncio.run(ask(tmp_path / "s", {"do": "hand", "by": "José"}))
    assert got == {"peer": "web", "heard": {"do": "hand", "by": "José"}}


def test_many_requests_at_once_each_get_their_own_answer(tmp_path: Path) -> None:
    async def all_of_them() -> list[dict[str, Any]]:
        return await asyncio.gather(*(ask(tmp_path / "s", {"n": n}) for n in range(5)))

    with core(tmp_path / "s", lambda _, request: {"n": request["n"]}):
        assert asyncio.run(all_of_them()) == [{"n": n} for n in range(5)]


def test_what_core_refuses_to_do_comes_back_as_its_sentence(tmp_path: Path) -> None:
    def answer(_: str, __: dict[str, Any]) -> dict[str, Any]:
        raise GatewayError("there is no kit roof")

    with core(tmp_path / "s", answer):
        assert asyncio.run(ask(tmp_path / "s", {"do": "hand"})) == {"error": "there is no kit roof"}


def test_a_core_that_is_not_there_is_told_as_such(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="cannot be reached"):
        asyncio.run(ask(tmp_path / "nobody", {"do": "hand"}))


def test_a_core_that_does_not_answer_in_time_is_not_waited_for(tmp_path: Path) -> None:
    with (
        scripted(tmp_path / "s", b'{"link":1,"hello":"core"}\n', then_close=False),
        pytest.raises(LinkError, match=r"not answered within 0\.2 s"),
    ):
        asyncio.run(ask(tmp_path / "s", {"do": "hand"}, within_s=0.2))


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (b"", "closed the link|reset"),
        (b'{"link":1,"hello":"core"}\n', "closed the link|reset"),
        (b'{"link":1,"refused":"no such request"}\n', "core refuses: no such request"),
        (b'{"link":2,"answered":{}}\n', "speaks link version 1"),
        (b"nonsense\n", "not JSON"),
        (b'{"link":1,"answered":7}\n', "closed the link|reset"),
        (b"x" * (LONGEST_FROM_CORE + 9), "cannot be reached"),
    ],
)
def test_an_answer_that_is_none_never_counts_as_done(tmp_path: Path, said: bytes, why: str) -> None:
    with scripted(tmp_path / "s", said), pytest.raises(LinkError, match=why):
        asyncio.run(ask(tmp_path / "s", {"do": "hand"}))


def test_snapshots_between_question_and_answer_are_passed_over(tmp_path: Path) -> None:
    with scripted(tmp_path / "s", b'{"link":1,"snapshot":{"any":1}}\n{"link":1,"answered":{"done":true}}\n'):
        assert asyncio.run(ask(tmp_path / "s", {"do": "hand"})) == {"done": True}


def test_the_seat_of_an_asker_is_free_again(tmp_path: Path) -> None:
    with core(tmp_path / "s", lambda *_: {}) as server:
        for _ in range(20):  # more than core has seats
            assert asyncio.run(ask(tmp_path / "s", {})) == {}
            until(lambda: not server._peers)
