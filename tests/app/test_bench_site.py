"""What an emulated barn may not touch: the files and the people of a real one."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.app.bench_site import refuse_real
from gateway.errors import SiteError
from gateway.site import load
from tests.site.test_whole_file import SMALL


def problems(folder: Path, history: str) -> tuple[str, ...]:
    path = folder / "barn.toml"
    path.write_text(SMALL.replace('history.file = "/data/h.db"', history).replace("run/link", "link"))
    with pytest.raises(SiteError) as refused:
        refuse_real(load(path))
    return refused.value.problems


@pytest.mark.parametrize("there", ["/var/lib/loosebox/uplink-cursors.json", "../other/cursors.json"])
def test_the_cursors_and_the_record_of_calls_of_a_real_barn_are_out_of_reach(tmp_path: Path, there: str) -> None:
    assert not [each for each in problems(tmp_path, 'history.file = "h.db"') if "history" in each]
    cursors = f'history.file = "h.db"\nhistory.cursors = "{there}"'
    (told,) = [each for each in problems(tmp_path, cursors) if "history" in each]
    assert told.startswith("history.cursors: leads to ")
