"""`loosebox hand`: the answer of core as a sentence, against a real link."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.app.bench import prepare
from gateway.cli import main
from gateway.engine.link import LinkServer
from gateway.errors import LinkError
from gateway.site import Site


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return prepare(tmp_path, speed=1.0)


@pytest.fixture
def core(site: Site) -> Iterator[dict[str, Any]]:
    """A core that gives the answer put in here and keeps what it was asked."""
    said: dict[str, Any] = {}

    def answer(peer: str, request: dict[str, Any]) -> dict[str, Any]:
        said["asked"] = request
        if "raises" in said:
            raise LinkError(said["raises"])
        return dict(said["answer"])

    server = LinkServer(site.link_socket, on_request=answer)
    yield said
    server.close()


def hand(site: Site, *words: str) -> int:
    return main(["hand", str(site.path), *words, "--by", "Ana"])


def test_what_was_done_is_said_with_its_end_in_barn_time(
    site: Site, core: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    core["answer"] = {"done": True, "until_wall_s": 1_784_038_800.0, "recorded": True}  # 2026-07-14 14:20 UTC
    assert hand(site, "stall-fans", "off", "--minutes", "45", "--why", "farrier") == 0
    assert capsys.readouterr().out == "stall-fans: off by hand until 10:20, Ana.\n"
    assert core["asked"] == {
        "do": "hand", "subject": "stall-fans", "kind": "off", "minutes": 45.0, "by": "Ana", "why": "farrier",
        "sure": False,
    }  # fmt: skip


def test_giving_back_and_an_unwritten_history_are_said(
    site: Site, core: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    core["answer"] = {"done": True, "until_wall_s": 0.0, "recorded": False}
    assert hand(site, "stall-fans", "auto") == 0
    assert "the automatic decides again. The history could not be written" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"answer": {"question": "Level 2 at stalls and horses are there. Stop it?"}}, "ask again with --sure"),
        ({"answer": {"error": "there is no kit stal-fans"}}, "there is no kit stal-fans"),
        ({"answer": {}}, "no answer that this program knows"),
        ({"raises": "minutes must be a number"}, "minutes must be a number"),
    ],
)
def test_what_was_not_done_is_an_error_that_says_why(
    site: Site, core: dict[str, Any], capsys: pytest.CaptureFixture[str], given: dict[str, Any], says: str
) -> None:
    core.update(given)
    assert hand(site, "stall-fans", "off") == 2
    assert says in capsys.readouterr().err


def test_a_core_that_does_not_run_is_said(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert hand(site, "stall-fans", "on") == 2
    assert "core cannot be reached" in capsys.readouterr().err
