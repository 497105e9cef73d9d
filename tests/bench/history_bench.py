"""The history: how fast readings become rows, what they cost the disk, how fast they are found, what a backlog weighs.

Rates stand beside plain SQLite doing the same rows in the same batches. What reaches the disk is counted in sectors of
a block device of its own (a file system in a file), because the counters of a process count whole pages of memory; that
needs root. The queries run over 30 million readings of 40 channels, warm, and cold with the file thrown out of memory.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from gateway.model import Quality, Reading
from gateway.site_history import Keep
from gateway.store import rows as store_rows
from gateway.store.extract import Extract
from gateway.store.outbox import Outbox
from gateway.store.position import START
from gateway.store.series import Pictures
from gateway.store.writer import Writer
from tests.store.child import BARN, CHANNEL
from tests.store.ink import AHEAD_S, DAY_S, HOUR_S, Ink, at, command

Row = tuple[str, str, str]  # what, measured, aim

BATCHES, BATCH_ROWS = 200, 1280  # a hundred seconds of 64 channels at 5 s
LONG_CHANNELS, LONG_INSTANTS, EVERY_S = 40, 750_000, 5
FOR_EVER = Keep(raw_days=3660, minute_days=3660, budget_mb=1_000_000)
BACKLOG_ROWS = 1_000_000
_INSERT = "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"


def rows() -> list[Row]:
    """Each: what was measured, the figure, the aim. About three minutes and 2 GB in the folder for temporary files."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        return [rate(path), *(written(channels) for channels in (16, 64, 256)), *long(path), *backlog(path)]


def main() -> None:
    print("history")
    for what, measured, aim in rows():
        print(f"  {what}: {measured} (aim: {aim})")


# --- rate -------------------------------------------------------------------------------------------


def rate(folder: Path) -> Row:
    """From the call that hands a reading in to the row on the disk, against executemany of the same rows."""
    batches = [[_reading(n * BATCH_ROWS + i) for i in range(BATCH_ROWS)] for n in range(BATCHES)]
    plain = [[(1, *store_rows.reading_row(r, 1)[1:]) for r in batch] for batch in batches]
    turns = [(_ours_s(folder / f"ours{n}.db", batches), _plain_s(folder / f"plain{n}.db", plain)) for n in range(3)]
    ours_s, plain_s = min(ours for ours, _ in turns), min(plain for _, plain in turns)
    count = BATCHES * BATCH_ROWS
    return (
        "readings from hand-in to committed row",
        f"{count / ours_s:,.0f} a second, plain executemany {count / plain_s:,.0f}, ratio {plain_s / ours_s:.2f}",
        "none; 64 channels at 5 s need 13 a second",
    )


def _reading(n: int) -> Reading:
    return Reading(channel=CHANNEL.name, value=n * 0.01, quality=Quality.GOOD, stamp=at(n / 100))


def _ours_s(path: Path, batches: list[list[Reading]]) -> float:
    writer = Writer(path, BARN, (CHANNEL,), 3600)
    writer.flush(10)
    begun_s = time.perf_counter()
    for batch in batches:
        for reading in batch:
            writer.reading(reading)
        assert writer.flush(10)
    took_s = time.perf_counter() - begun_s
    assert writer.close(10)
    return took_s


def _plain_s(path: Path, batches: list[list[store_rows.Row]]) -> float:
    Ink(path).close()  # the same tables
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("INSERT INTO boots (boot) VALUES ('boot-a')")
        begun_s = time.perf_counter()
        for batch in batches:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(_INSERT, batch)
            connection.execute("COMMIT")
        return time.perf_counter() - begun_s


# --- what reaches the disk --------------------------------------------------------------------------


def written(channels: int) -> Row:
    """Two hours and a bit at 5 s, a commit every ten, with roll-up, beats, and an event a minute."""
    what = f"bytes written to the disk per reading, {channels} channels at 5 s"
    if os.geteuid() != 0:
        return what, "not measured: only root may mount", "none"
    with _own_disk() as (folder, sectors):
        ink = Ink(folder / "h.db", channels=channels)
        os.sync()
        before, ticks = sectors(), int(2.1 * HOUR_S / EVERY_S)
        for tick in range(1, ticks + 1):
            ink.put([at(float(tick * EVERY_S))], 20 + tick % 97 / 10)
            if tick % 12 == 0:
                ink.events([command(tick, at(float(tick * EVERY_S)))])
            if tick % 2 == 0:
                ink.beat(at(float(tick * EVERY_S)))
                ink.commit()
                ink.tidy()
        os.sync()
        total = (sectors() - before) * 512
        ink.close()
        size = ink.path.stat().st_size
    count = ticks * channels
    a_day_mb = total / ticks * DAY_S / EVERY_S / 1e6
    return what, f"{total / count:.0f} B, {a_day_mb:.0f} MB a day; the file grows by {size / count:.0f} B", "none"


@contextmanager
def _own_disk() -> Iterator[tuple[Path, Callable[[], int]]]:
    """A file system on a loop device: nobody else writes there. Gives its folder and its count of written sectors."""
    with tempfile.TemporaryDirectory() as folder:
        image, disk = Path(folder) / "image", Path(folder) / "disk"
        disk.mkdir()
        with image.open("wb") as file:
            file.truncate(400_000_000)
        _run("mkfs.ext4", "-q", "-F", str(image))
        device = _run("losetup", "--find", "--show", str(image))
        try:
            _run("mount", device, str(disk))
            try:
                yield disk, lambda: int(Path(f"/sys/block/{Path(device).name}/stat").read_text().split()[6])
            finally:
                _run("umount", str(disk))
        finally:
            _run("losetup", "--detach", device)


def _run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip()


# --- finding again ----------------------------------------------------------------------------------


def long(folder: Path) -> list[Row]:
    """43 days of 40 channels at 5 s."""
    path = folder / "long.db"
    rolled_s = _long_history(path)
    pictures, extract = Pictures(path), Extract(path)
    end_s = AHEAD_S + LONG_INSTANTS * EVERY_S
    (channel,) = [each for each in extract.listed() if each.name == "air-7.temp_c"]

    def picture(days: float, points: int) -> Callable[[], object]:
        return lambda: pictures.series(channel.name, from_wall_s=end_s - days * DAY_S, to_wall_s=end_s, points=points)

    count = LONG_CHANNELS * LONG_INSTANTS
    size_gb = path.stat().st_size / 1e9
    return [
        (f"rolling up {count:,} readings", f"{count / rolled_s:,.0f} a second; the file has {size_gb:.2f} GB", "none"),
        ("24 h of one channel at 1,000 points", _timed(path, picture(1, 1000)), "below 50 ms"),
        ("24 h of one channel at 5,000 points, from readings", _timed(path, picture(1, 5000)), "none"),
        ("30 days of one channel at 1,000 points", _timed(path, picture(30, 1000)), "below 150 ms"),
    ]


def _long_history(path: Path) -> float:
    """Made by SQL, which is quicker; rolled up by us. Returns the seconds of rolling up."""
    ink = Ink(path, FOR_EVER, LONG_CHANNELS)
    ink.put([at(0.0)])
    ink.commit()
    run = ink.pen._connection.execute
    run("PRAGMA synchronous = OFF")
    run(
        f"WITH RECURSIVE n (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < {LONG_INSTANTS - 1})"
        f" INSERT INTO readings SELECT 1, n * {EVERY_S * 1000}, {AHEAD_S * 1000:.0f} + n * {EVERY_S * 1000}, 1, c.id,"
        " 20 + (n * 7 + c.id) % 151 / 10.0, 'good', NULL, NULL FROM n CROSS JOIN channels c"
    )
    ink.reopen()
    begun_s = time.perf_counter()
    ink.tidy()
    took_s = time.perf_counter() - begun_s
    ink.close()
    return took_s


def _timed(path: Path, work: Callable[[], object]) -> str:
    handle = os.open(path, os.O_RDONLY)
    os.fsync(handle)
    os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(handle)
    times_ms = []
    for _ in range(16):
        begun_s = time.perf_counter()
        work()
        times_ms.append((time.perf_counter() - begun_s) * 1000)
    return f"{statistics.median(times_ms[1:]):.1f} ms warm (longest {max(times_ms[1:]):.1f}), {times_ms[0]:.1f} ms cold"


# --- memory -----------------------------------------------------------------------------------------


def backlog(folder: Path) -> list[Row]:
    """What a process gains when a million readings wait."""
    path = folder / "backlog.db"
    ink = Ink(path, FOR_EVER)
    ink.put(at(float(n)) for n in range(BACKLOG_ROWS))
    ink.commit()
    ink.close()
    return [
        ("memory of following a million readings, 5,000 at a time", _child("follow", path), "flat"),
        ("memory of core after a million readings that cannot be written", _child("unwritten", path), "flat"),
    ]


def _child(what: str, path: Path) -> str:
    return _run(sys.executable, "-m", "tests.bench.history_bench", what, str(path))


def _follow(path: Path) -> None:
    outbox, cursor, seen, after_first = Outbox(path), START, 0, 0.0
    while (page := outbox.page(cursor, 5000))[0]:
        cursor, seen = page[1], seen + len(page[0])
        after_first = after_first or _peak_mb()
    assert seen == BACKLOG_ROWS
    print(f"+{_peak_mb() - after_first:.1f} MB after the first page's {after_first:.0f}")


def _unwritten(path: Path) -> None:
    writer = Writer(path / "no folder", BARN, (CHANNEL,))
    peaks = []
    for n in range(BACKLOG_ROWS):
        writer.reading(_reading(n))
        if (n + 1) % (BACKLOG_ROWS // 4) == 0:
            peaks.append(_peak_mb())
    writer.close(5)
    lost = writer.written().lost_readings
    print(f"+{peaks[-1] - peaks[0]:.1f} MB from a quarter of them ({peaks[0]:.0f} MB) on; {lost:,} dropped on record")


def _peak_mb() -> float:
    """The most that this process has held; unlike getrusage it does not begin with the parent's."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


if __name__ == "__main__":
    if len(sys.argv) == 3:
        {"follow": _follow, "unwritten": _unwritten}[sys.argv[1]](Path(sys.argv[2]))
    else:
        main()
