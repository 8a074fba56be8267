"""What a hall gives up once it is old, a little at a time; with a real PostgreSQL."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.engine import Connection

from hall_boards import (
    BEGIN_MS,
    KEY,
    NAME,
    OF,
    Board,
    batch,
    form,
    note_line,
    readings_message,
    taking_of,
)
from kept_things import alarm, event, note, over
from running import wait_until
from servers import Broker, DatabaseServer
from stillair.database.server import server_engine
from stillair.hall import taking
from stillair.hall.messages import Entry
from stillair.hall.understood import read
from stillair.model import Change, Kind, SignalClass
from stillair.storage import hall_batches, hall_forgetting, hall_store
from stillair.storage.hall_history import history_of
from stillair.storage.hall_store import HallStore
from stillair.storage.kept_lines import KeptLine
from stillair.storage.records import to_record

DAY_S = 86_400
DAY_MS = DAY_S * 1000
KEEP_DAYS = 10
OLD_S, NEW_S = 0, 20 * DAY_S  # behind `BEGIN_MS`: before the limit and behind it
FIRE: dict[str, Any] = {"kind": Kind.FIRE, "signal_class": SignalClass.ALARM}


def line(number: int, topic: str, value: Any, at_s: float = OLD_S) -> KeptLine:
    return note_line(
        number, topic=topic, body=to_record(value), at_us=BEGIN_MS * 1000 + round(at_s * 1e6)
    )


# By the numbers of their parcels: what goes and what stays once the old is old.
QUIET = [
    line(1, "event", event(1)),
    line(2, "alarm", alarm(1)),
    line(3, "event", event(1, Change.CLEARED)),
    line(4, "alarm", over(alarm(1))),
]
STAYS = [
    line(5, "event", event(2)),  # stands
    line(6, "alarm", alarm(2)),
    line(7, "event", replace(event(3), **FIRE)),
    line(8, "event", replace(event(3, Change.CLEARED), **FIRE)),
    line(9, "alarm", replace(over(alarm(3)), **FIRE)),
    line(10, "event", event(4, job=f"{KEY}-1")),
    line(11, "event", event(4, Change.CLEARED, job=f"{KEY}-1")),
    line(12, "note", note()),
    line(13, "event", event(5), at_s=-50 * 365 * DAY_S),  # of a clock that was never set
    line(14, "event", event(5, Change.CLEARED), at_s=-50 * 365 * DAY_S),
    line(15, "event", event(6), NEW_S),
    line(16, "event", event(6, Change.CLEARED), NEW_S),
]


def entries(lines: list[KeptLine], first: int = 1) -> list[Any]:
    told = [Entry.of(seq, each, each.body) for seq, each in enumerate(lines, first)]
    came, why = read(OF, "entries", form().entries(*told))
    assert why == ""
    return came


def readings(*seconds: int) -> list[Any]:
    found = []
    for second in seconds:
        came, why = read(OF, "readings", readings_message(batch(second, 20)))
        assert why == ""
        found += came
    return found


def kept(server: DatabaseServer, address: str) -> list[int]:
    found = server.say(address.rpartition("/")[2], "SELECT parcel FROM ledger ORDER BY seq")
    return [int(parcel.removeprefix("parcel")) for (parcel,) in found]


def instants(address: str, begin_s: float) -> list[float]:
    """What a page shows of a day from then on, out of what is summed up."""
    with closing(history_of(address)) as history:
        found = history.readings(NAME, BEGIN_MS / 1e3 + begin_s, BEGIN_MS / 1e3 + begin_s + DAY_S)
    times_s: Any = found["time_s"] if found["sensors"] else []
    return list(times_s)


def numbers(lines: list[KeptLine]) -> list[int]:
    return [int(each.parcel.removeprefix("parcel")) for each in lines]


@pytest.fixture
def short_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hall_batches, "ROW_READINGS", 5)


@pytest.mark.usefixtures("short_rows")
def test_what_is_old_and_quiet_goes_in_small_steps_and_all_else_stays(
    database_server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hall_forgetting, "STEP_READINGS", 3)
    monkeypatch.setattr(hall_forgetting, "STEP_ENTRIES", 3)
    address = database_server.new_database()
    now_ms = BEGIN_MS + (NEW_S + 60) * 1000
    with closing(HallStore.open(address)) as store:
        assert not store.forget(KEEP_DAYS * DAY_MS, now_ms), "there is nothing"
        store.write([*entries(QUIET + STAYS), *readings(OLD_S)])
        store.pack(9)
        ahead_ms = now_ms + 5000 * DAY_MS
        assert not store.forget(KEEP_DAYS * DAY_MS, ahead_ms), "a clock that runs ahead"
        store.write(readings(NEW_S))
        store.pack(9)
        assert instants(address, OLD_S)
        steps = 0
        while store.forget(KEEP_DAYS * DAY_MS, now_ms if steps % 2 else ahead_ms):
            steps += 1
        # Three at a time: eight rows of readings, and seven, four and one of three topics.
        assert steps == 3 + (3 + 2 + 1)
        assert kept(database_server, address) == numbers(STAYS)
        assert instants(address, OLD_S) == []
        assert len(instants(address, NEW_S)) > 0
        # What stood is over, and is looked at by the next process.
        store.write(entries([line(17, "event", event(2, Change.CLEARED), NEW_S)], first=20))
        while store.forget(KEEP_DAYS * DAY_MS, now_ms):
            pass
        assert kept(database_server, address) == [*numbers(STAYS), 17]
    with closing(HallStore.open(address)) as store:
        while store.forget(KEEP_DAYS * DAY_MS, now_ms):
            pass
        assert kept(database_server, address) == [*numbers(STAYS)[1:], 17]
        # What comes late is looked at as well.
        store.write(entries([line(18, "event", event(7)), line(19, "alarm", over(alarm(7)))], 21))
        store.write(entries([line(20, "event", event(7, Change.CLEARED))], 23))
        while store.forget(KEEP_DAYS * DAY_MS, now_ms):
            pass
    assert kept(database_server, address) == [*numbers(STAYS)[1:], 17]
    with closing(history_of(address)) as history:
        alarms = [each.body["id"] for each in history.alarms(0, 9).entries]
    assert alarms == [f"{NAME}-2", f"{NAME}-3"]


def test_a_step_reads_about_what_it_removes_however_much_is_old(
    database_server: DatabaseServer,
) -> None:
    address = database_server.new_database()
    HallStore.open(address).close()
    many = 20_000
    told = (
        "INSERT INTO stretch (chamber, sensor, start_ms, end_ms, count, payload)"
        f" SELECT '{NAME}', 'point ' || n % 500, at_ms, at_ms + 3599000, 1, ''"
        f" FROM generate_series(0, {many - 1}) AS n, LATERAL"
        f" (SELECT {BEGIN_MS} + n / 500 * 3600000 AS at_ms) AS hour"
    )
    for each in (told, "VACUUM ANALYZE stretch"):
        database_server.say(address.rpartition("/")[2], each)
    read_so_far = (
        "SELECT seq_tup_read + idx_tup_fetch FROM pg_stat_xact_user_tables"
        " WHERE relname = 'stretch'"
    )
    engine, _ = server_engine(address)
    with engine.begin() as connection:
        removed = hall_forgetting.forget_readings(connection, BEGIN_MS + 1000 * DAY_MS)
        assert removed == hall_forgetting.STEP_READINGS
        assert int(connection.execute(text(read_so_far)).scalar() or many) < many / 4
    engine.dispose()


def test_what_can_not_be_given_up_in_time_stays_and_the_taking_goes_on(
    database_server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slowly(connection: Connection, before_ms: int) -> int:
        connection.execute(text("SET LOCAL statement_timeout = 20"))
        connection.execute(text("SELECT pg_sleep(10)"))
        return 0

    monkeypatch.setattr(hall_store, "forget_readings", slowly)
    with closing(HallStore.open(database_server.new_database())) as store:
        assert not store.forget(KEEP_DAYS * DAY_MS, BEGIN_MS)
        assert store.write(entries(QUIET)).entries == len(QUIET)


@pytest.mark.usefixtures("short_rows")
def test_a_hall_gives_up_what_is_old_while_it_takes(
    own_broker: Broker, database_server: DatabaseServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(taking, "FORGET_EVERY_S", 0.1)
    monkeypatch.setattr(taking, "FORGET_STEP_S", 0.01)
    address = database_server.new_database()
    lines = [(n, each) for n, each in enumerate(QUIET + STAYS, 1)]
    board = Board(own_broker.port, lines, [(0, batch(OLD_S, 20)), (0, batch(NEW_S, 20))])
    taken = taking_of(own_broker.port, address, keep_days=KEEP_DAYS)
    taken.start()
    try:
        wait_until(lambda: board.is_through, within_s=60)
        wait_until(lambda: kept(database_server, address) == numbers(STAYS), within_s=60)
        wait_until(lambda: not instants(address, OLD_S), within_s=60)
        assert instants(address, NEW_S)
        assert taken.stopped_why == ""
    finally:
        board.close()
        taken.stop()
