"""How soon the page that looks back on a long job answers, and each step of its zoom.

    .venv/bin/python tests/bench/look_back.py [--hours 60] [--sound 3] [--steps 120] [--json]

A job of that many hours with four sensors, a reading of each a second, a height every two
minutes and an event every half hour is written into a real journal and archive, after some
sound ones of the same part. A real `stillair run` serves it to a headless Chromium, once as
this computer is and once with its processor slowed to a quarter.

Interactive is the page when its line of time is drawn, with what happened in its lane, and
the browser has time for a key again: counted from the moment at which it was asked for. A
step of the zoom is counted from a turn of the wheel to the frame after the one in which all
of it is drawn; a frame of this browser takes 17 ms.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402 - paths first

from bench.figures import Figure, share, show  # noqa: E402
from browser.conftest import ARGUMENTS, CHROMIUM, chamber_files  # noqa: E402
from running import RunningService  # noqa: E402
from stillair.config.reading import load_chamber  # noqa: E402
from stillair.model import (  # noqa: E402
    Change,
    EventChange,
    Job,
    JobOutcome,
    JobPhase,
    Kind,
    Outcome,
    OutcomeTold,
    Priority,
    SignalClass,
    Timeline,
)
from stillair.runtime.marks import box_mark  # noqa: E402
from stillair.storage.archive import Archive  # noqa: E402
from stillair.storage.journal import Journal  # noqa: E402
from stillair.storage.records import Parcel  # noqa: E402

KEY = "boat-shed-north-bench"
AIR_C = {"top": 48.0, "low": 42.0, "bed": 95.0, "room": 17.0}
HEIGHT_EVERY_S = 120
EVENT_EVERY_S = 1800
FLUSH_EVERY_S = 60
SOUND_HOURS = 8
INTERACTIVE_MS, ZOOM_MS = 1000.0, 100.0
SLOWED = 4

WHEN_INTERACTIVE = """
const look = () => {
  const drawn = document.querySelector(".line-of-time canvas");
  const told = document.querySelector(".line-of-time .lane.events button");
  if (!drawn || !told) return requestAnimationFrame(look);
  requestAnimationFrame(() => setTimeout(() => (window.interactive_ms = performance.now())));
};
addEventListener("DOMContentLoaded", look);
"""
ZOOM = """
async (delta) => {
  const place = document.querySelector(".line-of-time");
  const box = place.getBoundingClientRect();
  const seen = document.querySelector(".along .seen");
  const before = seen.textContent;
  const frame = () => new Promise(requestAnimationFrame);
  const began = performance.now();
  place.dispatchEvent(new WheelEvent("wheel", { deltaY: delta, ctrlKey: true, bubbles: true,
    cancelable: true, clientX: box.left + 0.61 * box.width, clientY: box.top + 60 }));
  do await frame(); while (seen.textContent === before && performance.now() - began < 5000);
  await frame();
  return performance.now() - began;
}
"""


def built(
    journal: Journal, archive: Archive, number: int, begun_s: float, hours: float, box: str
) -> str:
    """A job with all that is kept of one; returns its id. Seconds since the epoch."""
    job = f"{KEY}-{number}"
    zero = Timeline("bench", 0.0)
    long_s = int(hours * 3600)
    made = Job(job, KEY, "Rigger spacers", "ASA", "left bench", "", JobPhase.RUNNING, begun_s)
    made = replace(made, box=box)
    parcels = [Parcel(Outcome(KEY, begun_s, jobs=(made,)), zero)]
    for at_s in range(HEIGHT_EVERY_S, long_s, HEIGHT_EVERY_S):
        made = replace(made, height_mm=round(0.05 + at_s / 900.0, 2))
        parcels.append(Parcel(Outcome(KEY, begun_s + at_s, jobs=(made,)), zero))
        if at_s % EVENT_EVERY_S == 0:
            parcels += [Parcel(told, zero) for told in _opened(job, number, begun_s + at_s)]
    over_s = begun_s + long_s
    made = replace(made, state=JobPhase.FINISHED, finished_s=over_s - 1800.0)
    word = OutcomeTold(job, over_s, JobOutcome.SOUND, "cox")
    parcels.append(Parcel(Outcome(KEY, over_s, jobs=(made,), outcomes=(word,)), zero))
    journal.commit_all(parcels)
    chance = random.Random(number)
    for second in range(long_s):
        since_opened_s = second % EVENT_EVERY_S
        drop_k = 8.0 * math.exp(-since_opened_s / 120.0) if second > EVENT_EVERY_S else 0.0
        for name, air_c in AIR_C.items():
            t_c = air_c - drop_k + math.sin(second / 40.0) + chance.gauss(0.0, 0.05)
            archive.add(KEY, name, begun_s + second, round(t_c * 16) / 16)
        if second % FLUSH_EVERY_S == 0:
            archive.flush()
    archive.flush(sync=True)
    return job


def _opened(job: str, number: int, at_s: float) -> Iterator[Outcome]:
    """The door is opened, and shut again."""
    event = EventChange(
        event=100_000 * number + int(at_s) % 100_000,
        change=Change.RAISED,
        at_s=at_s,
        kind=Kind.DOOR_OPEN,
        signal_class=SignalClass.SUPERVISORY,
        priority=Priority.MEDIUM,
        onset_s=at_s,
        sensors=("top",),
        detail={"cause": "clear", "drop_k": 8.0},
        job=job,
    )
    yield Outcome(KEY, at_s, events=(event,))
    over = replace(event, change=Change.CLEARED, at_s=at_s + 90.0, end_s=at_s + 80.0)
    yield Outcome(KEY, at_s + 90.0, events=(over,))


def make(folder: Path, hours: float, sound: int) -> tuple[str, Path]:
    """A data folder with the jobs; the long one's id, and the chamber file."""
    chamber = chamber_files(folder, "")
    box = box_mark(load_chamber(chamber))
    data = folder / "data"
    data.mkdir()
    journal, archive = Journal.open(data / "journal.db"), Archive.open(data / "archive.db")
    last_s = time.time() - 3600.0
    begun_s = last_s - 3600.0 * (hours + sound * (SOUND_HOURS + 1))
    for number in range(1, sound + 1):
        built(journal, archive, number, begun_s, SOUND_HOURS, box)
        begun_s += 3600.0 * (SOUND_HOURS + 1)
    job = built(journal, archive, sound + 1, begun_s, hours, box)
    journal.close()
    archive.close()
    return job, chamber


def page_of(browser: Browser, service: RunningService, job: str, slowed: int) -> Page:
    """The job's page, interactive."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.add_init_script(WHEN_INTERACTIVE)
    page = context.new_page()
    if slowed > 1:
        told = context.new_cdp_session(page)
        told.send("Emulation.setCPUThrottlingRate", {"rate": slowed})
    page.goto(f"http://127.0.0.1:{service.port}/#/jobs/{job}")
    give_up_s = time.monotonic() + 60.0
    while not page.evaluate("window.interactive_ms ?? 0"):
        assert time.monotonic() < give_up_s, "the page never became interactive"
        page.wait_for_timeout(20)
    return page


def opening_ms(browser: Browser, service: RunningService, job: str, slowed: int) -> float:
    """How long the page takes until it is interactive."""
    page = page_of(browser, service, job, slowed)
    taken = float(page.evaluate("window.interactive_ms"))
    page.context.close()
    return taken


def zooms_ms(page: Page, steps: int) -> list[float]:
    """How long each step takes: in to a minute, out again, and so on."""
    taken, closer = [], True
    for _ in range(steps):
        words = page.locator(".along .seen").inner_text()
        if " h" not in words and int(words.rpartition(", ")[2].split("\xa0")[0]) < 3:
            closer = False
        elif page.get_by_role("button", name="Farther").get_attribute("aria-disabled") == "true":
            closer = True
        taken.append(float(page.evaluate(ZOOM, -180 if closer else 180)))
        page.wait_for_timeout(60)  # as a hand turns a wheel; finer readings come meanwhile
    return taken


def measured(browser: Browser, service: RunningService, job: str, slowed: int, steps: int) -> Any:
    """Figures of one browser, as fast as it is or slowed."""
    how = "" if slowed == 1 else f", slowed {slowed} times"
    opened = [opening_ms(browser, service, job, slowed) for _ in range(2)]
    page = page_of(browser, service, job, slowed)
    opened.append(float(page.evaluate("window.interactive_ms")))
    page.wait_for_timeout(1500)
    taken = zooms_ms(page, steps)
    page.context.close()
    return [
        Figure(f"interactive, median of 3{how}", median(opened), "ms", INTERACTIVE_MS),
        Figure(f"interactive, worst of 3{how}", max(opened), "ms", INTERACTIVE_MS),
        Figure(f"step of the zoom, p50{how}", share(taken, 0.5), "ms", ZOOM_MS),
        Figure(f"step of the zoom, p99{how}", share(taken, 0.99), "ms", ZOOM_MS),
        Figure(f"step of the zoom, worst of {steps}{how}", max(taken), "ms", ZOOM_MS),
    ]


def answers(service: RunningService, job: str) -> list[Figure]:
    """How long the service takes for what the page asks."""
    figures = []
    for what in (
        "readings?points=1500",
        "heights",
        "stages",
        "beside?with=last",
        "beside?with=band",
    ):
        taken = []
        for _ in range(3):
            began_s = time.perf_counter()
            service.web.get(f"/api/jobs/{job}/{what}", timeout=130.0).raise_for_status()
            taken.append(1000.0 * (time.perf_counter() - began_s))
        figures.append(Figure(f"answer: {what}", median(taken), "ms"))
    return figures


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--hours", type=float, default=60.0)
    parser.add_argument("--sound", type=int, default=3)
    parser.add_argument("--steps", type=int, default=120)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        job, chamber = make(Path(name), given.hours, given.sound)
        words = ("--chamber", str(chamber))
        with (
            RunningService(Path(name) / "data", *words) as service,
            sync_playwright() as playwright,
        ):
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            figures = [
                figure
                for slowed in (1, SLOWED)
                for figure in measured(browser, service, job, slowed, given.steps)
            ]
            browser.close()
            figures += answers(service, job)
    show(figures, as_json=given.json)


if __name__ == "__main__":
    main()
