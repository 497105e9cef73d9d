"""Owns: the checks of the files that a board is installed with.

Must not know: what the roles do.
How it works: systemd's own tools judge copies of the units in which only the path of the program is another; a
missing tool is a failure that names its package. What no tool checks, and would hurt, is read from the text.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "systemd"
ROLES = ("core", "web", "uplink")
UNITS = [f"loosebox-{role}.service" for role in ROLES]
PROGRAM = "/opt/loosebox/bin/loosebox"
# Scale of systemd-analyze(1), "security": 0 is closed, 10 is open. The limit is ours.
LIMIT = 2.0


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is not installed; it is in the Debian package 'systemd' (udevadm: 'udev')")
    return found


def ran(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, timeout=60, check=False)


def settings(unit: str) -> dict[str, list[str]]:
    """Every setting of a unit with all its values, in order."""
    found: dict[str, list[str]] = defaultdict(list)
    for line in (FOLDER / unit).read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            name, value = line.split("=", 1)
            found[name].append(value)
    return found


@pytest.fixture
def copies(tmp_path: Path) -> Path:
    """The units, with a program that exists on this machine."""
    for unit in UNITS:
        (tmp_path / unit).write_text((FOLDER / unit).read_text().replace(PROGRAM, sys.executable))
    return tmp_path


def test_systemd_accepts_every_unit(copies: Path) -> None:
    done = ran(tool("systemd-analyze"), "verify", "--man=no", *(copies / unit for unit in UNITS))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_systemd_refuses_a_unit_with_a_slip(copies: Path) -> None:
    """Else the check above could not fail."""
    text = (copies / UNITS[0]).read_text().replace("WatchdogSec=", "WatchdogSecs=")
    (copies / UNITS[0]).write_text(text)
    done = ran(tool("systemd-analyze"), "verify", "--man=no", copies / UNITS[0])
    assert "WatchdogSecs" in done.stderr


@pytest.mark.parametrize("unit", UNITS)
def test_unit_is_closed_to_what_it_does_not_need(unit: str) -> None:
    done = ran(tool("systemd-analyze"), "security", "--offline=true", "--no-pager", FOLDER / unit)
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stderr
    assert float(found[1]) <= LIMIT, done.stdout


@pytest.mark.parametrize(("unit", "role"), list(zip(UNITS, ROLES, strict=True)))
def test_unit_starts_its_role_and_never_gives_up(unit: str, role: str) -> None:
    found = settings(unit)
    assert found["ExecStart"] == [f"{PROGRAM} {role} /etc/loosebox/barn.toml"]
    expected = {"Type": "notify", "NotifyAccess": "main", "Restart": "always", "StartLimitIntervalSec": "0"}
    assert {name: found[name] for name in expected} == {name: [value] for name, value in expected.items()}


def test_core_is_watched_and_leaves_the_kit_safe_however_it_ends() -> None:
    found = settings("loosebox-core.service")
    assert found["WatchdogSec"] == ["30"]
    assert found["ExecStopPost"] == [f"{PROGRAM} safe /etc/loosebox/barn.toml"]
    assert settings("loosebox-web.service")["WatchdogSec"] == ["30"]


def test_only_core_sees_devices_and_core_sees_no_network() -> None:
    core = settings("loosebox-core.service")
    assert core["PrivateNetwork"] == ["yes"]
    assert core["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert core["DevicePolicy"] == ["closed"]
    assert all(allowed.startswith("char-") for allowed in core["DeviceAllow"])
    for unit in UNITS[1:]:
        assert settings(unit)["PrivateDevices"] == ["yes"]
        assert settings(unit)["DeviceAllow"] == []


def test_roles_have_users_of_their_own_and_one_group() -> None:
    users = [settings(unit)["User"][0] for unit in UNITS]
    assert users == ["loosebox", "loosebox-web", "loosebox-uplink"]
    assert {settings(unit)["Group"][0] for unit in UNITS} == {"loosebox"}


def test_core_may_ask_whether_its_clock_is_right_and_which_boot_this_is() -> None:
    """ProtectClock= refuses adjtimex(2), which core asks; ProcSubset=pid hides the boot id (systemd.exec(5))."""
    found = settings("loosebox-core.service")
    assert found["ProtectClock"] == []
    assert found["ProcSubset"] == []
    allowed = found["SystemCallFilter"][-1].split()
    assert {"adjtimex", "clock_adjtime"} <= set(allowed)  # the last line wins over the refusals before it


@pytest.mark.parametrize("unit", UNITS)
def test_no_unit_requires_another_or_a_disk(unit: str) -> None:
    """A broken page or a lost disk must not stop core, nor a stopped core the page that says so."""
    found = settings(unit)
    for binding in ("Requires", "Requisite", "BindsTo", "PartOf", "RequiresMountsFor"):
        assert found[binding] == []


@pytest.mark.parametrize("unit", UNITS)
def test_every_group_of_settings_says_why(unit: str) -> None:
    """Each block of [Service] opens with a comment."""
    service = (FOLDER / unit).read_text().split("[Service]\n")[1].split("[Install]")[0]
    blocks = [block for block in service.strip().split("\n\n") if block.strip()]
    assert [block.splitlines()[0] for block in blocks[1:] if not block.startswith("#")] == []


def test_users_and_group_are_made(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    done = ran(tool("systemd-sysusers"), f"--root={tmp_path}", FOLDER / "sysusers.d" / "loosebox.conf")
    assert done.returncode == 0, done.stderr
    groups = {line.split(":")[0]: line.split(":")[2] for line in (tmp_path / "etc/group").read_text().splitlines()}
    passwd = [line.split(":") for line in (tmp_path / "etc/passwd").read_text().splitlines()]
    made = {fields[0]: fields for fields in passwd if fields[0].startswith("loosebox")}
    assert set(made) == {"loosebox", "loosebox-web", "loosebox-uplink"}
    assert {fields[3] for fields in made.values()} == {groups["loosebox"]}
    assert all(fields[6].endswith("nologin") for fields in made.values())


def test_folder_of_the_site_file_is_described_in_words_that_systemd_knows(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    # Whoever runs the test stands for the owner, so that no right of root is needed.
    (tmp_path / "etc/passwd").write_text(f"root:x:{os.getuid()}:{os.getgid()}::/root:/bin/sh\n")
    (tmp_path / "etc/group").write_text(f"loosebox:x:{os.getgid()}:\n")
    file = FOLDER / "tmpfiles.d" / "loosebox.conf"
    done = ran(tool("systemd-tmpfiles"), "--create", f"--root={tmp_path}", file)
    assert done.stderr == ""
    assert (tmp_path / "etc/loosebox").stat().st_mode & 0o7777 == 0o750


def test_udev_rules_only_name_ports() -> None:
    lines = (FOLDER / "udev" / "70-loosebox.rules").read_text().splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]
    form = r'SUBSYSTEM=="tty", ENV\{ID_PATH\}=="[^"]+", SYMLINK\+="loosebox/[a-z0-9-]+"'
    assert rules
    assert [rule for rule in rules if not re.fullmatch(form, rule)] == []


def test_roles_load_where_no_memory_is_both_writable_and_executable() -> None:
    """MemoryDenyWriteExecute=, as the kernel itself offers it: prctl(2), PR_SET_MDWE, Linux 6.3."""
    refuse = "import ctypes, os, sys\nassert ctypes.CDLL(None).prctl(65, 1, 0, 0, 0) == 0, 'needs Linux 6.3'\n"
    again = "os.execv(sys.executable, [sys.executable, '-c', sys.argv[1]])"
    check = (
        "import mmap\n"
        "try:\n    mmap.mmap(-1, 4096, prot=7)\n"
        "except PermissionError:\n    print('refused')\n"
        "import gateway.app.core, gateway.app.web, gateway.app.uplink\n"
        "from gateway.engine.clock import BoardClock\n"
        "print(BoardClock().stamp().mono_s > 0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", refuse + again, check],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    if "needs Linux 6.3" in done.stderr and "CI" not in os.environ:
        pytest.skip("this kernel cannot refuse such memory; Linux 6.3 or newer can")
    assert done.stdout.split() == ["refused", "True"], done.stderr
