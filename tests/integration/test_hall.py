"""A board that hands its chamber on to a hall, over a real broker that comes and goes."""

from __future__ import annotations

import socket
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from hall_takers import CHAMBER, kept_entries, kept_readings, standing, taking
from running import RunningService, wait_until
from servers import Broker, free_loopback_port
from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.hall.cursors import FILE_NAME, Cursors
from stillair.hall.messages import Form
from stillair.hall.publisher import Publisher, Tells
from stillair.hall.rows import Ledger, Rows
from stillair.model import (
    AlarmState,
    Annunciation,
    Kind,
    Priority,
    SignalClass,
    Suppression,
    Timeline,
)
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.company import Company
from stillair.runtime.found import Found, State
from stillair.runtime.inspection import inspect_all
from stillair.storage.archive import Archive
from stillair.storage.items import Item, alarm_item
from stillair.storage.journal import Journal
from stillair.storage.onward import Onward
from stillair.storage.readings import Readings
from web_receivers import certified

# What is given up after ten seconds is here after one.
IMPATIENT = """
from stillair.hall import connection, rows
connection.LET_IN_S = rows.AGAIN_S = 1.0
"""


def started(folder: Path, port: int) -> RunningService:
    chamber = folder / "chamber.toml"
    chamber.write_text(CHAMBER.format(port=port))
    words = ("--chamber", str(chamber))
    return RunningService(folder / "data", *words, before=IMPATIENT, loaded=True)


def test_who_comes_later_learns_how_it_is_and_a_killed_board_is_silent(
    tmp_path: Path, own_broker: Broker
) -> None:
    with started(tmp_path, own_broker.port) as running:
        with taking(own_broker) as taker:
            wait_until(lambda: taker.of("readings"), within_s=60)
        with taking(own_broker) as later:
            wait_until(lambda: later.of("watch") and later.of("now"), within_s=60)
            assert later.messages[0][1]
            assert later.of("watch")[0]["state"] == "watching"
            assert later.of("now")[0]["simulated"]
            assert {s["name"] for s in later.of("now")[0]["sensors"]} == {"top", "middle"}
            running.kill()
            wait_until(lambda: later.of("watch")[-1]["state"] == "silent", within_s=60)
            running.start()
            wait_until(lambda: later.of("watch")[-1]["state"] == "watching", within_s=60)
            assert running.stop() == 0
            wait_until(lambda: later.of("watch")[-1]["state"] == "ended", within_s=60)
            assert [told["state"] for told in later.of("watch")][-1] == "ended"


def test_a_board_that_was_cut_off_catches_up_in_order_and_once(
    tmp_path: Path, own_broker: Broker
) -> None:
    with started(tmp_path, own_broker.port) as running:
        job = running.now()["job"]["id"]
        with taking(own_broker) as before:
            wait_until(lambda: len(before.readings()) >= 6, within_s=60)
            own_broker.stop()
            running.post(f"/api/jobs/{job}/note", {"text": "the broker is away"})
            time.sleep(4.0)
            own_broker.start()
        with taking(own_broker) as after:
            wait_until(lambda: any(e["topic"] == "note" for e in after.of("entries")), within_s=60)
            wait_until(lambda: len(after.readings()) >= 12, within_s=60)
            # It is stopped once nothing waits but what has just come.
            newest = datetime.fromisoformat(running.now()["sensors"][0]["at"]).timestamp()
            wait_until(
                lambda: max(at_ms for _, at_ms, _ in after.readings()) >= newest * 1000 - 1,
                within_s=60,
            )
            running.stop()
            time.sleep(0.5)
    data = tmp_path / "data"
    readings = [*before.readings(), *after.readings()]
    identities = [(sensor, at_ms) for sensor, at_ms, _ in readings]
    values: dict[tuple[str, int], set[float | None]] = {}
    for sensor, at_ms, value in readings:
        values.setdefault((sensor, at_ms), set()).add(value)
    assert all(len(told) == 1 for told in values.values())  # what came twice says the same
    for sensor in ("top", "middle"):
        for taker in (before, after):
            instants = [at_ms for name, at_ms, _ in taker.readings() if name == sensor]
            assert instants == sorted(set(instants))
    kept = kept_readings(data)
    last_ms = max(at_ms for _, at_ms in identities)
    assert {each for each in kept if each[1] <= last_ms} == set(identities)
    assert len(kept) - len(set(identities)) <= 6  # of the last second or two
    entries = [(e["parcel"], e["part"]) for e in [*before.of("entries"), *after.of("entries")]]
    in_order = list(dict.fromkeys(entries))
    assert in_order == kept_entries(data)[: len(in_order)]
    assert len(in_order) >= 2
    # The next process goes on from there.
    with started(tmp_path, own_broker.port), taking(own_broker) as next_one:
        wait_until(lambda: len(next_one.readings()) >= 6, within_s=60)
    again = {(sensor, at_ms) for sensor, at_ms, _ in next_one.readings()} & set(identities)
    assert not again, "the cursors were kept at the end"
    assert kept_readings(data) - set(identities) >= kept - set(identities)


def test_where_nobody_listens_all_of_it_is_kept_for_who_comes(
    tmp_path: Path, own_broker: Broker
) -> None:
    with started(tmp_path, own_broker.port) as running:
        wait_until(lambda: "connected" in running.log.read_text(), within_s=60)
        time.sleep(2.5)
        with taking(own_broker) as taker:
            wait_until(lambda: len(taker.readings()) >= 10, within_s=60)
            wait_until(lambda: taker.of("entries"), within_s=60)
    first_ms = min(at_ms for _, at_ms in kept_readings(tmp_path / "data"))
    assert min(at_ms for _, at_ms, _ in taker.readings()) == first_ms
    assert taker.of("entries")[0]["seq"] == 1


def alarm(number: int, **fields: Any) -> Item:
    state = AlarmState(
        id=f"north-bench-{number}",
        chamber="north-bench",
        kind=Kind.DETECTOR_CONTACT,
        subject="lamp",
        signal_class=SignalClass.ALARM,
        priority=Priority.CRITICAL,
        annunciation=Annunciation.UNACKNOWLEDGED,
        suppression=Suppression.NONE,
        condition=True,
        event=number,
        raised_s=5.0,
        changed_s=5.0,
        text="The fire detector lamp has gone off.",
        **fields,
    )
    return alarm_item(state, Timeline("boot", 1.7e9))


class Board:
    """A publisher, and what the watch would say if it were asked."""

    def __init__(self, folder: Path, broker: BrokerSettings) -> None:
        self.alarms: list[Item] = []
        self._archive = Archive(folder / ARCHIVE)
        self._archive.ready()
        Journal.open(folder / JOURNAL).close()
        clock = SystemClock()
        cursors = Cursors(folder / FILE_NAME, make_mark=lambda: "0123456789ab", wall=clock.wall)
        self.publisher = Publisher(
            broker,
            lambda board: Form(
                prefix="shed",
                board=board,
                chamber="north-bench",
                name="north bench",
                simulated=True,
            ),
            Tells(
                now=lambda: (self._now(), True),
                mark=object,
                watching=lambda: True,
            ),
            Rows(
                Ledger(last_seq=lambda: 0, cleaned=lambda body: body),
                Onward(folder / JOURNAL, Readings(folder / ARCHIVE, self._archive)),
                cursors,
                chamber="north-bench",
                sensors=("top",),
                every_s=1.0,
                clock=clock,
            ),
            cursors,
            clock=clock,
            chance=lambda: 0.0,
        )
        self.publisher.start()

    def _now(self) -> Item:
        return {
            "name": "north bench",
            "at": "2026-05-02T09:00:00.000Z",
            "sentence": "Cold",
            "sub": "",
            "tone": "calm",
            "calm": True,
            "phase": "cold",
            "air_c": 20.0,
            "target_c": None,
            "limit_c": 70.0,
            "job": None,
            "sensors": [],
            "camera": {"watched": False, "condition": "none", "reason": ""},
            "not_watched": [],
            "alarms": list(self.alarms),
        }

    def close(self) -> None:
        self.publisher.stop()
        self._archive.close()


@contextmanager
def board(folder: Path, broker: int | BrokerSettings) -> Iterator[Board]:
    """At a broker, or one of this computer on a port."""
    at = BrokerSettings("127.0.0.1", broker) if isinstance(broker, int) else broker
    made = Board(folder, at)
    try:
        yield made
    finally:
        made.close()


def test_an_alarm_stands_at_the_broker_until_it_is_over_and_answered(
    tmp_path: Path, own_broker: Broker
) -> None:
    with board(tmp_path, own_broker.port) as first, taking(own_broker) as taker:
        first.alarms = [alarm(1), alarm(2)]
        wait_until(lambda: len(standing(taker)) == 2, within_s=60)
        first.alarms = [alarm(1, acknowledged_by="cox"), alarm(2)]
        wait_until(
            lambda: standing(taker)["north-bench-1"]["acknowledged_by"] == "cox", within_s=60
        )
        first.alarms = [alarm(2)]
        wait_until(lambda: standing(taker)["north-bench-1"] is None, within_s=60)
    # One that ended while nobody could tell it is taken back by the next process.
    with board(tmp_path, own_broker.port), taking(own_broker) as taker:
        wait_until(lambda: standing(taker).get("north-bench-2", "") is None, within_s=60)
    with taking(own_broker) as last:
        wait_until(lambda: last.of("watch"), within_s=60)
        assert not standing(last)


def test_an_alarm_of_the_watch_stands_at_the_broker(tmp_path: Path, own_broker: Broker) -> None:
    import paho.mqtt.publish as publish

    def say(topic: str, payload: str) -> None:
        publish.single(topic, payload, hostname=own_broker.host, port=own_broker.port, retain=True)

    say("bench/top", "24.5")
    say("bench/lamp", "clear")
    chamber = tmp_path / "chamber.toml"
    inputs = '[[sensor]]\nname = "top"\ndriver = "mqtt"\ntopic = "bench/top"\n[[contact]]\n'
    inputs += 'name = "lamp"\nkind = "detector"\ndriver = "mqtt"\ntopic = "bench/lamp"\n'
    inputs += 'active = "smoke"\n'
    head, _, tail = CHAMBER.format(port=own_broker.port).partition("[[sensor]]")
    chamber.write_text(head + inputs + "[mqtt]" + tail.partition("[mqtt]")[2])
    running = RunningService(tmp_path / "data", "--chamber", str(chamber))
    with running, taking(own_broker) as taker:
        wait_until(lambda: taker.of("now"), within_s=60)
        say("bench/lamp", "smoke")
        wait_until(lambda: standing(taker), within_s=60)
        (told,) = standing(taker).values()
        assert (told["kind"], told["class"]) == ("detector_contact", "alarm")
        kept = running.get("/api/alarms")["items"][0]
        assert all(kept[name] == value for name, value in told.items())
        wait_until(lambda: told["id"] in taker.of("now")[-1]["standing"], within_s=60)
        wait_until(
            lambda: {"event", "alarm"} <= {e["topic"] for e in taker.of("entries")}, within_s=60
        )


@contextmanager
def mute_broker() -> Iterator[int]:
    """A port on which somebody takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


def test_a_broker_that_never_answers_delays_nothing(tmp_path: Path) -> None:
    with mute_broker() as port, started(tmp_path, port) as running:
        wait_until(lambda: "says nothing" in running.log.read_text(), within_s=60)
        for _ in range(10):
            assert running.get("/api/health")["status"] == "ok"
            time.sleep(0.5)
        assert running.stop(within_s=5.0) == 0
    times_ms = sorted(
        at_ms for sensor, at_ms in kept_readings(tmp_path / "data") if sensor == "top"
    )
    assert len(times_ms) >= 5
    assert max(after - before for before, after in pairwise(times_ms)) <= 3000


def test_a_board_that_is_cut_off_holds_no_readings_in_memory(tmp_path: Path) -> None:
    with board(tmp_path, free_loopback_port()) as cut_off:
        for second in range(1000):
            cut_off.publisher.told("top", 1e9 + second)
        tracemalloc.start()
        for second in range(1000, 100_000):
            cut_off.publisher.told("top", 1e9 + second)
        grown, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert grown < 200_000  # readings would be millions; the connection is tried meanwhile


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[tuple[Broker, Path]]:
    """A broker that speaks TLS and asks for a password, and the authority that made its key."""
    authority, _ = certified(tmp_path)
    made = Broker(tmp_path, users={"shed": "three oars"}, tls=(authority, tmp_path / "key.pem"))
    made.start()
    yield made, authority
    made.stop()


TRUSTS = {
    "right": (True, "three oars", "the broker takes what is published"),
    "password": (True, "two oars", "refuses: not authorized"),
    "authority": (False, "three oars", "has a certificate that can't be trusted: self-signed"),
}


def test_a_broker_with_tls_and_password_is_trusted_and_trusts_or_why_not_is_said(
    tmp_path: Path, guarded: tuple[Broker, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    broker, authority = guarded
    where = f"the broker localhost:{broker.port}"
    for name, (is_known, password, told) in TRUSTS.items():
        trust = str(authority) if is_known else None
        monkeypatch.setenv("SSL_CERT_FILE", trust or str(tmp_path / "no authority"))
        settings = BrokerSettings("localhost", broker.port, "shed", password, True, trust)
        (tmp_path / name).mkdir()
        with board(tmp_path / name, settings) as made:
            company = Company(None, (), None, made.publisher)

            def said(company: Company = company) -> Found | None:
                (found,) = company.found("")
                return found if found.state is not State.NOT_TRIED else None

            found = wait_until(said, within_s=60)
            assert found is not None
            assert told in found.told
            assert found.told.startswith(where) is (name != "right")
            help_ = {"right": "", "password": "[mqtt]", "authority": "authority"}[name]
            assert help_ in (found.remedy or "")
        # And before the service runs.
        chamber = tmp_path / "chamber.toml"
        login = f'host = "localhost"\ntls = true\nusername = "shed"\npassword = "{password}"'
        chamber.write_text(CHAMBER.format(port=broker.port).replace('host = "127.0.0.1"', login))
        (before,) = (f for f in inspect_all((chamber,), tmp_path / name) if f.thing == "broker")
        assert (before.state is State.FIT) is (name == "right")
        assert name == "right" or told in before.told
        assert password not in str(before)
