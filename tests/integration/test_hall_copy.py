"""Pages of a hall that read a real streaming replica: behind, gone, and back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from hall_boards import BEGIN_MS, Board, batch, note_line
from hall_voices import Boards, alarm, an_alarm, board_mark, now, watch
from halls import hall
from running import RunningService, wait_until
from servers import Broker, DatabaseServer
from stillair.api.problems import COPY_AWAY
from stillair.clock import SystemClock
from stillair.runtime import hall_copy
from stillair.runtime.hall_copy import PagesCopy
from stillair.storage.hall_store import HallStore

ONE = board_mark(1)
KEY = f"{ONE}.north-bench"


@pytest.fixture(scope="module")
def servers() -> Iterator[tuple[DatabaseServer, DatabaseServer]]:
    with closing(DatabaseServer()) as primary:
        primary.start()
        with closing(DatabaseServer(copy_of=primary)) as replica:
            replica.start()
            yield primary, replica


def readings(of: RunningService) -> int:
    """How many seconds the page shows of all that the board has handed on; -1 for nothing."""
    begin_s = BEGIN_MS / 1000
    answer = of.web.get(
        "/api/readings",
        params={"chamber": KEY, "from": begin_s - 60, "to": begin_s + 600, "points": 1000},
    )
    if answer.status_code == 503:
        return -1
    assert answer.status_code == 200, answer.text
    return len({round(at_s) for at_s in answer.json()["time_s"]})


def told(of: RunningService) -> dict[str, Any]:
    found: dict[str, Any] = of.get("/api/now")["hall"]
    return found


def test_pages_read_a_replica_and_alarms_go_their_way_without_it(
    tmp_path: Path, own_broker: Broker, servers: tuple[DatabaseServer, DatabaseServer]
) -> None:
    primary, replica = servers
    address = primary.new_database()
    copied = replica.address(address.rpartition("/")[2])
    board = Board(own_broker.port, [(3, note_line(1))], [(0, batch(0))], board=ONE)
    boards = Boards(own_broker.port)
    try:
        with hall(tmp_path / "hall", own_broker.port, store=address, pages=copied) as running:
            boards.say(ONE, "watch", watch(ONE))
            boards.say(ONE, "now", now(ONE))
            wait_until(lambda: readings(running) == 5, within_s=60)
            assert told(running)["past"] is None

            # It stands still: the store has more than pages show.
            replica.say("postgres", "SELECT pg_wal_replay_pause()")
            board.readings.append((0, batch(5)))
            wait_until(lambda: board.is_through, within_s=60)
            assert readings(running) == 5
            replica.say("postgres", "SELECT pg_wal_replay_resume()")
            wait_until(lambda: readings(running) == 10, within_s=60)

            # It is gone: the page says so, and all that is of the present goes on.
            replica.stop()
            wait_until(lambda: told(running)["past"], within_s=60)
            past = told(running)["past"]
            assert "the copy that pages read can't be reached" in past["reason"]
            assert readings(running) == -1
            asked = running.web.get("/api/jobs")
            assert (asked.status_code, asked.json()["detail"]) == (503, COPY_AWAY)
            boards.say(ONE, "alarms/north-bench-1", alarm(ONE, an_alarm()))
            wait_until(lambda: told(running)["counts"]["danger"] == 1, within_s=60)
            board.readings.append((0, batch(10)))
            wait_until(lambda: board.is_through, within_s=60)
            assert told(running)["troubles"] == []
            assert running.get("/api/health") == {"status": "ok"}

            replica.start()
            wait_until(lambda: told(running)["past"] is None, within_s=60)
            wait_until(lambda: readings(running) == 15, within_s=60)
    finally:
        board.close()
        boards.close()


def test_a_copy_that_is_behind_says_by_how_much(
    servers: tuple[DatabaseServer, DatabaseServer], monkeypatch: pytest.MonkeyPatch
) -> None:
    primary, replica = servers
    monkeypatch.setattr(hall_copy, "BEHIND_S", 0.5)
    with_replica = PagesCopy(replica.address("postgres"), SystemClock())

    def ails() -> Any:
        primary.say("postgres", "SELECT pg_current_xact_id()")  # something comes
        return with_replica.look()

    try:
        wait_until(lambda: ails() is None, within_s=60)
        replica.say("postgres", "SELECT pg_wal_replay_pause()")
        found = wait_until(ails, within_s=60)
        assert found["reason"] == ""
        assert 0.5 < found["behind_s"] < 60
        replica.say("postgres", "SELECT pg_wal_replay_resume()")
        wait_until(lambda: ails() is None, within_s=60)
        # Nothing comes to it any more: it can't know what it lacks.
        primary.stop()
        wait_until(with_replica.look, within_s=60)
        primary.start()
        wait_until(lambda: ails() is None, within_s=60)
    finally:
        primary.start() if not primary.runs else None
        with_replica.stop()


def test_what_is_no_copy_is_only_the_hall_s_own_while_a_hall_takes_into_it(
    servers: tuple[DatabaseServer, DatabaseServer],
) -> None:
    """One that was a copy and is a database of its own now stands still without a word."""
    address = servers[0].new_database()
    copy = PagesCopy(address, SystemClock())
    try:
        with closing(HallStore.open(address)):
            assert copy.look() is None
        nobody_takes = {"reason": "", "behind_s": None}
        assert wait_until(copy.look, within_s=60) == nobody_takes
    finally:
        copy.stop()
