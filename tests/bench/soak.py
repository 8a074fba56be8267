"""Hours of a chamber played fast, with faults and fires at random: does it grow, miss, cry wolf?

    .venv/bin/python tests/bench/soak.py [--hours 24] [--speed 30] [--seed 1] [--json]

A real `stillair run` of a day in the boat shed, over and over, with its doors,
drafts, lost heat and broken sensors. On top, from a seeded source of chance:

fires     every 15 to 50 minutes of the chamber, of any growth; one is announced when the
          history has it, the sounder has sounded and a mail has come. For one in three the
          detector's wire is broken, and heat alone must tell
faults    one after the other: the bus or the camera hangs, the disk is full or hangs,
          another program locks the journal, the mail server is gone; and, in the first
          quarter of the time, what ends a process: a kill, a thread that dies, a loop
          that is held up, a disk that turns read-only, a cut of the power

In the other three quarters one process lives on, and its growth is measured.
Faults last seconds of ours, so at 30 times the speed they are minutes of the chamber.
At this speed pictures aren't watched: fires are found by heat and by the detector.
A disk of its own needs root; without it those faults are left out.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

import httpx  # noqa: E402 - the paths above come first
import pytest  # noqa: E402

import ordered  # noqa: E402
from bench.faults import Faults, say  # noqa: E402
from bench.figures import Figure, share, show  # noqa: E402
from bench.service import handles, memory_mb, threads  # noqa: E402
from burning import RING  # noqa: E402
from disks import LoopDisk  # noqa: E402
from managing import Manager  # noqa: E402
from running import RunningService, wait_until  # noqa: E402
from servers import TOLD_BY_MAIL, MailServer  # noqa: E402

WATCHDOG_S = 8.0  # as the unit has it
DANGERS = ("fire", "detector_contact", "rapid_rise", "over_temperature", "flame", "smoke")
ANNOUNCES = ("fire", "detector_contact")
HEAT_ANNOUNCES = (*ANNOUNCES, "rapid_rise", "over_temperature")  # without a detector
LOOK_S = 0.5
MISSED_S = 120.0  # of ours without a word of a fire
AIRED_S = 900.0  # of the chamber, after a fire
CLEAR_S = 240.0  # of ours until an alarm must be over after its fire
CHAMBER = (
    """
[chamber]
name = "North bench"
enclosure = ["plywood"]
target_c = 45
limit_c = 70

[simulation]
scenario = "boat_shed_day"
speed = {speed}

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "middle"
driver = "simulated"

[[sensor]]
name = "bed side"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[[contact]]
name = "smoke detector"
kind = "detector"
driver = "simulated"

[camera]
source = "simulated"

[sounder]
driver = "command"
command = "{ring}"
"""
    + TOLD_BY_MAIL
)


class Witness:
    """What the history, the sounder's program and the mail server have got."""

    def __init__(self, service: RunningService, heard: Path, mail: MailServer) -> None:
        self._service, self._heard, self._mail = service, heard, mail
        self.seen: dict[int, tuple[str, str]] = {}  # number: kind and change, as shown as kept
        self.at = self.begun_at = 0.0  # labels of the chamber's time
        self.alarms: list[dict[str, Any]] = []

    def look(self) -> list[dict[str, Any]]:
        """Changes of events that are new; none while nobody answers."""
        try:
            chamber = self._service.now()
            self._service.web.get("/api/picture")
            after = max(self.seen, default=0)
            found = self._service.events(after=after)
        except (httpx.HTTPError, AssertionError):
            return []
        self.at = datetime.fromisoformat(chamber["at"]).timestamp()
        self.begun_at = self.begun_at or self.at
        self.alarms = [a for a in chamber["alarms"] if a["kind"] in DANGERS]
        self.seen.update({e["seq"]: (e["kind"], e["change"]) for e in found})
        return found

    def sounded(self) -> int:
        return self._heard.read_text().count("\n") if self._heard.exists() else 0

    def mailed(self) -> int:
        words = ("fire", "too hot")
        return sum(
            any(word in str(mail["subject"]).lower() for word in words)
            for mail in list(self._mail.messages)
        )

    def lost(self) -> int:
        """How many of the events that were shown as kept aren't there any more."""
        kept: dict[int, tuple[str, str]] = {}
        while found := self._service.events(after=max(kept, default=0)):
            kept.update({e["seq"]: (e["kind"], e["change"]) for e in found})
        return sum(kept.get(seq) != what for seq, what in self.seen.items())


class Fires:
    """Fires by order, and what has come of each."""

    def __init__(self, folder: Path, witness: Witness, service: RunningService, chance: Random):
        self._folder, self._witness, self._service = folder, witness, service
        self._chance = chance
        self.lit = self.announced = self.missed = self.standing = 0
        self.false: list[str] = []
        self.delays_s: list[float] = []  # of the chamber's, from its beginning to the event
        self._state, self._since_s = "calm", time.monotonic()
        self._lit_at = self._sounded = self._mailed = 0.0
        self._next_at = 0.0
        self._told_at: float | None = None
        self._announces: tuple[str, ...] = ANNOUNCES
        self.by_heat = 0

    def go_on(self, news: list[dict[str, Any]], restarted: bool) -> None:
        """One look: light, wait, put out, wait until all is calm."""
        witness = self._witness
        raised = [e for e in news if e["change"] == "raised" and e["kind"] in DANGERS]
        match self._state:
            case "calm":
                for event in raised:
                    self.false.append(f"{event['kind']} at {event['at']}")
                    say(f"FALSE: {event['kind']} {event.get('detail')}")
                if not self._next_at:
                    self._next_at = witness.at + self._chance.uniform(900.0, 3000.0)
                if witness.at >= self._next_at:
                    self._light()
            case "burns":
                told = [e for e in raised if e["kind"] in self._announces]
                if told and self._told_at is None:
                    self._told_at = datetime.fromisoformat(told[0]["at"]).timestamp()
                if (
                    self._told_at is not None
                    and witness.sounded() > self._sounded
                    and witness.mailed() > self._mailed
                ):
                    self.announced += 1
                    if not restarted:
                        self.delays_s.append(self._told_at - self._lit_at)
                    self._put_out()
                elif time.monotonic() - self._since_s > MISSED_S:
                    self.missed += 1
                    say(f"MISSED: {self._told_at} {witness.sounded()} {witness.mailed()}")
                    self._put_out()
            case "out":
                if time.monotonic() - self._since_s > 2.0:
                    ordered.forget(self._folder)
                self._clear()
                over = not witness.alarms and time.monotonic() - self._since_s > 40.0
                if over or time.monotonic() - self._since_s > CLEAR_S:
                    self.standing += not over
                    if not over:
                        say(f"STANDS: {witness.alarms}")
                    self._change("calm")
                    self._next_at = 0.0

    def _change(self, state: str) -> None:
        self._state, self._since_s = state, time.monotonic()

    def _light(self) -> None:
        chance = self._chance
        self.lit += 1
        self._told_at = None
        self._lit_at = self._witness.at
        self._sounded, self._mailed = self._witness.sounded(), self._witness.mailed()
        growth = chance.choice(("slow", "medium", "fast"))
        self._announces = ANNOUNCES
        if chance.random() < 1 / 3:
            self.by_heat += 1
            self._announces = HEAT_ANNOUNCES
            ordered.order(self._folder, "contact_broken", contact="smoke detector", for_s=3600.0)
        say(f"fire {self.lit}, {growth}, {len(self._announces)} kinds announce it")
        ordered.order(
            self._folder,
            "fire",
            growth=growth,
            smoulder_s=chance.choice((0.0, 120.0)),
            peak_kw=chance.uniform(2.0, 8.0),
            fuel_mj=100.0,
        )
        self._change("burns")

    def _put_out(self) -> None:
        told_s = (self._told_at or self._witness.at) - self._lit_at
        say(f"  announced {self.announced} of {self.lit}, event after {told_s:.0f} s")
        ordered.order(self._folder, "fire_out")
        # Smoke would stand in the box for hours.
        ordered.order(self._folder, "open_door", for_s=AIRED_S)
        self._change("out")

    def _clear(self) -> None:
        """Somebody has looked at it."""
        for alarm in self._witness.alarms:
            with suppress(httpx.HTTPError):
                self._service.web.post(f"/api/alarms/{alarm['id']}/acknowledge")
                self._service.web.post(f"/api/alarms/{alarm['id']}/reset")


def viewer(address: str, closing: threading.Event) -> None:
    """One page that is always open."""
    while not closing.is_set():
        with (
            suppress(httpx.HTTPError),
            httpx.Client(base_url=address, timeout=30.0) as web,
            web.stream("GET", "/api/live") as answer,
        ):
            for _ in answer.iter_lines():
                if closing.is_set():
                    return
        closing.wait(1.0)


def soak(folder: Path, hours: float, speed: float, seed: int) -> Iterator[Figure]:
    chance = Random(seed)
    mail = MailServer()
    mail.start()
    disk: LoopDisk | None = None
    try:
        disk = LoopDisk.make(folder, megabytes=512)
    except pytest.skip.Exception as error:
        say(str(error))
    manager = Manager(WATCHDOG_S)
    (folder / "ring.py").write_text(RING)
    ring = f"{sys.executable} {folder / 'ring.py'} {folder / 'heard'}"
    (folder / "chamber.toml").write_text(
        CHAMBER.format(speed=speed, ring=ring, host=mail.host, port=mail.port)
    )
    service = RunningService(
        (disk.path if disk else folder) / "data",
        "--chamber",
        str(folder / "chamber.toml"),
        before=ordered.BEFORE,
        environment={**manager.environment, **ordered.environment(folder)},
    )
    witness = Witness(service, folder / "heard", mail)
    faults = Faults(folder, service, manager, mail, disk, chance)
    fires = Fires(folder, witness, service, chance)
    lives: list[tuple[int, float, float, int, int]] = []  # process, hour, MB, files, threads
    closing = threading.Event()
    page = threading.Thread(target=viewer, args=(str(service.web.base_url), closing))
    with ExitStack() as stack:
        if disk is not None:
            stack.callback(disk.remove)
        stack.callback(mail.stop)
        stack.enter_context(service)
        stack.enter_context(manager.managing(service))
        stack.callback(page.join, 40.0)
        stack.callback(closing.set)
        stack.callback(faults.end)
        wait_until(witness.look, within_s=60.0)
        page.start()
        # Real time, as a process that is away doesn't move its chamber's.
        begun_s, lasts_s = time.monotonic(), hours * 3600.0 / speed
        sampled_s, restarts = begun_s, 0
        while (gone_s := time.monotonic() - begun_s) < lasts_s:
            faults.harmful = gone_s < lasts_s / 4
            faults.go_on()
            fires.go_on(witness.look(), manager.restarts != restarts)
            restarts = manager.restarts
            if time.monotonic() - sampled_s > 5.0:
                sampled_s = time.monotonic()
                hour = gone_s * speed / 3600.0
                with suppress(OSError, AssertionError, StopIteration):
                    pid = service.pid
                    row = (pid, hour, memory_mb(pid)[0], handles(pid), threads(pid))
                    lives.append(row)
                    say(f"{pid} at {hour:.2f} h: {row[2]:.1f} MB, {row[3]} files, {row[4]} threads")
            time.sleep(LOOK_S)
        faults.end()
        wait_until(lambda: witness.look() or service.now()["at"], within_s=30.0)
        log = service.log.read_text(errors="replace")
        lost = witness.lost()
    watched_h = (witness.at - witness.begun_at) / 3600.0
    yield Figure("simulated time by the chamber's clock", watched_h, "h")
    yield Figure("simulated time by ours", hours, "h")
    yield Figure("fires", fires.lit, "")
    yield Figure("of them with the detector's wire broken", fires.by_heat, "")
    yield Figure("fires announced in time: history, sounder and mail", fires.announced, "")
    yield Figure("fires missed", fires.missed, "", 0)
    yield Figure("false alarms of danger", len(fires.false), "", 0)
    yield Figure("alarms that stood on after their fire", fires.standing, "", 0)
    if fires.delays_s:
        yield Figure("from ignition to the event, median", share(fires.delays_s, 0.5), "s")
        yield Figure("from ignition to the event, longest", max(fires.delays_s), "s")
    yield Figure("events shown as kept", len(witness.seen), "")
    yield Figure("of them lost", lost, "", 0)
    yield Figure("errors in the log", log.count("Traceback"), "")
    for name, count in sorted(faults.counts.items()):
        yield Figure(f"fault: {name}", count, "times")
    yield Figure("restarts", manager.restarts, "")
    if manager.downs_s:
        yield Figure("longest from the last word to an answer", max(manager.downs_s), "s", 20.0)
    yield from grown(lives)


def grown(lives: list[tuple[int, float, float, int, int]]) -> Iterator[Figure]:
    """How the last process has grown, after its first simulated hour."""
    last = [row for row in lives if row[0] == lives[-1][0]]
    last = [row for row in last if row[1] > last[0][1] + 1.0] or last
    tenth = max(1, len(last) // 10)
    span_h = last[-1][1] - last[0][1]
    yield Figure("the last process lived for", span_h, "h")
    columns = ((2, "resident memory", "MB"), (3, "open files", ""), (4, "threads", ""))
    for column, name, unit in columns:
        first = sorted(row[column] for row in last[:tenth])[tenth // 2]
        end = sorted(row[column] for row in last[-tenth:])[tenth // 2]
        yield Figure(f"{name} at its beginning (median of a tenth)", first, unit)
        yield Figure(f"{name} at its end", end, unit)
        yield Figure(f"{name}, greatest", max(row[column] for row in last), unit)


def mount_alone() -> None:
    """Let no other program's view of the mounts hold a disk that has been taken out."""
    new_mounts = 0x20000  # CLONE_NEWNS of linux/sched.h
    if os.geteuid() == 0 and ctypes.CDLL(None).unshare(new_mounts) == 0:
        subprocess.run(["mount", "--make-rprivate", "/"], check=False)


def main() -> None:
    parser = argparse.ArgumentParser(description="does it grow, miss or cry wolf?")
    parser.add_argument("--hours", type=float, default=24.0, help="of the chamber")
    parser.add_argument("--speed", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    mount_alone()  # before there are threads
    with tempfile.TemporaryDirectory(prefix="stillair-soak-") as name:
        figures = list(soak(Path(name), options.hours, options.speed, options.seed))
    show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
