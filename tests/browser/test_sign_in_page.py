"""With an owner the page is for people who sign in, and for nobody else."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import expect

from running import RunningService, stillair
from warm_starts import warm_run

from .conftest import Look, chamber_files

NAME, PASSWORD = "bench captain", "a long oar and a short pier"


@pytest.fixture(scope="module")
def owned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("owned")
    data = folder / "data"
    data.mkdir()
    done = warm_run(
        stillair("owner", "add", NAME, "--data-dir", str(data)), typed=f"{PASSWORD}\n{PASSWORD}\n"
    )
    assert done.returncode == 0, done.stderr
    chamber = chamber_files(folder, "")
    with RunningService(data, "--chamber", str(chamber)) as running:
        yield running


def test_a_person_signs_in_and_out_again(owned: RunningService, look: Look) -> None:
    page = look(owned)
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
    page.get_by_role("link", name="Sign out").click()
    page.get_by_role("button", name="Sign in").wait_for()
    page.goto(f"http://127.0.0.1:{owned.port}/")
    page.get_by_role("button", name="Sign in").wait_for()


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
