"""The file of people: hashes, modes, two writers, damage; and the command at the console."""

from __future__ import annotations

import json
import os
import re
import stat
import subprocess
import sys
import unicodedata
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from dashboards.rights import Right
from gateway.app.people import PeopleFile, hashed
from gateway.errors import GatewayError, StoreError

WORDS = "four plain words here"


@pytest.fixture
def people(tmp_path: Path) -> PeopleFile:
    made = PeopleFile(tmp_path / "people.json")
    made.add("Luis", Right.KEEPER, WORDS)
    return made


def test_a_passphrase_is_kept_as_argon2id_with_its_own_salt(people: PeopleFile, tmp_path: Path) -> None:
    people.add("Ana", Right.HAND, WORDS)
    text = (tmp_path / "people.json").read_text()
    assert WORDS not in text
    kept = [entry["hash"] for entry in json.loads(text)["people"].values()]
    # RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    assert all(re.match(r"\$argon2id\$v=19\$m=65536,t=3,p=4\$[\w+/]{22}\$[\w+/]{43}$", each) for each in kept)
    assert len(set(kept)) == 2
    assert (people.check("Ana", WORDS), people.check(" Luis ", WORDS)) == ("Ana", "Luis")
    assert not people.check("Ana", WORDS + " ") and not people.check("Eva", WORDS)


def test_the_file_is_for_its_owner_alone(people: PeopleFile, tmp_path: Path) -> None:
    people.add("Ana", Right.HAND, WORDS)
    found = (tmp_path / "people.json").stat()
    assert stat.S_IMODE(found.st_mode) == 0o600
    assert not list(tmp_path.glob("*.new"))


def test_letters_composed_in_two_ways_are_the_same(people: PeopleFile) -> None:
    composed, apart = (unicodedata.normalize(form, "cuatro palabras señaladas") for form in ("NFC", "NFD"))
    assert composed != apart
    people.add(unicodedata.normalize("NFD", "José"), Right.HAND, apart)
    assert people.check("José", composed) == "José"


def test_there_is_always_a_keeper(tmp_path: Path) -> None:
    people = PeopleFile(tmp_path / "people.json")
    with pytest.raises(GatewayError, match="first person must be a keeper"):
        people.add("Ana", Right.HAND, WORDS)
    people.add("Luis", Right.KEEPER, WORDS)
    with pytest.raises(GatewayError, match="only keeper"):
        people.remove("Luis")
    with pytest.raises(GatewayError, match="only keeper"):
        people.add("Luis", Right.HAND, WORDS)
    people.add("Eva", Right.KEEPER, WORDS)
    people.remove("Luis")
    assert [person.name for person in people.persons()] == ["Eva"]


@pytest.mark.parametrize("words", ["short", "", "x" * 201])
def test_a_passphrase_too_short_or_too_long_is_refused(people: PeopleFile, words: str) -> None:
    with pytest.raises(GatewayError, match="letters"):
        people.add("Ana", Right.HAND, words)


@pytest.mark.parametrize("name", ["", "   ", "a\x00b", "x" * 41, "a\u202eb"])
def test_a_name_that_cannot_be_shown_is_refused(people: PeopleFile, name: str) -> None:
    with pytest.raises(GatewayError, match="a name has"):
        people.add(name, Right.HAND, WORDS)


def test_a_person_and_a_machine_cannot_share_a_name(people: PeopleFile) -> None:
    people.add_key("store", "read")
    with pytest.raises(GatewayError, match="already"):
        people.add("store", Right.HAND, WORDS)
    with pytest.raises(GatewayError, match="already"):
        people.add_key("Luis", "read")


def test_what_another_process_writes_is_seen(people: PeopleFile, tmp_path: Path) -> None:
    other = PeopleFile(tmp_path / "people.json")
    assert [person.name for person in people.persons()] == ["Luis"]
    other.add("Ana", Right.HAND, WORDS)
    assert [person.name for person in people.persons()] == ["Ana", "Luis"]


def test_writers_at_the_same_time_lose_nothing(tmp_path: Path) -> None:
    files = [PeopleFile(tmp_path / "people.json") for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        secrets = list(pool.map(lambda n: files[n % 4].add_key(f"machine {n}", "read"), range(24)))
    assert len(files[0].listed_keys()) == 24
    assert all(files[1].key_of(secret) for secret in secrets)


@pytest.mark.parametrize("content", ["", "{}", "[]", '{"people":{"x":{"right":"king"}},"keys":{},"codes":{}}', "\xff"])
def test_a_damaged_file_lets_nobody_in(people: PeopleFile, tmp_path: Path, content: str) -> None:
    (tmp_path / "people.json").write_text(content)
    with pytest.raises(StoreError, match="cannot be read"):
        people.check("Luis", WORDS)
    with pytest.raises(StoreError):
        people.add("Eva", Right.KEEPER, WORDS)
    assert (tmp_path / "people.json").read_text() == content  # and nothing is written over it


def test_a_hash_of_nobody_is_never_right() -> None:
    assert hashed(WORDS) != hashed(WORDS)


def console(site: Path, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "gateway.cli", "people", "--site", str(site), *words]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=60, check=False)


def test_the_console_makes_the_first_keeper_a_wall_and_a_key(tmp_path: Path) -> None:
    site = tmp_path / "barn.toml"
    shipped = Path(__file__).parents[2] / "drivers" / "bench" / "barn.toml"
    site.write_text(shipped.read_text())
    assert "not the same" in console(site, "add", "Luis", "--right", "keeper", typed=f"{WORDS}\nother words\n").stderr
    done = console(site, "add", "Luis", "--right", "keeper", typed=f"{WORDS}\n{WORDS}\n")
    assert (done.returncode, "Luis is keeper now" in done.stdout) == (0, True)
    assert re.search(r"type  \d{4} \d{4}  within", console(site, "wall", "Aisle").stdout)
    secret = console(site, "key", "store", "--scope", "read").stdout.strip()
    assert PeopleFile(tmp_path / "people.json").key_of(secret)
    assert console(site, "list").stdout.split() == ["keeper", "Luis", "read", "store"]
    assert console(site, "remove", "nobody").returncode == 1


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_what_root_writes_belongs_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 12345, 12345)
    PeopleFile(tmp_path / "people.json").add("Luis", Right.KEEPER, WORDS)
    assert (tmp_path / "people.json").stat().st_uid == 12345
