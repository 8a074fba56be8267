"""The first run, by thumb and by keyboard: from nothing to a chamber that is watched."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt import publish
from playwright.sync_api import Page, expect

from chips import OneWireTree
from integration.mjpeg_server import MjpegServer, packed
from running import RunningService
from servers import Broker, free_loopback_port
from unit.fire_pictures import film
from unit.test_fitness import dark
from unnamed_chips import ROOM, TOP, first_start, two_chips

from .conftest import Look, until
from .pictures import for_the_readme
from .test_job_page import tab_to

SOON_MS = 30_000
BACK_MS = 90_000  # the service has to start anew, on a computer that does other things


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    return two_chips(tmp_path)


@pytest.fixture
def service(tmp_path: Path, tree: OneWireTree) -> Iterator[RunningService]:
    with first_start(tmp_path, tree) as running:
        yield running


def fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        """[...document.querySelectorAll('.setup .act, .setup input, .setup select')]
             .filter((e) => !['checkbox', 'radio'].includes(e.type))
             .filter((e) => e.checkVisibility({ contentVisibilityAuto: true }))
             .filter((e) => e.getBoundingClientRect().height < 44)
             .map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert small == [], "too small for a thumb"
    twice = page.evaluate(
        """[...document.querySelectorAll('[id]')].map((e) => e.id)
             .filter((id, n, all) => all.indexOf(id) !== n)"""
    )
    assert twice == [], "a label leads to one field"
    steps = page.locator("nav.onward").count()
    assert page.locator(".setup .act.must").count() == steps, "one button is the foremost"


def packed_pictures() -> list[bytes]:
    return [packed(picture) for _, picture in film(dark, 2.0, per_s=15.0)]


def looked_through(page: Page, stream: MjpegServer) -> None:
    """A camera is seen before it is taken, on the smallest screen and by keyboard."""
    page.set_viewport_size({"width": 360, "height": 740})
    page.get_by_label("Device or address").focus()
    page.keyboard.type(stream.address.replace("//", "//shed:oar@"))
    page.get_by_role("link", name="Next").click()  # it isn't dropped without a word
    expect(page.get_by_text("This camera isn't taken yet.")).to_be_visible()
    expect(page.locator("#setup-take-camera")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_alt_text("The camera's newest picture")).to_be_visible(timeout=SOON_MS)
    told = page.get_by_role("region", name="What it shows")
    expect(told).to_contain_text("It is too dark. Light the chamber", timeout=SOON_MS)
    expect(told.get_by_text(re.compile("^[0-9.]+ pictures a second"))).to_be_visible()
    fits(page)
    page.get_by_role("button", name="Take this camera").press("Enter")
    expect(page.locator(".taken")).to_be_focused()
    assert "oar" not in page.locator("main").inner_text()
    page.set_viewport_size({"width": 390, "height": 844})


def by_word(page: Page, broker: Broker) -> None:
    """A switch by topic: what came is offered as what it means, and both words are asked for."""
    page.get_by_label("How it tells").select_option("mqtt")
    page.get_by_label("Its topic").fill("shed/door")
    for word, means in (("OFF", "It means shut"), ("ON", "It means open")):
        publish.single("shed/door", word, hostname=broker.host, port=broker.port, retain=True)
        page.get_by_role("button", name="Try it, and listen").click()
        asked = page.get_by_role("group", name=f"“{word}” came.")
        asked.get_by_role("button", name=means).click(timeout=SOON_MS)
        expect(asked).to_have_count(0)
    shut = page.get_by_label("Its message for “shut”")
    expect(shut).to_have_value("OFF")
    expect(page.get_by_label("Its message for “open”")).to_have_value("ON")
    shut.fill("on")
    page.get_by_role("button", name="Take this switch").press("Enter")
    expect(page.get_by_text("One message can't mean both.")).to_be_visible()
    shut.fill("OFF")
    fits(page)
    page.get_by_role("button", name="Take this switch").click()
    expect(page.get_by_role("heading", name="Chosen, not written yet")).to_be_visible()
    expect(page.get_by_role("heading", name="In use")).to_have_count(0)


def by_web_address(page: Page) -> None:
    """A route that is none is said at its field, and what signs is there to be copied."""
    page.get_by_label("Name").fill("cox")
    page.get_by_label("How they are told").select_option("other")
    route = page.get_by_label("Route")
    for wrong, said in (("htps", "is no route"), ("http://shed.example.org/a", "https://")):
        route.fill(wrong)
        page.get_by_role("button", name="Take this person").click()
        expect(route).to_have_accessible_description(re.compile(said))
        expect(route).to_be_focused()
        expect(route).to_have_value(wrong)
    route.fill("https://shed.example.org/alarms")
    page.get_by_role("button", name="Take this person").click()
    signs = page.get_by_label("What signs messages")
    expect(signs).to_have_value(re.compile("^[0-9a-f]{64}$"))
    fits(page)
    page.get_by_role("button", name="See what changes").click()
    for line in ("What signs messages to web addresses is set.", "New person “cox”"):
        expect(page.locator(".changes li").filter(has_text=line)).to_be_visible()
    kept = page.evaluate("Object.values(localStorage).join()")
    assert signs.input_value() not in kept, "no browser keeps what signs"
    page.get_by_role("button", name="Leave cox out").click()
    expect(signs).to_have_count(0)


def by_mail(page: Page) -> None:
    """A mail server that was mistyped goes with its person, and is asked for anew."""
    for server, said in (
        ("http://mail.example.org", "has to be a bare name"),
        ("mail.example.org:2525", "The mail server's port: 2525."),
    ):
        page.get_by_label("Name", exact=True).fill("stroke")
        page.get_by_label("How they are told").select_option("mailto")
        page.get_by_label("E-mail address").fill("stroke@example.org")
        page.get_by_label("Its name").fill(server)
        fits(page)
        page.get_by_role("button", name="Take this person").click()
        leave = page.get_by_role("button", name="Leave stroke out")
        expect(leave).to_be_visible()
        page.get_by_role("button", name="See what changes").click()
        expect(page.locator("main")).to_contain_text(said)
        leave.click()


def told_and_written(page: Page, service: RunningService) -> None:
    """Somebody who is told, by keyboard; then all of it is seen, and written once."""
    expect(page.get_by_role("heading", name="Who is told")).to_be_focused()
    by_web_address(page)
    by_mail(page)
    page.get_by_label("Name").focus()
    page.keyboard.type("bench captain")
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_text("“bench captain” isn't taken yet.")).to_be_visible()
    expect(page.get_by_role("button", name="Take this person")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_text("bench captain: by the telephones joined")).to_be_visible()
    fits(page)
    page.get_by_role("button", name="See what changes").press("Enter")
    seen = page.locator(".changes li")
    expect(seen.filter(has_text="New sensor “room”: 28-0000075c30a4, in the room.")).to_be_visible()
    top = seen.filter(has_text="New sensor “top”")
    expect(top).to_contain_text("from the left wall, 93% up from the floor")
    expect(seen.filter(has_text="“OFF” means shut, and any other is a fault")).to_be_visible()
    for line in ("New sensor “low”: by MQTT", "The MQTT broker", "The camera: ", "New person"):
        expect(seen.filter(has_text=line)).to_be_visible()
    assert service.now()["simulated"], "only asked"
    fits(page)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    # It goes on by itself once it watches by the new file.
    expect(page.get_by_role("heading", name="Does an alarm arrive?")).to_be_visible(timeout=BACK_MS)
    expect(page.locator(".todo")).to_contain_text("Make an owner, on the page People.")
    page.get_by_role("link", name="Back").click()
    expect(page.get_by_role("link", name="Join a telephone")).to_be_visible()
    page.get_by_role("link", name="Back").click()
    running = page.get_by_alt_text("Inside the chamber, from the camera.")
    expect(running).to_be_visible(timeout=SOON_MS)
    for _ in range(2):
        page.get_by_role("link", name="Next").click()


def by_topic(page: Page, broker: Broker) -> None:
    """A broker is tried before it is taken; what is typed so far outlives a reload."""
    publish.single("shed/low", "41.5", hostname=broker.host, port=broker.port, retain=True)
    page.get_by_label("What it is").select_option("mqtt")
    page.get_by_label("Its topic").fill("shed/low")
    host = page.get_by_label("Its name or address")
    host.fill(f"127.0.0.1:{free_loopback_port()}")
    page.get_by_role("button", name="Try it, and listen").click()
    expect(page.get_by_text("No answer from 127.0.0.1")).to_be_visible(timeout=SOON_MS)
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_text("This broker isn't in use yet.")).to_be_visible()
    page.reload()
    expect(page.get_by_label("Its topic")).to_have_value("shed/low", timeout=SOON_MS)
    host.fill(f"127.0.0.1:{broker.port}")
    page.get_by_role("button", name="Try it, and listen").click()
    expect(page.get_by_text("On shed/low came 41.5.")).to_be_visible(timeout=SOON_MS)
    fits(page)
    page.get_by_label("Its topic").fill("shed/north/low")  # what was heard is another's
    expect(page.get_by_text("On shed/low came")).to_have_count(0)
    page.get_by_label("Its topic").fill("shed/low")
    page.get_by_role("button", name="Take this sensor").click()
    page.get_by_role("button", name="low", exact=True).click()
    expect(page.get_by_text("Chosen, not written yet: 127.0.0.1")).to_be_visible()


def test_from_the_first_start_to_watching_without_a_file(
    service: RunningService, tree: OneWireTree, own_broker: Broker, look: Look
) -> None:
    page = look(service, width_px=390, expected="Failed to load resource")
    page.get_by_role("link", name="Set your own up step by step").click()
    expect(page.get_by_role("heading", name="What is your box called")).to_be_focused()
    onward = page.get_by_role("link", name="Next")
    # What is missing or no number is said beside its field, which has the focus.
    onward.click()
    name = page.get_by_label("Its name")
    expect(name).to_be_focused()
    expect(name).to_have_accessible_description(re.compile("Give your box a name first"))
    name.fill("North bench")
    onward.click()
    expect(page.get_by_label("cardboard")).to_be_focused()
    expect(page.get_by_text("Choose at least one")).to_be_visible()
    page.get_by_text("plywood").click()
    page.get_by_text("foam", exact=False).first.click()
    wanted = page.get_by_label("Temperature that jobs want")
    wanted.fill("warm")
    onward.click()
    expect(wanted).to_be_focused()
    expect(page.get_by_text("“warm” is no number")).to_be_visible()
    wanted.fill("")
    page.get_by_text("Its size, and how warm its air may get").click()
    fold = page.locator(".setup details[open]")
    tops = [each.bounding_box() for each in fold.locator("label, input").all()]
    for above, below in itertools.pairwise(tops):  # a label stands above its field
        assert above and below and above["y"] + above["height"] <= below["y"]
    fits(page)
    onward.click()

    mine = page.get_by_role("listitem", name=f"Sensor {TOP}")
    expect(mine.get_by_text("up by 0.0 °C")).to_be_visible(timeout=SOON_MS)
    tree.warm_to(TOP, 22.5)
    expect(page.get_by_text(f"{TOP} is warming: up by 3.5 °C")).to_be_visible(timeout=SOON_MS)
    mine.get_by_role("button", name="Take this one").click()
    # It has no name unasked, and goes nowhere without one.
    expect(mine.get_by_role("group", name="What is this one called?")).to_be_focused()
    onward.click()
    expect(mine.get_by_label("Name")).to_be_focused()
    expect(mine.get_by_text("Say what this sensor is called.")).to_be_visible()
    mine.get_by_role("button", name="top").click()
    expect(mine.get_by_label("Name")).to_have_value("top")
    other = page.get_by_role("listitem", name=f"Sensor {ROOM}")
    # The other one by keyboard alone.
    tab_to(page, "Take this one")
    page.keyboard.press("Enter")
    expect(other.get_by_role("group", name="What is this one called?")).to_be_focused()
    for _ in range(3):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(other.get_by_label("Name")).to_be_focused()
    expect(other.get_by_label("Name")).to_have_value("room")
    expect(other.get_by_label("Where it is")).to_have_value("room")
    fits(page)
    by_topic(page, own_broker)
    onward.click()

    # By the pointer, by keys, and by a list.
    expect(page.get_by_role("heading", name="Where does each one sit?")).to_be_visible()
    until(page, "scrollY === 0")  # a new screen begins at its top
    handle = page.get_by_role("button", name="top:")
    box = page.locator("svg.placing").bounding_box()
    at = handle.locator(".dot").bounding_box()
    assert box and at
    page.mouse.move(at["x"] + 5, at["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    expect(handle).to_have_accessible_name(re.compile("^top: (49|50|51) % .*, (49|50|51) % up"))
    handle.press("Shift+ArrowUp")
    handle.press("ArrowLeft")
    expect(handle).to_have_accessible_name(re.compile("^top: (47|48|49) % .*, (59|60|61) % up"))
    page.get_by_label("Height").first.select_option(label="under the lid")
    expect(handle).to_have_accessible_name(re.compile("93 % up"))
    fits(page)
    for_the_readme(page, "setting-up", last=page.locator("nav.onward"))
    onward.click()
    expect(page.get_by_text("This computer has no GPIO pins")).to_be_visible()
    fits(page)
    by_word(page, own_broker)
    onward.click()
    expect(page.get_by_role("heading", name="Is there a camera")).to_be_visible()
    with MjpegServer(packed_pictures(), frames_per_s=15.0) as stream:
        looked_through(page, stream)
        onward.click()
        told_and_written(page, service)
    now = service.now()
    assert not now["simulated"]
    assert [sensor["name"] for sensor in now["sensors"]] == ["top", "room", "low"]
    assert now["sensors"][0]["drawn_at"][1] == 0.93
    kept = page.evaluate("Object.values(localStorage).join()")
    assert "oar" not in kept, "no browser keeps a camera's password"

    # What no server took can't have arrived, and nobody is asked whether it did.
    page.get_by_role("link", name="To the alarm test").click()
    page.get_by_role("button", name="Begin an alarm test").click()
    page.get_by_role("button", name="Yes, begin").click()
    expect(page.get_by_text("No server took a message for them")).to_be_visible(timeout=BACK_MS)
    expect(page.get_by_role("button", name="It arrived, and I heard it")).to_have_count(0)
    expect(page.get_by_role("link", name="Join a telephone")).to_be_visible()
    page.go_back()
    page.get_by_role("link", name="To the chamber").click()
    expect(page.locator(".section .value").first).to_contain_text("22.5")

    # A topic on which nothing comes isn't taken for one that sends.
    page.goto(f"{page.url.split('#')[0]}#/setting-up/sensors")
    page.get_by_label("Its topic").fill("shed/lwo", timeout=SOON_MS)
    silent = page.get_by_text("Nothing has come on shed/lwo so far.")
    expect(silent).to_be_visible()
    page.get_by_role("button", name="Try it, and listen to the topic").click()
    expect(page.get_by_text("Nothing came on shed/lwo")).to_be_visible(timeout=SOON_MS)
    expect(silent).to_be_visible()
    page.get_by_label("Its topic").fill("shed/low")
    expect(silent).to_have_count(0)

    # Later, a part of it: another value, and what was before it again.
    page.get_by_role("link", name="Setting up", exact=True).click()
    # The clock is told by the reader's own, with its zone.
    expect(page.locator("main")).to_contain_text(re.compile(r"Clock: .*\(Europe/Berlin\)"))
    page.get_by_role("link", name="The box").click()
    page.get_by_label("Temperature that jobs want").fill("45")
    page.get_by_role("button", name="See what changes").click()
    expect(page.locator(".changes li")).to_have_text(re.compile("^The target: 45.0"))
    page.get_by_role("button", name="Not yet").click()
    page.get_by_role("link", name="Later").click()
    page.get_by_role("button", name="Undo this").click()
    expect(page.get_by_role("button", name="Undo it")).to_be_visible()
    expect(page.get_by_text("Before that this box wasn't there")).to_be_visible()
