"""With an owner the page is for people who sign in, and for nobody else."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from running import RunningService, stillair
from warm_starts import warm_run

from .conftest import DOOR, JOB, Look, chamber_files

NAME, VIEWER, PASSWORD = "bench captain", "cox", "a long oar and a short pier"


@pytest.fixture(scope="module")
def owned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("owned")
    data = folder / "data"
    data.mkdir()
    for account in (("owner", "add", NAME), ("person", "add", VIEWER, "--role", "viewer")):
        done = warm_run(
            stillair(*account, "--data-dir", str(data)), typed=f"{PASSWORD}\n{PASSWORD}\n"
        )
        assert done.returncode == 0, done.stderr
    # At six times life's speed the door's alarm comes within seconds.
    steps = JOB + DOOR.format(at_s=12, for_s=36_000)
    chamber = chamber_files(folder, steps, speed=6, frames_per_s=1)
    with RunningService(data, "--chamber", str(chamber)) as running:
        yield running


def test_a_person_signs_in_and_out_again(owned: RunningService, look: Look) -> None:
    # What the page was just asking for when they signed out is refused.
    page = look(owned, expected="status of 401")
    expect(page).to_have_url(f"http://127.0.0.1:{owned.port}/sign-in")
    page.get_by_label("Name").fill(NAME)
    password = page.get_by_label("Password")
    password.fill(PASSWORD)
    expect(password).to_have_attribute("type", "password")
    page.get_by_label("Show what I type").check()
    expect(password).to_have_attribute("type", "text")
    password.press("Enter")
    page.locator(".sentence").wait_for()
    expect(page.get_by_text(f"Signed in as {NAME} (owner).")).to_be_visible()
    expect(page.get_by_text("stillair owner add NAME")).to_have_count(0)
    page.evaluate("localStorage.setItem('stillair.setup-draft:chamber.toml', '{}')")
    page.get_by_role("link", name="Sign out").click()
    page.get_by_role("button", name="Sign in").wait_for()
    left = page.evaluate("Object.keys(localStorage).filter((key) => key.includes('setup'))")
    assert left == [], "whom a draft names is forgotten"
    page.goto(f"http://127.0.0.1:{owned.port}/")
    page.get_by_role("button", name="Sign in").wait_for()


def test_a_link_that_was_sent_is_there_after_signing_in(owned: RunningService, look: Look) -> None:
    page = look(owned, "/#/telephones")
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.locator(".telephones").wait_for()
    assert page.evaluate("location.pathname + location.hash") == "/#/telephones"


def test_a_wrong_password_is_refused_in_words(owned: RunningService, look: Look) -> None:
    page = look(owned, expected="status of 401")
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill("not this one")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).not_to_be_empty()
    expect(page.get_by_label("Password")).to_be_focused()


def test_a_session_that_has_ended_leads_back_to_signing_in(
    owned: RunningService, look: Look
) -> None:
    page = look(owned, expected="status of 401")
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.locator(".picture").scroll_into_view_if_needed()  # what is out of sight isn't asked for
    page.locator(".picture img").wait_for()
    page.context.clear_cookies()
    page.get_by_role("button", name="Sign in").wait_for()


def signed_in(owned: RunningService, look: Look, name: str) -> Page:
    page = look(owned, expected="status of 403")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.locator(".sentence").wait_for()
    return page


def test_one_answers_an_alarm_and_another_sees_it_at_once_who_may_only_see(
    owned: RunningService, look: Look
) -> None:
    captain, cox = (signed_in(owned, look, name) for name in (NAME, VIEWER))
    both = (captain, cox)
    for page in both:
        expect(page.locator(".stands.supervisory .state")).to_have_text(
            "not yet seen", timeout=30_000
        )
    expect(cox.locator(".alarms").get_by_role("button")).to_have_count(0)
    refused = cox.evaluate(
        """async () => {
          const { items } = await (await fetch("/api/alarms")).json();
          const path = `/api/alarms/${items[0].id}/acknowledge`;
          return (await fetch(path, { method: "POST" })).status;
        }"""
    )
    assert refused == 403
    expect(captain.locator(".stands .state")).to_have_text("not yet seen")

    captain.get_by_role("button", name="I've seen it").click()
    for page in both:
        seen = re.compile(rf"^seen by {NAME} at \d\d:\d\d$")
        expect(page.locator(".stands .state")).to_have_text(seen, timeout=10_000)
    captain.get_by_role("button", name="Quiet for 3 minutes").click()
    for page in both:
        expect(page.locator(".stands .state")).to_have_text(
            re.compile(r"^quiet until \d\d:\d\d$"), timeout=10_000
        )
