"""From nobody to an owner with people, tokens and a record of what was done; a paused camera."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from running import RunningService

from .conftest import Look, chamber_files

NAME, PASSWORD = "bench captain", "a long oar and a short pier"


@pytest.fixture(scope="module")
def unowned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("unowned")
    chamber = chamber_files(folder, "", frames_per_s=4)
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running


def code_of(service: RunningService) -> str:
    found = re.search(r"The code (\S+) makes", service.log.read_text())
    assert found is not None
    return found[1]


def people(page: Page) -> None:
    page.get_by_role("link", name="People", exact=True).first.click()


def test_a_first_owner_comes_in_by_the_code_and_lets_others_in(
    unowned: RunningService, look: Look
) -> None:
    page = look(unowned, expected="status of 40")
    people(page)
    page.get_by_label("Code from the console").fill("AAAA-AAAA")
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Make me the owner").click()
    expect(page.get_by_role("alert")).to_contain_text("not the code")
    page.get_by_label("Code from the console").fill(code_of(unowned).lower())
    page.get_by_role("button", name="Make me the owner").click()
    expect(page.get_by_text(f"Signed in as {NAME} (owner).")).to_be_visible()

    people(page)
    letting = page.locator("form").filter(has=page.get_by_role("button", name="Let them in"))
    letting.get_by_label("Name").fill("cox")
    letting.get_by_label("Password").fill("oars in the rain")
    letting.get_by_role("button").click()
    expect(page.get_by_text("cox, not signed in.")).to_be_visible()

    making = page.locator("form").filter(has=page.get_by_role("button", name="Make a token"))
    making.get_by_label("What it is for").fill("left machine")
    making.get_by_role("button").click()
    expect(page.locator("code", has_text="stillair_")).to_be_visible()
    expect(page.get_by_text("only: pause jobs, tell the height")).to_be_visible()

    page.reload()
    done = page.get_by_role("list").filter(has_text="signed in: bench captain")
    expect(done).to_contain_text("owner made: bench captain, by code from the console")
    expect(done).to_contain_text("viewer made: cox, by bench captain, from 127.0.0.1")
    expect(done).to_contain_text("wrong code for the first owner")

    # Tokens and people come by answers of their own: the first of all may be either's.
    herself = page.get_by_role("listitem").filter(has_text=f"{NAME}, signed in")
    herself.get_by_role("button", name="Remove").click()
    page.get_by_role("button", name="Yes, remove").click()
    expect(page.get_by_role("alert")).to_contain_text("last owner")

    page.get_by_role("link", name="Now", exact=True).click()
    page.get_by_role("button", name="Pause the camera").click()
    page.get_by_role("button", name="For an hour").click()
    expect(page.get_by_text("Smoke and flame aren't watched for.").first).to_be_visible()
    expect(page.locator(".sentence").first).to_contain_text("The camera is paused")
    expect(page.locator(".picture img")).to_have_count(0)
    page.get_by_role("button", name="Look again now").click()
    expect(page.get_by_role("button", name="Pause the camera")).to_be_visible()
