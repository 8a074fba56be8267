"""The first run, by thumb and by keyboard: from nothing to a chamber that is watched."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from chips import OneWireTree
from running import RunningService

from .conftest import Look

TOP, ROOM = "28-0000075c2f11", "28-0000075c30a4"
ELSEWHERE = """
from pathlib import Path
from stillair.runtime import finding
finding.USUAL = Path({bus})
"""
SOON_MS = 30_000
BACK_MS = 90_000  # the service has to start anew, on a computer that does other things


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    tree = OneWireTree(tmp_path / "w1")
    tree.warm_to(TOP, 19.0)
    tree.warm_to(ROOM, 18.5)
    return tree


@pytest.fixture
def service(tmp_path: Path, tree: OneWireTree) -> Iterator[RunningService]:
    before = ELSEWHERE.format(bus=json.dumps(str(tree.bus_dir)))
    with RunningService(tmp_path / "data", before=before) as running:
        yield running


def fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        """[...document.querySelectorAll('.setup .act, .setup input, .setup select')]
             .filter((e) => !['checkbox', 'radio'].includes(e.type))
             .filter((e) => e.getBoundingClientRect().height < 44)
             .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert small == [], "too small for a thumb"


def test_from_the_first_start_to_watching_without_a_file(
    service: RunningService, tree: OneWireTree, look: Look, tmp_path: Path
) -> None:
    begun_s = time.monotonic()
    page = look(service, width_px=390, expected="Failed to load resource")
    page.get_by_role("link", name="Set your own up step by step").click()
    page.screenshot(path="/tmp/w10/first_x/1.png", full_page=True)
    page.get_by_label("Its name").fill("North bench")
    page.get_by_text("plywood").click()
    page.get_by_text("foam", exact=False).first.click()
    fits(page)
    page.get_by_role("link", name="Next").click()

    mine = page.get_by_role("listitem", name=f"Sensor {TOP}")
    expect(mine.get_by_text("up by 0.0 K")).to_be_visible(timeout=SOON_MS)
    tree.warm_to(TOP, 22.5)
    expect(page.get_by_text(f"{TOP} is warming: up by 3.5 K")).to_be_visible(timeout=SOON_MS)
    mine.get_by_role("button", name="Take this one").click()
    expect(mine.get_by_label("Name")).to_have_value("top")
    other = page.get_by_role("listitem", name=f"Sensor {ROOM}")
    other.get_by_role("button", name="Take this one").click()
    other.get_by_label("Name").fill("room")
    other.get_by_label("Where it is").select_option("room")
    page.screenshot(path="/tmp/w10/first_x/2.png", full_page=True)
    fits(page)
    page.reload()  # nothing is lost
    expect(other.get_by_label("Name")).to_have_value("room", timeout=SOON_MS)
    page.get_by_role("link", name="Next").click()

    # By the pointer, by keys, and by a list.
    handle = page.get_by_role("button", name="top:")
    box = page.locator("svg.placing").bounding_box()
    at = handle.locator(".dot").bounding_box()
    assert box and at
    page.mouse.move(at["x"] + 5, at["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    page.screenshot(path="/tmp/w10/first_x/3.png", full_page=True)
    dragged = handle.get_attribute("aria-label")
    handle.press("ArrowUp")
    assert handle.get_attribute("aria-label") != dragged
    page.get_by_label("Height").select_option(label="under the lid")
    expect(page.get_by_role("button", name="top:")).to_have_accessible_name(re.compile("93 % up"))
    fits(page)
    page.get_by_role("button", name="See what changes").click()
    expect(page.get_by_text("New sensor “room”: 28-0000075c30a4, in the room.")).to_be_visible()
    page.screenshot(path="/tmp/w10/first_x/4.png", full_page=True)
    page.get_by_role("button", name="Write it and watch by it").click()
    expect(page.locator(".changes")).to_have_count(0, timeout=BACK_MS)
    assert not service.now()["simulated"]
    print(f"watching after {time.monotonic() - begun_s:.0f} s")
    page.get_by_role("link", name="Next").click()
    page.screenshot(path="/tmp/w10/first_x/5.png", full_page=True)
    page.get_by_role("link", name="Next").click()
    page.get_by_label("Name").fill("bench captain")
    page.screenshot(path="/tmp/w10/first_x/6.png", full_page=True)
