"""Owns: the file of people, walls and keys of machines.

Must not know: HTTP, sessions, what a right allows.
How it works: one JSON file of mode 0600, replaced as a whole under a lock, read again whenever it changed: the console
and the web role share it. Passphrases are hashed with Argon2id (RFC 9106, the second recommended choice: 3 passes over
64 MiB), one at a time, so that a flood of tries cannot fill the memory. Secrets of walls and machines are 256 random
bits, so a plain SHA-256 is enough for them. A code to pair a wall lives ten minutes of this boot.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import secrets
import threading
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidKey
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

from dashboards.people import Key, Person
from dashboards.rights import GIVEN, SCOPES, Right
from gateway.engine.clock import boot_id, machine_s
from gateway.errors import GatewayError, StoreError

SHORTEST, LONGEST = 10, 200  # letters of a passphrase
NAME_LETTERS = 40
PASSES, LANES, MEMORY_KIB, HASH_BYTES = 3, 4, 64 * 1024, 32
CODE_S = 600.0
Data = dict[str, Any]


class PeopleFile:
    """What `dashboards.people.People` asks for. `now_s` is monotonic within this boot."""

    def __init__(self, path: Path, now_s: Callable[[], float] = machine_s) -> None:
        self._path, self._now_s = path, now_s
        self._seen: tuple[tuple[int, int, int], Data] | None = None
        self._hashing = threading.Lock()
        # A name that is not there costs as much time as one that is.
        self._nobody = hashed(secrets.token_urlsafe(16))

    def check(self, name: str, passphrase: str) -> str | None:
        """The name as it is kept when the passphrase is right. Slow on purpose: call it in a thread."""
        kept = _tidy(name)
        known = self._read()["people"].get(kept)
        with self._hashing:
            try:
                Argon2id.verify_phc_encoded(_letters(passphrase), known["hash"] if known else self._nobody)
            except InvalidKey:
                return None
        return kept if known else None

    def right_of(self, name: str) -> Right:
        return GIVEN.get(self._read()["people"].get(name, {}).get("right", ""), Right.NOBODY)

    def persons(self) -> tuple[Person, ...]:
        people = self._read()["people"]
        return tuple(Person(name=name, right=GIVEN[people[name]["right"]]) for name in sorted(people))

    def listed_keys(self) -> tuple[Key, ...]:
        found = self._read()["keys"]
        return tuple(Key(name=name, scope=found[name]["scope"]) for name in sorted(found))

    def key_of(self, secret: str) -> Key | None:
        digest = _digest(secret)
        for name, known in self._read()["keys"].items():
            if secrets.compare_digest(known["sha256"], digest):
                return Key(name=name, scope=known["scope"])
        return None

    def add(self, name: str, right: Right, passphrase: str) -> None:
        """A person, new or with another right or passphrase. Raises GatewayError."""
        name = plain(name)
        if not SHORTEST <= len(passphrase) <= LONGEST:
            raise GatewayError(f"a passphrase has {SHORTEST} to {LONGEST} letters; four words are a good one")
        with self._hashing:
            entry = {"right": right.word, "hash": hashed(passphrase)}
        with self._change() as data:
            _free(data, name, "people")
            _keep_a_keeper(data, name, right)
            data["people"][name] = entry

    def remove(self, name: str) -> None:
        with self._change() as data:
            if name not in data["people"] and name not in data["keys"]:
                raise GatewayError(f"there is no {name} on the list")
            _keep_a_keeper(data, name, Right.NOBODY)
            data["people"].pop(name, None)
            data["keys"].pop(name, None)

    def add_key(self, name: str, scope: str) -> str:
        """A machine; gives its secret, which is shown once and not kept."""
        if scope not in SCOPES:
            raise GatewayError(f"a scope is one of {', '.join(SCOPES)}")
        return self._new_key(plain(name), scope)

    def offer(self, wall: str) -> str:
        """A code that pairs one wall within ten minutes, for the console to show."""
        code = f"{secrets.randbelow(10**8):08d}"
        with self._change() as data:
            _free(data, plain(wall), "keys")
            till = {"wall": plain(wall), "until_s": self._now_s() + CODE_S, "boot": boot_id()}
            data["codes"] = {_digest(code): till}  # a new code ends the one before
        return code

    def pair(self, code: str) -> str | None:
        digest = _digest("".join(code.split()))
        if digest not in self._read()["codes"]:
            return None
        with self._change() as data:
            offer = data["codes"].pop(digest, None)
        if offer is None or offer["boot"] != boot_id() or self._now_s() > offer["until_s"]:
            return None
        return self._new_key(offer["wall"], "wall")

    def _new_key(self, name: str, scope: str) -> str:
        secret = secrets.token_urlsafe(32)
        with self._change() as data:
            _free(data, name, "keys")
            data["keys"][name] = {"scope": scope, "sha256": _digest(secret)}
        return secret

    def _read(self) -> Data:
        """The file as it is now; read only when it changed."""
        try:
            with self._path.open("rb") as file:
                found = os.fstat(file.fileno())
                mark = (found.st_mtime_ns, found.st_ino, found.st_size)
                if self._seen is None or self._seen[0] != mark:
                    self._seen = (mark, _checked(json.load(file)))
            return self._seen[1]
        except FileNotFoundError:
            return {"people": {}, "keys": {}, "codes": {}}
        except (OSError, ValueError) as error:
            raise StoreError(f"the people of {self._path} cannot be read: {error}") from error

    @contextlib.contextmanager
    def _change(self) -> Iterator[Data]:
        """The data under a lock; written when the block ends well. Raises GatewayError."""
        try:
            with self._path.with_suffix(".lock").open("w") as lock:
                _own_as_folder(self._path.with_suffix(".lock"))
                fcntl.flock(lock, fcntl.LOCK_EX)
                data = json.loads(json.dumps(self._read()))
                yield data
                self._write(data)
        except OSError as error:
            raise StoreError(f"the people cannot be written to {self._path}: {error}") from error

    def _write(self, data: Data) -> None:
        fresh = self._path.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            json.dump(data, file, indent=1, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
        _own_as_folder(fresh)
        fresh.replace(self._path)
        folder = os.open(self._path.parent, os.O_RDONLY)
        os.fsync(folder)
        os.close(folder)


def hashed(passphrase: str) -> str:
    """The Argon2id hash in the usual text form, with its own salt and costs."""
    kdf = Argon2id(salt=secrets.token_bytes(16), length=HASH_BYTES, iterations=PASSES, lanes=LANES,
                   memory_cost=MEMORY_KIB)  # fmt: skip
    return str(kdf.derive_phc_encoded(_letters(passphrase)))


def plain(name: str) -> str:
    """A name as it is kept. Raises GatewayError."""
    tidy = _tidy(name)
    if not 0 < len(tidy) <= NAME_LETTERS or not tidy.isprintable():
        raise GatewayError(f"a name has 1 to {NAME_LETTERS} letters on one line")
    return tidy


def _tidy(name: str) -> str:
    return " ".join(unicodedata.normalize("NFC", name).split())


def _letters(passphrase: str) -> bytes:
    """The same bytes whatever keyboard composed the letters (RFC 8265 asks for this form)."""
    return unicodedata.normalize("NFC", passphrase).encode("utf-8", "replace")


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def _free(data: Data, name: str, kind: str) -> None:
    other = "keys" if kind == "people" else "people"
    if name in data[other] or (kind == "keys" and name in data["keys"]):
        raise GatewayError(f"{name} is on the list already")


def _keep_a_keeper(data: Data, name: str, right: Right) -> None:
    keepers = [known for known, entry in data["people"].items() if entry["right"] == Right.KEEPER.word]
    if keepers == [name] and right is not Right.KEEPER:
        raise GatewayError(f"{name} is the only keeper; make another one first")
    if not keepers and not data["people"] and right is not Right.KEEPER and right is not Right.NOBODY:
        raise GatewayError("the first person must be a keeper")


def _checked(data: Any) -> Data:
    if not isinstance(data, dict) or any(not isinstance(data.get(part), dict) for part in ("people", "keys", "codes")):
        raise ValueError("it has another form")
    if any(entry["right"] not in GIVEN for entry in data["people"].values()):
        raise ValueError("a right in it is not known")
    return data


def _own_as_folder(path: Path) -> None:
    """Root at the console writes for the web role, whose folder this is."""
    if os.geteuid() == 0:
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)
