"""What the whole service takes of a core while it looks through a camera: still, and moving.

    nice .venv/bin/python tests/bench/looking.py [--seconds 20] [--times 3] [--json]

A real `stillair run` with four simulated sensors and a motion-JPEG stream of 640x480 served by
this process: pictures of a box in which nothing moves, 10 a second, and of a machine at work, 15
a second, each with a camera's noise of its own; and without a camera, beside which they are to be
seen. Processor time is that of all its threads by /proc/PID/task, in the middle of several
stretches; the camera's own thread is named beside it.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from bench import service  # noqa: E402 - the paths above come first
from bench.figures import Figure, show  # noqa: E402
from bench.fire_cost import SECONDS_SENT, USUAL, jpegs  # noqa: E402
from integration.mjpeg_server import MjpegServer  # noqa: E402
from running import RunningService  # noqa: E402

SETTLE_S = 25.0  # by then what stirs at a start is over
VIEWS = (("no camera", 0.0, False, None), ("a still picture at 10/s", 10.0, False, 5.0),
         ("a machine at work at 15/s", 15.0, True, 10.0))  # fmt: skip


def by_thread_s(pid: int) -> dict[str, float]:
    """Processor seconds of each thread so far; the clock's ticks are too coarse for it."""
    found = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        try:
            found[task.name] = int((task / "schedstat").read_text().split()[0]) / 1e9
        except OSError:  # it has ended meanwhile
            continue
    return found


def figures(folder: Path, seconds: float, times: int) -> Iterator[Figure]:
    """Percent of one core, of all and of the busiest thread, in each view."""
    for number, (name, per_s, moving, reach) in enumerate(VIEWS):
        with ExitStack() as stack:
            address = ""
            if per_s:
                sent = jpegs(USUAL, per_s, round(per_s * SECONDS_SENT), moving=moving)
                stream = stack.enter_context(MjpegServer(sent, frames_per_s=per_s))
                address = stream.address
            chamber = service.simulated(folder, address or "simulated")
            if not address:
                whole = chamber.read_text()
                chamber.write_text(whole.replace('[camera]\nsource = "simulated"\n', ""))
            running = RunningService(folder / f"looking-{number}", "--chamber", str(chamber))
            stack.enter_context(running)
            service.first_reading(running)
            time.sleep(SETTLE_S)
            shares, busiest = [], []
            for _ in range(times):
                before, begun_s = by_thread_s(running.pid), time.monotonic()
                time.sleep(seconds)
                lasted_s = time.monotonic() - begun_s
                after = by_thread_s(running.pid)
                used_s = [spent - before.get(task, 0.0) for task, spent in after.items()]
                shares.append(100.0 * sum(used_s) / lasted_s)
                busiest.append(100.0 * max(used_s) / lasted_s)
            yield Figure(f"processor, {name}", statistics.median(shares), "% of a core", reach)
            yield Figure(f"of it its busiest thread, {name}", statistics.median(busiest), "%")


def main() -> None:
    parser = argparse.ArgumentParser(description="what looking takes of a core")
    parser.add_argument("--seconds", type=float, default=20.0, help="of each stretch")
    parser.add_argument("--times", type=int, default=3, help="of stretches")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="stillair-bench-") as name:
        found = list(figures(Path(name), options.seconds, options.times))
    found.append(Figure("programs that wanted a core at the end", os.getloadavg()[0], ""))
    show(found, as_json=options.json)


if __name__ == "__main__":
    main()
