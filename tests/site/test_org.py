"""The organisation file, as a person may write it."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import SiteError
from gateway.org import describe_org, is_org, load_org
from gateway.org_form import is_heard
from tests.e2e.barn import loosebox
from tests.uplink.store_rig import PLAIN_SITE

GOOD = """
[organisation]
name = "River Valley Riders"
zone = "America/New_York"
[mqtt]
host = "broker.example"
root = "loosebox"
"""
BARN = '[[barns]]\nprefix = "{}"\n'


def written(folder: Path, text: str) -> Path:
    (folder / "org.toml").write_text(text)
    return folder / "org.toml"


def test_a_small_file_is_complete_and_safe(tmp_path: Path) -> None:
    org = load_org(written(tmp_path, GOOD))
    assert (org.languages, org.root, org.prefixes, org.barns, org.series) == (("en", "es"), "loosebox", (), (), None)
    assert org.broker.tls and org.broker.port == 8883
    assert org.web_listen == "127.0.0.1" and org.web.people_file == tmp_path / "people.json"
    assert "publishes nothing there" in describe_org(org)


def test_everything_can_be_said(tmp_path: Path) -> None:
    text = GOOD.replace('root = "loosebox"', 'prefixes = ["a/b/north", "south"]\nuser = "board"\npassword_file = "p"')
    text += '[series]\nurl = "https://store.example:8427/select/0/prometheus/"\ntoken_file = "t"\n'
    text += BARN.format("a/b/north") + 'name = "North"\npage = "https://north.example:8460/"\n'
    text += '[web]\nlisten = "0.0.0.0"\nport = 8470\n'
    org = load_org(written(tmp_path, text))
    assert org.series is not None and org.series.url == "https://store.example:8427/select/0/prometheus"
    assert org.barns[0].page == "https://north.example:8460"
    assert org.web.tls and not org.web.open_to_read
    assert org.broker.password_file == tmp_path / "p"


@pytest.mark.parametrize(
    ("change", "line", "problem"),
    [
        (('zone = "America/New_York"', 'zone = "America"'), 4, 'key "zone": found "America"'),
        (('root = "loosebox"', ""), 5, 'key "root": missing; allowed: root or prefixes'),
        (('root = "loosebox"', 'root = "loosebox/#"'), 7, 'key "root": found "loosebox/#"'),
        (('root = "loosebox"', 'root = "l"\nprefixes = ["l"]'), 7, "found both root and prefixes"),
        (('root = "loosebox"', 'prefixes = ["l", "l"]'), 7, 'key "prefixes"'),
        (('root = "loosebox"', "prefixes = []"), 7, 'key "prefixes"'),
        (('root = "loosebox"', 'root = "loosebox"\nprefix = "l"'), 8, 'did you mean "prefixes"'),
        (('root = "loosebox"', 'root = "loosebox"\npassword_file = "p"'), 8, "found without user"),
        (('root = "loosebox"', 'root = "loosebox"\npublish = true'), 8, 'key "publish": not known here'),
        (("[mqtt]", '[series]\nurl = "http://store.example"\ntoken_file = "t"\n[mqtt]'), 6, 'key "url"'),
        (("[mqtt]", BARN.format("other/north") + "[mqtt]"), 6, "which is not listened to"),
        (("[mqtt]", BARN.format("loosebox/a/b") + "[mqtt]"), 6, "which is not listened to"),
        (("[mqtt]", 2 * BARN.format("loosebox/a") + "[mqtt]"), 8, "taken by barns[0]"),
        (("[mqtt]", BARN.format("loosebox/a") + 'page = "javascript:x"\n[mqtt]'), 7, 'key "page"'),
        (("[mqtt]", BARN.format("loosebox/a") + 'page = "https://u:p@x"\n[mqtt]'), 7, 'key "page"'),
        (("[mqtt]", "[web]\nplain_http = true\nread_without_sign_in = false\n[mqtt]"), 6, ""),
    ],
)
def test_one_mistake_is_told_with_its_line(tmp_path: Path, change: tuple[str, str], line: int, problem: str) -> None:
    text = GOOD.replace(*change)
    if not problem:  # on loopback nobody needs to sign in over a network
        load_org(written(tmp_path, text))
        return
    with pytest.raises(SiteError) as found:
        load_org(written(tmp_path, text))
    [told] = found.value.problems
    assert told.startswith(f"org.toml line {line}: ") and problem in told, told


def test_all_mistakes_are_told_at_once_in_order(tmp_path: Path) -> None:
    text = GOOD.replace("America/New_York", "Mars").replace('host = "broker.example"', "host = 3") + "[wep]\nport = 1\n"
    with pytest.raises(SiteError) as found:
        load_org(written(tmp_path, text))
    assert [problem.split(":")[0] for problem in found.value.problems] == [
        "org.toml line 4", "org.toml line 6", "org.toml line 8",
    ]  # fmt: skip


def test_a_prefix_is_heard_under_the_root_or_from_the_list_and_nowhere_else() -> None:
    assert is_heard("loosebox/a", "loosebox", None)
    for foreign in ("loosebox", "loosebox/", "loosebox/a/b", "other/a", "xloosebox/a"):
        assert not is_heard(foreign, "loosebox", None)
    assert is_heard("a/b/c", None, ["a/b/c"]) and not is_heard("a/b", None, ["a/b/c"])


def test_the_command_line_knows_the_file_from_a_barns(tmp_path: Path) -> None:
    org = written(tmp_path, GOOD)
    (tmp_path / "barn.toml").write_text(PLAIN_SITE.format(barn="Far Field"))
    assert is_org(org) and not is_org(tmp_path / "barn.toml")
    told = loosebox("check", str(org))
    assert (told.returncode, "Listens at the broker broker.example:8883" in told.stdout) == (0, True), told.stderr
    wrong = loosebox("web", "--site-board", str(tmp_path / "barn.toml"))
    assert wrong.returncode == 2 and 'key "organisation": missing' in wrong.stderr
    neither = loosebox("web")
    assert neither.returncode == 2 and "--site-board" in neither.stderr
    added = loosebox("people", "--site", str(org), "list")
    assert added.returncode == 0, added.stderr
