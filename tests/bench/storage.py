"""Print what keeping and reading costs; no verdicts.

Run with `PYTHONPATH=service:tests python tests/bench/storage.py [FOLDER] [--years 10]`.
Years of four sensors at one reading a second are days made once and kept again and
again under later dates: 80 MB a year, and some ten seconds. Card writes are
what the kernel charges this process for: whole pages where it keeps them, and
as flushes come faster here than in life, few that it writes back by itself
meanwhile. Temporary files must lie on a real disk, so the current folder is
used unless another is named.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bench.figures import Figure, show
from kept_things import BOOT, CHAMBER, outcome
from stillair.storage.archive import Archive
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.packing import UNITS_PER_K, Ints
from stillair.storage.stretches import rows_of

T0_S = 1_790_000_000.0
HOURS = 12
SENSORS = ("top", "middle", "bed", "room")
FLUSH_EVERY_S = 8
KIND_DAYS = 7
DAY_MS = 86_400_000


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


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of sensor: its step and noise, and what a reading of it may take at most."""

    name: str
    step_k: float
    noise_k: float
    most_bytes: float


KINDS = (
    Kind("1-Wire, 1/16 K", 1 / 16, 0.02, 1.0),
    Kind("MAX31856, 1/128 K", 1 / 128, 0.05, 1.6),
    Kind("MCP9600, 1/16 K", 1 / 16, 0.06, 1.6),
    Kind("MAX31855, 1/4 K", 1 / 4, 0.15, 1.6),
)
Columns = dict[str, tuple[Ints, Ints]]  # by sensor: milliseconds since the epoch, steps


def made_columns(kind: Kind, days: int = KIND_DAYS) -> Columns:
    """Days of readings of four sensors of a kind: as above, but for step and noise."""
    chance = np.random.default_rng(1)
    count = days * 86_400
    columns = {}
    for index, name in enumerate(SENSORS):
        level_c = 25.0 + 10 * index + np.cumsum(chance.normal(0, 0.01, count))
        # What heats is regulated: it doesn't wander off as a sum of steps does.
        level_c = 25.0 + 10 * index + 8.0 * np.sin(level_c / 8.0)
        steps = np.rint((level_c + chance.normal(0, kind.noise_k, count)) / kind.step_k)
        jitter_ms = np.rint(chance.normal(0, 2, count))
        times_ms = T0_S * 1000 + np.arange(count) * 1000 + jitter_ms
        columns[name] = (times_ms.astype(np.int64), steps.astype(np.int64))
    return columns


def kept_rows(kind: Kind, columns: Columns) -> list[dict[str, Any]]:
    """The rows in which they are kept."""
    unit = kind.step_k * UNITS_PER_K
    return [
        row
        for name, (times_ms, steps) in columns.items()
        for row in rows_of(CHAMBER, name, times_ms, np.rint(steps * unit).astype(np.int64))
    ]


def kind_figure(folder: Path, kind: Kind, columns: Columns) -> Figure:
    """All that the archive's file takes for a reading."""
    count = sum(len(times_ms) for times_ms, _ in columns.values())
    with closing(Archive.open(folder / f"{kind.name[:8]}.db")) as archive:
        archive.take_in(kept_rows(kind, columns))
        size = archive.used_bytes() / count
    return Figure(f"archive, a reading of {kind.name}", size, "bytes", kind.most_bytes)


def fill(archive: Archive) -> tuple[int, float, float, float]:
    """Keep them all; returns their number, seconds of add and flush, and the longest flush."""
    count, add_s, flush_s, longest_s = 0, 0.0, 0.0, 0.0
    for second, readings in enumerate(made_readings()):
        begun_s = time.perf_counter()
        for name, at_s, value_c in readings:
            archive.add(CHAMBER, name, at_s, value_c)
        add_s += time.perf_counter() - begun_s
        count += len(readings)
        if second % FLUSH_EVERY_S == 0:
            begun_s = time.perf_counter()
            archive.flush()
            taken_s = time.perf_counter() - begun_s
            flush_s, longest_s = flush_s + taken_s, max(longest_s, taken_s)
    return count, add_s, flush_s, longest_s


def archive_figures(folder: Path) -> Iterator[Figure]:
    """What keeping costs, card writes an hour, and how long charts take."""
    path = folder / "archive.db"
    seconds = iter(range(0, 10**9, FLUSH_EVERY_S))
    # As the service does: what is newest lies in memory, and this clock counts flushes.
    memory = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    archive = Archive.open(path, monotonic_s=lambda: float(next(seconds)), memory_folder=memory)
    before = written_bytes()
    count, add_s, flush_s, longest_s = fill(archive)
    archive.flush(sync=True)
    card_bytes = written_bytes() - before
    yield Figure("archive, add a reading", add_s / count * 1e6, "us")
    yield Figure("archive, flush it", flush_s / count * 1e6, "us")
    yield Figure("archive, longest flush, rows packed in it", longest_s * 1000, "ms")
    hourly_mb = card_bytes / HOURS / 1e6
    yield Figure("archive, charged for writes to disk, four sensors", hourly_mb, "MB/h", 0.3)
    history = History(folder / "journal.db", path, archive)
    end_s = T0_S + HOURS * 3600
    for hours, points in ((12, 1000), (12, 4000), (1, 1000)):
        yield chart(history, f"{hours} h", hours, end_s, points)
    begun_s = time.perf_counter()
    rows = sum(1 for _ in history.iter_readings(CHAMBER, T0_S, end_s).rows)
    yield Figure(f"archive, export of {rows} rows", time.perf_counter() - begun_s, "s")
    history.close()
    archive.close()
    began_s = time.perf_counter()
    Archive.open(path).close()
    yield Figure("archive, opened again", (time.perf_counter() - began_s) * 1000, "ms")


def chart(history: History, name: str, hours: float, end_s: float, points: int = 1000) -> Figure:
    """How long a chart of four sensors takes."""
    begin_s = end_s - hours * 3600
    taken_ms = median_ms(lambda: history.readings(CHAMBER, begin_s, end_s, points), 15)
    reach_ms = {("12 h", 1000): 10.0, ("10 years", 1000): 50.0}.get((name, points))
    name = f"archive, chart of {name} of four sensors in {points} points"
    return Figure(name, taken_ms, "ms", reach_ms)


def years_figures(folder: Path, years: int) -> Iterator[Figure]:
    """Size, cost of keeping and charts when years are kept."""
    rows = kept_rows(KINDS[0], made_columns(KINDS[0], 1))
    path, days, taken_ms = folder / "years.db", 365 * years, []
    with closing(Archive.open(path)) as archive:
        for day in range(days):
            later_ms = day * DAY_MS
            moved = [
                {**row, **{name: row[name] + later_ms for name in ("start_ms", "end_ms")}}
                for row in rows
            ]
            begun_s = time.perf_counter()
            archive.take_in(moved)
            taken_ms.append((time.perf_counter() - begun_s) * 1000)
        count = days * sum(row["count"] for row in rows)
        size = archive.used_bytes() / count
        yield Figure(f"archive, a reading in {years} years of 1-Wire", size, "bytes", 1.0)
        for when, of in (("first", taken_ms[:100]), ("last", taken_ms[-100:])):
            name = f"archive, {len(rows)} rows of a day kept, {when} hundred days"
            yield Figure(name, sorted(of)[len(of) // 2], "ms")
        history = History(folder / "journal.db", path, archive)
        end_s = T0_S + days * 86_400.0
        for name, hours in (("12 h", 12), ("3 days", 72), ("30 days", 720), ("a year", 8_766)):
            yield chart(history, f"{name} among {years} years", hours, end_s)
        yield chart(history, f"{years} years", days * 24.0, end_s)
        history.close()


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description="what keeping and reading costs")
    parser.add_argument("folder", nargs="?", default=Path.cwd(), help="on a real disk")
    parser.add_argument("--years", type=int, default=10, help="of four sensors")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        figures = [*journal_figures(folder), *archive_figures(folder)]
        figures += [kind_figure(folder, kind, made_columns(kind)) for kind in KINDS]
        figures += years_figures(folder, options.years)
        show(figures, as_json=False)


if __name__ == "__main__":
    main()
