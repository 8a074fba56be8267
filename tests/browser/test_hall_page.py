"""The pages of a hall: all chambers at once, found and filtered, one opened and answered."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from hall_voices import Boards, a_job, alarm, an_alarm, board_mark, now, watch
from halls import hall
from running import RunningService, wait_until
from servers import Broker, DatabaseServer
from stillair.hall.mirror import Standing

from .conftest import Look, until
from .test_every_page import AA, AXE, FOUND
from .test_jobs_page import fits
from .test_page_parts import ask
from .test_report_page import shot as keep_picture

MANY = 150
FIRE, DOOR, LOST = 7, 9, 11
NAMES = ("north bench", "south bench", "store room", "long bench", "paint shop", "loft")
LONG_PLACE = "the shed behind the slipway, " + "left" * 13  # as long as one is shown


def say_all(boards: Boards) -> None:
    """A shed full of boards: one burns, one has its door open, one is out of reach."""
    for number in range(MANY):
        board, name = board_mark(number), f"{NAMES[number % 6]} {number}"
        job = a_job(("Oarlock bushings", "Fin box")[number % 2]) if number % 5 == 0 else None
        state = "silent" if number == LOST else "watching"
        place = {FIRE: "boat shed, left bench", DOOR: LONG_PLACE}.get(number, "")
        told: dict[str, Any] = {"name": name}
        standing: tuple[str, ...] = ()
        if number == FIRE:
            standing = ("north-bench-1",)
            told |= {"tone": "danger", "calm": False, "sentence": "Fire: flame and heat for 40 s"}
        if number == DOOR:
            standing = ("north-bench-2",)
            told |= {"tone": "caution", "calm": False, "sentence": "Door open for 3 min"}
        boards.say_soon(board, "watch", watch(board, name=name, place=place, state=state))  # type: ignore[arg-type]
        boards.say_soon(board, "now", now(board, standing=standing, job=job, **told))
    fire, door = board_mark(FIRE), board_mark(DOOR)
    boards.say(fire, "alarms/north-bench-1", alarm(fire, an_alarm()))
    words = {"kind": "door_open", "class": "supervisory", "priority": "medium"}
    opened = an_alarm("north-bench-2", text="The door is open. Shut it.", **words)
    boards.say(door, "alarms/north-bench-2", alarm(door, opened))


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    of = Broker(tmp_path_factory.mktemp("broker"))
    of.start()
    yield of
    of.stop()


@pytest.fixture(scope="module")
def shed(
    broker: Broker, tmp_path_factory: pytest.TempPathFactory, database_server: DatabaseServer
) -> Iterator[tuple[RunningService, Boards]]:
    folder = tmp_path_factory.mktemp("hall")
    boards = Boards(broker.port)
    try:
        with hall(folder / "hall", broker.port, store=database_server.new_database()) as running:
            wait_until(lambda: running.get("/api/now")["hall"]["heard"], within_s=20)
            say_all(boards)
            wait_until(
                lambda: (
                    running.get("/api/now")["hall"]["counts"]["danger"] == 1
                    and len(running.get("/api/hall")["items"]) == MANY
                ),
                within_s=60,
            )
            yield running, boards
    finally:
        boards.close()


def nothing_amiss(page: Page) -> None:
    page.evaluate(AXE.read_text())
    assert page.evaluate(FOUND, list(AA)) == []


@pytest.mark.parametrize("width_px", [390, 1280])
def test_all_chambers_stand_in_one_sentence_and_a_line_each(
    shed: tuple[RunningService, Boards], look: Look, width_px: int
) -> None:
    page = look(shed[0], width_px=width_px)
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Danger: south bench {FIRE}")
    lines = page.locator(".hall-lines li")
    expect(lines.first).to_contain_text("Fire: flame and heat")
    expect(lines.nth(1)).to_contain_text("Door open for 3 min")
    expect(lines.nth(2)).to_contain_text("broke off its connection")
    expect(lines.nth(3)).to_contain_text("12 mm")  # what builds comes before what is calm
    assert fits(page)
    assert lines.count() < MANY, "a line is drawn only near to where it is seen"
    keep_picture(page, f"hall-{width_px}")
    nothing_amiss(page)
    page.get_by_label("Find by name").fill("loft 1")
    named = [n for n in range(MANY) if f"{NAMES[n % 6]} {n}".startswith("loft 1")]
    expect(lines).to_have_count(len(named))
    page.get_by_label("Find by name").fill("left bench")
    expect(lines).to_have_count(1)
    expect(lines.first).to_contain_text("boat shed, left bench, board")
    page.get_by_label("Find by name").fill("")
    page.get_by_role("button", name=re.compile("^out of reach")).click()
    expect(lines).to_have_count(1)


def test_a_chamber_is_opened_by_keyboard_and_its_alarm_answered(
    shed: tuple[RunningService, Boards], look: Look
) -> None:
    running, boards = shed
    page = look(running, width_px=390)
    first = page.locator(".hall-lines a").first
    first.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Fire: flame and heat for 40 s")
    expect(page.get_by_text("Call the fire brigade")).to_be_visible()
    assert fits(page)
    until(page, "document.querySelector('.hall-chamber .plot canvas') !== null")
    keep_picture(page, "hall-chamber")
    nothing_amiss(page)
    page.get_by_role("button", name="I've seen it").click()
    expect(page.get_by_text("Sent; the board has not answered yet.")).to_be_visible()
    wait_until(lambda: boards.orders, within_s=60)
    boards.answer(done=True)
    expect(page.get_by_text("The board has noted it.")).to_be_visible()
    expect(page.get_by_role("button", name="I've seen it")).to_have_count(0)
    # Nothing that is done at a board is offered here.
    expect(page.get_by_role("link", name="Setting up")).to_have_count(0)
    page.get_by_role("link", name="All chambers").first.click()
    expect(page.locator(".hall-lines")).to_be_visible()
    page.get_by_role("link", name="Jobs").click()
    expect(page.get_by_text("The newest of all chambers.")).to_be_visible()


def test_what_may_be_answered_together_is_read_first_and_answered_at_once(
    shed: tuple[RunningService, Boards], look: Look
) -> None:
    running, boards = shed
    before = len(boards.orders)
    page = look(running, width_px=390)
    page.get_by_role("button", name="Say of many that you've seen them").click()
    asked = page.get_by_role("group", name="Say of many that you've seen them")
    expect(asked).to_contain_text("The door is open. Shut it.")
    expect(asked).not_to_contain_text("Call the fire brigade")
    assert fits(page)
    keep_picture(page, "hall-many")
    nothing_amiss(page)
    page.keyboard.press("Escape")
    expect(asked).to_have_count(0)
    page.get_by_role("button", name="Say of many that you've seen them").click()
    asked.get_by_role("button", name=re.compile("^I've seen")).click()
    expect(page.get_by_text("What each board answers stands at its chamber.")).to_be_visible()
    wait_until(lambda: len(boards.orders) == before + 1, within_s=60)
    # When nothing more waits for an answer, what became of this one still stands there.
    door = board_mark(DOOR)
    boards.say_soon(door, "alarms/north-bench-2", b"")
    boards.say(door, "now", now(door, name=f"{NAMES[DOOR % 6]} {DOOR}"))
    expect(page.get_by_role("button", name="Say of many that you've seen them")).to_have_count(0)
    expect(page.get_by_text("What each board answers stands at its chamber.")).to_be_visible()


def test_an_address_of_a_boards_page_leads_to_all_chambers(
    shed: tuple[RunningService, Boards], look: Look
) -> None:
    page = look(shed[0], width_px=390)
    page.goto(f"{page.url}#/setting-up")
    expect(page.get_by_text("There is no page at this address")).to_be_visible()
    expect(page.locator(".hall-lines li").first).to_be_visible()


def test_no_answer_for_many_is_offered_while_no_board_can_be_asked(
    shed: tuple[RunningService, Boards], broker: Broker, look: Look
) -> None:
    running, _ = shed
    page = look(running, width_px=390)
    many = page.get_by_role("button", name="Say of many that you've seen them")
    why = page.get_by_text("No board can be asked just now to note that you have seen something")
    expect(page.locator(".hall-lines li").first).to_be_visible()
    expect(why).to_have_count(0)
    broker.stop()
    try:
        expect(why).to_be_visible()
        expect(many).to_have_count(0)
        assert fits(page)
        assert "The door is open" not in str(running.get("/api/hall/unseen"))
        page.locator(".hall-lines a").first.click()
        expect(page.get_by_text("It isn't known how it is: the broker is out of")).to_be_visible()
        expect(page.get_by_text("Its board can't be asked just now")).to_be_visible()
    finally:
        broker.start()


@pytest.mark.parametrize(
    ("counts", "settling", "awaited", "says", "below"),
    [
        ({"heed": 14}, 14, 0, "All 14 chambers are watched, and not yet known to be steady", ""),
        ({"heed": 3, "calm": 2}, 2, 0, "1 of 5 chambers is not calm", "2 more are not yet known"),
        ({"danger": 1, "heed": 3}, 3, 0, "Danger: ", "3 more are not yet known to be steady."),
        ({"danger": 1, "heed": 3}, 0, 0, "Danger: ", "3 more are not calm."),
        ({"heed": 5}, 0, 5, "All 5 chambers were not heard yet since the broker was reached", ""),
        ({"heed": 3, "calm": 2}, 1, 1, "1 of 5 chambers was not heard yet", "1 more is not calm"),
        ({"danger": 1, "heed": 3}, 0, 3, "Danger: ", "3 more were not heard yet since the broker"),
    ],
)
def test_what_is_too_soon_to_say_frightens_nobody_and_is_not_called_calm(
    sums: Page, counts: dict[str, int], settling: int, awaited: int, says: str, below: str
) -> None:
    all_of = dict.fromkeys(Standing, 0) | counts
    told = {"counts": all_of, "settling": settling, "awaited": awaited, "heard": True}
    found = ask(sums, "hall", "m.sentenceOf(a, [], '')", told)
    assert found["says"].startswith(says)
    assert found["below"].startswith(below)
    assert bool(found["below"]) is bool(below)
