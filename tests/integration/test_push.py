"""Messages to telephones: through a real push service that takes, refuses, hangs or lies."""

from __future__ import annotations

import json
import logging
import tarfile
import threading
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from integration.test_end_to_end import made_up_fire
from push_service import Answer, PushService, StandIn
from running import RunningService, stillair, wait_until
from stillair.alerts.posting import PostError, post
from stillair.alerts.push import MOST_TRIALS, MOST_UNDER_WAY, PushRoute, PushSettings
from stillair.alerts.routes import Message
from stillair.alerts.sealing import SenderKey
from stillair.alerts.telephones import Telephones, is_outside, telephone, telephone_id
from stillair.clock import SystemClock
from stillair.errors import CommandRefused, DeliveryError
from warm_starts import warm_run

CONTACT = "mailto:captain@shed.example"
FIRE = Message(
    key="north-bench-3:raised:0:7892d57c23b1",
    route="webpush:cox",
    title="north bench: Fire",
    text="Heat and smoke together.",
    created_at=datetime(2026, 5, 2, 3, 12, tzinfo=UTC),
    alarm="north-bench-3",
    priority="critical",
    kind="fire",
    stage="raised",
    link="https://shed.local:8420/answer/abc",
    person="cox",
)


@pytest.fixture
def push(tmp_path: Path) -> Iterator[PushService]:
    with PushService(tmp_path) as service:
        yield service


def route_to(
    push: PushService, folder: Path, *telephones: StandIn, timeout_s: float = 5.0
) -> PushRoute:
    clock = SystemClock()
    kept = Telephones(folder / "telephones.json", clock.wall, own_servers={push.server})
    for each in telephones:
        given = each.subscription()
        of = telephone(
            "cox", f"the one at {each.path}", given["endpoint"], given["p256dh"], given["auth"],
            at=clock.wall(), own_servers=kept.own_servers,
        )  # fmt: skip
        kept.add(of)
    settings = PushSettings(CONTACT, {push.server: push.trust}, timeout_s=timeout_s)
    return PushRoute(kept, SenderKey(folder / "push-key.pem", clock.wall), settings, clock)


def failure(route: PushRoute, message: Message = FIRE) -> DeliveryError:
    with pytest.raises(DeliveryError) as failed:
        route.send(message)
    assert failed.value.route == message.route
    assert "/send/" not in str(failed.value), "a telephone's address is a secret"
    return failed.value


def test_it_arrives_on_every_telephone_of_the_person(push: PushService, tmp_path: Path) -> None:
    one, other = push.telephone("send/one"), push.telephone("send/other")
    route = route_to(push, tmp_path, one, other)
    route.send(FIRE)
    came = {pushed.path: pushed for pushed in push.wait_for(2)}
    for each in (one, other):
        pushed = came[each.path]
        told = each.read(pushed)
        assert (told["title"], told["stage"], told["link"]) == (FIRE.title, "raised", FIRE.link)
        claims = each.sender(pushed, key=route.public_key(), now=datetime.now(UTC))
        assert claims["sub"] == CONTACT
        assert pushed.headers["ttl"] == "86400"
        assert pushed.headers["urgency"] == "high"
        assert FIRE.text.encode() not in pushed.body
    assert all(each.last_ok_at for each in wait_until(lambda: ok(route, 2), within_s=60))


def ok(route: PushRoute, count: int) -> tuple[Any, ...]:
    """The telephones, once so many have taken a message."""
    known = route.telephones.all()
    return known if sum(each.last_ok_at is not None for each in known) == count else ()


@pytest.mark.parametrize(
    ("priority", "urgency", "ttl_s"),
    [
        ("critical", "high", 86_400),
        ("high", "high", 86_400),
        ("medium", "normal", 14_400),
        ("low", "normal", 3_600),
        ("of another program", "normal", 3_600),
    ],
)
def test_how_urgent_it_is_and_how_long_it_waits(
    push: PushService, tmp_path: Path, priority: str, urgency: str, ttl_s: int
) -> None:
    route_to(push, tmp_path, push.telephone("send/one")).send(replace(FIRE, priority=priority))
    (pushed,) = push.wait_for(1)
    assert (pushed.headers["urgency"], pushed.headers["ttl"]) == (urgency, str(ttl_s))


def test_a_newer_word_on_the_same_alarm_takes_the_older_ones_place(
    push: PushService, tmp_path: Path
) -> None:
    route = route_to(push, tmp_path, push.telephone("send/one"))
    for message in (
        FIRE,
        replace(FIRE, key="later", stage="still"),
        replace(FIRE, alarm="north-bench-4"),
        replace(FIRE, alarm=None),
    ):
        route.send(message)
    topics = [pushed.headers.get("topic") for pushed in push.wait_for(4)]
    assert topics[0] == topics[1] != topics[2]
    assert topics[3] is None


def test_that_danger_is_real_takes_the_place_of_what_says_that_nothing_is_wrong(
    push: PushService, tmp_path: Path
) -> None:
    route = route_to(push, tmp_path, push.telephone("send/one"))
    test = replace(FIRE, alarm=None, key="test:north-bench-1:0", stage="test")
    for message in (
        test,
        replace(test, key="test:over:north-bench-1:0", stage="test over"),
        replace(test, chamber="south-bench"),
    ):
        route.send(message)
    topics = [pushed.headers.get("topic") for pushed in push.wait_for(3)]
    assert topics[0] == topics[1] != topics[2]


@pytest.mark.parametrize("status", [404, 410])
def test_a_telephone_that_has_left_is_forgotten(
    push: PushService, tmp_path: Path, status: int
) -> None:
    one, gone = push.telephone("send/one"), push.telephone("send/gone")
    push.answers[gone.path] = Answer(status)
    route = route_to(push, tmp_path, one, gone)
    route.send(FIRE)
    wait_until(lambda: len(route.telephones.all()) == 1, within_s=60)
    again = Telephones(tmp_path / "telephones.json", SystemClock().wall)
    assert [each.endpoint for each in again.all()] == [one.endpoint]
    push.answers[one.path] = Answer(status)
    error = failure(route)
    assert "127.0.0.1 says that this telephone has left" in error.reason
    assert error.retry and "join it there" in error.remedy
    wait_until(lambda: not route.telephones.all(), within_s=60)
    error = failure(route)
    assert "no telephone of cox has joined" in error.reason and error.retry
    error = failure(route, replace(FIRE, stage="test"))
    assert not error.retry, "a test tells how it is now"


@pytest.mark.parametrize(
    ("answer", "reason", "remedy"),
    [
        pytest.param(Answer(429, {"Retry-After": "5"}), "it answered 429", "", id="too many"),
        pytest.param(Answer(500), "it answered 500", "", id="its own fault"),
        pytest.param(Answer(400), "it answered 400", "", id="ours"),
        pytest.param(Answer(401), "it answered 401", "clock", id="who we are"),
        pytest.param(Answer(403), "it answered 403", "clock", id="not allowed"),
        pytest.param(
            Answer(307, {"Location": "http://169.254.169.254/"}), "elsewhere", "", id="elsewhere"
        ),
        pytest.param(Answer(503, body=b"x" * 3_000_000), "it answered 503", "", id="huge"),
    ],
)
def test_what_is_not_taken_is_tried_again_and_told(
    push: PushService, tmp_path: Path, answer: Answer, reason: str, remedy: str
) -> None:
    one = push.telephone("send/one")
    push.answers[one.path] = answer
    route = route_to(push, tmp_path, one)
    error = failure(route)
    assert error.retry
    assert "127.0.0.1" in error.reason and reason in error.reason
    assert remedy in error.remedy
    assert reason in route.failing(telephone_id(one.endpoint))
    assert len(route.telephones.all()) == 1
    del push.answers[one.path]
    route.send(FIRE)
    assert route.failing(telephone_id(one.endpoint)) == ""


def test_one_that_takes_it_is_enough_and_one_that_hangs_holds_nobody_up(
    push: PushService, tmp_path: Path
) -> None:
    one, slow = push.telephone("send/one"), push.telephone("send/slow")
    held = threading.Event()
    push.answers[slow.path] = Answer(held=held)
    route = route_to(push, tmp_path, one, slow, timeout_s=30.0)
    for number in range(MOST_UNDER_WAY + 1):
        route.send(replace(FIRE, key=str(number)))  # would last 30 s each if it were waited for
    # No thread is begun for each message that meets a telephone whose service hangs.
    assert "earlier messages" in route.failing(telephone_id(slow.endpoint))
    held.set()
    push.wait_for(2 * MOST_UNDER_WAY + 1)


def test_a_service_that_never_answers_is_given_up(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    push.answers[one.path] = Answer(held=threading.Event())
    error = failure(route_to(push, tmp_path, one, timeout_s=0.3))
    assert "127.0.0.1 gave no answer within 0.3 s" in error.reason and error.retry


def test_closing_ends_the_waiting(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    held = threading.Event()
    push.answers[one.path] = Answer(held=held)
    route = route_to(push, tmp_path, one, timeout_s=30.0)
    closer = threading.Timer(0.2, route.close)
    closer.start()
    failure(route)
    held.set()
    closer.join()


def test_who_cannot_be_trusted_is_told_nothing(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    route = route_to(push, tmp_path, one)
    route._settings = PushSettings(CONTACT, {push.server: None})  # none of the push's authority
    assert "the certificate of 127.0.0.1 can't be trusted" in failure(route).reason
    assert push.pushed == []


def test_a_name_that_leads_inside_is_told_nothing(push: PushService) -> None:
    """Judged is where the connection has led, for a name may lead elsewhere each time."""
    port = push.server.partition(":")[2]
    for host in ("localhost", "127.0.0.1"):
        with pytest.raises(PostError, match="leads into a private network"):
            post(
                f"https://{host}:{port}/send/one", b"x", {},
                timeout_s=5, trust=push.trust, may_reach=is_outside,
            )  # fmt: skip
    with pytest.raises(PostError):
        post("http://127.0.0.1:9/x", b"x", {}, timeout_s=5, may_reach=is_outside)
    assert push.pushed == []


def test_what_was_allowed_once_is_looked_at_again(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    route = route_to(push, tmp_path, one)
    route._settings = PushSettings(CONTACT)  # [push] no longer names the server
    assert "leads into a private network" in failure(route).reason
    assert push.pushed == []


def test_no_address_or_key_stands_in_the_log(
    push: PushService, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    one = push.telephone("send/very-secret")
    push.answers[one.path] = Answer(500)
    with caplog.at_level(logging.INFO):
        failure(route_to(push, tmp_path, one))
        # It is noted once it is told, by a thread that nobody waits for.
        wait_until(lambda: "telephone" in caplog.text, within_s=60)
    for secret in ("very-secret", one.subscription()["auth"], one.subscription()["p256dh"]):
        assert secret not in caplog.text


def test_a_trial_says_what_came_of_it(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    route = route_to(push, tmp_path, one)
    known = telephone_id(one.endpoint)
    assert route.trial(known) == (True, "127.0.0.1 has taken it")
    told = one.read(push.wait_for(1)[0])
    assert told["title"].startswith("Trial: ") and told["stage"] == "trial"
    push.answers[one.path] = Answer(500)
    assert route.trial(known) == (False, "127.0.0.1 refuses it: it answered 500")
    with pytest.raises(CommandRefused, match="no such telephone"):
        route.trial("0" * 16)


def test_trials_are_bounded(push: PushService, tmp_path: Path) -> None:
    held = threading.Event()
    telephones = [push.telephone(f"send/{number}") for number in range(MOST_TRIALS)]
    for each in telephones:
        push.answers[each.path] = Answer(held=held)
    route = route_to(push, tmp_path, *telephones, timeout_s=20.0)
    waiting = [
        threading.Thread(target=route.trial, args=(telephone_id(each.endpoint),))
        for each in telephones
    ]
    for thread in waiting:
        thread.start()
    wait_until(lambda: push.asked == MOST_TRIALS, within_s=60)
    with pytest.raises(CommandRefused, match="ask again"):
        route.trial(telephone_id(telephones[0].endpoint))
    held.set()
    for thread in waiting:
        thread.join()


# --- the whole service ----------------------------------------------------------------------

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["metal"]
limit_c = 80

[recording]
speed = 10

[[sensor]]
name = "top"
driver = "recording"
file = "{recording}"
column = "top"

[[person]]
name = "cox"
routes = ["webpush:"]

[[person]]
name = "bow"
routes = ["mailto:bow@example.org"]

[mail]
host = "127.0.0.1"
port = 9
security = "none"

[push]
contact = "mailto:captain@shed.example"
own_server = "{server}"
trust_file = "{trust}"
"""


def chamber_file(folder: Path, push: PushService) -> Path:
    recording = made_up_fire(folder / "fire.csv")
    path = folder / "chamber.toml"
    path.write_text(CHAMBER.format(recording=recording, server=push.server, trust=push.trust))
    return path


def test_a_fire_reaches_a_telephone_that_has_joined(push: PushService, tmp_path: Path) -> None:
    one = push.telephone("send/one")
    chamber = chamber_file(tmp_path, push)
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        assert service.get("/api/telephones") == {"items": [], "people": ["cox"]}
        unjoined = wait_until(lambda: thing(service, "telephones of cox"), within_s=60)
        assert unjoined["state"] == "unfit" and "page Telephones" in unjoined["remedy"]
        joined = service.post(
            "/api/telephones", {"person": "cox", "label": "the red one", **one.subscription()}
        )
        assert joined == {"id": telephone_id(one.endpoint), "stored": True}
        (kept,) = service.get("/api/telephones")["items"]
        assert (kept["person"], kept["label"], kept["failing"]) == ("cox", "the red one", "")
        assert not set(one.subscription().values()) & set(map(str, kept.values()))

        def fire() -> Any:
            told = [one.read(pushed) for pushed in list(push.pushed)]
            return next((each for each in told if each["kind"] == "fire"), None)

        told = wait_until(fire, within_s=60)
        assert told["priority"] == "critical" and "Fire" in told["title"]
        key = service.get("/api/telephones/key")["key"]
        assert one.sender(push.pushed[0], key=key, now=datetime.now(UTC))["sub"] == (
            "mailto:captain@shed.example"
        )
        # That it was taken is noted once its answer is here.
        wait_until(lambda: service.get("/api/telephones")["items"][0]["last_ok_at"], within_s=60)
        wait_until(lambda: thing(service, "telephones of cox")["state"] == "not tried", within_s=60)
    log = service.log.read_text()
    assert one.path not in log and "Traceback" not in log


def thing(service: RunningService, name: str) -> dict[str, Any]:
    found = {each["thing"]: each for each in service.get("/api/setting-up")["items"]}
    got: dict[str, Any] = found.get(name, {})
    return got


@pytest.fixture
def quiet(push: PushService, tmp_path: Path) -> Iterator[RunningService]:
    chamber = chamber_file(tmp_path, push)
    chamber.write_text(chamber.read_text().replace("speed = 10", "speed = 0.01"))
    with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
        yield service


def test_joining_trying_and_leaving(
    push: PushService, quiet: RunningService, tmp_path: Path
) -> None:
    one, other = push.telephone("send/one"), push.telephone("send/other")
    first = quiet.post("/api/telephones", {"person": "cox", **one.subscription()})["id"]
    assert quiet.post(f"/api/telephones/{first}/trial") == {
        "taken": True,
        "told": "127.0.0.1 has taken it",
    }
    assert one.read(push.wait_for(1)[0])["kind"] == "trial"
    # The browser has given it another address.
    second = quiet.post(
        "/api/telephones", {"person": "cox", "replaces": first, **other.subscription()}
    )["id"]
    assert [each["id"] for each in quiet.get("/api/telephones")["items"]] == [second]
    key = quiet.get("/api/telephones/key")
    quiet.stop()
    quiet.start()
    assert quiet.get("/api/telephones/key") == key
    assert [each["id"] for each in quiet.get("/api/telephones")["items"]] == [second]
    push.answers[other.path] = Answer(410)
    trial = quiet.post(f"/api/telephones/{second}/trial")
    assert not trial["taken"] and "has left" in trial["told"]
    wait_until(lambda: quiet.get("/api/telephones")["items"] == [], within_s=60)
    for _ in range(2):
        assert quiet.web.delete(f"/api/telephones/{second}").status_code == 200
    assert quiet.web.post(f"/api/telephones/{second}/trial").status_code == 404
    deeds = [each["what"] for each in quiet.get("/api/audit")["items"]]
    assert {"telephone joined", "telephone removed", "trial sent"} <= set(deeds)


def changed(**other: object) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda body: {**body, **other}


@pytest.mark.parametrize(
    ("change", "status", "said"),
    [
        pytest.param(changed(person="bow"), 409, "webpush:", id="who is reached by mail"),
        pytest.param(changed(person="a stranger"), 409, "webpush:", id="a stranger"),
        pytest.param(changed(person=""), 422, "", id="nobody"),
        pytest.param(changed(endpoint="https://10.0.0.1/x"), 409, "private network", id="inside"),
        pytest.param(changed(endpoint="http://push.example.net/x"), 422, "", id="in clear"),
        pytest.param(changed(endpoint="https://p.example/" + "x" * 9000), 422, "", id="huge"),
        pytest.param(changed(endpoint=["https://p.example/"]), 422, "", id="a list"),
        pytest.param(changed(p256dh="A" * 87), 409, "can't be written to", id="no key"),
        pytest.param(changed(p256dh="!" * 87), 422, "", id="no text of a key"),
        pytest.param(changed(auth="A"), 422, "", id="short secret"),
        pytest.param(changed(auth=None), 422, "", id="no secret"),
        pytest.param(changed(label="x" * 1000), 422, "", id="long name"),
        pytest.param(changed(replaces="../../etc"), 422, "", id="no id"),
        pytest.param(changed(admin=True), 422, "", id="more than is asked"),
    ],
)
def test_what_is_no_telephone_is_refused(
    refusing: RunningService,
    change: Callable[[dict[str, Any]], dict[str, Any]],
    status: int,
    said: str,
) -> None:
    good = {"person": "cox", **StandIn("https://push.example.net/abc").subscription()}
    answer = refusing.web.post("/api/telephones", json=change(good))
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert said in answer.json()["detail"]
    for secret in (good["endpoint"], good["auth"], "10.0.0.1"):
        assert secret not in answer.text
    assert refusing.get("/api/telephones")["items"] == []


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    folder = tmp_path_factory.mktemp("refusing")
    recording = made_up_fire(folder / "fire.csv")
    chamber = folder / "chamber.toml"
    text = CHAMBER.format(recording=recording, server="shed.example:8443", trust="x")
    chamber.write_text(text.replace("speed = 10", "speed = 0.01").replace('trust_file = "x"', ""))
    with RunningService(folder / "data", "--chamber", str(chamber)) as service:
        yield service


def test_damaged_files_are_told_and_end_nothing(push: PushService, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    (data / "telephones.json").write_text("{broken")
    (data / "push-key.pem").write_text("no key")
    chamber = chamber_file(tmp_path, push)
    chamber.write_text(chamber.read_text().replace("speed = 10", "speed = 1"))
    with RunningService(data, "--chamber", str(chamber)) as service:
        assert service.get("/api/telephones")["items"] == []
        assert service.get("/api/telephones/key")["key"]

        def told() -> set[str]:
            reasons = {
                str(event["detail"].get("reason", ""))
                for event in service.events(kind="delivery_fault")
            }
            return {name for name in NAMES if any(r.startswith(name) for r in reasons)}

        wait_until(lambda: told() == NAMES, within_s=60)
    assert len(list(data.glob("*.damaged-*"))) == 2


NAMES = {"telephones.json", "push-key.pem"}


def test_telephones_and_key_are_in_a_backup_and_no_report(
    push: PushService, quiet: RunningService, tmp_path: Path
) -> None:
    one = push.telephone("send/very-secret")
    quiet.post("/api/telephones", {"person": "cox", "label": "Zqx phone", **one.subscription()})
    key = quiet.get("/api/telephones/key")
    quiet.stop()

    def run(*words: str) -> None:
        done = warm_run(stillair(*words), timeout_s=90)
        assert done.returncode in (0, 1), done.stderr

    data, tar = quiet.folder, tmp_path / "all.tar"
    quiet.log.write_text(f"push to {one.endpoint} Zqx phone {one.subscription()['auth']}\n")
    report = tmp_path / "report.zip"
    run(
        "report", "--to", str(report), "--chamber", str(tmp_path / "chamber.toml"),
        "--data-dir", str(data), "--log", str(quiet.log),
    )  # fmt: skip
    with zipfile.ZipFile(report) as bundle:
        text = bundle.read("report.txt").decode()
    for secret in ("very-secret", "Zqx", one.subscription()["auth"]):
        assert secret not in text
    run("backup", "--to", str(tar), "--data-dir", str(data))
    with tarfile.open(tar) as made:
        assert set(made.getnames()) >= NAMES
    for name in NAMES:
        (data / name).unlink()
    run("restore", str(tar), "--data-dir", str(data), "--replace")
    for name in NAMES:
        assert (data / name).stat().st_mode & 0o777 == 0o600
    quiet.start()
    assert quiet.get("/api/telephones/key") == key
    assert len(quiet.get("/api/telephones")["items"]) == 1


def test_the_app_can_be_installed_and_says_nothing_private(refusing: RunningService) -> None:
    """A browser asks for these by itself, without its person's session."""
    manifest = refusing.web.get("/web/app.webmanifest")
    assert manifest.headers["content-type"].startswith("application/manifest+json")
    told = json.loads(manifest.text)
    assert (told["start_url"], told["scope"], told["display"]) == ("/", "/", "standalone")
    for icon in told["icons"]:
        answer = refusing.web.get(icon["src"])
        assert answer.headers["content-type"] == icon["type"]
        if icon["type"] == "image/png":
            width, height = (int.from_bytes(answer.content[at : at + 4]) for at in (16, 20))
            assert icon["sizes"] == f"{width}x{height}"
    worker = refusing.web.get("/web/worker.js")
    assert worker.headers["service-worker-allowed"] == "/"
    assert "javascript" in worker.headers["content-type"]
    assert "service-worker-allowed" not in refusing.web.get("/web/js/main.js").headers
    policy = worker.headers["content-security-policy"]
    assert "manifest-src 'self'" in policy and "script-src 'self'" in policy


def test_the_key_is_taken_for_no_telephone(refusing: RunningService) -> None:
    answer = refusing.web.delete("/api/telephones/key")
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET")
    assert refusing.web.delete("/api/telephones/not-an-id").status_code == 404
