"""The stop of the machine as people meet it: counting, held, stopped, let run again, and tried."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from running import RunningService

from .conftest import Look, chamber_files

NAME, PASSWORD = "bench captain", "a long oar and a short pier"
DETECTOR = """
[[contact]]
name = "smoke detector"
kind = "detector"
"""
GOES_OFF = """
[[step]]
at_s = 10
do = "contact_on"
contact = "smoke detector"
for_s = {for_s}
"""
STOP = """
[[contact]]
name = "smoke detector"
kind = "detector"
driver = "simulated"

[stop]
command = "true"
on = ["fire", "detector"]
countdown_s = {countdown_s}
"""


@contextmanager
def shed(
    folder: Path, *, countdown_s: float = 300, for_s: float | None = None, speed: float = 1
) -> Iterator[RunningService]:
    """A service with an owner whose detector goes off, if it does, after ten seconds."""
    steps = DETECTOR + ("" if for_s is None else GOES_OFF.format(for_s=for_s))
    chamber = chamber_files(folder, steps, speed=speed)
    chamber.write_text(chamber.read_text() + STOP.format(countdown_s=countdown_s))
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        code = re.search(r"The code (\S+) makes", running.log.read_text())
        assert code is not None
        who = {"code": code[1], "name": NAME, "password": PASSWORD}
        assert running.web.post("/api/session/owner", json=who).is_success
        yield running


def sign_in(page: Page) -> None:
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


@pytest.mark.parametrize("width_px", [320, 1280])
def test_somebody_says_no_in_time(tmp_path: Path, look: Look, width_px: int) -> None:
    with shed(tmp_path, for_s=36_000, speed=2) as service:
        page = look(service, width_px=width_px, expected="status of 401")
        sign_in(page)
        part = page.locator(".stop-now")
        expect(part).to_contain_text("A fire detector has gone off: the machine is switched off at")
        expect(part.locator(".left")).to_have_text(re.compile(r"^\d+ s$"))
        expect(part.get_by_role("button", name="Don't stop the machine")).to_be_in_viewport()
        part.get_by_role("button", name="Don't stop the machine").click()
        expect(part).to_contain_text("keeps running, hot and with its supply")
        part.get_by_role("button", name="I see it: nothing burns. Let it run").click()
        expect(part).to_contain_text(f"but {NAME} said at")
        assert page.evaluate("document.documentElement.scrollWidth") <= width_px
        page.close()


def test_a_stop_says_what_to_do_and_asks_twice_before_the_machine_runs_again(
    tmp_path: Path, look: Look
) -> None:
    with shed(tmp_path, countdown_s=0, for_s=20, speed=20) as service:
        page = look(service, expected="status of 40")
        sign_in(page)
        part = page.locator(".stop-now")
        expect(part).to_contain_text("The machine was switched off at")
        expect(part).to_contain_text("It stays off")
        part.get_by_role("button", name="Let the machine run again").click()
        part.get_by_role("button", name="I stand at it and it is safe").click()
        expect(part).to_contain_text("may start to heat")
        part.get_by_role("button", name="Yes, let it run again").click()
        expect(part).to_be_hidden()
        expect(page.locator(".stop-ready")).to_contain_text("never tried for real")
        page.close()


def test_no_trial_is_offered_while_a_job_runs(tmp_path: Path, look: Look) -> None:
    with shed(tmp_path) as service:
        page = look(service, expected="status of 401")
        sign_in(page)
        ready = page.locator(".stop-ready")
        trial = ready.get_by_role("button", name="Try it for real")
        expect(trial).to_be_visible()
        service.post("/api/jobs", {"name": "Oarlock bushings", "material": "ASA"})
        expect(trial).to_be_hidden()
        expect(ready).to_contain_text("wait until no job runs")
        expect(ready.get_by_role("button", name="Stop the machine now")).to_be_visible()
        page.close()


def test_the_owner_tries_it_for_real(tmp_path: Path, look: Look) -> None:
    with shed(tmp_path) as service:
        page = look(service, expected="status of 401")
        sign_in(page)
        ready = page.locator(".stop-ready")
        expect(ready).to_contain_text("When fire is told or a detector goes off")
        expect(ready).to_contain_text("It was never tried for real.")
        ready.get_by_role("button", name="Try it for real").click()
        expect(ready).to_contain_text("This switches the machine off now")
        ready.get_by_role("button", name="Switch it off now").click()
        part = page.locator(".stop-now")
        expect(part).to_contain_text("Did the machine lose its supply")
        part.get_by_role("button", name="Yes, it is off").click()
        expect(ready).to_contain_text("Tried for real at")
        part.get_by_role("button", name="Let the machine run again").click()
        part.get_by_role("button", name="I stand at it and it is safe").click()
        part.get_by_role("button", name="Yes, let it run again").click()
        expect(part).to_be_hidden()
        expect(ready).to_contain_text(f"by {NAME}: the machine stopped.")
        page.close()
