"""Loss of contact with the service is seen and heard within 10 s, and mends itself."""

from __future__ import annotations

import os
import signal

import pytest
from playwright.sync_api import Page, expect

from running import RunningService

from .conftest import Look, Serve, until

TOLD_WITHIN_S = 10.0
MOST_TRIES = 12  # requests while a page is lost for up to 8 s, its last picture included
LOST = "nothing on this page is current"
REFUSED = "Failed to load resource"  # what a browser says of a service that is away


@pytest.fixture
def service(serve: Serve) -> RunningService:
    return serve()


def in_touch(page: Page) -> None:
    page.locator(".sentence").wait_for()
    expect(page.locator(".lost")).to_have_count(0, timeout=25_000)
    expect(page.locator("main.not-current")).to_have_count(0)


# The page's own clock says when: who asks it now and then would know up to a second later.
NOTES_THE_LOSS = """() => {
  window.since_ms = performance.now();
  new MutationObserver((_, notes) => {
    if (!document.querySelector(".lost")) return;
    window.lost_ms = performance.now();
    notes.disconnect();
  }).observe(document.body, { childList: true, subtree: true });
}"""


def lost(page: Page) -> None:
    """It says that it is, soon after `NOTES_THE_LOSS`."""
    expect(page.locator(".lost")).to_contain_text(LOST)
    assert page.evaluate("window.lost_ms - window.since_ms") < TOLD_WITHIN_S * 1000.0
    expect(page.locator("main.not-current")).to_have_count(1)
    assert page.title().startswith("Out of touch")


def test_a_service_that_hangs_is_noticed_seen_and_heard(
    service: RunningService, look: Look
) -> None:
    page = look(service, expected=REFUSED)
    in_touch(page)
    page.get_by_role("button", name="Turn sound on").click()
    expect(page.get_by_text("Sound is on.")).to_be_visible()
    page.evaluate("window.tones.length = 0")
    page.evaluate(NOTES_THE_LOSS)
    os.kill(service.pid, signal.SIGSTOP)
    try:
        lost(page)
        until(page, "window.tones.length > 0")
        expect(page.locator("[data-sounding]")).to_have_attribute("data-sounding", "lost")
    finally:
        os.kill(service.pid, signal.SIGCONT)
    in_touch(page)
    expect(page.locator("[data-sounding]")).to_have_attribute("data-sounding", "silent")


def test_a_service_that_dies_and_comes_back_is_found_again(
    service: RunningService, look: Look
) -> None:
    # Just then the browser may have been asking whether there is a newer worker.
    page = look(service, expected=("ERR_", "fetching the script"))
    in_touch(page)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate(NOTES_THE_LOSS)
    service.kill()
    lost(page)
    assert len(asked) <= MOST_TRIES, "a shed full of telephones must not storm the board"
    service.start()
    in_touch(page)


def test_a_silent_page_says_that_it_is_silent(service: RunningService, look: Look) -> None:
    page = look(service)
    expect(page.get_by_text("This page is silent.")).to_be_visible()
    page.get_by_role("button", name="Turn sound on").click()
    page.get_by_role("button", name="Turn it off").wait_for()
    # After a reload a browser allows no sound before the first tap, and the page says so.
    page.reload()
    expect(page.get_by_text("Silent until you tap this page once.")).to_be_visible()
    page.mouse.click(5, 5)
    expect(page.get_by_text("Sound is on.")).to_be_visible()


def test_it_is_told_outside_of_the_page_too_and_taken_back(
    service: RunningService, look: Look
) -> None:
    """Where it was allowed: somebody who looks at another page sees it all the same."""
    page = look(service, expected="ERR_")
    page.context.grant_permissions(["notifications"], origin=str(service.web.base_url))
    # What the browser shows is the system's; here it is noted that it was asked to.
    page.evaluate(
        """() => {
          window.shown = [];
          window.Notification = class {
            static permission = "granted";
            constructor(title, options) { window.shown.push(title + " " + options.body); }
            close() { window.shown.push("closed"); }
          };
          ServiceWorkerRegistration.prototype.showNotification = async (title, options) => {
            window.shown.push(title + " " + options.body);
          };
          ServiceWorkerRegistration.prototype.getNotifications = async () => [
            { close: () => window.shown.push("closed") },
          ];
        }"""
    )
    in_touch(page)
    service.kill()
    until(page, "window.shown.length === 1", within_s=60)
    assert LOST in page.evaluate("window.shown[0]")
    service.start()
    in_touch(page)
    until(page, "window.shown.length === 2 && window.shown[1] === 'closed'", within_s=60)
