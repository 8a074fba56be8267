"""A real service stops its machine in a fire, whatever happens to the service meanwhile."""

from __future__ import annotations

import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from burning import ANNOUNCED_S, Stage, burning
from disks import LoopDisk
from running import wait_until
from servers import Broker, MailServer

pytestmark = pytest.mark.timeout(300)  # a service is started more than once
SWITCH = """
import os, sys
with open(sys.argv[1], "a") as told:
    told.write(os.environ["STILLAIR_MACHINE"] + "\\n")
"""
PASSWORD = "a long row to the weir"
STOP = "/api/chambers/north-bench/stop"


def stop_table(folder: Path, *, countdown_s: float = 20.0, more: str = "") -> str:
    """A stop by a program that writes down what it was told."""
    (folder / "switch.py").write_text(SWITCH)
    return f"""
[stop]
command = "{sys.executable} {folder / "switch.py"} {folder / "told"}"
countdown_s = {countdown_s}
{more}
"""


def told(folder: Path) -> list[str]:
    """What the machine's switch was told so far."""
    path = folder / "told"
    return path.read_text().split() if path.exists() else []


def is_stopped(folder: Path) -> bool:
    return told(folder)[-1:] == ["stop"]


def stop_of(stage: Stage) -> dict[str, Any]:
    found: dict[str, Any] = stage.service.now()["stop"]
    return found


def is_at(stage: Stage, phase: str) -> None:
    """Wait until the page says so: the machine's switch may be told a moment before."""
    wait_until(lambda: stop_of(stage)["phase"] == phase, within_s=ANNOUNCED_S)


def counted_down(stage: Stage) -> dict[str, Any] | None:
    """The countdown as it was kept: by the time that somebody asks it may be over."""
    with stage.service.live(last_event_id="0") as stream:
        for told in stream:
            if told.kind == "stop" and told.data["phase"] == "counting":
                found: dict[str, Any] = told.data
                return found
            if told.kind == "now":
                break
    return None


def clear(stage: Stage) -> None:
    """Say of every danger that it was seen and is done with, until none stands."""

    def nothing() -> bool:
        dangers = [a for a in stage.service.now()["alarms"] if a["class"] == "alarm"]
        for alarm in dangers:
            for what in ("acknowledge", "reset"):
                stage.service.web.post(f"/api/alarms/{alarm['id']}/{what}")
        return not dangers

    wait_until(nothing, within_s=2 * ANNOUNCED_S)


def test_a_fire_stops_the_machine_and_a_person_lets_it_run_again(
    tmp_path: Path, mail_server: MailServer
) -> None:
    with burning(tmp_path, mail_server, more=stop_table(tmp_path), speed=60) as stage:
        wait_until(lambda: told(tmp_path) == ["run"], within_s=ANNOUNCED_S)
        assert stop_of(stage)["phase"] == "ready"
        assert stop_of(stage)["tried_at"] is None
        stage.light()
        wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)
        is_at(stage, "stopped")
        counted = wait_until(lambda: counted_down(stage), within_s=ANNOUNCED_S)
        assert counted["cause"] == "fire"
        assert counted["until_at"] > counted["changed_at"]
        answer = stage.service.web.post(f"{STOP}/reset")
        assert answer.status_code == 409, "it burns"
        stage.put_out()
        stage.service.stop()
        stage.service.start()
        assert stop_of(stage)["phase"] == "stopped"
        clear(stage)
        assert stop_of(stage)["phase"] == "stopped", "nobody has reset it"
        assert told(tmp_path).count("run") == 1
        stage.service.post(f"{STOP}/reset")
        wait_until(lambda: told(tmp_path)[-1] == "run", within_s=ANNOUNCED_S)
        is_at(stage, "ready")


# It is killed as soon as its journal has that the stop counts; the next process goes on.
KILLED = """
import os, signal
from pathlib import Path
from stillair.storage.journal import Journal

whole = Journal.commit_all

def and_killed(self, parcels):
    entries = whole(self, parcels)
    duties = [duty for parcel in parcels for duty in parcel.outcome.duties]
    counts = any(getattr(duty, "phase", "") == "counting" for duty in duties)
    if counts and not Path(os.environ["KILLED"]).exists():
        Path(os.environ["KILLED"]).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return entries

Journal.commit_all = and_killed
"""


def test_a_kill_in_the_countdown_stops_the_machine_all_the_same(
    tmp_path: Path, mail_server: MailServer
) -> None:
    # Three seconds of the clock on the wall: the next process is not up before they are over.
    table = stop_table(tmp_path, countdown_s=60.0)
    environment = {"KILLED": str(tmp_path / "killed")}
    with burning(
        tmp_path, mail_server, more=table, before=KILLED, environment=environment
    ) as stage:
        stage.light()
        wait_until(lambda: not stage.service.is_alive(), within_s=ANNOUNCED_S)
        assert not is_stopped(tmp_path)
        stage.put_out()  # the next one has only what was kept
        stage.service.start()
        wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)
        is_at(stage, "stopped")


def test_a_kill_after_the_stop_lets_no_machine_run(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server, more=stop_table(tmp_path, countdown_s=0.0)) as stage:
        stage.light()
        wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)
        wait_until(lambda: stage.service.get("/api/now")["stored"], within_s=ANNOUNCED_S)
        stage.put_out()
        for _ in range(2):
            (tmp_path / "told").unlink()
            stage.service.kill()
            stage.service.start()
            wait_until(lambda: told(tmp_path), within_s=ANNOUNCED_S)
            is_at(stage, "stopped")
            assert set(told(tmp_path)) == {"stop"}


def test_a_disk_that_hangs_holds_up_no_stop(tmp_path: Path, mail_server: MailServer) -> None:
    disk = LoopDisk.make(tmp_path)
    try:
        data, table = disk.path / "data", stop_table(tmp_path)
        with burning(tmp_path, mail_server, data=data, more=table) as stage:
            wait_until(lambda: told(tmp_path) == ["run"], within_s=ANNOUNCED_S)
            disk.freeze()
            try:
                stage.light()
                wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)
            finally:
                disk.thaw()
    finally:
        disk.remove()


def test_a_switch_that_fails_is_an_alarm_and_tried_until_it_works(
    tmp_path: Path, mail_server: MailServer
) -> None:
    with burning(tmp_path, mail_server, more=stop_table(tmp_path, countdown_s=0.0)) as stage:
        wait_until(lambda: told(tmp_path) == ["run"], within_s=ANNOUNCED_S)
        (tmp_path / "switch.py").write_text("raise SystemExit(4)")
        stage.light()

        def fault() -> Any:
            alarms = stage.service.now()["alarms"]
            return [a for a in alarms if "stop of north-bench" in a["text"]]

        (alarm,) = wait_until(fault, within_s=ANNOUNCED_S)
        assert alarm["kind"] == "delivery_fault"
        assert "exit status 4" in alarm["text"]
        (tmp_path / "switch.py").write_text(SWITCH)
        wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)


def test_an_alarm_test_tries_it_and_stops_nothing(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server, more=stop_table(tmp_path)) as stage:
        wait_until(lambda: told(tmp_path) == ["run"], within_s=ANNOUNCED_S)
        stage.service.post("/api/alarm-tests", {})

        def said() -> str:
            items = stage.service.get("/api/alarm-tests")["items"]
            return str(items[-1]["stop"]) if items else ""

        wait_until(lambda: "was checked" in said(), within_s=ANNOUNCED_S)
        assert told(tmp_path) == ["run"]
        assert stop_of(stage)["phase"] == "ready"


# --- people ---------------------------------------------------------------------


@contextmanager
def signed_in(stage: Stage) -> Iterator[None]:
    """As the owner, who is made with the code of the console."""
    log = stage.service.log.read_text()
    code = next(line for line in log.splitlines() if "The code" in line)
    code = next(word for word in code.replace(".", " ").split() if "-" in word and len(word) == 9)
    who = {"code": code, "name": "captain", "password": PASSWORD}
    answer = stage.service.web.post("/api/session/owner", json=who)
    assert answer.is_success, answer.text
    yield


def test_only_a_person_with_a_name_holds_it(tmp_path: Path, mail_server: MailServer) -> None:
    table = stop_table(tmp_path, countdown_s=300.0)
    with burning(tmp_path, mail_server, more=table) as stage:
        stage.light()
        wait_until(lambda: stop_of(stage)["phase"] == "counting", within_s=ANNOUNCED_S)
        counting = stop_of(stage)
        assert counting["cause"] == "fire"
        assert counting["until_at"] > counting["since_at"]
        answer = stage.service.web.post(f"{STOP}/hold")
        assert answer.status_code == 409
        assert "owner" in answer.json()["detail"]
        with signed_in(stage):
            stage.service.post(f"{STOP}/hold")
            held = stop_of(stage)
            assert (held["phase"], held["by"]) == ("held", "captain")
            acts = stage.service.get("/api/audit")["items"]
            assert any("machine not to be stopped" in str(act) for act in acts)


def test_it_is_tried_for_real_and_the_date_is_kept(tmp_path: Path, mail_server: MailServer) -> None:
    with burning(tmp_path, mail_server, more=stop_table(tmp_path)) as stage:
        wait_until(lambda: told(tmp_path) == ["run"], within_s=ANNOUNCED_S)
        wait_until(lambda: stage.service.now()["job"], within_s=ANNOUNCED_S)
        answer = stage.service.web.post(f"{STOP}/try")
        assert answer.status_code == 409, "a job runs"
        stage.service.post(f"/api/jobs/{stage.service.now()['job']['id']}/finish")
        stage.service.post(f"{STOP}/try")
        wait_until(lambda: is_stopped(tmp_path), within_s=ANNOUNCED_S)
        stage.service.post(f"{STOP}/tried", {"worked": True})
        stage.service.post(f"{STOP}/reset")
        wait_until(lambda: told(tmp_path)[-1] == "run", within_s=ANNOUNCED_S)
        is_at(stage, "ready")
        tried = stop_of(stage)
        assert tried["tried_worked"] is True
        stage.service.stop()
        stage.service.start()
        before, after = (datetime.fromisoformat(of["tried_at"]) for of in (tried, stop_of(stage)))
        assert abs(after - before) < timedelta(minutes=1)


# --- by message -------------------------------------------------------------------


class Hook:
    """A web server that keeps what it is posted."""

    def __init__(self) -> None:
        self.posted: list[tuple[dict[str, str], bytes]] = []
        self.refuses = False
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if not hook.refuses:
                    hook.posted.append((dict(self.headers), body))
                self.send_response(503 if hook.refuses else 204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}/stop/secret"
        self._thread = threading.Thread(target=self._server.serve_forever, name="hook")

    def __enter__(self) -> Hook:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@contextmanager
def plug(broker: Broker, topic: str) -> Iterator[list[tuple[str, bytes, bool]]]:
    """What a plug that listens on a topic hears: topic, payload and whether it was retained."""
    heard: list[tuple[str, bytes, bool]] = []
    listening = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, m: heard.append((m.topic, bytes(m.payload), m.retain))
    client.on_subscribe = lambda *_: listening.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.subscribe(topic, qos=1)
    assert listening.wait(10)
    yield heard
    client.disconnect()
    client.loop_stop()


def test_messages_stop_it_at_least_once_though_nobody_answers_at_first(
    tmp_path: Path, mail_server: MailServer, own_broker: Broker
) -> None:
    with Hook() as hook, plug(own_broker, "shed/bench/power") as heard:
        hook.refuses = True
        table = f"""
[mqtt]
host = "{own_broker.host}"
port = {own_broker.port}

[webhook]
secret = "0123456789abcdef0123456789abcdef"

[stop]
topic = "shed/bench/power"
payload = "OFF"
url = "{hook.address}"
countdown_s = 0
"""
        with burning(tmp_path, mail_server, more=table) as stage:
            stage.light()
            wait_until(lambda: heard, within_s=ANNOUNCED_S)
            assert heard[0] == ("shed/bench/power", b"OFF", False)

            def fault() -> Any:
                alarms = stage.service.now()["alarms"]
                return [a for a in alarms if "stop of north-bench" in a["text"]]

            (alarm,) = wait_until(fault, within_s=ANNOUNCED_S)
            assert "secret" not in alarm["text"]
            hook.refuses = False
            wait_until(lambda: hook.posted, within_s=ANNOUNCED_S)
            headers, body = hook.posted[0]
            assert b'"stage": "stop"' in body
            assert headers["Stillair-Signature"]
            wait_until(lambda: not fault() or not fault()[0]["condition"], within_s=ANNOUNCED_S)
        assert "secret" not in stage.service.log.read_text().replace("secret = ", "")


# It begins to connect only once the file is there.
LATE = """
import os, time
from stillair.alerts import topic
client_of = topic.client_of

def late(*given, **named):
    while not os.path.exists(os.environ["MAY_CONNECT"]):
        time.sleep(0.02)
    return client_of(*given, **named)

topic.client_of = late
"""


def test_a_stop_that_was_reset_is_not_sent_later(
    tmp_path: Path, mail_server: MailServer, own_broker: Broker
) -> None:
    """A broker that comes back next week must not stop another job, nor one a second later.

    Its message is under way already when it is reset.
    """
    table = f"""
[mqtt]
host = "{own_broker.host}"
port = {own_broker.port}

[stop]
topic = "shed/bench/power"
"""
    may = tmp_path / "may connect"
    environment = {"MAY_CONNECT": str(may)}
    with (
        plug(own_broker, "shed/bench/power") as heard,
        burning(tmp_path, mail_server, more=table, before=LATE, environment=environment) as stage,
    ):
        wait_until(lambda: stage.service.now()["job"], within_s=ANNOUNCED_S)
        stage.service.post(f"{STOP}/now")
        stage.service.post(f"{STOP}/reset")
        may.touch()
        wait_until(lambda: given_up(stage), within_s=ANNOUNCED_S)
        assert heard == []


def given_up(stage: Stage) -> list[str]:
    """What the outbox says of messages to machines that it will never send."""
    with closing(sqlite3.connect(stage.service.folder / "journal.db")) as store:
        query = "SELECT outcome FROM notice WHERE route LIKE 'stop:%' AND state = 'failed'"
        return [str(outcome) for (outcome,) in store.execute(query)]
