"""The log of a job on a telephone at the machine: asked for, filled in, offered as last time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from integration.test_job_logs import CHAMBER, IDLE
from running import RunningService, stillair, wait_until
from warm_starts import warm_run

from .conftest import Look, until
from .test_jobs_page import fits

WIDTH_PX = 390
PASSWORD = "eight oars in the water"


@pytest.fixture(scope="module")
def cold(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """A service over a box in which every job is cold as soon as it is done."""
    folder = tmp_path_factory.mktemp("cold")
    (folder / "chamber.toml").write_text(CHAMBER)
    (folder / "idle.toml").write_text(IDLE)
    with RunningService(folder / "data", "--chamber", str(folder / "chamber.toml")) as running:
        yield running


def done(service: RunningService, name: str, material: str = "ASA") -> str:
    job = str(service.post("/api/jobs", {"name": name, "material": material})["id"])
    service.post(f"/api/jobs/{job}/finish")
    return job


def log_of(service: RunningService, job: str) -> dict[str, Any]:
    found: dict[str, Any] = service.get(f"/api/jobs/{job}/log")
    return found


def small_targets(page: Page, part: str = ".job-log") -> list[str]:
    """What can be touched in a part of the page and is smaller than a finger."""
    found: list[str] = page.evaluate(
        """(part) => [...document.querySelectorAll(
          `${part} :is(button, select, summary, label.act)`)]
        .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 44)
        .map((e) => e.textContent)""",
        part,
    )
    return found


def test_a_job_that_has_cooled_down_is_asked_about_and_told_at_the_machine(
    cold: RunningService, look: Look
) -> None:
    job = done(cold, "Fin box")
    page = look(cold, width_px=WIDTH_PX)
    asks = page.locator(".ask-of")
    expect(asks).to_contain_text("Fin box is over. How did it come out?")
    asks.get_by_role("link", name="Write down more").click()
    log = page.locator(".job-log")
    expect(log.get_by_role("heading", name="How did it come out?")).to_be_visible()
    expect(log).to_have_attribute("open", "")

    log.get_by_role("button", name="One piece more").click()
    piece = log.get_by_role("group", name="Piece 1", exact=True)
    piece.get_by_role("button", name="sound").click()
    expect(piece.get_by_role("button", name="sound")).to_have_attribute("aria-pressed", "true")
    piece.get_by_label("Place on the plate").select_option("back left")
    expect(log.get_by_role("status").first).to_have_text("Kept: Piece 1.")
    piece.get_by_role("button", name="What is wrong with it").click()
    expect(piece.get_by_label("Which flaw")).to_be_focused()
    piece.get_by_label("Which flaw").select_option("crack between layers")
    piece.get_by_label("Height of it").fill("abc")
    piece.get_by_role("button", name="Keep").click()
    expect(log.get_by_role("alert").first).to_contain_text("Give the height as a number")
    piece.get_by_label("Height of it").fill("30,2")
    piece.get_by_label("In a few words").fill("opens under the thumb")
    assert fits(page)
    assert small_targets(page) == []
    piece.get_by_role("button", name="Keep").click()
    expect(piece.get_by_role("listitem")).to_contain_text("crack between layers, at 30.2\u00a0mm")
    expect(piece.get_by_role("button", name="flawed")).to_have_attribute("aria-pressed", "true")
    # The whole job came out as its worst piece, and the section doesn't close under the finger.
    whole = page.locator(".came-out").first
    expect(whole.get_by_role("button", name="flawed")).to_have_attribute("aria-pressed", "true")
    expect(log).to_have_attribute("open", "")

    log.get_by_label("Dried for, hours").fill("6,5")
    log.get_by_label("Dried for, hours").press("Tab")
    wait_until(lambda: log_of(cold, job)["log"]["dried_h"] == 6.5, within_s=60)
    log.get_by_label("Nozzle, °C").fill("hot")
    log.get_by_label("Nozzle, °C").press("Tab")
    expect(log.get_by_role("alert").first).to_contain_text("Nozzle, °C: give a number")
    log.get_by_label("Brim").select_option("corner discs")
    wait_until(lambda: log_of(cold, job)["log"]["brim"] == "corner discs", within_s=60)
    log.get_by_label("Renewed on").fill("2026-01-05")
    log.get_by_label("Renewed on").press("Tab")
    wait_until(lambda: log_of(cold, job)["log"]["held_since"] == "2026-01-05", within_s=60)
    found = log_of(cold, job)
    assert (found["log"]["brim"], found["log"]["nozzle_c"]) == ("corner discs", None)
    assert found["pieces"][0]["place"] == "back left"
    assert fits(page)
    wait_until(lambda: cold.now()["unsaid"] is None, within_s=60)
    page.get_by_role("link", name="Now").click()
    expect(page.locator(".ask-of")).to_have_count(0)


def test_a_flaw_at_a_height_takes_four_taps(cold: RunningService, look: Look) -> None:
    job = done(cold, "Rigger spacer")
    page = look(cold, width_px=WIDTH_PX)
    page.locator(".ask-of").get_by_role("button", name="flawed").click()
    wrong = page.locator(".wrong")
    expect(wrong.get_by_role("heading")).to_have_text("What is wrong with it, and how high up?")
    expect(wrong.get_by_role("button", name="corner lifted")).to_be_focused()
    expect(wrong.get_by_role("button", name="corner lifted")).to_be_in_viewport()
    wrong.get_by_role("button", name="Keep it").click()
    expect(wrong.get_by_role("alert")).to_contain_text("Tap what is wrong with it.")
    assert log_of(cold, job)["pieces"] == []
    wrong.get_by_role("button", name="crack between layers").click()
    wrong.get_by_label("Height, mm").fill("30,2")
    assert fits(page)
    assert small_targets(page, ".wrong") == []
    wrong.get_by_role("button", name="Keep it").click()
    expect(wrong).to_contain_text("Crack between layers at 30.2\u00a0mm")
    expect(wrong).to_contain_text("When that height was laid is not known.")
    expect(wrong.get_by_role("heading")).to_be_focused()
    (piece,) = log_of(cold, job)["pieces"]
    assert (piece["number"], piece["outcome"]) == (1, "flawed")
    assert [(flaw["kind"], flaw["height_mm"]) for flaw in piece["flaws"]] == [
        ("crack between layers", 30.2)
    ]
    # Another one, days later; nothing that was said before is lost.
    wrong.get_by_role("button", name="Write down another flaw").click()
    wrong.get_by_role("button", name="edge curled").click()
    wrong.get_by_role("button", name="Keep it").click()
    expect(wrong.locator(".laid")).to_have_count(2)
    assert len(log_of(cold, job)["pieces"][0]["flaws"]) == 2
    page.locator(".came-out").first.get_by_role("button", name="sound").click()
    expect(wrong).to_have_count(0)


def test_what_one_types_stays_while_another_tells_something(
    cold: RunningService, look: Look
) -> None:
    job = done(cold, "Rigger spacer")
    page = look(cold, f"/#/jobs/{job}", width_px=WIDTH_PX)
    log = page.locator(".job-log")
    log.get_by_label("Batch of the material").fill("ASA 4")
    cold.web.patch(f"/api/jobs/{job}/log", json={"brim": "raft", "bed_c": 105})
    expect(log.get_by_label("Brim")).to_have_value("raft")
    expect(log.get_by_label("Batch of the material")).to_have_value("ASA 4")
    log.get_by_label("Batch of the material").press("Enter")
    wait_until(lambda: log_of(cold, job)["log"]["batch"] == "ASA 4", within_s=60)
    assert log_of(cold, job)["log"]["brim"] == "raft"


def test_as_last_time_is_one_tap(cold: RunningService, look: Look) -> None:
    before = done(cold, "Oarlock bushing", "PA")
    said = {"batch": "PA 2", "dried_h": 8, "hold": "glue stick", "humidity_percent": 40}
    cold.web.patch(f"/api/jobs/{before}/log", json=said)
    job = done(cold, "Oarlock bushing again", "PA")
    page = look(cold, f"/#/jobs/{job}", width_px=WIDTH_PX)
    log = page.locator(".job-log")
    log.get_by_role("button", name="As last time (Oarlock bushing)").click()
    expect(log.get_by_label("What holds the part")).to_have_value("glue stick")
    expect(log.get_by_label("Dried for, hours")).to_have_value("8")
    expect(log.get_by_label("Humidity of the room")).to_have_value("")
    expect(log.get_by_role("button", name="As last time")).to_have_count(0)


def test_a_photograph_is_added_and_removed(
    cold: RunningService, look: Look, tmp_path: Path
) -> None:
    job = done(cold, "Cox's footrest")
    file = tmp_path / "corner.png"
    assert cv2.imwrite(str(file), np.full((300, 400, 3), 128, np.uint8))
    page = look(cold, f"/#/jobs/{job}", width_px=WIDTH_PX, expected="status of 4")
    log = page.locator(".job-log")
    log.get_by_label("Add a photograph").set_input_files(file)
    picture = log.get_by_role("img")
    expect(picture).to_have_count(1, timeout=20_000)
    until(page, "document.querySelector('.photographs img').naturalWidth === 400")
    assert fits(page)
    log.get_by_role("button", name="Remove").click()
    log.get_by_role("button", name="Yes, remove it").click()
    expect(picture).to_have_count(0)
    assert cold.get(f"/api/jobs/{job}/photographs")["items"] == []
    file.write_bytes(b"\x89PNG no picture")
    log.get_by_label("Add a photograph").set_input_files(file)
    expect(log.get_by_role("alert").first).to_contain_text("no picture in JPEG, PNG or WebP")


def test_a_running_job_s_log_is_there_but_not_asked_for(cold: RunningService, look: Look) -> None:
    job = str(cold.post("/api/jobs", {"name": "Spacer", "material": "ASA"})["id"])
    page = look(cold, f"/#/jobs/{job}", width_px=WIDTH_PX)
    log = page.locator(".job-log")
    expect(log.get_by_role("heading", name="The job's log")).to_be_visible()
    expect(log.get_by_role("button", name="One piece more")).to_have_count(0)
    log.locator("summary").focus()
    page.keyboard.press("Enter")
    expect(log.get_by_role("button", name="One piece more")).to_be_visible()
    cold.post(f"/api/jobs/{job}/finish")


def test_who_may_only_see_reads_the_log_and_is_asked_nothing(tmp_path: Path, look: Look) -> None:
    (tmp_path / "chamber.toml").write_text(CHAMBER)
    (tmp_path / "idle.toml").write_text(IDLE)
    data = tmp_path / "data"
    words = ("--chamber", str(tmp_path / "chamber.toml"))
    with RunningService(data, *words) as service:
        job = done(service, "Fin box")
        service.web.patch(f"/api/jobs/{job}/log", json={"batch": "ASA 4"})
        piece = {"place": "middle", "flaws": [{"kind": "edge curled", "text": "at the lip"}]}
        service.web.put(f"/api/jobs/{job}/pieces/3", json=piece)
    for account in (("owner", "add", "captain"), ("person", "add", "cox", "--role", "viewer")):
        made = warm_run(
            stillair(*account, "--data-dir", str(data)), typed=f"{PASSWORD}\n{PASSWORD}\n"
        )
        assert made.returncode == 0, made.stderr
    with RunningService(data, *words) as service:
        page = look(service, f"/#/jobs/{job}", expected="status of 4")
        page.get_by_label("Name").fill("cox")
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        log = page.locator(".job-log")
        log.get_by_role("heading", name="The job's log").click()
        expect(log).to_contain_text("Piece 3, middle, flawed")
        expect(log.get_by_role("listitem")).to_have_text("edge curled: at the lip")
        expect(log.get_by_role("definition")).to_have_text("ASA 4")
        for role in ("button", "textbox", "combobox"):
            expect(log.get_by_role(role)).to_have_count(0)
        assert fits(page)
        page.close()  # before its service, which it would miss
