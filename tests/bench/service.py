"""What the running service costs and how soon it tells: processor, memory, delays, start, stop.

    .venv/bin/python tests/bench/service.py [--seconds 60] [--json]
    .venv/bin/python tests/bench/service.py --grow 5      # does anything grow? minutes
    .venv/bin/python tests/bench/service.py --long 10     # at rest, then in a job; minutes of each

The service is a real `stillair run` with four simulated sensors and a motion-JPEG
stream of 640x480 at 10 frames/s, served by this process. It is started cold, as on a board:
its bytecode lies there, and nothing else of it is in memory. Processor time is
/proc/PID/stat's; one core for the whole time is 100 %. A page is what the
dashboard is: a live stream, a picture every two seconds, the last hour once.

The delay of a reading is measured twice. Simulated sensors are read in the
watch's own loop at whole seconds of its clock, and carry that instant as
their time; sensors on a slow bus (here a kernel-like tree of plain files) have
threads of their own, and carry the instant of the answer. The delay is the
arrival in the page less that time.

What is charged for writes is /proc/PID/io's write_bytes in the folder that this is
called in: it has to lie on a disk, and the file system counts. ext4 without a journal
charges the process 4 kB for the inode of each file that it has written, twice a minute at
most; with one, as on a board, that is the kernel's. And the kernel may keep what was written
at once as one piece, and charge all of it for a byte.

Of memory three are told: resident, with all of the libraries; the share of it (PSS); and what
only this process has and has changed, which no small board can drop.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed service has its bytecode

import httpx  # noqa: E402 - the paths above come first

from bench.figures import Figure, share, show  # noqa: E402
from chips import OneWireTree, scratchpad, w1_slave  # noqa: E402
from integration.mjpeg_server import MjpegServer, drawn_frames  # noqa: E402
from running import RunningService, wait_until  # noqa: E402

SETTLE_S = 20.0
REST_AFTER_S = 75.0  # by then the drawn picture has been told as blurred, which is written
PICTURE_EVERY_S = 2.0
LAYER_S = 30.0  # of 0.2 mm
STARTS = 3
FRAMES = 600  # a picture that comes back within the minute tells of a camera that hangs
POINTS = ("top", "middle", "bed side", "room")

CHAMBER = """
[chamber]
name = "bench"
enclosure = ["plywood"]
target_c = 45
limit_c = 70
"""


Cold = partial(RunningService, cold=True)


class Page:
    """One open page, from a thread of its own."""

    def __init__(self, service: RunningService) -> None:
        self.address = str(service.web.base_url)
        self.delays_s: list[float] = []  # of each new time of a sensor
        self.messages = self.bytes = 0
        self._told: dict[str, str] = {}
        self._closing = threading.Event()
        self.open = threading.Event()
        self._threads = [
            threading.Thread(target=work, daemon=True) for work in (self._listen, self._look)
        ]

    def __enter__(self) -> Page:
        for thread in self._threads:
            thread.start()
        assert self.open.wait(10.0)
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        for thread in self._threads:
            thread.join(10.0)

    def _listen(self) -> None:
        with (
            httpx.Client(base_url=self.address, timeout=30.0) as web,
            web.stream("GET", "/api/live") as answer,
        ):
            kind = ""
            for line in answer.iter_lines():
                arrived_s = time.time()
                self.bytes += len(line) + 1
                if line.startswith("event: "):
                    kind = line[7:]
                elif line.startswith("data: ") and kind == "now":
                    self.messages += 1
                    self._take(arrived_s, line[6:])
                    self.open.set()
                if self._closing.is_set():
                    return

    def _take(self, arrived_s: float, data: str) -> None:
        now: dict[str, Any] = httpx.Response(200, text=data).json()
        for sensor in now["chambers"][0]["sensors"]:
            name, at = sensor["name"], sensor["at"]
            if at is None or self._told.get(name) == at:
                continue
            if name in self._told:
                self.delays_s.append(arrived_s - datetime.fromisoformat(at).timestamp())
            self._told[name] = at

    def _look(self) -> None:
        with httpx.Client(base_url=self.address, timeout=30.0) as web:
            try:
                web.get("/api/readings")
                while not self._closing.wait(PICTURE_EVERY_S):
                    web.get("/api/picture")
            except httpx.TransportError:
                return  # the service was stopped under it


def cpu_s(pid: int) -> float:
    """Processor seconds that the process has used, its own and the system's for it."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> tuple[float, float, float]:
    """Resident, its greatest so far, and the proportional share of it; all in MB of 10^6 bytes."""
    status = Path(f"/proc/{pid}/status").read_text()
    shares = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return _kib(status, "VmRSS"), _kib(status, "VmHWM"), _kib(shares, "Pss")


def own_mb(pid: int) -> float:
    """What no other process has, and no file: it can't be dropped (Private_Dirty)."""
    return _kib(Path(f"/proc/{pid}/smaps_rollup").read_text(), "Private_Dirty")


def _kib(text: str, key: str) -> float:
    line = next(line for line in text.splitlines() if line.startswith(f"{key}:"))
    return int(line.split()[1]) * 1024 / 1e6


def card_bytes(pid: int) -> int:
    """What the kernel has charged the process for writes to disks so far, an upper bound."""
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))


def handles(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def threads(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/task").iterdir()))


def first_reading(service: RunningService) -> None:
    """Wait until the first page shows a temperature."""
    wait_until(
        lambda: any(s["temperature_c"] is not None for s in service.now()["sensors"]),
        within_s=30.0,
        every_s=0.01,
    )


def simulated(folder: Path, stream: str, *, speed: float = 1.0) -> Path:
    """A chamber file of four simulated sensors and a stream."""
    sensors = "".join(
        f'[[sensor]]\nname = "{name}"\ndriver = "simulated"\n'
        f'place = "{"room" if name == "room" else "chamber"}"\n'
        for name in POINTS
    )
    path = folder / "simulated.toml"
    path.write_text(
        f'{CHAMBER}{sensors}[camera]\nsource = "{stream}"\n[simulation]\nspeed = {speed}\n'
    )
    return path


def starts(folder: Path, chamber: Path) -> Iterator[Figure]:
    """How long until the first reading, and until it is gone with three pages open."""
    began: list[float] = []
    again: list[float] = []
    paged: list[float] = []
    ended: list[float] = []
    worked: list[float] = []
    for number in range(STARTS):
        for takes in (began, again):
            began_s = time.monotonic()
            with Cold(folder / f"start-{number}", "--chamber", str(chamber)) as service:
                service.web.get("/")
                paged.append(time.monotonic() - began_s)
                first_reading(service)
                takes.append(time.monotonic() - began_s)
                worked.append(cpu_s(service.pid))
                with Page(service), Page(service), Page(service):
                    ended_s = time.monotonic()
                    assert service.stop() == 0, service.log.read_text()
                    ended.append(time.monotonic() - ended_s)
    yield Figure("start to first reading, nothing kept yet, worst of 3", max(began), "s", 3.0)
    yield Figure("start to first reading, started before, worst of 3", max(again), "s", 3.0)
    yield Figure("start to first page, worst of 6", max(paged), "s", 3.0)
    yield Figure("processor time of a start, greatest of 6", max(worked), "s")
    yield Figure("stop with three pages open, worst of 6", max(ended), "s", 1.0)


def load(folder: Path, chamber: Path, seconds: float) -> Iterator[Figure]:
    """Processor, memory and delay, with nobody looking, with one page, with ten."""
    with Cold(folder / "load", "--chamber", str(chamber)) as service:
        first_reading(service)
        time.sleep(SETTLE_S)
        for count in (0, 1, 10):
            name = {0: "no page open", 1: "one page open", 10: "ten pages open"}[count]
            with ExitStack() as stack:
                pages = [stack.enter_context(Page(service)) for _ in range(count)]
                begun_s, used_s = time.monotonic(), cpu_s(service.pid)
                charged_bytes = card_bytes(service.pid)
                time.sleep(seconds)
                lasted_s = time.monotonic() - begun_s
                share_of_core = (cpu_s(service.pid) - used_s) / lasted_s
                charged_bytes = card_bytes(service.pid) - charged_bytes
                resident_mb, most_mb, shared_mb = memory_mb(service.pid)
                yield Figure(f"processor, {name}", 100 * share_of_core, "% of a core", 10.0)
                if count == 0:
                    hourly_mb = charged_bytes / lasted_s * 3600.0 / 1e6
                    yield Figure(
                        "charged for writes to disk, a job running", hourly_mb, "MB/h", 3.0
                    )
                yield Figure(f"resident memory, {name}", resident_mb, "MB", 110.0)
            if count == 1:
                yield Figure("greatest resident memory so far", most_mb, "MB")
                yield Figure("proportional share of memory (PSS)", shared_mb, "MB")
                yield Figure("live stream of a page", pages[0].bytes / seconds / 1e3, "kB/s")
                yield from _delays("simulated sensor to page", pages[0].delays_s)


class NotedFrames(Sequence[bytes]):
    """Frames for a stream that never ends, with the second at which each was last sent."""

    def __init__(self, frames: Sequence[bytes]) -> None:
        self._frames = frames
        self.sent_s: dict[bytes, float] = {}

    def __len__(self) -> int:
        return len(self._frames)

    def __getitem__(self, index: Any) -> Any:
        return self._frames[index]

    def __iter__(self) -> Iterator[bytes]:
        while True:
            for frame in self._frames:
                yield frame
                self.sent_s[frame] = time.monotonic()  # the server asks for the next one


def by_frame(folder: Path, seconds: float) -> Iterator[Figure]:
    """How soon a picture that the camera has sent can be had by a page that asks all the time."""
    delays_s: list[float] = []
    frames = NotedFrames(drawn_frames(40))
    with (
        MjpegServer(frames, frames_per_s=10.0) as stream,
        Cold(folder / "frames", "--chamber", str(simulated(folder, stream.address))) as service,
    ):
        first_reading(service)
        end_s, before = time.monotonic() + seconds, b""
        while (now_s := time.monotonic()) < end_s:
            jpeg = service.web.get("/api/picture").content
            if jpeg != before and before and (sent_s := frames.sent_s.get(jpeg)) is not None:
                delays_s.append(time.monotonic() - sent_s)
            before = jpeg
            time.sleep(max(0.0, now_s + 0.01 - time.monotonic()))
    yield from _delays("frame to page", delays_s)


def by_bus(folder: Path, seconds: float) -> Iterator[Figure]:
    """How soon the readings of a slow bus, each at its own instant, are on the page."""
    tree = OneWireTree(folder / "devices")
    sensors = ""
    for number in range(4):
        address = f"28-0000075c2f1{number}"
        tree.warm_to(address, 20.0 + number)
        sensors += (
            f'[[sensor]]\nname = "t{number}"\nplace = "chamber"\ndriver = "onewire"\n'
            f'address = "{address}"\nbus_dir = "{tree.bus_dir}"\n'
        )
    path = folder / "bus.toml"
    path.write_text(CHAMBER + sensors)
    delays_s: list[float] = []
    for number in range(STARTS):  # the sensors' instants in the second differ from start to start
        with Cold(folder / f"bus-{number}", "--chamber", str(path)) as service:
            first_reading(service)
            with Page(service) as page:
                time.sleep(seconds / STARTS)
        delays_s.extend(page.delays_s)
    yield from _delays("1-Wire sensor to page", delays_s)


def _delays(name: str, delays_s: list[float]) -> Iterator[Figure]:
    yield Figure(f"{name}, median of {len(delays_s)}", 1000 * share(delays_s, 0.5), "ms")
    yield Figure(f"{name}, 99 % within", 1000 * share(delays_s, 0.99), "ms", 200.0)


class RestlessTree:
    """Four 1-Wire sensors whose last digit moves each second, as it does in still air."""

    def __init__(self, folder: Path) -> None:
        self.tree = OneWireTree(folder)
        self.addresses = [f"28-0000075c2f1{number}" for number in range(len(POINTS))]
        self.air_c = 22.0
        self._chance = random.Random(1)
        self._closing = threading.Event()
        self._move()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> RestlessTree:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        self._thread.join(5.0)

    def _run(self) -> None:
        while not self._closing.wait(1.0):
            self._move()

    def _move(self) -> None:
        for address, point in zip(self.addresses, POINTS, strict=True):
            value_c = (22.0 if point == "room" else self.air_c) + self._chance.gauss(0.0, 0.04)
            file = self.tree.file(address)
            new = file.with_suffix(".new")  # a reading half written would be a fault
            new.write_text(w1_slave(scratchpad(round(value_c * 16))))
            new.rename(file)


def over_time(folder: Path, stream: str, minutes: float) -> Iterator[Figure]:
    """Memory, writes and processor over many minutes, at rest and then in a job.

    In the job the air warms up and the machine tells its height with each layer, two a minute.
    """
    with RestlessTree(folder / "devices") as moved:
        sensors = "".join(
            f'[[sensor]]\nname = "{point}"\nplace = "{"room" if point == "room" else "chamber"}"\n'
            f'driver = "onewire"\naddress = "{address}"\nbus_dir = "{moved.tree.bus_dir}"\n'
            for address, point in zip(moved.addresses, POINTS, strict=True)
        )
        path = folder / "restless.toml"
        path.write_text(f'{CHAMBER}{sensors}[camera]\nsource = "{stream}"\n')
        with Cold(folder / "long", "--chamber", str(path)) as service:
            first_reading(service)
            time.sleep(REST_AFTER_S)
            yield from _minutes_of(service, "at rest", minutes, lambda _: None, 60.0)
            job = service.post("/api/jobs", {"name": "fin boxes", "material": "ASA"})["id"]

            def built(layer: int) -> None:
                moved.air_c += (45.0 - moved.air_c) / 10.0
                service.post(f"/api/jobs/{job}/progress", {"height_mm": round(0.2 * layer, 2)})

            yield from _minutes_of(service, "in a job", minutes, built, LAYER_S)


def _minutes_of(
    service: RunningService, name: str, minutes: float, each: Callable[[int], None], every_s: float
) -> Iterator[Figure]:
    begun_s, used_s, written = time.monotonic(), cpu_s(service.pid), card_bytes(service.pid)
    for number in range(1, round(max(1, round(minutes)) * 60.0 / every_s) + 1):
        time.sleep(max(0.0, begun_s + every_s * number - time.monotonic()))
        each(number)
        minute = number * every_s / 60.0
        if minute in (1, round(minutes)):
            resident_mb, _, shared_mb = memory_mb(service.pid)
            yield Figure(f"resident memory, {name}, after {minute:g} min", resident_mb, "MB", 110.0)
            yield Figure(f"PSS, {name}, after {minute:g} min", shared_mb, "MB")
            yield Figure(
                f"its own and changed, {name}, after {minute:g} min", own_mb(service.pid), "MB"
            )
    hours = (time.monotonic() - begun_s) / 3600.0
    hourly_mb = (card_bytes(service.pid) - written) / hours / 1e6
    yield Figure(
        f"charged for writes to disk, {name}", hourly_mb, "MB/h", 3.0 if "job" in name else 0.3
    )
    yield Figure(f"processor, {name}", (cpu_s(service.pid) - used_s) / hours / 36.0, "% of a core")


def growth(folder: Path, chamber: Path, minutes: float) -> Iterator[Figure]:
    """What has grown at the end of many minutes of the chamber, with a page open."""
    with Cold(folder / "growth", "--chamber", str(chamber)) as service:
        first_reading(service)
        with Page(service) as page:
            time.sleep(SETTLE_S)
            rows = []
            for _ in range(5):
                rows.append((memory_mb(service.pid)[0], handles(service.pid), threads(service.pid)))
                time.sleep(60 * minutes / 4 if len(rows) < 5 else 0)
            for number, (resident_mb, files, count) in enumerate(rows):
                after = f"after {number * minutes / 4:.3g} min"
                yield Figure(f"resident memory, {after}", resident_mb, "MB")
                yield Figure(f"open files, {after}", files, "")
                yield Figure(f"threads, {after}", count, "")
            yield Figure("messages to the page", page.messages / (60 * minutes + SETTLE_S), "per s")


def main() -> None:
    parser = argparse.ArgumentParser(description="figures of the running service")
    parser.add_argument("--seconds", type=float, default=60.0, help="of each measurement")
    parser.add_argument("--grow", type=float, metavar="MINUTES", help="only look whether it grows")
    parser.add_argument("--long", type=float, metavar="MINUTES", help="only rest and job, so long")
    parser.add_argument("--speed", type=float, default=60.0, help="of the chamber for --grow")
    parser.add_argument(
        "--only", choices=("starts", "load", "bus", "frames"), help="one part of it"
    )
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    figures: list[Figure] = []
    with (
        tempfile.TemporaryDirectory(prefix="bench-", dir=Path.cwd()) as name,
        MjpegServer(drawn_frames(FRAMES), frames_per_s=10.0) as stream,
    ):
        folder = Path(name)
        if options.long is not None:
            figures.extend(over_time(folder, stream.address, options.long))
            show(figures, as_json=options.json)
            return
        if options.grow is not None:
            chamber = simulated(folder, stream.address, speed=options.speed)
            figures.extend(growth(folder, chamber, options.grow))
        else:
            chamber = simulated(folder, stream.address)
            if options.only in (None, "starts"):
                figures.extend(starts(folder, chamber))
            if options.only in (None, "load"):
                figures.extend(load(folder, chamber, options.seconds))
            if options.only in (None, "bus"):
                figures.extend(by_bus(folder, options.seconds))
            if options.only in (None, "frames"):
                figures.extend(by_frame(folder, options.seconds))
    # Delays and starts mean little on a machine that has other work.
    figures.append(Figure("programs that wanted a core at the end", os.getloadavg()[0], ""))
    show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
