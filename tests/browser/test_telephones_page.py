"""A telephone joins on the page, and what is pushed to it is shown though no page is open.

Chromium here has no push service to ask for an address, so the page is given that of a
stand-in on loopback; what is sealed for it goes to the real worker by the browser's own
protocol for tools.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from push_service import Answer, PushService, StandIn, text
from running import RunningService, wait_until
from stillair.alerts.telephones import telephone_id

from .conftest import NORTH, WITHIN_S, Look, chamber_files, until
from .test_report_page import shot as keep_picture

PERSON = """
[[person]]
name = "cox"
routes = ["webpush:"]

[push]
own_server = "{server}"
trust_file = "{trust}"
"""
# Stands for the browser's own push service: an address that is given, kept and given back.
SUBSCRIBED = """
const given = %s;
let subscription = null;
PushManager.prototype.subscribe = async (options) => {
  window.asked = options;
  subscription = {
    endpoint: given.endpoint,
    options: { applicationServerKey: options.applicationServerKey.buffer },
    toJSON: () => ({ endpoint: given.endpoint, keys: { p256dh: given.p256dh, auth: given.auth } }),
    unsubscribe: async () => ((subscription = null), true),
  };
  return subscription;
};
PushManager.prototype.getSubscription = async () => subscription;
"""
SHOWN = """navigator.serviceWorker.ready.then((r) => r.getNotifications()).then((all) =>
  all.map(({ title, body, tag, requireInteraction: stays, renotify: calls, data }) =>
    ({ title, body, tag, stays, calls, data })))"""
KEPT = """caches.keys().then(async (all) => (await Promise.all(all.map(async (name) =>
  (await (await caches.open(name)).keys()).map((r) => new URL(r.url).pathname)))).flat())"""
THEN = """() => m_worker.saidThen({ heard_ms: 0, said: [{ name: "north bench", tone: "danger",
  simulated: false, sentence: "Fire <b> since 02:10" }] }, 11100000)"""
FIRE = {
    "title": "north bench: Fire",
    "text": "Heat and smoke together.",
    "alarm": "north-bench-3",
    "kind": "fire",
    "priority": "critical",
    "stage": "raised",
    "link": None,
    "key": "one",
    "at": "2026-05-02T03:12:00+00:00",
}


@pytest.fixture(scope="module")
def push(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PushService]:
    with PushService(tmp_path_factory.mktemp("push")) as service:
        yield service


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory, push: PushService) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("shed")
    chamber = chamber_files(folder, "")
    with chamber.open("a") as file:
        file.write(PERSON.format(server=push.server, trust=push.trust))
    with RunningService(folder / "data", "--chamber", str(chamber)) as running:
        yield running


@pytest.fixture(autouse=True)
def none_joined(shed: RunningService) -> Iterator[None]:
    yield
    if shed.is_alive():
        for each in shed.get("/api/telephones")["items"]:
            assert shed.web.delete(f"/api/telephones/{each['id']}").is_success


def allowed(telephone: StandIn | None = None, script: str = "") -> Callable[[BrowserContext], None]:
    """A browser that shows messages of the page, with the address of a stand-in."""

    def before(context: BrowserContext) -> None:
        context.grant_permissions(["notifications"])
        if telephone is not None:
            context.add_init_script(SUBSCRIBED % json.dumps(telephone.subscription()))
        if script:
            context.add_init_script(script)

    return before


TRIES = 3
NOTES_PUSHES = """() => {
  self.came = 0;
  if (self.notes) return;
  self.notes = () => (self.came += 1);
  self.addEventListener("push", self.notes);
}"""


class Worker:
    """What is behind the page: delivers pushes to it, and looks at what it shows."""

    def __init__(self, page: Page, service: RunningService) -> None:
        self._page = page
        self._origin = f"http://127.0.0.1:{service.port}/"
        self._tools = page.context.new_cdp_session(page)
        self._ids: list[str] = []
        self._tools.on(
            "ServiceWorker.workerRegistrationUpdated",
            lambda told: self._ids.extend(
                each["registrationId"]
                for each in told["registrations"]
                if each["scopeURL"] == self._origin and not each["isDeleted"]
            ),
        )
        self._tools.send("ServiceWorker.enable")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        until(page, "navigator.serviceWorker.ready.then((r) => r.active.state === 'activated')")

    def push(self, data: str) -> None:
        """Have it come to the worker: what the browser's tools deliver gets lost now and then."""
        give_up_s = time.monotonic() + WITHIN_S
        while not (self._ids and self._page.context.service_workers):
            assert time.monotonic() < give_up_s, "there is no worker"
            self._page.wait_for_timeout(50)
        for _ in range(TRIES):
            self.evaluate(NOTES_PUSHES)
            self._tools.send(
                "ServiceWorker.deliverPushMessage",
                {"origin": self._origin, "registrationId": self._ids[-1], "data": data},
            )
            give_up_s = time.monotonic() + WITHIN_S / TRIES
            while time.monotonic() < give_up_s:
                if self.evaluate("self.came > 0"):
                    return
                self._page.wait_for_timeout(20)
        raise AssertionError("no push comes to the worker")

    def shown(self, count: int) -> list[dict[str, Any]]:
        """What is shown, once there are so many."""
        until(self._page, f"{SHOWN}.then((all) => all.length === {count})")
        found: list[dict[str, Any]] = self._page.evaluate(SHOWN)
        return found

    def evaluate(self, script: str, argument: object = None) -> Any:
        """The value of JavaScript inside the worker itself."""
        (inside,) = self._page.context.service_workers
        return inside.evaluate(script, argument)


@pytest.mark.parametrize("width_px", [390, 1280])
def test_a_telephone_joins_is_tried_and_leaves(
    shed: RunningService, push: PushService, look: Look, width_px: int
) -> None:
    one = push.telephone(f"send/{width_px}")
    before = len(push.pushed)
    page = look(shed, "/#/telephones", width_px=width_px, before=allowed(one))
    expect(page.get_by_role("heading", name="This telephone gets no messages")).to_be_visible()
    expect(page.get_by_text("None has joined: nobody is told by telephone.")).to_be_visible()
    page.get_by_label("What this telephone is called").fill("the red one")
    page.get_by_role("button", name="Join this telephone").click()
    expect(page.get_by_role("heading", name="gets the messages for cox")).to_be_visible()
    (joined,) = shed.get("/api/telephones")["items"]
    assert (joined["person"], joined["label"]) == ("cox", "the red one")
    assert joined["id"] == telephone_id(one.endpoint)
    key = page.evaluate("[...window.asked.applicationServerKey]")
    assert text(bytes(key)) == shed.get("/api/telephones/key")["key"]
    assert page.evaluate("window.asked.userVisibleOnly") is True

    worker = Worker(page, shed)
    page.get_by_role("button", name="Send a trial").click()
    expect(page.get_by_text("Sent: 127.0.0.1 has taken it.")).to_be_visible()
    told = one.read(push.wait_for(before + 1)[-1])
    worker.push(json.dumps(told))
    (shown,) = worker.shown(1)
    assert shown["title"] == "Trial: messages of Stillair reach this telephone"
    assert "nothing has happened" in shown["body"]

    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.evaluate(
        """[...document.querySelectorAll('.ways a, main button, main select, main input')]
             .filter((a) => a.getBoundingClientRect().height < 44).map((a) => a.outerHTML)"""
    )
    assert small == [], "too small for a thumb"
    page.get_by_role("button", name="Remove").click()
    page.get_by_role("button", name="Yes, remove").click()
    expect(page.get_by_role("heading", name="This telephone gets no messages")).to_be_visible()
    assert (
        page.evaluate("navigator.serviceWorker.ready.then(r => r.pushManager.getSubscription())")
        is None
    )
    assert shed.get("/api/telephones")["items"] == []


def test_a_trial_that_is_not_taken_says_why(
    shed: RunningService, push: PushService, look: Look
) -> None:
    one = push.telephone("send/full")
    push.answers[one.path] = Answer(429)
    shed.post("/api/telephones", {"person": "cox", "label": "the old one", **one.subscription()})
    page = look(shed, "/#/telephones", before=allowed())
    page.get_by_role("button", name="Send a trial").click()
    expect(page.get_by_text("Not sent: 127.0.0.1 refuses it: it answered 429.")).to_be_visible()
    expect(page.get_by_text("The last message didn't get through")).to_be_visible()


@pytest.mark.parametrize(
    ("script", "said"),
    [
        pytest.param(
            "Object.defineProperty(window, 'isSecureContext', { value: false });",
            "That needs HTTPS",
            id="in clear",
        ),
        pytest.param(
            "delete window.PushManager;"
            "Object.defineProperty(navigator, 'userAgent', { value: 'Mozilla/5.0 (iPhone)' });",
            "has to be on the home screen first, from iOS 16.4 on",
            id="an iPhone's browser",
        ),
        pytest.param("delete window.PushManager;", "takes no messages of a page", id="unable"),
        pytest.param(
            "ServiceWorkerContainer.prototype.register = async () => { throw new Error('ssl'); };",
            "doesn't trust the board's certificate",
            id="certificate",
        ),
        pytest.param(
            "Object.defineProperty(Notification, 'permission', { value: 'denied' });",
            "are forbidden on this telephone",
            id="forbidden",
        ),
    ],
)
def test_what_stands_in_the_way_is_said(
    shed: RunningService, look: Look, script: str, said: str
) -> None:
    page = look(shed, "/#/telephones", before=allowed(script=script))
    expect(page.get_by_text(said)).to_be_visible()
    expect(page.get_by_role("button", name="Join this telephone")).to_have_count(0)
    if "HTTPS" in said or "certificate" in said:
        way = page.get_by_role("link", name="How a telephone comes to trust the board")
        expect(way).to_have_attribute("href", "/trust")


def test_who_has_no_such_route_is_told_where_to_name_one(tmp_path: Path, look: Look) -> None:
    chamber = chamber_files(tmp_path, "")
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        page = look(service, "/#/telephones", before=allowed())
        expect(page.get_by_text("Nobody is to be reached by telephone yet.")).to_be_visible()
        way = page.get_by_role("link", name="Name somebody who is told")
        expect(way).to_have_attribute("href", "#/setting-up/people")
        page.context.close()


def test_a_newer_word_on_an_alarm_takes_the_older_ones_place(
    shed: RunningService, look: Look
) -> None:
    page = look(shed, before=allowed())
    worker = Worker(page, shed)
    worker.push(json.dumps(FIRE))
    (shown,) = worker.shown(1)
    assert shown["title"] == "north bench: Fire" and shown["body"] == "Heat and smoke together."
    assert (shown["tag"], shown["stays"], shown["calls"]) == ("north-bench-3", True, True)
    worker.push(
        json.dumps(FIRE | {"title": "north bench: Still fire", "stage": "still", "key": "two"})
    )
    until(page, f"{SHOWN}.then(([n]) => n?.title.includes('Still') && n.renotify !== false)")
    worker.push(
        json.dumps(FIRE | {"title": "Over", "stage": "over", "priority": "low", "key": "3"})
    )
    until(page, f"{SHOWN}.then(([n]) => n?.title === 'Over')")
    (shown,) = worker.shown(1)
    assert (shown["stays"], shown["calls"]) == (False, False)
    worker.push(json.dumps(FIRE | {"alarm": "north-bench-4", "title": "Another"}))
    worker.shown(2)


@pytest.mark.parametrize(
    "data",
    ["", "no JSON", "[]", "null", "7", '{"title": 5}', '{"text": "x", "at": "never"}'],
)
def test_a_push_that_makes_no_sense_is_shown_all_the_same(
    shed: RunningService, look: Look, data: str
) -> None:
    """The browser would say something of its own, and one day forbid pushes that show nothing."""
    page = look(shed, before=allowed())
    worker = Worker(page, shed)
    worker.push(data)
    until(page, f"{SHOWN}.then((all) => all.length > 0)")
    shown = page.evaluate(SHOWN)
    assert {each["title"] for each in shown} == {"A message of Stillair couldn't be read"}


@pytest.mark.parametrize(
    ("data", "opened"),
    [
        pytest.param({}, "{own}/#/", id="no link"),
        pytest.param(
            {"link": "https://shed.local/answer/x"}, "https://shed.local/answer/x", id="link"
        ),
        pytest.param({"link": "{own}/answer/x"}, "{own}/answer/x", id="a link in clear of its own"),
        pytest.param({"link": "http://elsewhere.example/"}, "{own}/#/", id="elsewhere in clear"),
        pytest.param({"link": "javascript:alert(1)"}, "{own}/#/", id="a script"),
        pytest.param({"link": "//["}, "{own}/#/", id="no address"),
        pytest.param({"kind": "trial"}, "{own}/#/telephones", id="a trial"),
    ],
)
def test_a_tap_leads_to_the_page_that_answers(
    shed: RunningService, look: Look, data: dict[str, str], opened: str
) -> None:
    page = look(shed, "/#/people", before=allowed())
    worker = Worker(page, shed)
    own = f"http://127.0.0.1:{shed.port}"
    told = {name: value.replace("{own}", own) for name, value in data.items()}
    worker.push(json.dumps(FIRE | told))
    worker.shown(1)
    found = worker.evaluate(
        """async () => {
          const opened = [];
          self.clients.openWindow = async (address) => void opened.push(address);
          const [notification] = await self.registration.getNotifications();
          const event = new NotificationEvent("notificationclick", { notification });
          const done = [];
          event.waitUntil = (work) => done.push(work);
          self.dispatchEvent(event);
          await Promise.all(done);
          return opened;
        }"""
    )
    assert found == [opened.replace("{own}", own)]
    worker.shown(0)


def test_a_telephone_that_got_another_address_joins_again_by_itself(
    shed: RunningService, push: PushService, look: Look
) -> None:
    one, other = push.telephone("send/before"), push.telephone("send/after")
    page = look(shed, "/#/telephones", before=allowed(one))
    page.get_by_role("button", name="Join this telephone").click()
    expect(page.get_by_role("heading", name="gets the messages for cox")).to_be_visible()
    worker = Worker(page, shed)
    change = """async (given) => {
      const event = new ExtendableEvent("pushsubscriptionchange");
      event.newSubscription = { toJSON: () => ({ endpoint: given.endpoint, keys: given }) };
      const done = [];
      event.waitUntil = (work) => done.push(work);
      self.dispatchEvent(event);
      await Promise.all(done);
    }"""
    worker.evaluate(change, other.subscription())
    (joined,) = shed.get("/api/telephones")["items"]
    assert joined["id"] == telephone_id(other.endpoint) and joined["label"] == "cox's telephone"
    worker.evaluate(change, {**one.subscription(), "endpoint": "http://no.example/"})
    (shown,) = worker.shown(1)
    assert shown["title"] == "This telephone no longer gets messages of Stillair"


def test_a_chamber_that_cannot_be_reached_never_looks_alive(tmp_path: Path, look: Look) -> None:
    chamber = chamber_files(tmp_path, "")
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        page = look(service, before=allowed(), expected="Failed to load resource")
        page.locator(".sentence").wait_for()
        worker = Worker(page, service)
        page.reload()  # from now on the worker stands between page and network
        page.locator(".sentence").wait_for()
        until(page, f"{KEPT}.then((all) => all.includes('/kept/said'))")
        page.goto(f"http://127.0.0.1:{service.port}/sign-in")
        until(page, f"{KEPT}.then((all) => !all.includes('/kept/said'))")
        page.goto(f"http://127.0.0.1:{service.port}/")
        until(page, f"{KEPT}.then((all) => all.includes('/kept/said'))")
        stood = worker.evaluate(THEN).replace("\xa0", " ")
        assert "Fire &lt;b&gt; since 02:10”" in stood and "This was an alarm." in stood
        assert "Nobody has said that the alarm has ended: act as if it goes on." in stood
        assert "What was heard 3 h 5 min ago" in stood and "<b>" not in stood
        page.goto(f"http://127.0.0.1:{service.port}/#/watch")
        service.stop()
        page.reload()
        expect(page.get_by_role("alert")).to_have_text(
            "Out of touch: from here nobody can tell how the chamber is."
        )
        expect(page.locator("#since")).to_contain_text("Last heard on")
        then = page.get_by_role("region", name="What was heard less than a minute ago")
        expect(then).to_contain_text(f"{NORTH} (simulated): “")
        expect(then).to_contain_text("That is over and may be otherwise by now.")
        expect(page.locator("main")).to_contain_text("Times are those of this telephone, Europe")
        expect(page.get_by_text("Look at the chamber yourself.")).to_be_visible()
        assert page.locator(".sentence, svg, canvas").count() == 0, "nothing of a page from before"
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        names = page.evaluate(KEPT)
        assert set(names) == {"/kept/touch", "/kept/said", "/kept/style.css"}, "no page is kept"
        grounds = set()
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            grounds.add(page.evaluate("getComputedStyle(document.documentElement).backgroundColor"))
            keep_picture(page, f"out-of-touch-{scheme}")
        assert len(grounds) == 2, "styled as the other pages are, though nothing can be fetched"
        service.start()
        wait_until(lambda: service.web.get("/api/health").is_success, within_s=60)
        page.locator(".watch-lines").wait_for()  # it has tried again by itself, where it was
        page.context.close()
