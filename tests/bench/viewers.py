"""Does it hurt the sampling when many people look?

    .venv/bin/python tests/bench/viewers.py [--viewers 200] [--seconds 120] [--nice 0] [--json]

A real `stillair run` with four simulated sensors, one half read in the watch's own
loop and one half from threads of their own as on a bus, and a motion-JPEG camera of
640x480 at 10 frames/s. Each viewer is what a page is: a live stream and a picture every
two seconds over TCP, from an address of loopback of its own, as one address may not
open so many. The viewers live in a process of their own, on the same computer.

What else this computer does is measured as well: look at the figures without viewers.
`--nice -15` puts the service before all that (it needs root), as on a board of its own.

The jitter of a sample is how much later it was taken than its grid of whole seconds
has it; the grid of a sensor is its earliest sample's. It is noted within the service.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from bench.figures import Figure, share, show  # noqa: E402 - the paths above come first
from bench.service import cpu_s, first_reading, memory_mb, simulated  # noqa: E402
from integration.mjpeg_server import MjpegServer, drawn_frames  # noqa: E402
from running import RunningService  # noqa: E402

SETTLE_S = 15.0
PICTURE_EVERY_S = 2.0
JOIN_EVERY_S = 0.02
# In the service's process: note when each sensor is read; every second one has a thread.
NOTES = """
import os, time
from stillair.simulation import twins

begin, read = twins.SimulatedSensor.__init__, twins.SimulatedSensor.read
notes = open(os.environ["NOTES"], "a", buffering=1)

def begin_noted(self, name, *given):
    begin(self, name, *given)
    self.blocking = name in ("bed side", "room")

def read_noted(self):
    notes.write(f"{'bus' if self.blocking else 'watch'},{self.name},{time.monotonic()}\\n")
    return read(self)

twins.SimulatedSensor.__init__, twins.SimulatedSensor.read = begin_noted, read_noted
"""


async def view(number: int, port: int, counts: Counter[str]) -> None:
    """One page."""
    address = f"127.0.{1 + number // 200}.{1 + number % 200}"

    async def ask(path: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", port, local_addr=(address, 0), limit=2**20
        )
        writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        return reader, writer

    async def head(reader: asyncio.StreamReader) -> dict[str, str]:
        lines = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        counts[f"answers {lines[0].split()[1]}"] += 1
        return {k.lower(): v for k, _, v in (line.partition(": ") for line in lines[1:])}

    async def live() -> None:
        reader, _writer = await ask("/api/live")
        await head(reader)
        counts["live"] += 1
        while line := await reader.readline():
            counts["news"] += line.startswith(b"event: ")
        counts["live"] -= 1

    async def pictures() -> None:
        reader, writer = await ask("/api/picture")
        while True:
            fields = await head(reader)
            await reader.readexactly(int(fields["content-length"]))
            counts["pictures"] += 1
            await asyncio.sleep(PICTURE_EVERY_S)
            writer.write(f"GET /api/picture HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())

    for ended in asyncio.as_completed([live(), pictures()]):
        try:
            await ended
        except (OSError, asyncio.IncompleteReadError):
            counts["connections that broke"] += 1


def be_viewers(port: int, count: int, pipe: Connection) -> None:
    """Look until told to stop; tell once all are there, and in the end what came."""
    counts: Counter[str] = Counter()

    async def run() -> None:
        tasks = []
        for number in range(count):
            tasks.append(asyncio.create_task(view(number, port, counts)))
            await asyncio.sleep(JOIN_EVERY_S)
        await asyncio.sleep(SETTLE_S)
        counts["news"] = counts["pictures"] = 0
        pipe.send(counts["live"])
        await asyncio.to_thread(pipe.recv)
        pipe.send(dict(counts))
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    asyncio.run(run())


def late_ms(notes: Path, begun_s: float, how: str) -> list[float]:
    """How much later than its grid each sample since then was taken."""
    times: dict[str, list[float]] = {}
    for line in notes.read_text().splitlines():
        kind, name, time_s = line.split(",")
        if kind == how and float(time_s) >= begun_s:
            times.setdefault(name, []).append(float(time_s))
    late: list[float] = []
    for of_sensor in times.values():
        # Within half a second of the first one's phase, so that none seems a second late.
        from_first = [(t_s - of_sensor[0] + 0.5) % 1.0 - 0.5 for t_s in of_sensor]
        late += [1000.0 * (phase - min(from_first)) for phase in from_first]
    return late


def put_first(pid: int, nice: int) -> None:
    """Give all threads of a process this niceness; later ones have it from who begins them.

    Also among the other sessions of this computer, which Linux may weigh as wholes.
    """
    with suppress(OSError):
        Path("/proc/self/autogroup").write_text(str(nice))
    for task in Path(f"/proc/{pid}/task").iterdir():
        os.setpriority(os.PRIO_PROCESS, int(task.name), nice)


def measure(folder: Path, stream: str, count: int, seconds: float, nice: int) -> Iterator[Figure]:
    # In memory: who notes a sample must not wait for a disk.
    memory = Path("/dev/shm")
    notes = (memory if memory.is_dir() else folder) / f"stillair-notes-{os.getpid()}"
    service = RunningService(
        folder / "data",
        "--chamber",
        str(simulated(folder, stream)),
        before=NOTES,
        environment={"NOTES": str(notes)},
    )
    context = multiprocessing.get_context("spawn")
    with ExitStack() as stack:
        stack.callback(notes.unlink, missing_ok=True)
        stack.enter_context(service)
        first_reading(service)
        put_first(service.pid, nice)
        time.sleep(SETTLE_S)
        for viewers in (0, count):
            said = f"{viewers} viewers"
            here, there = context.Pipe()
            process = context.Process(target=be_viewers, args=(service.port, viewers, there))
            process.start()
            live = here.recv()
            begun_s, used_s = time.monotonic(), cpu_s(service.pid)
            time.sleep(seconds)
            lasted_s = time.monotonic() - begun_s
            used = 100.0 * (cpu_s(service.pid) - used_s) / lasted_s
            here.send("stop")
            counts: Counter[str] = Counter(here.recv())
            process.join(20.0)
            for how in ("watch", "bus"):
                late = late_ms(notes, begun_s, how)
                name = f"jitter of samples, {how}, {said}"
                yield Figure(f"{name}, p50 of {len(late)}", share(late, 0.5), "ms")
                yield Figure(f"{name}, p99", share(late, 0.99), "ms", 50.0)
                yield Figure(f"{name}, greatest", max(late), "ms")
            yield Figure(
                f"samples missing, {said}",
                4 * int(lasted_s) - samples(notes, begun_s, lasted_s),
                "",
            )
            yield Figure(f"processor, {said}", used, "% of a core")
            yield Figure(f"resident memory, {said}", memory_mb(service.pid)[0], "MB")
            if viewers:
                yield Figure("live streams at the beginning", live, "")
                yield Figure("live streams at the end", counts["live"], "")
                yield Figure("news to each", counts["news"] / viewers / lasted_s, "per s")
                yield Figure("pictures to all", counts["pictures"] / lasted_s, "per s")
                for name, number in sorted(counts.items()):
                    if name.startswith(("answers", "connections")):
                        yield Figure(name, number, "")


def samples(notes: Path, begun_s: float, lasted_s: float) -> int:
    """How many samples were taken in that time."""
    times = (float(line.rpartition(",")[2]) for line in notes.read_text().splitlines())
    return sum(begun_s <= time_s < begun_s + int(lasted_s) for time_s in times)


def main() -> None:
    parser = argparse.ArgumentParser(description="does it hurt the sampling when many look?")
    parser.add_argument("--viewers", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=120.0, help="of each measurement")
    parser.add_argument("--nice", type=int, default=0, help="of the service")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="stillair-viewers-") as name,
        MjpegServer(drawn_frames(20), frames_per_s=10.0) as stream,
    ):
        figures = list(
            measure(Path(name), stream.address, options.viewers, options.seconds, options.nice)
        )
    figures.append(Figure("programs that wanted a core at the end", os.getloadavg()[0], ""))
    show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
