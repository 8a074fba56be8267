"""Two boards that look after each other, as real processes over a real broker and real HTTP."""

from __future__ import annotations

import json
import socket
import threading
import uuid
from collections.abc import Iterator
from contextlib import ExitStack
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from running import RunningService, wait_until
from servers import Broker
from stillair.alerts.heartbeat import TopicWay, WebWay
from stillair.alerts.topic import BrokerSettings
from stillair.clock import SystemClock
from stillair.errors import DeliveryError
from stillair.runtime.found import State
from stillair.runtime.inspection import inspect_all
from stillair.sensing.neighbours import TopicNeighbour
from stillair.sensing.topics import TopicReader

PATIENCE_S = 30.0
FAST = '[chamber]\nname = "{name}"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'


class Ear:
    """Whoever else listens at the broker: keeps each message of a topic."""

    def __init__(self, broker: Broker, topic: str) -> None:
        self.heard: list[dict[str, Any]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _c, _d, m: self.heard.append(json.loads(m.payload))
        self._client.connect(broker.host, broker.port)
        self._client.subscribe(topic, qos=1)
        self._client.loop_start()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Receiver:
    """A web server that keeps what is posted, and answers with `status`."""

    def __init__(self) -> None:
        self.bodies: list[dict[str, Any]] = []
        self.status = 204
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                receiver.bodies.append(json.loads(self.rfile.read(length)))
                self.send_response(receiver.status)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever)
        self._thread.start()
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/beat/s3cret-path"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    receiver = Receiver()
    yield receiver
    receiver.close()


@pytest.fixture
def topic() -> str:
    return f"shed/{uuid.uuid4().hex}/heartbeat"


def test_the_broker_says_the_last_word_of_one_that_dies(mosquitto: Broker, topic: str) -> None:
    """Killed, it can't say so itself: what it left with the broker does."""
    ear = Ear(mosquitto, topic)
    with ExitStack() as ending:
        ending.callback(ear.close)
        way = TopicWay(
            BrokerSettings(mosquitto.host, mosquitto.port),
            topic,
            {"status": "impaired", "lost": True},
        )
        ending.callback(way.close)
        way.beat(b'{"status": "ok"}')
        wait_until(lambda: ear.heard == [{"status": "ok"}], within_s=PATIENCE_S)
        client = way._client
        assert client is not None
        sock = client.socket()
        assert isinstance(sock, socket.socket)
        sock.shutdown(socket.SHUT_RDWR)  # what the kernel does for a process that is gone
        wait_until(lambda: ear.heard[-1].get("lost") is True, within_s=PATIENCE_S)


def test_a_broker_that_goes_and_comes_back(tmp_path: Path, topic: str) -> None:
    broker = Broker(tmp_path)
    broker.start()
    way = TopicWay(BrokerSettings(broker.host, broker.port), topic, {"status": "impaired"})
    reader = TopicReader(broker.host, broker.port, SystemClock(), grace_s=0.0, again_s=0.1)
    told: list[tuple[bool, str]] = []
    neighbour = TopicNeighbour(
        reader.subscribe(topic), lambda *what: told.append(what), silent_after_s=60.0
    )
    with ExitStack() as ending:
        for close in (way.close, reader.close, broker.stop):
            ending.callback(close)
        seconds = iter(range(100_000))

        def beats() -> bool:
            way.beat(b'{"status": "ok"}')
            neighbour.check(float(next(seconds)))
            return told == [(False, "")]

        wait_until(beats, within_s=PATIENCE_S)
        broker.stop()
        with pytest.raises(DeliveryError, match=f"the broker 127.0.0.1:{broker.port}: "):
            wait_until(lambda: way.beat(b"{}"), within_s=PATIENCE_S)
        wait_until(lambda: reader.lost, within_s=PATIENCE_S)
        began_s = next(seconds)
        for now_s in range(began_s, began_s + 62):
            neighbour.check(float(now_s))
        active, why = told[-1]
        assert active
        assert "no connection to the broker" in why
        broker.start()
        seconds = iter(range(began_s + 62, 100_000))

        def is_back() -> bool:
            try:
                way.beat(b'{"status": "ok"}')
            except DeliveryError:
                return False
            neighbour.check(float(next(seconds)))
            return told[-1] == (False, "")

        wait_until(is_back, within_s=PATIENCE_S)


def test_an_address_that_refuses_is_named_by_its_host_alone(receiver: Receiver) -> None:
    receiver.status = 503
    with pytest.raises(DeliveryError) as refused:
        WebWay(receiver.url).beat(b"{}")
    assert refused.value.reason == "127.0.0.1 refuses it: it answered 503"


def test_a_service_says_that_it_watches(
    tmp_path: Path, mosquitto: Broker, receiver: Receiver, topic: str
) -> None:
    """On both ways at its start; and after a kill the broker still says that it is lost."""
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        FAST.format(name="North bench")
        + f'[mqtt]\nhost = "{mosquitto.host}"\nport = {mosquitto.port}\n'
        f'[heartbeat]\nevery_s = 10\ntopic = "{topic}"\nurl = "{receiver.url}"\n'
    )
    ear = Ear(mosquitto, topic)
    with ExitStack() as ending:
        ending.callback(ear.close)
        service = RunningService(tmp_path / "data", "--chamber", str(chamber))
        ending.enter_context(service)
        wait_until(lambda: ear.heard and receiver.bodies, within_s=PATIENCE_S)
        for said in (ear.heard[0], receiver.bodies[0]):
            assert (said["chamber"], said["watching"], said["next_within_s"]) == (
                "north-bench",
                True,
                10.0,
            )
        service.kill()
        wait_until(lambda: ear.heard[-1].get("lost") is True, within_s=PATIENCE_S)
        assert ear.heard[-1]["watching"] is False
        service.start()
        wait_until(lambda: ear.heard[-1]["watching"] is True, within_s=PATIENCE_S)
    assert "s3cret-path" not in service.log.read_text()


def test_one_board_raises_the_alarm_when_the_other_dies(tmp_path: Path) -> None:
    """Asked at its web address. The second board lives 60 times as fast: a minute is a second."""
    first = RunningService(tmp_path / "first")
    watcher = tmp_path / "chamber.toml"
    watcher.write_text(
        FAST.format(name="South bench")
        + f'[simulation]\nspeed = 60\n[[neighbour]]\nname = "north bench"\n'
        f'url = "http://127.0.0.1:{first.port}/api/health"\nsilent_after_s = 120\n'
    )
    with first, RunningService(tmp_path / "second", "--chamber", str(watcher)) as second:

        def alarm() -> dict[str, Any] | None:
            found = [a for a in second.now()["alarms"] if a["kind"] == "watch_gap"]
            return found[0] if found else None

        first.kill()
        standing = wait_until(alarm, within_s=PATIENCE_S)
        assert standing["text"].startswith(
            "Nobody knows whether the board north bench still watches. 127.0.0.1 can't be reached."
        )
        assert standing["priority"] == "high"
        first.start()
        wait_until(lambda: not (alarm() or {}).get("condition"), within_s=PATIENCE_S)
        changes = [e["change"] for e in second.events(kind="watch_gap")]
        assert changes == ["raised", "cleared"]


def test_inspect_hears_the_other_boards(tmp_path: Path, mosquitto: Broker, topic: str) -> None:
    way = TopicWay(BrokerSettings(mosquitto.host, mosquitto.port), topic, {"status": "impaired"})
    chamber = tmp_path / "chamber.toml"
    chamber.write_text(
        FAST.format(name="South bench")
        + f'[mqtt]\nhost = "{mosquitto.host}"\nport = {mosquitto.port}\n'
        f'[heartbeat]\ntopic = "{topic}/own"\n'
        f'[[neighbour]]\nname = "north bench"\ntopic = "{topic}"\n'
        f'[[neighbour]]\nname = "old shed"\nurl = "http://127.0.0.1:9/api/health"\n'
    )
    with ExitStack() as ending:
        ending.callback(way.close)
        way.beat(b'{"status": "ok", "watching": true}')
        found = {each.thing: each for each in inspect_all((chamber,), tmp_path)}
    assert found["board north bench"].state is State.FIT
    assert (found["board old shed"].state, found["board old shed"].told) == (
        State.UNFIT,
        "127.0.0.1 can't be reached",
    )
    assert found["heartbeat"].told == f"on {topic}/own, every 60 s"
