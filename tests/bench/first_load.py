"""How soon the first page answers over a slow link, and how light it stays.

    .venv/bin/python tests/bench/first_load.py [--hours 48] [--live-hours 24] [--pages 20] [--json]

A real `stillair run` over a simulated chamber, looked at by a headless Chromium at the width of a
telephone. The link is slowed by the browser's own tools to 1.6 Mbit/s and 150 ms, the processor
to a quarter. Bytes are those that came over the wire, heads of answers included, those of the
camera's first picture told apart as well; they and the requests are counted until the chart of
the last hour is drawn and the picture stands there. Interactive is the page when its sentence
is shown and the browser has time for a key again, without the slowed link.

A day of live data is handed to a page's own code as fast as it takes it: what the service sends
each second, with the time moved on; the heap is measured after collecting garbage. The frames
of panning are those in which half of the long job is moved along.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402 - paths first

from bench.figures import Figure, share, show  # noqa: E402
from bench.look_back import make  # noqa: E402
from browser.conftest import ARGUMENTS, CHROMIUM  # noqa: E402
from running import RunningService, wait_until  # noqa: E402

LINK = {
    "offline": False,
    "latency": 150,
    "downloadThroughput": 1_600_000 / 8,
    "uploadThroughput": 750_000 / 8,
}
SLOWED = 4
FIRST_LOAD_MS, FIRST_LOAD_KB, INTERACTIVE_MS = 2500.0, 150.0, 1000.0
FRAME_MS, GROWTH_MB = 33.0, 20.0

WATCH = """
const look = () => {
  const told = document.querySelector("main .sentence");
  if (!told) return requestAnimationFrame(look);
  requestAnimationFrame(() => setTimeout(() => (window.shown_ms = performance.now())));
};
addEventListener("DOMContentLoaded", look);
"""
# Each message of the stream is kept, so that it can be handed on again with another time.
STREAM = """
const Real = window.EventSource;
window.EventSource = class extends Real {
  constructor(...words) { super(...words); window.stream = this; }
  addEventListener(topic, take) {
    if (topic === "now") window.take = take;
    super.addEventListener(topic, (event) => { window.last = event.data; take(event); });
  }
};
"""
LIVE_ON = """
async ([from_s, to_s]) => {
  const first = JSON.parse(window.last);
  const began_ms = Date.parse(first.chambers[0].at);
  for (let s = from_s; s < to_s; s++) {
    const now = structuredClone(first);
    const at = new Date(began_ms + 1000 * s).toJSON();
    now.at = at;
    for (const chamber of now.chambers) {
      chamber.at = at;
      for (const sensor of chamber.sensors) {
        sensor.at = at;
        sensor.temperature_c += Math.sin(s / 40) + Math.random() / 10;
      }
    }
    window.take({ data: JSON.stringify(now) });
    if (s % 20 === 0) await new Promise((go) => setTimeout(go));
  }
}
"""
PAN = """
async (steps) => {
  const place = document.querySelector(".line-of-time");
  const box = place.getBoundingClientRect();
  const frame = () => new Promise(requestAnimationFrame);
  const seen = () => document.querySelector(".along .seen").textContent;
  const views = new Set();
  const taken = [];
  let before = await frame();
  for (let step = 0; step < steps; step++) {
    const way = step % 80 < 40 ? 6 : -6;
    place.dispatchEvent(new WheelEvent("wheel", { deltaX: way, bubbles: true, cancelable: true,
      clientX: box.left + 100, clientY: box.top + 60 }));
    const now = await frame();
    taken.push(now - before);
    before = now;
    views.add(seen());
  }
  return [views.size, taken.slice(5)];
}
"""


def look(browser: Browser, path: str, *scripts: str, width_px: int = 390) -> tuple[Page, Any]:
    """A page, not opened yet, and the browser's tools for it."""
    context = browser.new_context(viewport={"width": width_px, "height": 844})
    for script in scripts:
        context.add_init_script(script)
    page = context.new_page()
    return page, context.new_cdp_session(page)


def wait(page: Page, expression: str, within_s: float = 60.0) -> None:
    """Until it is true on the page."""
    give_up_s = time.monotonic() + within_s
    while not page.evaluate(expression):
        assert time.monotonic() < give_up_s, f"never true: {expression}"
        page.wait_for_timeout(20)


def first_loads(browser: Browser, address: str) -> list[Figure]:
    """Over the slow link: the first time, and once more."""
    page, tools = look(browser, address, WATCH)
    asked: dict[str, str] = {}
    came: Counter[str] = Counter()
    tools.on(
        "Network.requestWillBeSent",
        lambda told: asked.__setitem__(told["requestId"], told["request"]["url"]),
    )
    tools.on(
        "Network.dataReceived",
        lambda told: came.update({told["requestId"]: told["encodedDataLength"]}),
    )
    tools.on(
        "Network.responseReceived",
        lambda told: came.update({told["requestId"]: told["response"]["encodedDataLength"]}),
    )
    tools.send("Network.enable")
    tools.send("Network.emulateNetworkConditions", LINK)
    figures = []
    for which in ("first", "second"):
        asked.clear()
        came.clear()
        if which == "first":
            page.goto(address, wait_until="commit")
        else:
            page.reload(wait_until="commit")
        wait(page, "window.shown_ms > 0")
        shown_ms = float(page.evaluate("window.shown_ms"))
        paint = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"
        wait(page, f"{paint} > 0")
        wait(page, "document.querySelector('.hour canvas') && document.querySelector('.frame img')")
        page.wait_for_timeout(300)
        pictures = {key for key, url in asked.items() if "/api/picture" in url}
        kb = sum(size for key, size in came.items() if key not in pictures) / 1000
        picture_kb = sum(came[key] for key in pictures) / 1000
        reach = FIRST_LOAD_MS if which == "first" else None
        figures += [
            Figure(f"{which} load: first paint", float(page.evaluate(paint)), "ms"),
            Figure(f"{which} load: the chamber's sentence", shown_ms, "ms", reach),
            Figure(f"{which} load: over the wire without the picture", kb, "kB"),
            Figure(f"{which} load: the camera's picture beside that", picture_kb, "kB"),
            Figure(
                f"{which} load: all of it",
                kb + picture_kb,
                "kB",
                FIRST_LOAD_KB if which == "first" else None,
            ),
            Figure(f"{which} load: requests", len(asked), ""),
        ]
    page.context.close()
    return figures


def interactive(browser: Browser, address: str) -> Figure:
    """With a quarter of the processor."""
    taken = []
    for _ in range(3):
        page, tools = look(browser, address, WATCH)
        tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
        page.goto(address, wait_until="commit")
        wait(page, "window.shown_ms > 0")
        taken.append(float(page.evaluate("window.shown_ms")))
        page.context.close()
    return Figure("interactive, slowed 4 times, worst of 3", max(taken), "ms", INTERACTIVE_MS)


def panning(browser: Browser, address: str, job: str) -> list[Figure]:
    """Frames while a finger moves along the job."""
    page, _ = look(browser, address, width_px=768)
    page.goto(f"{address}#/jobs/{job}")
    wait(page, "document.querySelector('.line-of-time canvas')")
    page.get_by_role("button", name="Closer", exact=True).click()
    page.wait_for_timeout(1500)
    views, taken = page.evaluate(PAN, 240)
    assert views > 10, "it doesn't move"
    page.context.close()
    return [
        Figure("panning: frame, p50", share(taken, 0.5), "ms"),
        Figure("panning: frame, p95", share(taken, 0.95), "ms", FRAME_MS),
    ]


def growth(browser: Browser, address: str, hours: float) -> list[Figure]:
    """What a page holds on to after a day of live data."""
    page, tools = look(browser, address, STREAM)
    page.goto(address)
    wait(page, "window.last && document.querySelector('.hour canvas')")
    tools.send("HeapProfiler.enable")

    def heap_mb() -> float:
        for _ in range(3):
            tools.send("HeapProfiler.collectGarbage")
            page.wait_for_timeout(200)
        return float(tools.send("Runtime.getHeapUsage")["usedSize"]) / 1e6

    # The first hour fills the chart; it stays as long after that.
    page.evaluate(LIVE_ON, [0, 10])
    before_mb = heap_mb()
    page.evaluate(LIVE_ON, [10, 3600])
    hour_mb = heap_mb()
    last_s = round(3600 * hours)
    for at_s in range(3600, last_s, 1800):
        page.evaluate(LIVE_ON, [at_s, min(at_s + 1800, last_s)])
    after_mb = heap_mb()
    page.context.close()
    return [
        Figure("a page's heap when it is opened", before_mb, "MB"),
        Figure("grown after an hour of live data", hour_mb - before_mb, "MB"),
        Figure(f"grown after {hours:g} h of live data", after_mb - before_mb, "MB", GROWTH_MB),
    ]


def storm(browser: Browser, service: RunningService, address: str, pages: int) -> list[Figure]:
    """What comes at the service when it is back and all pages have waited for it."""
    contexts = [browser.new_context(viewport={"width": 390, "height": 844}) for _ in range(pages)]
    asked: list[float] = []
    for context in contexts:
        page = context.new_page()
        page.on("request", lambda _: asked.append(time.monotonic()))
        page.goto(address)
        page.locator("main .sentence").wait_for()
    service.kill()
    contexts[0].pages[0].wait_for_timeout(12_000)
    service.start()
    wait_until(lambda: service.web.get("/api/health").is_success, within_s=30)
    asked.clear()
    began_s = time.monotonic()
    contexts[0].pages[0].wait_for_timeout(15_000)
    after = [at_s - began_s for at_s in asked]
    each = [sum(1 for at_s in after if second <= at_s < second + 1) for second in range(15)]
    for context in contexts:
        context.close()
    return [
        Figure(f"{pages} pages come back: requests in 15 s", len(after), ""),
        Figure(f"{pages} pages come back: most in a second", max(each), ""),
    ]


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--hours", type=float, default=48.0)
    parser.add_argument("--live-hours", type=float, default=24.0)
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        job, chamber = make(Path(name), given.hours, 0)
        with (
            RunningService(Path(name) / "data", "--chamber", str(chamber)) as service,
            sync_playwright() as playwright,
        ):
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            address = f"http://127.0.0.1:{service.port}/"
            figures = first_loads(browser, address)
            figures.append(interactive(browser, address))
            figures += panning(browser, address, job)
            figures += growth(browser, address, given.live_hours)
            figures += storm(browser, service, address, given.pages)
            browser.close()
    figures.append(Figure("load of this computer, over 5 min", os.getloadavg()[1], ""))
    show(figures, as_json=given.json)


if __name__ == "__main__":
    main()
