"""Same inputs, same outputs: a recorded day replays bit for bit across processes and hash seeds.

The day is the 20th of July of a typical year of Miami (TMY2, Marion and Urban 1995) as the pvlib package carries it.
"""

from __future__ import annotations

import datetime
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.report.levels_report import read_year

ROOT = Path(__file__).parents[2]
SITE = ROOT / "drivers" / "bench" / "barn.toml"
BEGIN = datetime.datetime(2026, 7, 20, tzinfo=datetime.timezone(datetime.timedelta(hours=-4)))


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    frame = read_year("12839.tm2")
    first = 24 * 200  # the 20th of July is day 201 of a year of 365
    there = frame.iloc[first : first + 24]
    path = tmp_path_factory.mktemp("day") / "miami.csv"
    lines = ["time,temp_c,rh_pct"]
    for hour, (temp_c, rh_pct) in enumerate(zip(there["temp_c"].tolist(), there["rh_pct"].tolist(), strict=True)):
        lines.append(f"{(BEGIN + datetime.timedelta(hours=hour)).isoformat()},{temp_c:.1f},{rh_pct:g}")
    path.write_text("\n".join(lines) + "\n")
    return path


def _digests(day: Path, *, hash_seed: str) -> dict[str, str]:
    run = subprocess.run(
        [sys.executable, "-m", "tests.app.day_digest", str(SITE), str(day), str(BEGIN.timestamp())],
        capture_output=True, text=True, timeout=110, check=False, cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return dict(line.split() for line in run.stdout.splitlines())


def test_a_day_is_the_same_in_every_process_whatever_its_hash_seed(day: Path) -> None:
    first, second = (_digests(day, hash_seed=seed) for seed in ("1", "4242"))
    assert set(first) == {"commands", "reasons", "events", "snapshots"}
    assert first == second


def test_another_day_has_other_digests(day: Path, tmp_path: Path) -> None:
    """The digests are of something: a tenth of a degree in one hour changes them."""
    lines = day.read_text().splitlines()
    when, temp_c, rh_pct = lines[14].split(",")
    lines[14] = f"{when},{float(temp_c) + 0.1:.1f},{rh_pct}"
    other = tmp_path / "other.csv"
    other.write_text("\n".join(lines) + "\n")
    first, second = _digests(day, hash_seed="1"), _digests(other, hash_seed="1")
    assert first["reasons"] != second["reasons"]
    assert first["snapshots"] != second["snapshots"]
