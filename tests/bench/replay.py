"""What `stillair replay` costs for each second of each sensor.

    .venv/bin/python tests/bench/replay.py [--hours 12] [--json]

Input is a stretch of the boat shed's day, simulated and written as CSV, and
every real recording below STILLAIR_RECORDINGS (a folder that holds thermal/)
where that is set. Whole process: the command from its start to its end, the
import of everything included, as processor time. By the row: reading the
file, and the watch, without either's start.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from bench.figures import Figure, show  # noqa: E402 - the paths above come first
from running import stillair  # noqa: E402
from stillair.errors import SensorError  # noqa: E402
from stillair.runtime.plans import replay_plan  # noqa: E402
from stillair.runtime.replay import Row, replay  # noqa: E402
from stillair.simulation.scenario import load  # noqa: E402
from stillair.simulation.world import SimulatedChamber  # noqa: E402
from stillair.thermal.table import check_table, open_table, write_table  # noqa: E402
from stillair.watch import Watch  # noqa: E402

UNIT = "microseconds"
REACH = 50.0
POINTS = ("top", "middle", "bed side", "room")


def whole(path: Path) -> tuple[float, float, float]:
    """Processor seconds, seconds, and greatest resident MB of a `stillair replay`."""
    begun_s = time.monotonic()
    process = subprocess.Popen(stillair("replay", str(path)), stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    lasted_s = time.monotonic() - begun_s
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, path
    return used.ru_utime + used.ru_stime, lasted_s, used.ru_maxrss * 1024 / 1e6


def figures_of(name: str, paths: list[Path]) -> Iterator[Figure]:
    """What some files cost together."""
    sensor_s = processor_s = lasted_s = most_mb = check_s = read_s = watch_s = 0.0
    for path in paths:
        used_s, took_s, resident_mb = whole(path)
        processor_s, lasted_s = processor_s + used_s, lasted_s + took_s
        most_mb = max(most_mb, resident_mb)
        begun_s = time.process_time()
        check_table(path)
        checked_s = time.process_time()
        rows: list[Row]
        with open_table(path) as table:
            rows, sensors = list(table.rows()), table.sensors
        read_at_s = time.process_time()
        for _ in replay(Watch(replay_plan(sensors, None)), sensors, rows):
            pass
        watch_s += time.process_time() - read_at_s
        check_s, read_s = check_s + checked_s - begun_s, read_s + read_at_s - checked_s
        sensor_s += (rows[-1][0] - rows[0][0]) * len(sensors)
    each = 1e6 / sensor_s
    yield Figure(f"{name}: whole process, processor", processor_s * each, UNIT, REACH)
    yield Figure(f"{name}: whole process, by the clock", lasted_s * each, UNIT)
    yield Figure(f"{name}: by the row, all", (check_s + read_s + watch_s) * each, UNIT, REACH)
    yield Figure(f"{name}: by the row, checking the file", check_s * each, UNIT)
    yield Figure(f"{name}: by the row, reading it", read_s * each, UNIT)
    yield Figure(f"{name}: by the row, watching", watch_s * each, UNIT)
    yield Figure(f"{name}: greatest resident memory", most_mb, "MB")
    yield Figure(f"{name}: replayed, in hours of one sensor", sensor_s / 3600, "h")


def indicated_c(world: SimulatedChamber, point: str) -> float | None:
    """What a point indicates; None while its sensor is off the bus."""
    try:
        return world.temperature_c(point)
    except SensorError:
        return None


def simulated(path: Path, hours: float) -> None:
    """Write so many hours of the boat shed's day as a recording, a row a second."""
    world = SimulatedChamber(load("boat_shed_day"), seed=1)

    def rows() -> Iterator[Row]:
        for second in range(int(hours * 3600)):
            world.advance(float(second))
            yield float(second), tuple(indicated_c(world, p) for p in POINTS)

    with path.open("w") as stream:
        write_table(stream, POINTS, rows())


def main() -> None:
    parser = argparse.ArgumentParser(description="figures of replay")
    parser.add_argument("--hours", type=float, default=12.0, help="of the simulated recording")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    figures: list[Figure] = []
    with tempfile.TemporaryDirectory(prefix="stillair-bench-") as folder:
        path = Path(folder) / "shed.csv"
        simulated(path, options.hours)
        figures.extend(figures_of("4 simulated sensors", [path]))
    if recordings := os.environ.get("STILLAIR_RECORDINGS"):
        paths = sorted(
            path
            for path in Path(recordings, "thermal").glob("*.csv")
            if path.name != "catalogue.csv" and not path.name.endswith(".events.csv")
        )
        if paths:
            figures.extend(figures_of(f"{len(paths)} real recordings", paths))
    else:
        print("recordings: left out, STILLAIR_RECORDINGS is not set", file=sys.stderr)
    show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
