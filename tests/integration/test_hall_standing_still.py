"""A database that stands still, or whose disk is full: alarms go their way, and it is said."""

from __future__ import annotations

import os
import random
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy.exc import OperationalError

from disks import LoopDisk
from hall_boards import Board, batch, note_line, taking_of
from hall_voices import Boards, alarm, an_alarm, board_mark, now, watch
from halls import hall
from running import RunningService, wait_until
from servers import Broker, DatabaseServer
from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.database import server
from stillair.database.bounded import BoundedConnection
from stillair.database.server import ServerReader
from stillair.errors import StoreError
from stillair.hall import hearing
from web_receivers import receiving

ONE = board_mark(1)
KEY = f"{ONE}.north-bench"
TOLD = """
[[person]]
name = "captain"
routes = ["{address}"]

[webhook]
secret = "a long row to the weir and back"
"""


@pytest.fixture
def hanging(database_server: DatabaseServer) -> Iterator[DatabaseServer]:
    """A server that goes on in any case."""
    yield database_server
    database_server.go_on()


def kept(address: str) -> list[str]:
    with psycopg.connect(address) as connection:
        found = connection.execute("SELECT parcel FROM ledger ORDER BY seq").fetchall()
    return [parcel for (parcel,) in found]


def test_a_database_that_stands_still_is_said_and_taken_into_again(
    own_broker: Broker, hanging: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "WRITE_MS", 1_000)
    address = hanging.new_database()
    told: list[tuple[bool, str]] = []
    lines = [(3 * number, note_line(number)) for number in range(1, 26)]
    board = Board(own_broker.port, lines, [(0, batch(5 * n)) for n in range(25)])
    taken = taking_of(own_broker.port, address, lambda takes, why: told.append((takes, why)))
    taken.start()
    try:
        wait_until(lambda: board.words, within_s=20, every_s=0.02)
        hanging.hang()
        wait_until(lambda: told[-1] != (True, ""), within_s=20)
        assert "it says nothing within 2 s" in told[-1][1]
        hanging.go_on()
        wait_until(lambda: board.is_through, within_s=40)
        assert told[-1] == (True, "")
    finally:
        hanging.go_on()
        taken.stop()
        board.close()
    assert kept(address) == [f"parcel{number}" for number in range(1, 26)]


class Ear:
    """What hears of a hall, with calls so often that tests needn't wait; `slow` while told to."""

    def __init__(self, broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(hearing, "CALL_S", 0.1)
        monkeypatch.setattr(hearing, "ANSWER_S", 0.5)
        monkeypatch.setattr(hearing, "LOOP_S", 0.02)
        self.told: list[tuple[bool, str]] = []
        self.heard: list[str] = []
        self.slow = threading.Event()
        self.hears = hearing.Hearing(
            BrokerSettings(broker.host, broker.port),
            prefix="shed",
            mark=lambda: "",
            on_message=self._take,
            on_connected=lambda is_in, why: self.told.append((is_in, why)),
            lacking=list,
            clock=SystemClock(),
            chance=random.Random(1).random,
        )
        self.hears.start()

    def _take(self, topic: str, _payload: bytes, _kept: bool) -> None:
        self.heard.append(topic)
        if self.slow.is_set():
            time.sleep(0.05)


def test_a_broker_that_stands_still_or_falls_behind_is_noticed_by_the_halls_own_call(
    own_broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It keeps the connection all the while, and all that boards say."""
    ear = Ear(own_broker, monkeypatch)
    boards = Boards(own_broker.port)
    try:
        wait_until(lambda: ear.told == [(True, "")], within_s=10)
        time.sleep(1.0)
        assert ear.told == [(True, "")] and ear.hears.late_s == 0.0, "where all is quiet it is back"

        ear.slow.set()
        for _ in range(60):
            boards.say(ONE, "watch", watch(ONE))
        wait_until(lambda: ear.hears.late_s > 0.5, within_s=10, every_s=0.01)
        ear.slow.clear()
        wait_until(lambda: ear.hears.late_s == 0.0, within_s=10)
        assert ear.told == [(True, "")], "what still comes is heard to its end"
        assert ear.heard == [f"{ONE}/north-bench/watch"] * 60

        os.kill(own_broker.pid, signal.SIGSTOP)
        wait_until(lambda: ear.told[-1][0] is False, within_s=10)
        assert ear.told[1][1].startswith("it has given nothing on for 0.5 s")
    finally:
        os.kill(own_broker.pid, signal.SIGCONT)
        wait_until(lambda: ear.told[-1][0], within_s=20)
        ear.hears.stop()
        boards.close()


def test_a_call_for_which_the_broker_had_no_room_does_not_make_all_late_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes right after the question for all that is kept, of which there may be too much."""
    broker = Broker(tmp_path, queued=10)
    broker.start()
    boards = Boards(broker.port)
    for number in range(60):
        boards.say(board_mark(number), "watch", watch(board_mark(number)))
    ear = Ear(broker, monkeypatch)
    try:
        wait_until(lambda: ear.heard, within_s=10)
        time.sleep(1.0)
        assert len(ear.heard) < 60, "there was no room for it"
        wait_until(lambda: ear.hears.late_s == 0.0, within_s=10)
        assert ear.told == [(True, "")]
    finally:
        ear.hears.stop()
        boards.close()
        broker.stop()


def test_who_reads_waits_no_longer_than_is_said_and_may_be_cut(
    hanging: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "ANSWER_MS", 500)
    reader = ServerReader(hanging.new_database())
    sleep = "SELECT pg_sleep(60)"

    def ask_one_that_hangs() -> None:
        with reader.connection("it can't be read") as connection:
            hanging.hang()
            connection.exec_driver_sql(sleep)

    with pytest.raises(StoreError, match=r"it says nothing within 1\.5 s"):
        ask_one_that_hangs()
    with pytest.raises(StoreError, match="it did not answer just now"):
        ask_one_that_hangs()  # no thread waits for it a second time
    hanging.go_on()
    monkeypatch.setattr(server, "REST_S", 0.0)
    with reader.connection("it can't be read") as connection:
        assert connection.exec_driver_sql("SELECT 1").scalar() == 1

    said: list[str] = []
    begun = threading.Event()
    monkeypatch.setattr(server, "ANSWER_MS", 600_000)
    patient = ServerReader(hanging.new_database())

    def ask() -> None:
        try:
            with patient.connection("it can't be read") as connection:
                begun.set()
                connection.exec_driver_sql(sleep)
        except StoreError as error:
            said.append(str(error))

    asking = threading.Thread(target=ask)
    asking.start()
    assert begun.wait(10.0)
    time.sleep(0.1)
    patient.close()
    asking.join(10.0)
    assert not asking.is_alive() and said
    reader.close()


def test_a_connection_that_was_on_its_way_is_let_go_as_well(
    database_server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine, lines = server.server_engine(database_server.new_database())
    made: list[BoundedConnection] = []
    connect = BoundedConnection.connect

    def then_cut(*words: Any, **named: Any) -> BoundedConnection:
        made.append(connect(*words, **named))
        lines.cut()
        return made[-1]

    monkeypatch.setattr(BoundedConnection, "connect", then_cut)
    with pytest.raises(OperationalError, match="it was let go"):
        engine.connect()
    assert made[0].closed


def test_a_hall_whose_database_stands_still_tells_people_and_ends_when_it_is_told_to(
    tmp_path: Path, own_broker: Broker, hanging: DatabaseServer
) -> None:
    with receiving() as receiver:
        told = TOLD.format(address=receiver.address("/told"))
        running = hall(tmp_path, own_broker.port, told, store=hanging.new_database())
        boards = Boards(own_broker.port)
        with running:
            boards.say(ONE, "watch", watch(ONE))
            boards.say(ONE, "now", now(ONE, standing=("north-bench-1",)))
            wait_until(lambda: running.get("/api/health") == {"status": "ok"}, within_s=20)
            hanging.hang()
            asking = [threading.Thread(target=ask_past, args=(running,)) for _ in range(8)]
            for each in asking:
                each.start()
            boards.say(ONE, "alarms/north-bench-1", alarm(ONE, an_alarm()))
            (first,) = receiver.wait_for(1)
            assert (first.told["stage"], first.told["alarm"]) == ("raised", f"{KEY}-1")
            (row,) = running.get("/api/hall")["items"]
            assert row["standing"] == "danger"
            # Five seconds; less than its unit gives it, and than the database is waited for.
            assert running.stop(within_s=12.0) == 0, "also while a page waits for an answer"
        for each in asking:
            each.join()
        boards.close()


def ask_past(running: RunningService) -> None:
    try:
        running.web.get("/api/events", params={"kind": "fire"})
    except Exception:  # it is ended meanwhile
        return


def test_a_database_whose_disk_is_full_is_a_trouble_that_stands_until_it_takes(
    own_broker: Broker,
) -> None:
    """Its server lets the hall in and answers all that is asked: only what is new has no room."""
    told: list[tuple[bool, str]] = []
    lines = [(3 * number, note_line(number)) for number in range(1, 301)]
    with database_on_a_disk() as (disk, address):
        board = Board(own_broker.port, lines, [(0, batch(200 * n, 200)) for n in range(30)])
        taken = taking_of(own_broker.port, address, lambda takes, why: told.append((takes, why)))
        taken.start()
        try:
            wait_until(lambda: board.words, within_s=20, every_s=0.02)
            disk.fill()
            wait_until(lambda: told[-1] != (True, ""), within_s=20)
            before = len(told)
            wait_until(lambda: len(told) > before + 3, within_s=40)
            assert all("No space left" in why for _, why in told[before - 1 :])
            assert "No space left" in taken.stopped_why
            disk.make_room()
            wait_until(lambda: board.is_through, within_s=60)
            wait_until(lambda: told[-1] == (True, ""), within_s=10)
        finally:
            taken.stop()
            board.close()
        assert kept(address) == [f"parcel{number}" for number in range(1, 301)]


@contextmanager
def database_on_a_disk() -> Iterator[tuple[LoopDisk, str]]:
    """A server, and the address of a database of it whose tables lie on a small disk."""
    with tempfile.TemporaryDirectory(prefix="stillair-disk-") as name:
        folder = Path(name)
        folder.chmod(0o755)  # the server has a user of its own
        disk = LoopDisk.make(folder)
        database = DatabaseServer()
        try:
            database.start()
            yield disk, database.new_database(folder=disk.path)
        finally:
            database.close()
            disk.unmount()
