"""The command line as a user meets it: words, codes, one clear message."""

from __future__ import annotations

import argparse
import re
import socket
from pathlib import Path

import pytest

from gateway import __version__
from gateway.app.bench import prepare
from gateway.cli import _parser
from tests.e2e.barn import loosebox

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "drivers" / "bench" / "barn.toml"


def _commands() -> list[str]:
    actions = [a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction)]
    return list(actions[0].choices)


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text()
    assert [c for c in _commands() if not re.search(rf"`(loosebox )?{c}\b", text)] == []


def test_version_is_the_packages_own() -> None:
    assert loosebox("--version").stdout.strip() == f"loosebox {__version__}"
    assert __version__ in (ROOT / "CHANGELOG.md").read_text()


def test_check_says_what_a_site_file_describes() -> None:
    run = loosebox("check", str(EXAMPLE))
    assert run.returncode == 0, run.stderr
    for word in ("Cedar Bend", "stall-fans", "normally-closed", "arena-air"):
        assert word in run.stdout


def test_check_names_line_key_and_nearest_known_key(tmp_path: Path) -> None:
    wrong = tmp_path / "barn.toml"
    lines = EXAMPLE.read_text().replace("on_level = 1 ", "on_levle = 1 ", 1)
    wrong.write_text(lines)
    number = next(n for n, line in enumerate(lines.splitlines(), start=1) if "on_levle" in line)
    run = loosebox("check", str(wrong))
    assert run.returncode == 2
    assert f"line {number}" in run.stderr
    assert '"on_levle"' in run.stderr and '"on_level"' in run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize("role", ["core", "web", "uplink", "run", "check", "safe"])
def test_every_role_refuses_a_missing_site_file_with_one_line(role: str, tmp_path: Path) -> None:
    run = loosebox(role, str(tmp_path / "none.toml"))
    assert run.returncode == 2
    assert "none.toml" in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1


def test_core_without_its_emulated_barn_says_how_to_start_one(tmp_path: Path) -> None:
    (tmp_path / "barn.toml").write_text(EXAMPLE.read_text())
    run = loosebox("core", str(tmp_path / "barn.toml"), "--emulated")
    assert run.returncode == 2
    assert "loosebox run" in run.stderr


def test_a_taken_port_is_told_with_the_key_to_change(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        site = prepare(tmp_path, speed=1.0, port=port)
        run = loosebox("web", str(site.path))
    assert run.returncode == 1
    assert f"cannot listen on 127.0.0.1:{port}" in run.stderr
    assert "[web]" in run.stderr and "Traceback" not in run.stderr


def test_bench_without_a_running_barn_says_so(tmp_path: Path) -> None:
    run = loosebox("bench", "--dir", str(tmp_path), "show")
    assert run.returncode == 2
    assert "no bench answers" in run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize("speed", ["0", "-1", "9999", "fast"])
def test_a_silly_speed_is_refused(speed: str, tmp_path: Path) -> None:
    run = loosebox("run", "--dir", str(tmp_path / "b"), f"--speed={speed}")
    assert run.returncode == 2
    assert not (tmp_path / "b").exists()
