"""An alarm test of a real service, from the page and from a shell, to a real mail server."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

import ordered
from burning import burning
from running import RunningService, stillair, wait_until
from servers import Broker, MailServer
from stillair.storage.history import History
from topic_listeners import listening
from warm_starts import warm_run
from web_receivers import receiving

SOON_S = 45.0  # generous: for a computer that does other things as well
CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"

[simulation]
scenario = "quiet_job"

[sounder]
driver = "command"
command = "{ring}"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org", "mailto:boat@example.org"]

[[person]]
name = "cox"
routes = ["mailto:cox@example.org"]

[mail]
host = "{host}"
port = {port}
security = "none"
"""
RING = """
import os, sys
with open(sys.argv[1], "a") as heard:
    told = os.environ["STILLAIR_SOUND"], os.environ.get("STILLAIR_TEST", "")
    heard.write(" ".join(told) + "\\n")
"""


class Shed:
    """A running service with a sounder that writes down what it was run for."""

    def __init__(self, folder: Path, mail: MailServer) -> None:
        self.folder, self.mail = folder, mail
        self.heard = folder / "heard"
        (folder / "ring.py").write_text(RING)
        self.chamber = folder / "chamber.toml"
        self.write(CHAMBER)
        self.service = RunningService(folder / "data", "--chamber", str(self.chamber))

    def write(self, text: str) -> None:
        ring = f"{sys.executable} {self.folder / 'ring.py'} {self.heard}"
        self.chamber.write_text(text.format(ring=ring, host=self.mail.host, port=self.mail.port))

    def begin(self) -> str:
        return str(self.service.post("/api/alarm-tests", {})["id"])

    def test(self, test: str) -> dict[str, Any]:
        items = self.service.get("/api/alarm-tests", limit=1000)["items"]
        (item,) = [item for item in items if item["id"] == test]
        return dict(item)

    def over(self, test: str) -> dict[str, Any]:
        def ended() -> dict[str, Any] | None:
            item, shown = self.test(test), self.said()["chambers"][0]["running"]
            return item if item["phase"] != "running" and not shown else None

        return wait_until(ended, within_s=SOON_S)

    def said(self) -> dict[str, Any]:
        said: dict[str, Any] = self.service.get("/api/now")["alarm_test"]
        return said

    def inspected(self) -> str:
        """The line of `stillair inspect` on alarm tests."""
        words = ("--chamber", str(self.chamber), "--data-dir", str(self.service.folder))
        done = command("inspect", *words)
        (line,) = [line for line in done.stdout.splitlines() if "alarm test:" in line]
        return line


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return warm_run(stillair(*words), timeout_s=150)


@contextmanager
def a_shed(folder: Path, mail: MailServer) -> Iterator[Shed]:
    shed = Shed(folder, mail)
    with shed.service:
        yield shed


@pytest.fixture
def shed(tmp_path: Path, mail_server: MailServer) -> Iterator[Shed]:
    with a_shed(tmp_path, mail_server) as running:
        yield running


def test_every_route_of_everybody_gets_a_marked_message_and_the_figures_are_true(
    shed: Shed,
) -> None:
    assert (shed.said()["ready"], shed.said()["text"]) == (
        False,
        "The alarms have never been tested",
    )
    first = shed.service.now()
    assert "The alarms have never been tested" in f"{first['sentence']}. {first['sub']}"
    assert shed.inspected().startswith("none       alarm test: the alarms have never been tested")
    begun_at = datetime.now().astimezone()
    test = shed.begin()
    mails = shed.mail.wait_for(3, SOON_S)
    # That a server has it is known a moment later than the server knows.
    wait_until(
        lambda: all(route["handed_after_s"] is not None for route in shed.test(test)["routes"]),
        within_s=SOON_S,
    )
    came_s = (datetime.now().astimezone() - begun_at).total_seconds()
    assert sorted(shed.mail.recipients) == [
        "boat@example.org",
        "captain@example.org",
        "cox@example.org",
    ]
    for mail in mails:
        assert mail["subject"] == "Simulated: Alarm test: North bench"
        assert "Alarm test: nothing is wrong." in mail.get_content()
        assert mail["importance"] == "high", "as an alarm's would be"
    over = shed.over(test)
    assert (over["phase"], over["passed"], over["by"]) == ("done", True, "this computer")
    assert over["steps"] == ["sign", "event", "alarm", "messages"]
    assert over["sounder"] == "sounded once"
    assert shed.heard.read_text().splitlines() == ["fire 1"] * 3
    for route in over["routes"]:
        assert 0.0 <= route["handed_after_s"] <= came_s + 1.0
        assert route["text"].endswith("not confirmed by anyone yet")
    # The ledger has the test, and of what was simulated nothing.
    assert shed.service.events(kind="fire") == []
    assert shed.service.get("/api/alarms")["items"] == []

    # The sounder alone, of which nobody is told.
    tried = shed.service.post("/api/alarm-tests/sounder", {"chamber": "north-bench"})
    assert tried == {"well": True, "fault": None}
    assert shed.heard.read_text().splitlines() == ["fire 1"] * 4
    assert len(shed.mail.messages) == 3
    assert len(shed.service.get("/api/alarm-tests")["items"]) == 1
    lines = shed.service.get("/api/watch")["items"]
    assert [line["thing"] for line in lines if line["sounder"] == "north-bench"] == ["sounder"]

    said = shed.said()
    assert not said["ready"]
    assert "all 3 messages taken by a server, none yet confirmed as arrived" in said["text"]
    assert "bench captain hasn't confirmed yet" in said["text"]
    to = f"/api/alarm-tests/{test}/confirm"
    shed.service.post(to, {"person": "bench captain", "heard": "heard"})
    shed.service.post(to, {"person": "cox", "heard": "silent"})
    assert shed.said()["text"].endswith("all confirmed as arrived; cox heard nothing")
    shed.service.post(to, {"person": "cox", "heard": "heard", "route": "mailto:cox@example.org"})
    assert shed.said()["ready"] is True
    assert shed.said()["text"].endswith("taken by a server, all confirmed as arrived")
    assert "alarm" not in shed.service.now()["sub"].lower()
    assert shed.inspected().startswith("fit        alarm test: ")
    confirmed = shed.test(test)["routes"]
    assert [route["confirmed_by"] for route in confirmed] == ["this computer"] * 3
    assert all(route["confirmed_after_s"] >= route["handed_after_s"] for route in confirmed)

    # What was tested is not what is set any more.
    shed.service.stop()
    shed.write(CHAMBER + '\n[[person]]\nname = "stroke"\nroutes = ["mailto:stroke@example.org"]\n')
    shed.service.start()
    assert not shed.said()["ready"]
    assert shed.said()["text"].startswith("People, routes, sounder or stop are others now")


def test_a_route_that_is_refused_says_why(shed: Shed) -> None:
    shed.mail.refuse_with = "550 5.1.1 no such box at post.shed.example"
    test = shed.begin()
    over = shed.over(test)
    assert (over["phase"], over["passed"]) == ("done", False)
    for route in over["routes"]:
        assert (route["arrived"], route["handed_after_s"]) == (False, None)
        assert "no such box" in route["refused"]
        assert route["text"].startswith("not taken: ")
        assert "post.shed.example" in route["refused"]
    assert "0 of 3 messages taken by a server, none yet confirmed" in shed.said()["text"]
    data = ("--data-dir", str(shed.service.folder))
    with_owner = warm_run(stillair("owner", "add", "captain", *data), typed="a long row home")
    assert with_owner.returncode == 0, with_owner.stderr
    made = command("token", "add", "a page", "--role", "viewer", *data)
    viewer = {"authorization": f"Bearer {made.stdout.split()[-1]}"}
    seen = shed.service.web.get("/api/alarm-tests", headers=viewer).text
    assert "no such box at (left out)" in seen
    assert "post.shed" not in seen and "127.0.0.1" not in seen, "what is no business of a viewer"


def test_a_telephone_that_has_not_joined_is_said_at_once_and_the_sounder_is_tried_all_the_same(
    tmp_path: Path, mail_server: MailServer
) -> None:
    shed = Shed(tmp_path, mail_server)
    shed.write(CHAMBER + '\n[[person]]\nname = "stroke"\nroutes = ["webpush:"]\n')
    with shed.service:
        begun_s = time.monotonic()
        over = shed.over(shed.begin())
        assert time.monotonic() - begun_s < 30.0, "it waits for nobody who can't be reached"
        (telephones,) = [each for each in over["routes"] if each["person"] == "stroke"]
        assert "not taken: no telephone of stroke has joined" in telephones["text"]
        assert over["sounder"] == "sounded once"
        assert "3 of 4 messages taken by a server" in shed.said()["text"]


def test_by_command_it_is_told_as_it_goes_and_ends_with_a_status(shed: Shed) -> None:
    data = str(shed.service.folder)
    begun_s = time.monotonic()
    done = command("alarm-test", "--data-dir", data)
    assert (done.returncode, done.stderr) == (0, "")
    assert time.monotonic() - begun_s < SOON_S
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Alarm test: it has begun. Nothing is wrong")
    assert "sounder: sounded once" in lines
    for person, address in (("bench captain", "boat"), ("bench captain", "captain"), ("cox",) * 2):
        told = f"{person}, e-mail to {address}@example.org: taken by the server after "
        assert any(line.startswith(told) for line in lines), done.stdout
    assert lines[-1].startswith("Now each person says what arrived")
    (item,) = shed.service.get("/api/alarm-tests")["items"]
    assert item["by"] == "command line"

    shed.mail.refuse_with = "550 5.1.1 no such box"
    done = command("alarm-test", "--chamber", "north-bench", "--data-dir", data)
    assert done.returncode == 1
    assert "not taken: " in done.stdout and "no such box" in done.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        pytest.param(
            ("--chamber", "jetty"),
            "there is no chamber jetty; there is north-bench",
            id="no such chamber",
        ),
        pytest.param((), "an alarm test is running already", id="another runs"),
    ],
)
def test_a_command_that_is_refused_says_why(shed: Shed, words: tuple[str, ...], told: str) -> None:
    shed.mail.refuse_with = "451 4.3.0 try later"  # so that it goes on
    shed.begin()
    done = command("alarm-test", *words, "--data-dir", str(shed.service.folder))
    assert (done.returncode, done.stdout) == (1, "")
    assert told in done.stderr and len(done.stderr.splitlines()) == 1


def test_without_a_service_a_command_waits_for_nobody(
    tmp_path: Path, mail_server: MailServer
) -> None:
    nothing = command("alarm-test", "--data-dir", str(tmp_path / "nowhere"))
    assert (nothing.returncode, "there is no history" in nothing.stderr) == (1, True)
    with a_shed(tmp_path, mail_server) as shed:
        wait_until(lambda: shed.service.now()["sensors"], within_s=SOON_S)
    stopped = command("alarm-test", "--data-dir", str(shed.service.folder))
    assert (stopped.returncode, "start it first" in stopped.stderr) == (1, True)
    assert not (shed.service.folder / "alarm-test-wanted.json").exists()
    # Nor does it begin by itself when somebody starts the service later.
    with a_shed(tmp_path, mail_server) as shed:
        wait_until(lambda: shed.service.now()["sensors"], within_s=SOON_S)
        assert shed.service.get("/api/alarm-tests")["items"] == []


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("", {"chamber": "jetty"}, 404),
        ("", {"chamber": 3}, 422),
        ("/north-bench-none/confirm", {"person": "cox", "heard": "heard"}, 404),
        ("/jetty-1/confirm", {"person": "cox", "heard": "heard"}, 404),
        ("/north-bench-none/confirm", {"person": "cox", "heard": "loud"}, 422),
    ],
)
def test_what_does_not_fit_is_refused(
    shed: Shed, path: str, body: dict[str, object], status: int
) -> None:
    answer = shed.service.web.post(f"/api/alarm-tests{path}", json=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_one_that_is_killed_is_said_to_be_cut_off_and_the_next_one_begins(shed: Shed) -> None:
    shed.mail.refuse_with = "451 4.3.0 try later"  # so that it goes on
    test = shed.begin()
    assert shed.said()["text"] == "An alarm test is running: nothing is wrong"
    wait_until(lambda: shed.mail.refusals, within_s=SOON_S)
    shed.service.kill()
    shed.service.start()
    over = shed.over(test)
    assert (over["phase"], over["why"]) == ("cut_off", "it was cut off by a restart")
    wait_until(lambda: "cut off by a restart" in shed.said()["text"], within_s=SOON_S)
    shed.mail.refuse_with = None
    again = shed.over(shed.begin())
    assert (again["phase"], again["passed"]) == ("done", True)


def test_real_danger_ends_it_and_takes_back_what_says_that_nothing_is_wrong(
    tmp_path: Path, mail_server: MailServer
) -> None:
    mail_server.refuse_with = "451 4.3.0 try later"  # the messages of the test wait
    with burning(tmp_path, mail_server, speed=1.0) as stage:
        test = str(stage.service.post("/api/alarm-tests", {})["id"])
        wait_until(lambda: mail_server.refusals, within_s=SOON_S)
        ordered.order(tmp_path, "contact_on", contact="smoke detector", for_s=600.0)
        wait_until(lambda: stage.alarms() & {"fire", "detector_contact"}, within_s=SOON_S)

        def ended() -> Any:
            items = stage.service.get("/api/alarm-tests")["items"]
            return next((i for i in items if i["id"] == test and i["phase"] == "ended"), None)

        assert wait_until(ended, within_s=SOON_S)["why"] == "there was real danger"
        refused = stage.service.web.post("/api/alarm-tests", json={})
        assert refused.status_code == 409
        assert "danger" in refused.json()["detail"]
        data = stage.service.folder
        history = History(data / "journal.db", data / "archive.db")
        wait_until(
            lambda: all(row.state == "failed" for row, _ in history.tries_of(f"test:{test}:")),
            within_s=SOON_S,
        )
        history.close()
        mail_server.refuse_with = None
        mails = mail_server.wait_for(2, SOON_S)
        titles = [str(mail["subject"]) for mail in mails]
        assert any("this is real" in title for title in titles)
        assert not any("nothing is wrong" in mail.get_content() for mail in mails)


BY_ALL_WAYS = """
[chamber]
name = "North bench"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"

[simulation]
scenario = "quiet_job"

[[person]]
name = "cox"
routes = ["mqtt:shed/alarms", "{hook}", "mailto:cox@example.org"]

[webhook]
secret = "sixteen oars or more in the water"

[mqtt]
host = "{broker_host}"
port = {broker_port}

[mail]
host = "{host}"
port = {port}
security = "none"
"""


def test_a_broker_and_a_web_address_are_told_that_it_is_a_test(
    tmp_path: Path, mail_server: MailServer, mosquitto: Broker
) -> None:
    chamber = tmp_path / "chamber.toml"
    with receiving() as hook, listening(mosquitto, "shed/alarms") as heard:
        chamber.write_text(
            BY_ALL_WAYS.format(
                hook=hook.address("/a-secret-path"),
                broker_host=mosquitto.host,
                broker_port=mosquitto.port,
                host=mail_server.host,
                port=mail_server.port,
            )
        )
        with RunningService(tmp_path / "data", "--chamber", str(chamber)) as service:
            done = command("alarm-test", "--data-dir", str(service.folder))
            assert (done.returncode, done.stderr) == (0, "")
            assert "a-secret-path" not in done.stdout
            text = service.web.get("/api/alarm-tests").text + service.web.get("/api/now").text
            assert "a-secret-path" not in text
            (item,) = service.get("/api/alarm-tests")["items"]
        tolds = [*(posted.told for posted in hook.posted), *heard.wait_for(1)]
    assert len(item["routes"]) == 3
    for route in item["routes"]:
        assert 0.0 <= route["handed_after_s"] < SOON_S
    assert len(tolds) == 2
    for told in tolds:
        assert (told["stage"], told["kind"], told["alarm"]) == ("test", "fire", None)
        assert told["title"] == "Simulated: Alarm test: North bench"
        assert "nothing is wrong" in told["text"]
