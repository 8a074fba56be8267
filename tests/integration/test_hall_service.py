"""A real hall at a real broker: what it shows, whom it tells, what it asks of boards."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from hall_voices import Boards, alarm, an_alarm, board_mark, now, watch
from halls import HALL, SECRET, hall
from running import RunningService, wait_until
from servers import Broker, DatabaseServer, free_loopback_port
from stillair.hall.messages import HallMessage
from stillair.hall.orders import read_order
from web_receivers import WebReceiver, certified, receiving

ONE, TWO = board_mark(1), board_mark(2)
KEY = f"{ONE}.north-bench"
TOLD = """
[page]
address = "https://shed.example:8420"

[[person]]
name = "captain"
routes = ["{address}"]

[webhook]
secret = "a long row to the weir and back"
"""
CHAMBER = """
[chamber]
name = "north bench"
enclosure = ["metal"]
[[sensor]]
name = "top"
driver = "mqtt"
topic = "bench/top"
[[contact]]
name = "lamp"
kind = "detector"
driver = "mqtt"
topic = "bench/lamp"
active = "smoke"
[mqtt]
port = {port}
[hall]
topic = "shed"
place = "boat shed, left bench"
every_s = 1
answers_secret = "{secret}"
"""


def rows(of: RunningService) -> dict[str, dict[str, Any]]:
    return {row["chamber"]: row for row in of.get("/api/hall")["items"]}


def said(boards: Boards, board: str = ONE, **more: Any) -> None:
    boards.say(board, "watch", watch(board))
    boards.say(board, "now", now(board, **more))


def until_calm(running: RunningService, boards: Boards) -> None:
    """A board speaks, as it does every ten seconds, until the hall has heard it itself."""

    def is_calm() -> bool:
        said(boards)
        return standing(running) == "calm"

    wait_until(is_calm, within_s=60)


def troubles(of: RunningService) -> list[str]:
    return [each["subject"] for each in of.get("/api/now")["hall"]["troubles"]]


def standing(of: RunningService, key: str = KEY) -> str | None:
    return rows(of).get(key, {}).get("standing")


def test_all_of_it_with_the_database_away(tmp_path: Path, own_broker: Broker) -> None:
    """Shown, told once, acknowledged, over: none of it needs the database."""
    with receiving() as receiver, speaking(own_broker) as boards:
        told = TOLD.format(address=receiver.address("/told"))
        with hall(tmp_path, own_broker.port, told) as running:
            until_calm(running, boards)
            assert running.get("/api/health") == {"status": "impaired"}
            wait_until(lambda: troubles(running) == ["database"], within_s=60)
            assert running.get("/api/now")["hall"]["keep_days"] == 3_650

            tried(running, receiver)
            boards.say(ONE, "alarms/north-bench-1", alarm(ONE, an_alarm()))
            *_, first = receiver.wait_for(2)
            assert (first.told["stage"], first.told["alarm"]) == ("raised", f"{KEY}-1")
            assert f"Board: {ONE}" in first.told["text"]
            assert first.told["link"] == f"https://shed.example:8420/#/chambers/{KEY}"
            assert standing(running) == "danger"
            assert running.get("/api/now")["hall"]["sounding"] == "fire"

            acknowledged(running, boards)
            refused = running.web.post("/api/alarms/nobody.north-bench-9/acknowledge")
            assert refused.status_code == 404
            assert running.web.post("/api/alarm-tests").status_code == 409, "there is danger"

        # Another process, and what the broker has kept: nobody is told twice.
        with hall(tmp_path, own_broker.port, told) as running:
            wait_until(lambda: standing(running) == "danger", within_s=60)
            boards.say(ONE, "alarms/north-bench-1", b"")
            *_, last = receiver.wait_for(3)
            assert last.told["stage"] == "over", [each.told for each in receiver.posted]
            assert standing(running) == "calm"
            assert running.get("/api/now")["alarm_test"]["ready"], "the test is known"

            boards.say(ONE, "now", b"what is this")
            *_, told_of = receiver.wait_for(4)
            assert told_of.told["title"] == "north bench: Not understood"
            seen_here(running, told_of.told["alarm"])
        assert len(receiver.posted) == 4


def tried(running: RunningService, receiver: WebReceiver) -> None:
    """An alarm test goes to the hall's own people, says so, and is kept."""
    assert running.get("/api/now")["alarm_test"]["text"] == "The alarms have never been tested"
    test = running.post("/api/alarm-tests")["id"]
    (told,) = receiver.wait_for(1)
    assert told.told["title"] == "Alarm test: boat shed"
    assert told.told["text"].endswith("Hall: boat shed\n")
    assert told.told["link"] == "https://shed.example:8420/#/alarm-test"

    def newest() -> dict[str, Any]:
        found: dict[str, Any] = running.get("/api/now")["alarm_test"]["chambers"][0]["test"]
        return found

    wait_until(lambda: newest()["phase"] == "done", within_s=60)
    assert newest()["passed"]
    running.post(f"/api/alarm-tests/{test}/confirm", {"person": "captain", "heard": "heard"})
    assert running.get("/api/now")["alarm_test"]["ready"]
    (kept,) = running.get("/api/alarm-tests")["items"]
    assert (kept["id"], kept["routes"][0]["heard"]) == (test, "heard")


def seen_here(running: RunningService, alarm: str) -> None:
    """What is the hall's own is seen at the hall."""
    assert running.get(f"/api/hall/{KEY}")["misread_alarm"] == {"alarm": alarm, "seen_by": None}
    assert running.web.post(f"/api/hall/alarms/{KEY}-1/seen").status_code == 404
    running.post(f"/api/hall/alarms/{alarm}/seen")
    assert running.get(f"/api/hall/{KEY}")["misread_alarm"]["seen_by"]


@contextmanager
def speaking(broker: Broker) -> Iterator[Boards]:
    boards = Boards(broker.port)
    try:
        yield boards
    finally:
        boards.close()


def acknowledged(running: RunningService, boards: Boards) -> None:
    """An order is signed, carried to the board, and its answer is shown."""
    order = running.post(f"/api/alarms/{KEY}-1/acknowledge")["order"]
    wait_until(lambda: boards.orders, within_s=60)
    topic, message = boards.orders[0]
    read = read_order(message.payload(), SECRET)
    assert topic == f"{ONE}/north-bench/acts"
    assert (read.id, read.board, read.alarm) == (order, ONE, "north-bench-1")
    assert running.get(f"/api/hall/{KEY}")["orders"][0]["state"] == "sent"
    boards.answer(done=False, reason="there is no such alarm")
    (said_of,) = wait_until(
        lambda: [o for o in running.get(f"/api/hall/{KEY}")["orders"] if o["state"] != "sent"],
        within_s=60,
    )
    assert (said_of["state"], said_of["reason"]) == ("refused", "there is no such alarm")


def test_real_danger_ends_an_alarm_test(tmp_path: Path, own_broker: Broker) -> None:
    """One that runs still, as nobody answers on one of the routes."""
    with receiving() as receiver, speaking(own_broker) as boards:
        dead = f"http://127.0.0.1:{free_loopback_port()}/told"
        told = TOLD.format(address=f'{receiver.address("/told")}", "{dead}')
        with hall(tmp_path, own_broker.port, told) as running:
            until_calm(running, boards)
            running.post("/api/alarm-tests")
            receiver.wait_for(1)
            boards.say(ONE, "alarms/north-bench-1", alarm(ONE, an_alarm()))
            titles = [each.told["title"] for each in receiver.wait_for(3)]
            assert set(titles[1:]) == {
                "north bench: Fire",
                "boat shed: alarm test over, this is real",
            }
            tested = running.get("/api/now")["alarm_test"]["chambers"][0]["test"]
            assert (tested["phase"], tested["why"]) == ("ended", "there was real danger")


def test_both_connections_speak_tls_to_a_broker_with_an_authority_of_its_own(
    tmp_path: Path, database_server: DatabaseServer
) -> None:
    certificate, _ = certified(tmp_path)
    broker = Broker(tmp_path, tls=(certificate, tmp_path / "key.pem"), users={"hall": "two oars"})
    broker.start()
    file, store = tmp_path / "hall.toml", database_server.new_database()
    text = HALL.format(port=broker.port, store=store, pages="", secret=SECRET)
    login = '[mqtt]\nhost = "localhost"\nusername = "hall"\npassword = "two oars"\ntls = true\n'
    try:
        file.write_text(text.replace("[mqtt]", f'{login}trust_file = "{certificate.name}"'))
        with RunningService(tmp_path / "data", command=("hall", str(file))) as running:
            # It hears, and what boards hand on is taken: the other connection is let in as well.
            wait_until(lambda: running.get("/api/health") == {"status": "ok"}, within_s=60)
        file.write_text(text.replace("[mqtt]", login))
        with RunningService(tmp_path / "data", command=("hall", str(file))) as running:
            wait_until(lambda: running.get("/api/now")["hall"]["troubles"], within_s=60)
            found = running.get("/api/now")["hall"]
            assert not found["heard"]
            assert "it has a certificate that can't be trusted: self-signed" in found["why"]
            assert "mqtt.trust_file" in found["troubles"][0]["text"]
    finally:
        broker.stop()


def test_boards_come_and_go(tmp_path: Path, own_broker: Broker) -> None:
    with speaking(own_broker) as boards, hall(tmp_path, own_broker.port) as running:
        said(boards)
        boards.say(TWO, "watch", watch(TWO, state="silent"))
        wait_until(lambda: len(rows(running)) == 2, within_s=60)
        assert standing(running, f"{TWO}.north-bench") == "out_of_reach"
        at = running.get("/api/hall")["revision"]
        boards.say(ONE, "now", b"what is this")
        wait_until(lambda: standing(running) == "heed", within_s=60)
        changed = running.get("/api/hall", after=at)
        assert [row["chamber"] for row in changed["items"]] == [KEY]
        assert not changed["whole"]
        assert running.get(f"/api/hall/{KEY}")["misread_why"].startswith("now:")

        # One that is no more is taken off; one that is heard can't be.
        assert running.web.delete(f"/api/hall/{KEY}").status_code == 409
        assert running.web.delete(f"/api/hall/{TWO}.north-bench").status_code == 200
        wait_until(lambda: len(rows(running)) == 1, within_s=60)

        # Without the broker nothing is known, and with it again everything is.
        own_broker.stop()
        wait_until(lambda: not running.get("/api/now")["hall"]["heard"], within_s=60)
        own_broker.start()
        wait_until(lambda: running.get("/api/now")["hall"]["heard"], within_s=60)

        # Nor is anything forgotten where broker and database have: what isn't heard isn't well.
        running.stop()
        with hall(tmp_path, own_broker.port) as again:
            wait_until(lambda: again.get("/api/now")["hall"]["heard"], within_s=60)
            (row,) = rows(again).values()
            assert (row["chamber"], row["name"]) == (KEY, "north bench")
            assert (row["standing"], row["reach"]) == ("out_of_reach", "unheard")


def test_after_a_broker_s_restart_a_board_is_awaited_until_it_speaks(
    tmp_path: Path, own_broker: Broker
) -> None:
    """It may have died meanwhile, and no last will tells of that."""
    with hall(tmp_path, own_broker.port) as running:
        with speaking(own_broker) as boards:
            until_calm(running, boards)
        own_broker.stop()
        own_broker.start()
        wait_until(lambda: rows(running)[KEY]["awaited"], within_s=20)
        assert standing(running) == "heed"
        assert running.get("/api/now")["hall"]["awaited"] == 1
        with speaking(own_broker) as boards:
            until_calm(running, boards)
            assert not rows(running)[KEY]["awaited"]


def test_without_its_people_it_goes_on_for_this_computer_alone(
    tmp_path: Path, own_broker: Broker
) -> None:
    """A lost file of people must not end what tells them of danger."""
    with hall(tmp_path, own_broker.port):
        pass
    with hall(tmp_path, own_broker.port, "", "--host", "0.0.0.0") as running:
        assert "Not listening on 0.0.0.0" in running.log.read_text()
        told = wait_until(lambda: running.get("/api/now")["hall"]["troubles"], within_s=60)
        assert any(of["subject"] == "page" and "owner" in of["text"] for of in told), told


def test_what_the_broker_has_no_room_to_queue_is_asked_for_again(tmp_path: Path) -> None:
    """Mosquitto drops what is kept beyond as many messages as it may queue: also alarms."""
    (tmp_path / "broker").mkdir()
    broker = Broker(tmp_path / "broker", queued=60)
    broker.start()
    try:
        with speaking(broker) as boards:
            for number in range(40):
                board = board_mark(number)
                standing = ("north-bench-1", "north-bench-2")
                boards.say_soon(board, "watch", watch(board))
                boards.say_soon(board, "now", now(board, standing=standing))
                for name in standing:
                    boards.say_soon(board, f"alarms/{name}", alarm(board, an_alarm(name)))
            boards.say(ONE, "watch", watch(ONE))
            with hall(tmp_path, broker.port) as running:
                wait_until(
                    lambda: running.get("/api/now")["hall"]["counts"]["danger"] == 40, within_s=60
                )
                wait_until(
                    lambda: all(r["alarms"] == 2 for r in rows(running).values()), within_s=60
                )
    finally:
        broker.stop()


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("POST", "/api/jobs", 409),
        ("POST", "/api/jobs/x-1/note", 409),
        ("PATCH", "/api/jobs/x-1", 409),
        ("DELETE", "/api/jobs/x-1", 409),
        ("POST", f"/api/alarms/{KEY}-1/reset", 409),
        ("POST", "/api/chambers/x/opening", 409),
        ("POST", "/api/camera/pause", 409),
        ("GET", "/api/picture", 404),
        ("GET", "/api/setting-up", 404),
        ("GET", "/api/chamber-files", 404),
        ("GET", "/api/clips", 404),
        ("GET", "/api/jobs/x.y-1/pictures", 404),
        ("GET", "/api/jobs", 503),
        ("GET", "/api/readings?chamber=x.y", 503),
        ("GET", "/api/readings", 404),
        ("GET", "/api/hall/x.y", 404),
        ("GET", "/api/hall?after=-1", 422),
    ],
)
def test_what_belongs_to_a_board_is_said_there(
    quiet_hall: RunningService, method: str, path: str, status: int
) -> None:
    answer = quiet_hall.web.request(method, path, json={} if method == "POST" else None)
    assert answer.status_code == status, answer.text
    if status == 409:
        assert answer.json()["detail"] == "Say it at the board that watches this chamber."


@pytest.fixture(scope="module")
def quiet_hall(tmp_path_factory: pytest.TempPathFactory, mosquitto: Broker) -> Any:
    with hall(tmp_path_factory.mktemp("hall"), mosquitto.port) as running:
        yield running


def test_a_real_board_and_a_real_database(
    tmp_path: Path, own_broker: Broker, database_server: DatabaseServer
) -> None:
    """A job and its readings come from a board into the archive, an alarm to a person and back."""
    file = tmp_path / "chamber.toml"
    file.write_text(CHAMBER.format(port=own_broker.port, secret=SECRET))
    with (
        receiving() as receiver,
        speaking(own_broker) as bench,
        hall(
            tmp_path / "hall",
            own_broker.port,
            TOLD.format(address=receiver.address("/told")),
            "--metrics",
            store=database_server.new_database(),
        ) as running,
        RunningService(tmp_path / "board", "--chamber", str(file)) as board,
    ):
        bench.measure("bench/top", 44.0)
        job = board.post("/api/jobs", {"name": "Oarlock bushings", "material": "ASA"})["id"]
        (key,) = wait_until(lambda: list(rows(running)), within_s=60)
        mark = key.partition(".")[0]
        assert key == f"{mark}.north-bench"
        assert rows(running)[key]["place"] == "boat shed, left bench"
        (kept,) = wait_until(lambda: running.get("/api/jobs")["items"], within_s=60)
        assert (kept["id"], kept["name"]) == (f"{mark}.{job}", "Oarlock bushings")

        def measured() -> dict[str, Any] | None:
            bench.measure("bench/top", 44.0)
            return columns(running, f"/api/jobs/{kept['id']}/readings")

        assert wait_until(measured, within_s=60)["sensors"]["top"]
        assert running.get("/api/health")["status"] == "ok"
        one = running.get(f"/api/jobs/{kept['id']}")
        assert (one["chamber"], one["toolpath"], one["pauses"]) == (key, None, [])
        for part in ("notes", "stages", "heights", "log", "unlike"):
            assert running.web.get(f"/api/jobs/{kept['id']}/{part}").status_code == 200, part
        assert columns(running, f"/api/readings?chamber={key}")
        assert running.get(f"/api/hall/{key}")["now"]["job"]["name"] == "Oarlock bushings"

        bench.measure("bench/lamp", "smoke")
        told = receiver.wait_for(1, 15.0)[0].told
        assert (told["kind"], told["stage"]) == ("detector_contact", "raised")
        assert standing(running, key) == "danger"
        running.post(f"/api/alarms/{told['alarm']}/acknowledge")
        wait_until(lambda: states(running, key) == ["done"], within_s=60)
        own = told["alarm"].removeprefix(f"{mark}.")
        (seen,) = [each for each in board.now()["alarms"] if each["id"] == own]
        assert seen["acknowledged_by"].endswith("at the hall")
        (event,) = wait_until(
            lambda: running.get("/api/events", kind="detector_contact")["items"], within_s=60
        )
        assert event["job"] == kept["id"]

        told_of = running.web.get("/metrics").text
        found = {family.name: family for family in text_string_to_metric_families(told_of)}
        standing_so = found["stillair_hall_chambers"].samples
        assert [(of.labels["state"], of.value) for of in standing_so if of.value] == [("danger", 1)]
        (took,) = found["stillair_hall_entries"].samples
        assert took.value > 0

        # Under one topic only one hall may take.
        other = HallMessage(hall="another", state="taking", at=told["created_at"])
        bench.measure("shed/hall", other.payload().decode())
        wait_until(
            lambda: (
                "other hall" in [t["subject"] for t in running.get("/api/now")["hall"]["troubles"]]
            ),
            within_s=60,
        )


def states(running: RunningService, key: str) -> list[str]:
    """What has become of the orders to a chamber."""
    return [order["state"] for order in running.get(f"/api/hall/{key}")["orders"]]


def columns(running: RunningService, path: str) -> dict[str, Any] | None:
    answer = running.web.get(path)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found if found["time_s"] else None
