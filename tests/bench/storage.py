"""Print what keeping and reading costs; no verdicts.

Run with `PYTHONPATH=service:tests python tests/bench/storage.py`. Card writes
are what the kernel charges this process for, an upper bound: it counts whole
folios where one page changed (5.9 MB an hour here were 0.8 MB at the block
device of a loop mount). Temporary files must lie on a real disk, so the
current folder is used unless another is named.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from bench.figures import Figure, show
from kept_things import BOOT, CHAMBER, outcome
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal

T0_S = 1_790_000_000.0
HOURS = 12
SENSORS = ("top", "middle", "bed", "room")
FLUSH_EVERY_S = 8


def median_ms(function: Callable[[], object], times: int = 9) -> float:
    """How long a call takes, the middle of several."""
    taken = []
    for _ in range(times):
        begun_s = time.perf_counter()
        function()
        taken.append(time.perf_counter() - begun_s)
    return sorted(taken)[times // 2] * 1000


def written_bytes() -> int:
    """What this process has caused to be written to disks so far."""
    for line in Path("/proc/self/io").read_text().splitlines():
        name, _, value = line.partition(": ")
        if name == "write_bytes":
            return int(value)
    return 0


def journal_figures(folder: Path) -> Iterator[Figure]:
    """How long one outcome takes to be durable, and what a restart reads."""
    journal = Journal.open(folder / "journal.db")
    numbers = iter(range(1, 10**6))
    before = written_bytes()
    each_ms = median_ms(lambda: journal.commit(outcome(next(numbers)), BOOT), 201)
    yield Figure("journal, one outcome durable", each_ms, "ms")
    yield Figure("journal, written for one outcome", (written_bytes() - before) / 201 / 1e3, "kB")
    memory_ms = median_ms(lambda: journal.memory(CHAMBER, BOOT))
    yield Figure("journal, memory after a restart, 201 standing alarms", memory_ms, "ms")
    history = History(folder / "journal.db", folder / "archive.db")
    page_ms = median_ms(lambda: history.entries(limit=100))
    yield Figure("journal, a page of 100 entries", page_ms, "ms")
    history.close()
    journal.close()


Row = tuple[str, float, float]  # a sensor, a second since the epoch, degrees Celsius


def made_readings() -> Iterator[list[Row]]:
    """Hours of readings of four sensors, a second each: 1/16 K, noise 0.02 K, jitter 2 ms."""
    chance = random.Random(1)
    levels = {name: 25.0 + 10 * index for index, name in enumerate(SENSORS)}
    for second in range(HOURS * 3600):
        readings = []
        for name in SENSORS:
            levels[name] += chance.gauss(0, 0.01)
            value_c = round((levels[name] + chance.gauss(0, 0.02)) * 16) / 16
            readings.append((name, T0_S + second + chance.gauss(0, 0.002), value_c))
        yield readings


def fill(archive: Archive) -> tuple[int, float, float]:
    """Keep them all; returns their number, add and flush seconds."""
    count, add_s, flush_s = 0, 0.0, 0.0
    for second, readings in enumerate(made_readings()):
        begun_s = time.perf_counter()
        for name, at_s, value_c in readings:
            archive.add(CHAMBER, name, at_s, value_c)
        add_s += time.perf_counter() - begun_s
        count += len(readings)
        if second % FLUSH_EVERY_S == 0:
            begun_s = time.perf_counter()
            archive.flush()
            flush_s += time.perf_counter() - begun_s
    return count, add_s, flush_s


def archive_figures(folder: Path) -> Iterator[Figure]:
    """Bytes a reading, card writes an hour, and how long charts take."""
    path = folder / "archive.db"
    seconds = iter(range(0, 10**9, FLUSH_EVERY_S))
    archive = Archive.open(path, monotonic_s=lambda: float(next(seconds)))
    before = written_bytes()
    count, add_s, flush_s = fill(archive)
    archive.flush(sync=True)
    card_bytes = written_bytes() - before
    yield Figure("archive, add a reading", add_s / count * 1e6, "us")
    yield Figure("archive, flush it", flush_s / count * 1e6, "us")
    yield Figure("archive, size of a reading in the file", archive.used_bytes() / count, "bytes")
    hourly_mb = card_bytes / HOURS / 1e6
    yield Figure("archive, charged for writes to disk, four sensors", hourly_mb, "MB/h")
    history = History(folder / "journal.db", path, archive)
    end_s = T0_S + HOURS * 3600
    for hours, points in ((12, 1000), (12, 4000), (1, 1000), (24 * 30, 1000)):
        taken_ms = median_ms(
            lambda hours=hours, points=points: history.readings(  # type: ignore[misc]  # defaults
                CHAMBER, end_s - hours * 3600, end_s, points
            )
        )
        reach_ms = 10.0 if (hours, points) == (12, 1000) else None
        name = f"archive, chart of {hours} h of four sensors in {points} points"
        yield Figure(name, taken_ms, "ms", reach_ms)
    begun_s = time.perf_counter()
    rows = sum(1 for _ in history.iter_readings(CHAMBER, T0_S, end_s).rows)
    yield Figure(f"archive, export of {rows} rows", time.perf_counter() - begun_s, "s")
    history.close()
    archive.close()
    began_s = time.perf_counter()
    Archive.open(path).close()
    yield Figure("archive, opened again", (time.perf_counter() - began_s) * 1000, "ms")


def main() -> None:
    """Print all figures."""
    parent = sys.argv[1] if len(sys.argv) > 1 else Path.cwd()
    with tempfile.TemporaryDirectory(dir=parent) as name:
        folder = Path(name)
        show([*journal_figures(folder), *archive_figures(folder)], as_json=False)


if __name__ == "__main__":
    main()
