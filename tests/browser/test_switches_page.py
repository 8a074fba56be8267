"""A box gets a switch, found by opening its door; a second box comes, and goes again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from chips import OneWireTree
from running import RunningService, wait_until
from unnamed_chips import ELSEWHERE, ROOM, TOP, two_chips

from .conftest import Look
from .test_first_run_page import BACK_MS, SOON_MS, fits

SOON_S = 60.0
# No computer of ours has pins: this one has three, and a file says what hangs at them.
PINS = """
import json
from stillair.sensing import free_pins

class Pin:
    def __init__(self, number):
        self.number = number
    def is_closed(self):
        return self.number in json.loads(Path({levels}).read_text())
    def close(self):
        pass

free_pins.FreePin = Pin
free_pins.board_pins = lambda: [
    free_pins.BoardPin(17, ""), free_pins.BoardPin(22, ""), free_pins.BoardPin(4, "onewire@4")
]
"""
NORTH = """\
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "onewire"
address = "{top}"
bus_dir = "{bus}"
"""


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    return two_chips(tmp_path)


@pytest.fixture
def levels(tmp_path: Path) -> Path:
    file = tmp_path / "levels.json"
    file.write_text("[]")
    return file


@pytest.fixture
def service(tmp_path: Path, tree: OneWireTree, levels: Path) -> Iterator[RunningService]:
    data = tmp_path / "data"
    data.mkdir()
    (data / "chamber.toml").write_text(NORTH.format(top=TOP, bus=tree.bus_dir))
    bus, pins = json.dumps(str(tree.bus_dir)), json.dumps(str(levels))
    before = ELSEWHERE.format(bus=bus) + PINS.format(levels=pins)
    with RunningService(data, before=before) as running:
        yield running


def connect(levels: Path, *pins: int) -> None:
    part = levels.with_suffix(".part")
    part.write_text(json.dumps(pins))
    part.rename(levels)


def write(page: Page, button: str = "Write it and watch by it") -> None:
    page.get_by_role("button", name=button).click()


def test_a_switch_is_found_by_its_door(service: RunningService, levels: Path, look: Look) -> None:
    page = look(service, width_px=360, expected="Failed to load resource")
    page.goto(f"{page.url.split('#')[0]}#/setting-up/switches")
    expect(page.get_by_text("That is set up by hand alone, not on this page.")).to_be_visible(
        timeout=SOON_MS
    )
    page.get_by_role("button", name="Look for the switch").focus()
    page.keyboard.press("Enter")
    found = page.get_by_role("group", name="Find a new one")
    expect(found.get_by_text("2 free pins are looked at")).to_be_visible(timeout=SOON_MS)
    expect(found.get_by_text("GPIO 4 (onewire@4)")).to_be_visible()
    connect(levels, 22)  # the door is shut
    mine = found.get_by_role("radio", name="GPIO 22: changed once, closed just now")
    expect(mine).to_be_visible(timeout=SOON_MS)
    mine.check()
    expect(page.get_by_text("By this, “door” is shut just now.")).to_be_visible()
    connect(levels)
    expect(page.get_by_text("By this, “door” is open just now.")).to_be_visible(timeout=SOON_MS)
    page.get_by_label("Its name").fill("lid")
    fits(page)
    page.get_by_role("link", name="Next").click()  # it isn't dropped without a word
    expect(page.get_by_text("This switch isn't taken yet.")).to_be_visible()
    page.get_by_role("button", name="Take this switch").click()
    # What was taken stays, whatever step one looks at meanwhile.
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_role("heading", name="Is there a camera")).to_be_visible()
    page.get_by_role("button", name="See what changes").click()
    expect(page.locator(".changes li")).to_have_text(
        "New switch “lid”: door, on GPIO 22; closed means shut."
    )
    write(page)
    expect(page.get_by_text("Written: it is watched by this now.")).to_be_visible(timeout=BACK_MS)
    page.get_by_role("link", name="Back").click()
    expect(page.get_by_text("lid: a door, lid or panel, on GPIO 22")).to_be_visible()
    own = service.folder / "chamber.toml"
    assert own.read_text().endswith('pin = 22\nclosed_means = "safe"\n')


def test_a_second_box_comes_and_goes(service: RunningService, look: Look) -> None:
    page = look(service, width_px=360, expected="Failed to load resource")
    page.get_by_role("link", name="Setting up", exact=True).click()
    page.get_by_role("link", name="Add another box").click()
    page.get_by_label("Its name").fill("north bench!")
    page.get_by_text("metal").click()
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_text("“North bench” is another box already.")).to_be_visible()
    page.get_by_label("Its name").fill("South bench")
    # Each box has a draft of its own.
    page.get_by_label("Chamber").select_option(label="North bench")
    expect(page.get_by_label("Its name")).to_have_value("North bench")
    page.get_by_label("Chamber").select_option(label="a new box")
    expect(page.get_by_label("Its name")).to_have_value("South bench")
    page.get_by_role("link", name="Next").click()
    taken = page.get_by_role("listitem", name=f"Sensor {TOP}")
    expect(taken.get_by_text("In use: top, of North bench")).to_be_visible(timeout=SOON_MS)
    expect(taken.get_by_role("button", name="Take this one")).to_have_count(0)
    other = page.get_by_role("listitem", name=f"Sensor {ROOM}")
    other.get_by_role("button", name="Take this one").click()
    other.get_by_role("button", name="low").click()
    fits(page)
    page.get_by_role("button", name="See what changes").click()
    write(page)
    # No step is left out.
    expect(page.get_by_role("heading", name="Where does each")).to_be_visible(timeout=BACK_MS)
    names = [chamber["name"] for chamber in service.get("/api/now")["chambers"]]
    assert names == ["North bench", "South bench"]
    expect(page.get_by_label("Chamber")).to_have_value("south-bench")

    # And away again, after it was said what stays.
    wait_until(lambda: all(not f["by_hand"] for f in files(service)), within_s=SOON_S)
    page.get_by_role("link", name="Later").click()
    page.get_by_role("button", name="Take “South bench” away").click()
    expect(page.get_by_text("What is kept of it stays: its jobs, readings")).to_be_visible()
    fits(page)
    write(page, "Take it away")
    expect(page.get_by_role("button", name="Bring this box back")).to_be_visible(timeout=BACK_MS)
    assert [file["chamber"] for file in files(service)] == ["north-bench"]
    assert not (service.folder / "chamber-2.toml").exists()


def files(service: RunningService) -> list[dict[str, object]]:
    items: list[dict[str, object]] = service.get("/api/chamber-files")["items"]
    return items
