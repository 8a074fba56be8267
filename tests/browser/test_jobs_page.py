"""Earlier jobs: the list, one looked back on, and never out of sight how it is now."""

from __future__ import annotations

import re
import shlex
from functools import partial
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

from running import RunningService, wait_until

from .conftest import Look, Serve, unfold, until

NAME = "Twelve oarlock bushings"
NOTE = "new spool"


def job_of(service: RunningService) -> str:
    return str(service.now()["job"]["id"])


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def test_from_the_list_to_one_job_and_back_after_reloading(
    shed: RunningService, look: Look
) -> None:
    job = job_of(shed)
    shed.post(f"/api/jobs/{job}/progress", {"height_mm": 12.4})
    shed.post(f"/api/jobs/{job}/note", {"text": NOTE})
    page = look(shed)
    page.get_by_role("link", name="Jobs").click()
    entry = page.locator(".jobs li").filter(has_text=NAME)
    expect(entry).to_contain_text("ASA on the left bench.")
    expect(entry).to_contain_text("Running")
    expect(entry).to_contain_text(re.compile("What happened: .*door open"))
    line = entry.bounding_box()  # all of it leads to the job
    assert line is not None
    entry.click(position={"x": line["width"] - 8, "y": line["height"] / 2})
    for _ in range(2):
        expect(page.get_by_role("heading", name=NAME)).to_be_visible()
        expect(page.locator(".plot canvas")).to_be_visible()
        expect(page.locator(".plot")).to_have_attribute("aria-label", re.compile("top between"))
        happened = page.locator(".rule li")
        expect(happened.filter(has_text=NOTE)).to_contain_text("this computer")
        expect(happened.filter(has_text=NOTE).locator(".mm")).to_have_text("12\u00a0mm")
        expect(happened.filter(has_text="Door open")).to_be_visible()
        if "open=" not in page.url:
            unfold(page, "Take it along, or erase it")
            until(page, "/open=.*take/.test(location.hash)")
        expect(page.locator(".taking > [open]")).to_have_count(1)
        page.get_by_text("Its readings alone").click()
        command = page.locator(".taking .command")
        expect(command).to_contain_text(f"stillair export {job} --to {job}.csv --data-dir ")
        folder = shlex.split(command.inner_text())[-1]
        assert Path(folder) == shed.folder
        page.reload()
    page.go_back()
    expect(page.locator(".jobs li")).not_to_have_count(0)
    page.get_by_role("link", name="Now", exact=True).click()
    expect(page.locator(".chamber")).to_be_visible()


def test_who_looks_back_still_sees_what_is_the_matter_now(shed: RunningService, look: Look) -> None:
    page = look(shed, "/#/jobs")
    line = page.locator(".meanwhile li")
    expect(line).to_contain_text("The door is open")
    expect(line).to_contain_text("Simulated: nothing here is real.")
    line.get_by_role("link").click()
    expect(page.locator(".stands.supervisory")).to_have_count(1)


def test_pages_of_jobs_are_no_wider_than_a_telephone(shed: RunningService, look: Look) -> None:
    for path in ("/#/jobs", f"/#/jobs/{job_of(shed)}"):
        page = look(shed, path, width_px=360, scheme="dark")
        page.locator(".past h1").wait_for()
        until(page, "document.querySelectorAll('.jobs li, .rule li').length > 0")
        assert fits(page)


def test_a_job_that_never_was_is_said_to_be_unknown(shed: RunningService, look: Look) -> None:
    page = look(shed, "/#/jobs/nobody-7", expected="status of 404")
    expect(page.get_by_role("heading", name="This job can't be shown.")).to_be_visible()
    expect(page.get_by_role("alert")).to_have_text("There is no such job.")


def test_the_newest_job_comes_first_and_without_any_it_is_said(serve: Serve, look: Look) -> None:
    service = serve()
    page = look(service, "/#/jobs")
    expect(page.get_by_text("No job has been told of yet.")).to_be_visible()
    for name in ("Fin box", "Six rigger spacers"):
        job = service.post("/api/jobs", {"name": name})["id"]
        service.post(f"/api/jobs/{job}/finish")
    expect(page.locator(".jobs h2")).to_have_text(["Six rigger spacers", "Fin box"])
    expect(page.locator(".jobs li").first).to_contain_text("Nothing happened that had to be told.")


def test_pauses_stand_in_the_story_of_the_job_and_in_its_chart(serve: Serve, look: Look) -> None:
    service = serve(speed=60)
    job = str(service.post("/api/jobs", {"name": "Six rigger spacers"})["id"])

    def later_than(at: str) -> bool:
        return str(service.now()["at"]) > at

    service.post(f"/api/jobs/{job}/progress", {"height_mm": 12.4})
    now = look(service)
    for what in ("pause", "resume", "pause"):
        at = str(service.now()["at"])
        service.post(f"/api/jobs/{job}/{what}")
        wait_until(partial(later_than, at), within_s=60)

    def kept() -> list[Any]:
        pauses: list[Any] = service.get(f"/api/jobs/{job}")["pauses"]
        return pauses if len(pauses) == 2 else []

    pauses = wait_until(kept, within_s=60)
    assert [pause["to_at"] is None for pause in pauses] == [False, True]
    assert [pause["height_mm"] for pause in pauses] == [12.4, 12.4]
    page = look(service, f"/#/jobs/{job}", width_px=360)
    told = page.locator(".rule li").filter(has_text="Paused for")
    expect(told).to_have_count(2)
    expect(told.first.locator(".mm")).to_have_text("12 mm")
    expect(now.locator(".stories li").filter(has_text="Paused for")).to_have_count(2)
    expect(told.first).to_contain_text("so far")
    expect(told.last).not_to_contain_text("so far")
