"""Owns: `loosebox backup` and `loosebox restore`: the history of a barn as one file, and back.

Must not know: what the rows mean.
How it works: a backup is a ZIP of the history as it was at one instant (SQLite's online copy, while core runs), the
site file, how far uplink had delivered, and a list with versions and checksums. Passwords, tokens, keys and the list of
people are not in it. A restore looks at everything before it touches anything: checksums, schema, soundness of the
file. What was there is renamed, not deleted. The restored history gets an identity of its own, and so do its cursors:
rows that were delivered before the backup are not sent again.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import secrets
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from gateway import __version__
from gateway.errors import AlreadyRunning, GatewayError, NewerSchema, StoreError
from gateway.site import Site, load
from gateway.store import schema
from gateway.store.migrations import MIGRATIONS, YEARS

FORM = 1
LIST, HISTORY, SITE, CURSORS = "list.json", "history.db", "site.toml", "cursors.json"
_CHUNK_BYTES = 1 << 20


def backup(site: Site, out: Path, *, made_wall_s: float) -> str:
    """Write a backup of the running or resting barn to `out`; returns what was done. Raises GatewayError."""
    try:
        with tempfile.TemporaryDirectory(dir=out.absolute().parent, prefix=".loosebox-backup-") as folder:
            copied = Path(folder) / HISTORY
            _enough_room(out.absolute().parent, site.history_file)
            version = _copy(site.history_file, copied)
            files = {HISTORY: copied, SITE: site.path}
            if site.history.cursors and site.history.cursors.exists():
                files[CURSORS] = site.history.cursors
            packed = Path(folder) / "packed"
            sums = _pack(packed, files, {"form": FORM, "program": __version__, "schema": version, "made": made_wall_s})
            packed.chmod(0o640)
            packed.replace(out)
    except OSError as error:
        raise GatewayError(f"{out}: cannot be written: {error.strerror or error}") from error
    size_mb = out.stat().st_size / 1e6
    return f"{out}: {len(sums)} files, schema {version}, {size_mb:.1f} MB. No password and no key is in it."


def restore(packed: Path, site_file: Path) -> str:
    """Put a backup in the place of the history that a site file names. Raises GatewayError; then nothing changed."""
    try:
        with zipfile.ZipFile(packed) as archive:
            about = _about(archive)
            if not site_file.exists():
                site_file.write_bytes(_checked(archive, about, SITE))
            site = load(site_file)
            with (
                _core_at_rest(site),
                tempfile.TemporaryDirectory(dir=site.history_file.parent, prefix=".loosebox-restore-") as folder,
            ):
                fresh = Path(folder) / HISTORY
                _unpack(archive, about, fresh)
                identity = _made_new(fresh)
                aside = _put(fresh, site.history_file)
                _put_cursors(archive, about, site, identity)
    except zipfile.BadZipFile as error:
        raise GatewayError(f"{packed}: not a backup, or damaged ({error})") from error
    except sqlite3.Error as error:
        raise StoreError(f"{packed}: the history in it is damaged ({error})") from error
    except OSError as error:
        raise GatewayError(f"cannot restore: {error.strerror or error}: {error.filename or packed}") from error
    kept = f" What was there is {aside.name} now." if aside else ""
    return f"{site.history_file}: restored, schema {about['schema']}.{kept} Passwords and keys are to be set anew."


def _copy(source: Path, copied: Path) -> int:
    """The history of one instant; commits go on beside it. Returns its schema."""
    if not source.exists():
        raise StoreError(f"there is no history {source}; has core run yet?")
    try:
        with closing(schema.connect(source, "mode=ro")) as live, closing(sqlite3.connect(copied)) as still:
            version = schema.version_of(live)
            live.backup(still)
            still.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            if version >= YEARS.version:
                still.execute("UPDATE about SET value = 'yes' WHERE name = 'closed'")
                still.commit()
            schema.quick_check(still)
    except sqlite3.Error as error:
        raise StoreError(f"the history {source} cannot be copied: {error}") from error
    return version


def _enough_room(folder: Path, source: Path) -> None:
    """A copy and its packed form stand side by side for a while."""
    needed = 2 * source.stat().st_size if source.exists() else 0
    if shutil.disk_usage(folder).free < needed:
        raise GatewayError(f"{folder}: a backup needs {needed / 1e6:.0f} MB free there; name another place with --out")


def _pack(packed: Path, files: dict[str, Path], about: dict[str, Any]) -> dict[str, str]:
    sums = {}
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, source in files.items():
            archive.write(source, name)
            with source.open("rb") as content:
                sums[name] = hashlib.file_digest(content, "sha256").hexdigest()
        archive.writestr(LIST, json.dumps({**about, "sha256": sums}, indent=2))
    return sums


def _about(archive: zipfile.ZipFile) -> dict[str, Any]:
    """The list in a backup. Raises NewerSchema when the backup is newer than this program."""
    try:
        about = json.loads(archive.read(LIST))
        newest = MIGRATIONS[-1].version
        if about["form"] > FORM or about["schema"] > newest:
            raise NewerSchema(
                f"the backup was made by Loosebox {about['program']} with schema {about['schema']}; this program knows "
                f"up to {newest}: install the newer one first"
            )
        if not isinstance(about["sha256"], dict) or not {HISTORY, SITE} <= set(about["sha256"]):
            raise KeyError(HISTORY)
    except (KeyError, ValueError, TypeError) as error:
        raise GatewayError(f"{archive.filename}: not a backup of Loosebox ({error})") from error
    return dict(about)


def _checked(archive: zipfile.ZipFile, about: dict[str, Any], name: str) -> bytes:
    content = archive.read(name)
    if hashlib.sha256(content).hexdigest() != about["sha256"][name]:
        raise GatewayError(f"{archive.filename}: {name} is not what was packed; the backup is damaged")
    return content


def _unpack(archive: zipfile.ZipFile, about: dict[str, Any], fresh: Path) -> None:
    """The history, piece by piece, for it may be larger than the memory."""
    found = hashlib.sha256()
    with archive.open(HISTORY) as packed, fresh.open("wb") as out:
        while piece := packed.read(_CHUNK_BYTES):
            found.update(piece)
            out.write(piece)
        out.flush()
        os.fsync(out.fileno())
    if found.hexdigest() != about["sha256"][HISTORY]:
        raise GatewayError(f"{archive.filename}: the history is not what was packed; the backup is damaged")


def _made_new(fresh: Path) -> str:
    """Look whether the file is ours and sound, and give it another identity. Returns that."""
    with closing(schema.connect(fresh, "mode=ro")) as connection:
        schema.quick_check(connection)
        if schema.version_of(connection) == 0:
            raise StoreError("the history in the backup is empty")
    identity = secrets.token_hex(16)
    with closing(schema.open_for_writing(fresh, check=False).connection) as connection:
        connection.execute("UPDATE about SET value = ? WHERE name = 'identity'", (identity,))
        schema.say_closed(connection, "yes")
    return identity


def _put(fresh: Path, target: Path) -> Path | None:
    aside = schema.set_aside(target, "before-restore") if target.exists() else None
    _owned_like(fresh, aside or target.parent)
    fresh.replace(target)
    _sync(target.parent)
    return aside


def _put_cursors(archive: zipfile.ZipFile, about: dict[str, Any], site: Site, identity: str) -> None:
    if site.history.cursors is None or CURSORS not in about["sha256"]:
        return
    said = json.loads(_checked(archive, about, CURSORS))
    target = site.history.cursors
    partial = target.with_name(target.name + ".restored")
    partial.write_text(json.dumps({**said, "history": identity}))
    partial.chmod(0o640)
    _owned_like(partial, target if target.exists() else target.parent)
    partial.replace(target)


def _owned_like(path: Path, model: Path) -> None:
    """Root restores for the user who runs core."""
    if os.geteuid() == 0:
        owner = model.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _core_at_rest(site: Site) -> Iterator[None]:
    """Hold the lock of the core, so that it neither runs nor starts meanwhile. Raises AlreadyRunning."""
    path = site.link_socket.with_suffix(".lock")
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise AlreadyRunning("core is running: stop it before a restore") from error
        _owned_like(path, path.parent)
        yield
