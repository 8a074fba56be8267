"""All that the service costs as one table, each figure beside a reference of the same run.

    nice .venv/bin/python tests/bench/table.py [--only PART]... [--seconds 60] [--fires 20]
        [--years 10] [--json]

Parts: `store`, `detectors`, `pictures`, `service`, `dangers`; some twelve minutes in all. And, only
where it is asked for, `long`: memory, writes and processor over ten minutes at rest and ten in a
job. The measuring is that of storage.py, replay.py, fire_cost.py, service.py, looking.py and
reach.py, whose words say what each figure is. Temporary files lie in the current folder, which has
to be on a real disk.

The references are

- a bare loop: a process that reads as many sensors of a kernel-like tree each second, and does
  nothing but commit one row a reading to SQLite,
- a bare limit: what it takes to compare each reading with one temperature,
- a bare decode: what OpenCV takes to unpack one JPEG in full and compare it with the one before,
- a bare mail: one message handed to the same server by smtplib, connection and all,
- a bare push: as many bytes handed to the same push service, connection and TLS and all,
- SQLite rows: a week of the same readings of each kind of sensor, in a table by sensor and time;
  a chart is lowest and highest of a thousand stretches,
- Parquet: the same readings as one file, columns with zstd, 19 of 22,
- the entropy of the readings' differences, in time and in value: what a code of each difference
  by itself can't go below, whatever it knows of how often each comes (Shannon, C. E. (1948),
  A mathematical theory of communication, Bell System Technical Journal 27),
- 1.37 bytes a reading: published for Gorilla over its own readings (Pelkonen, T. et al. (2015),
  Gorilla: a fast, scalable, in-memory time series database, Proc. VLDB 8(12)), not measured here.
"""

from __future__ import annotations

import argparse
import json
import os
import smtplib
import sqlite3
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from http.client import HTTPSConnection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = os.pathsep.join((str(ROOT / "service"), str(ROOT / "tests")))

import cv2  # noqa: E402 - the paths above come first
import numpy as np  # noqa: E402
import pyarrow  # noqa: E402
from pyarrow import parquet  # noqa: E402

from bench import fire_cost, looking, reach, replay, service, storage  # noqa: E402
from bench.figures import Figure  # noqa: E402
from chips import OneWireTree  # noqa: E402
from integration.mjpeg_server import MjpegServer, drawn_frames  # noqa: E402
from push_service import PushService  # noqa: E402
from running import wait_until  # noqa: E402
from servers import MailServer  # noqa: E402
from stillair.thermal.table import open_table  # noqa: E402

PARTS = ("store", "detectors", "pictures", "service", "dangers")
LONG = "long"  # a part by itself: three times as long as all others together
PUBLISHED = Figure("Gorilla, as published", 1.37, "bytes")
PUSH_BYTES = 1_000
CHART_HOURS, CHART_POINTS = 12, 1000
LONG_MINUTES = 10.0
DETECTOR_HOURS, LIMIT_C = 3.0, 70.0
# Reads what the service reads, and keeps it as rows. It says when the first is kept.
BARE = """
import sqlite3, sys, time
from pathlib import Path
sensors = sorted(Path(sys.argv[1]).glob("28-*/w1_slave"))
with sqlite3.connect(sys.argv[2]) as rows:
    rows.execute("PRAGMA journal_mode = WAL")
    rows.execute("CREATE TABLE reading (sensor TEXT, at_s REAL, temperature_c REAL)")
    due_s = time.monotonic()
    while True:
        for sensor in sensors:
            value_c = int(sensor.read_text().rpartition("t=")[2]) / 1000
            given = (sensor.parent.name, time.time(), value_c)
            rows.execute("INSERT INTO reading VALUES (?, ?, ?)", given)
            rows.commit()
        print(flush=True)
        due_s += 1.0
        time.sleep(max(0.0, due_s - time.monotonic()))
"""


@dataclass(frozen=True, slots=True)
class Line:
    """A figure, and what it is seen beside."""

    figure: Figure
    beside: tuple[Figure, ...] = ()


# --- the store ----------------------------------------------------------------------------


def store(folder: Path, years: int) -> Iterator[Line]:
    """Journal and archive, beside rows, columns and what the readings hold at least."""
    for figure in storage.journal_figures(folder):
        yield Line(figure)
    charts = []
    for kind in storage.KINDS:
        columns = storage.made_columns(kind)
        size, chart = sqlite_rows(folder / f"{kind.name[:8]}-rows.db", columns)
        charts.append(chart)
        sizes = (
            entropy(columns),
            columns_file(folder / "readings.parquet", columns),
            size,
            PUBLISHED,
        )
        yield Line(storage.kind_figure(folder, kind, columns), sizes)
    for figure in (*storage.archive_figures(folder), *storage.years_figures(folder, years)):
        is_beside = (
            f"chart of {CHART_HOURS} h" in figure.name and f" {CHART_POINTS} p" in figure.name
        )
        yield Line(figure, tuple(charts[:1]) if is_beside else ())


def sqlite_rows(path: Path, columns: storage.Columns) -> tuple[Figure, Figure]:
    """How large the readings are as rows, and how long a chart of them takes."""
    rows = [
        (name, at_ms / 1000, float(steps))
        for name, (times_ms, values) in columns.items()
        for at_ms, steps in zip(times_ms.tolist(), values.tolist(), strict=True)
    ]
    with closing(sqlite3.connect(path)) as file:
        file.execute(
            "CREATE TABLE reading (sensor TEXT, at_s REAL, temperature_c REAL,"
            " PRIMARY KEY (sensor, at_s)) WITHOUT ROWID"
        )
        file.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        file.commit()
        end_s = rows[-1][1]
        begin_s, step_s = end_s - CHART_HOURS * 3600.0, CHART_HOURS * 3600.0 / CHART_POINTS
        asked = (
            "SELECT sensor, CAST((at_s - ?) / ? AS INTEGER) AS stretch, min(temperature_c),"
            " max(temperature_c) FROM reading WHERE at_s BETWEEN ? AND ? GROUP BY sensor, stretch"
        )
        given = (begin_s, step_s, begin_s, end_s)
        taken_ms = storage.median_ms(lambda: file.execute(asked, given).fetchall(), 3)
    size = Figure("SQLite rows", path.stat().st_size / len(rows), "bytes")
    return size, Figure("SQLite rows", taken_ms, "ms")


def columns_file(path: Path, columns: storage.Columns) -> Figure:
    """How large they are as one file of columns."""
    # Sorted by sensor and with the sensor's own resolution, so that it is held against its best.
    names = np.repeat(list(columns), [len(times_ms) for times_ms, _ in columns.values()])
    table = pyarrow.table(
        {
            "sensor": pyarrow.array(names).dictionary_encode(),
            "at_ms": np.concatenate([times_ms for times_ms, _ in columns.values()]),
            "steps": np.concatenate([steps for _, steps in columns.values()]).astype(np.int16),
        }
    )
    parquet.write_table(
        table,
        path,
        compression="zstd",
        compression_level=19,
        use_dictionary=["sensor"],
        column_encoding={"at_ms": "DELTA_BINARY_PACKED", "steps": "BYTE_STREAM_SPLIT"},
    )
    return Figure("Parquet with zstd", path.stat().st_size / len(names), "bytes")


def entropy(columns: storage.Columns) -> Figure:
    """Of the differences of neighbours, times in ms and values in steps of the sensor."""
    total_bits = 0.0
    for which in (0, 1):
        differences = np.concatenate([np.diff(each[which]) for each in columns.values()])
        _, counts = np.unique(differences, return_counts=True)
        shares = counts / counts.sum()
        total_bits -= float((shares * np.log2(shares)).sum())
    return Figure("entropy of the differences", total_bits / 8.0, "bytes")


# --- the detectors of heat ----------------------------------------------------------------


def detectors(folder: Path) -> Iterator[Line]:
    """What the watch takes for each second of each sensor, beside a limit."""
    path, name = folder / "readings.csv", "the watch"
    replay.simulated(path, DETECTOR_HOURS)
    with open_table(path) as table:
        readings = [value for _, values in table.rows() for value in values if value is not None]
    begun_s = time.thread_time()
    above = sum(value > LIMIT_C for value in readings)
    bare_us = (time.thread_time() - begun_s) / len(readings) * 1e6
    assert above < len(readings)
    for figure in replay.figures_of(name, [path]):
        if figure.name == f"{name}: by the row, watching":
            told = Figure("watch, a reading with all detectors of heat", figure.value, "us")
            yield Line(told, (Figure("bare limit", bare_us, "us"),))


# --- pictures -------------------------------------------------------------------------------


def pictures() -> Iterator[Line]:
    """What looking costs, beside a decode and a difference of neighbours."""
    jpegs = [np.frombuffer(jpeg, np.uint8) for jpeg in drawn_frames(20, width=1280, height=720)]
    before = cv2.imdecode(jpegs[-1], cv2.IMREAD_COLOR)
    begun_s = time.thread_time()
    for jpeg in jpegs:
        picture = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
        assert picture is not None and before is not None
        cv2.absdiff(before, picture)
        before = picture
    bare = Figure("bare decode", (time.thread_time() - begun_s) / len(jpegs) * 1e3, "ms")
    for figure in fire_cost.cost_figures():
        is_whole = figure.name.startswith("end to end, a machine at work, 1280") and (
            figure.unit == "ms" and "of it" not in figure.name
        )
        yield Line(figure, (bare,) if is_whole else ())


# --- the service ----------------------------------------------------------------------------


def whole_service(folder: Path, seconds: float) -> Iterator[Line]:
    """What it takes, how soon it tells, start and end, beside a bare loop's."""
    bare = bare_loop(folder, seconds)
    with MjpegServer(drawn_frames(20), frames_per_s=10.0) as stream:
        chamber = service.simulated(folder, stream.address)
        for figure in service.load(folder, chamber, seconds):
            if figure.name == "processor, no page open":
                hourly_s = figure.value / 100.0 * 3600.0
                yield Line(Figure("processor time", hourly_s, "s/h", 360.0), (bare["processor"],))
            elif figure.name == "resident memory, no page open":
                yield Line(figure, (bare["memory"],))
            elif figure.name.startswith("charged for writes"):
                yield Line(figure, (bare["writes"],))
            else:
                yield Line(figure)
        for figure in service.starts(folder, chamber):
            is_start = figure.name.startswith("start to first reading")
            yield Line(figure, (bare["start"],) if is_start else ())
    for figure in looking.figures(folder, seconds / 3.0, 3):
        yield Line(figure)
    for figure in (*service.by_bus(folder, seconds), *service.by_frame(folder, seconds)):
        yield Line(figure)


def over_time(folder: Path, minutes: float) -> Iterator[Line]:
    """Memory, writes and processor over many minutes, beside a bare loop's meanwhile."""
    with (
        ThreadPoolExecutor(1) as beside,
        MjpegServer(drawn_frames(service.FRAMES), frames_per_s=10.0) as stream,
    ):
        running = beside.submit(bare_loop, folder, 60.0 * minutes)
        figures = list(service.over_time(folder, stream.address, minutes))
        bare = running.result()
    of = {"resident": bare["memory"], "charged": bare["writes"]}
    for figure in figures:
        reference = of.get(figure.name.split()[0])
        yield Line(figure, () if reference is None else (reference,))


def bare_loop(folder: Path, seconds: float) -> dict[str, Figure]:
    """A process that only reads and stores, over as long."""
    tree = OneWireTree(folder / "bare-devices")
    for number in range(4):
        tree.warm_to(f"28-0000075c2f1{number}", 20.0 + number)
    began_s = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-c", BARE, str(tree.bus_dir), str(folder / "bare.db")],
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline(), "the bare loop ended"
        start_s = time.monotonic() - began_s
        wait_until(lambda: time.monotonic() - began_s > 2.0, within_s=5.0)
        begun_s, used_s = time.monotonic(), _on_core_s(process.pid)
        written = service.card_bytes(process.pid)
        time.sleep(seconds)
        hours = (time.monotonic() - begun_s) / 3600.0
        name = "bare loop"
        return {
            "processor": Figure(name, (_on_core_s(process.pid) - used_s) / hours, "s/h"),
            "memory": Figure(name, service.memory_mb(process.pid)[0], "MB"),
            "writes": Figure(
                name, (service.card_bytes(process.pid) - written) / hours / 1e6, "MB/h"
            ),
            "start": Figure(name, start_s, "s"),
        }
    finally:
        process.kill()
        process.communicate()


def _on_core_s(pid: int) -> float:
    """Processor seconds of a process of one thread; the clock's ticks are too coarse for it."""
    return int(Path(f"/proc/{pid}/schedstat").read_text().split()[0]) / 1e9


def dangers(folder: Path, fires: int, seed: int) -> Iterator[Line]:
    """From a detector's contact to sounder, relay and the servers of people's routes."""
    options = argparse.Namespace(fires=fires, pages=10, nice=0, seed=seed, only=["any day"])
    bare = {"mail, p50": bare_mail(fires), "telephone, p50": bare_push(folder, fires)}
    with MjpegServer(drawn_frames(20), frames_per_s=10.0) as stream:
        for figure in reach.measure(options, folder, stream.address):
            yield Line(figure, tuple(of for name, of in bare.items() if name in figure.name))


def bare_push(folder: Path, times: int) -> Figure:
    """How long it takes to hand a push service what a message of a fire is sealed to."""
    with PushService(folder) as push:
        trust = ssl.create_default_context(cafile=push.trust)

        def hand_over() -> None:
            with closing(HTTPSConnection(push.server, context=trust)) as connection:
                connection.request("POST", "/send/one", os.urandom(PUSH_BYTES))
                connection.getresponse().read()

        return Figure("bare push", storage.median_ms(hand_over, times), "ms")


def bare_mail(times: int) -> Figure:
    """How long it takes to hand over one message, the middle of several."""
    mail = MailServer()
    mail.start()
    try:

        def hand_over() -> None:
            with smtplib.SMTP(mail.host, mail.port) as server:
                server.sendmail("board@example.org", "cox@example.org", "Subject: fire\r\n\r\nFire")

        return Figure("bare mail", storage.median_ms(hand_over, times), "ms")
    finally:
        mail.stop()


# --- the table ------------------------------------------------------------------------------


def show(lines: list[Line], *, as_json: bool) -> None:
    """Print it, one line a figure and one more for each further reference."""
    if as_json:
        told = [
            {**asdict(line.figure), "beside": [asdict(each) for each in line.beside]}
            for line in lines
        ]
        print(json.dumps(told))
        return
    width = max(len(line.figure.name) for line in lines)
    print(f"{'figure':{width}} | {'measured':>22} | {'to reach, at most':>20} | beside")
    print("-" * (width + 90))
    for line in lines:
        first, *more = [f"{each.name} {each.value:.4g} {each.unit}" for each in line.beside] or [""]
        print(f"{line.figure.line(width)} | {first}".rstrip())
        for each in more:
            print(f"{'':{width}} | {'':22} | {'':20} | {each}")


def main() -> None:
    parser = argparse.ArgumentParser(description="what the service costs, in one table")
    parser.add_argument("--seconds", type=float, default=60.0, help="of each measurement")
    parser.add_argument("--fires", type=int, default=20)
    parser.add_argument("--years", type=int, default=10, help="kept, 80 MB each")
    parser.add_argument("--seed", type=int, default=1, help="of the fires' instants")
    parser.add_argument("--only", action="append", choices=(*PARTS, LONG), help="of the parts")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    wanted = options.only or PARTS
    lines: list[Line] = []
    with (
        tempfile.TemporaryDirectory(prefix="bench-", dir=Path.cwd()) as name,
        suppress(KeyboardInterrupt),
    ):
        for part in wanted:
            folder = Path(name) / part
            folder.mkdir()
            match part:
                case "store":
                    lines.extend(store(folder, options.years))
                case "detectors":
                    lines.extend(detectors(folder))
                case "pictures":
                    lines.extend(pictures())
                case "service":
                    lines.extend(whole_service(folder, options.seconds))
                case "long":
                    lines.extend(over_time(folder, LONG_MINUTES))
                case _:
                    lines.extend(dangers(folder, options.fires, options.seed))
    # Delays and starts mean little on a machine that has other work.
    lines.append(Line(Figure("programs that wanted a core at the end", os.getloadavg()[0], "")))
    show(lines, as_json=options.json)


if __name__ == "__main__":
    main()
