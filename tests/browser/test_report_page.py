"""A job on paper: on the screen, with the print rules, and as the pages that come out."""

from __future__ import annotations

import io
import json
import os
import re
import zipfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from playwright.sync_api import Page, expect

from running import RunningService, wait_until

from .conftest import Look, Serve, unfold, until
from .test_jobs_page import fits

NAME = "Six rigger spacers for the double scull"
A4_PX = (794, 1123)


def shot(page: Page, name: str) -> None:
    """Keep a picture of it for a person, where somebody wants to look."""
    if folder := os.environ.get("STILLAIR_SHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


def photograph() -> bytes:
    picture = np.full((900, 1200, 3), 150, np.uint8)
    cv2.line(picture, (200, 500), (1000, 480), (20, 20, 20), 4)
    done, data = cv2.imencode(".jpg", picture)
    assert done
    return bytes(data)


def put(service: RunningService, path: str, body: dict[str, Any]) -> None:
    method = service.web.patch if path.endswith("/log") else service.web.put
    answer = method(path, json=body)
    assert answer.is_success, answer.text


def built(service: RunningService) -> str:
    """A job with all that a page can say: flaws, notes, a log, photographs."""
    job = str(service.post("/api/jobs", {"name": NAME, "material": "ASA", "machine": "left"})["id"])
    wait_until(lambda: len(service.get(f"/api/jobs/{job}/readings")["time_s"]) > 300, within_s=60)
    for n in range(30):
        service.post(f"/api/jobs/{job}/note", {"text": f"looked in, number {n + 1}"})
    service.post(f"/api/jobs/{job}/finish")
    flaw = {"kind": "crack between layers", "height_mm": 30.2, "place": "front left"}
    put(service, f"/api/jobs/{job}/pieces/1", {"outcome": "flawed", "flaws": [flaw]})
    put(service, f"/api/jobs/{job}/pieces/2", {"outcome": "sound"})
    put(service, f"/api/jobs/{job}/log", {"batch": "A-17", "dried_h": 6, "humidity_percent": 48})
    for _ in range(3):
        sent = service.web.post(
            f"/api/jobs/{job}/photographs",
            content=photograph(),
            headers={"content-type": "image/jpeg"},
        )
        assert sent.status_code == 201, sent.text
    return job


def whole(page: Page) -> None:
    page.locator(".report canvas").wait_for(timeout=60_000)  # layers are worked out before
    until(page, "[...document.images].every((i) => i.complete)")


@pytest.mark.timeout(300)
def test_a_job_goes_on_paper_whole(serve: Serve, look: Look) -> None:
    service = serve(speed=60, frames_per_s=1)
    job = built(service)
    page = look(service, f"/#/jobs/{job}", width_px=390)
    for width_px in (390, 1280):
        page.set_viewport_size({"width": width_px, "height": 844})
        page.goto(f"http://127.0.0.1:{service.port}/#/jobs/{job}")
        unfold(page, "Take it along")
        page.get_by_role("link", name="Page for paper").click()
        whole(page)
        report = page.locator(".report")
        expect(report).to_contain_text(NAME)
        expect(report).to_contain_text("Of ASA, batch A-17.")
        expect(report).to_contain_text("crack between layers, at 30.2\u00a0mm, at the front left")
        expect(report).to_contain_text("When that height was laid is not known.")
        expect(report).to_contain_text("Target 45.0\u00a0°C, limit 70.0\u00a0°C")
        expect(report).to_contain_text(f"Job {job}. Times are those of Europe/Berlin.")
        expect(report).to_contain_text("aid, not a listed fire or smoke alarm")
        expect(report).to_contain_text("nothing of it was real")
        assert fits(page)
        shot(page, f"screen-{width_px}")

    page.emulate_media(media="print")
    page.set_viewport_size({"width": A4_PX[0] - 106, "height": A4_PX[1]})
    shot(page, "paper")
    expect(page.locator(".ways")).to_be_hidden()
    expect(page.locator(".foot")).to_be_hidden()
    expect(page.locator(".meanwhile")).to_be_hidden()
    expect(page.locator(".report .acts")).to_be_hidden()
    assert fits(page)
    cut = page.evaluate(
        """[...document.querySelectorAll(".report *")].filter((e) => {
            const box = e.getBoundingClientRect();
            return box.width > 0 && !e.closest(".uplot") && box.right > innerWidth + 1;
        }).map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert cut == []
    ground = page.evaluate("getComputedStyle(document.querySelector('.report')).backgroundColor")
    assert ground == "rgb(255, 255, 255)"
    for form in ("A4", "Letter"):
        pdf = page.pdf(format=form, print_background=False)
        pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
        assert 2 <= pages <= 5, f"{form}: {pages}"
        if folder := os.environ.get("STILLAIR_SHOTS"):
            (Path(folder) / f"{form}.pdf").write_bytes(pdf)


def test_a_dark_screen_makes_no_dark_paper_and_the_file_comes_with_a_tap(
    shed: RunningService, look: Look
) -> None:
    wait_until(lambda: shed.now()["job"] is not None, within_s=60)
    job = shed.now()["job"]["id"]
    page = look(shed, f"/#/jobs/{job}/paper", width_px=1280)
    page.emulate_media(color_scheme="dark", media="print")
    whole(page)
    expect(page.locator(".report")).to_contain_text("The job isn't over")
    ink = page.evaluate("getComputedStyle(document.querySelector('.report h1')).color")
    assert ink == "rgb(17, 17, 17)"
    page.emulate_media(color_scheme="light", media="screen")
    page.get_by_role("link", name="Back to the job").click()
    unfold(page, "Take it along")
    with page.expect_download() as coming:
        page.get_by_role("link", name="All of it as one file").click()
    with zipfile.ZipFile(io.BytesIO(Path(coming.value.path()).read_bytes())) as packed:
        assert packed.testzip() is None
        assert json.loads(packed.read("job.json"))["job"]["id"] == job
    assert coming.value.suggested_filename.endswith(f"{job}.zip")
