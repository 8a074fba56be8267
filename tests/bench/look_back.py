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
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402 - paths first

from bench.figures import Figure, share, show  # noqa: E402
from browser.conftest import ARGUMENTS, CHROMIUM, chamber_files  # noqa: E402
from long_jobs import built  # noqa: E402
from running import RunningService  # noqa: E402
from stillair.config.reading import load_chamber  # noqa: E402
from stillair.runtime.marks import box_mark  # noqa: E402
from stillair.storage.archive import Archive  # noqa: E402
from stillair.storage.journal import Journal  # noqa: E402

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


def make(folder: Path, hours: float, sound: int) -> tuple[str, Path]:
    """A data folder with the jobs; the long one's id, and the chamber file."""
    chamber = chamber_files(folder, "", frames_per_s=4)
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
