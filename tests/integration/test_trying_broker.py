"""A broker is tried as the watch would ask it, against a real one, before it is written."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import publish

from servers import Broker, MailServer, free_loopback_port
from stillair.access.people import TooManyTriesError
from stillair.clock import ManualClock
from stillair.config.reach import MqttTable
from stillair.errors import CommandRefused, SettingsError
from stillair.runtime.tries import MOST, WITHIN_S
from stillair.runtime.trying_broker import Answer, BrokerTrial, Heard
from web_receivers import certified

TOPIC = "shed/north/low"


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Broker]:
    """One that lets the shed in, and nobody else."""
    broker = Broker(tmp_path, users={"shed": "three oars"})
    broker.start()
    for topic, told in ((TOPIC, "41.5"), (f"{TOPIC}/json", json.dumps({"at": 41.5}))):
        publish.single(
            topic,
            told,
            hostname=broker.host,
            port=broker.port,
            retain=True,
            auth={"username": "shed", "password": "three oars"},
        )
    yield broker
    broker.stop()


def table(port: int, **more: Any) -> MqttTable:
    return MqttTable.model_validate({"host": "127.0.0.1", "port": port, **more})


def test_a_real_broker_says_what_is_the_matter(guarded: Broker) -> None:
    trial = BrokerTrial()
    shed = table(guarded.port, username="shed", password="three oars")
    tried = trial.reach(shed, TOPIC)
    assert (tried.answer, tried.heard, tried.value) == (Answer.CONNECTS, Heard.YES, "41.5")
    assert trial.reach(shed, f"{TOPIC}/json", "/at").value == "41.5"
    unreadable = trial.reach(shed, f"{TOPIC}/json", "/elsewhere")
    assert (unreadable.answer, unreadable.heard) == (Answer.CONNECTS, Heard.UNREADABLE)
    assert trial.reach(shed).heard is None, "no topic was asked for"
    for wrong in (table(guarded.port), table(guarded.port, username="shed", password="an oar")):
        assert trial.reach(wrong, TOPIC).answer is Answer.REFUSES
    with pytest.raises(SettingsError, match="is a pattern"):
        trial.reach(shed, "shed/#")


def test_a_topic_on_which_nothing_comes_is_told_after_some_seconds(guarded: Broker) -> None:
    tried = BrokerTrial().reach(
        table(guarded.port, username="shed", password="three oars"), "shed/north/lwo"
    )
    assert (tried.answer, tried.heard) == (Answer.CONNECTS, Heard.NO)


def test_where_there_is_no_broker(tmp_path: Path) -> None:
    trial = BrokerTrial()
    assert trial.reach(table(free_loopback_port())).answer is Answer.NO_ANSWER
    nowhere = MqttTable.model_validate({"host": "nowhere.invalid"})
    assert trial.reach(nowhere).answer in (Answer.UNKNOWN_NAME, Answer.NO_ANSWER)
    mail = MailServer()
    mail.start()
    assert trial.reach(table(mail.port)).answer is Answer.NO_BROKER
    mail.stop()
    certificate, _ = certified(tmp_path)
    broker = Broker(tmp_path, tls=(certificate, tmp_path / "key.pem"))
    broker.start()
    try:
        assert trial.reach(table(broker.port, tls=True)).answer is Answer.CERTIFICATE
        assert trial.reach(table(broker.port)).answer is Answer.NO_BROKER
        trusted = table(broker.port, host="localhost", tls=True, trust_file=certificate)
        assert trial.reach(trusted).answer is Answer.CONNECTS
    finally:
        broker.stop()


def test_nobody_goes_through_a_network_with_it() -> None:
    clock = ManualClock()
    trial = BrokerTrial(clock=clock, wait=lambda _: clock.advance(0.05))
    closed = table(free_loopback_port())
    for _ in range(MOST):
        trial.reach(closed)
    with pytest.raises(TooManyTriesError):
        trial.reach(closed)
    clock.advance(WITHIN_S)
    trial.reach(closed)


def test_one_broker_at_a_time_is_tried() -> None:
    clock, refused = ManualClock(), 0
    closed = table(free_loopback_port())

    def meanwhile(_: float) -> None:
        nonlocal refused
        clock.advance(1.0)
        with pytest.raises(CommandRefused, match="Another broker is being tried"):
            trial.reach(closed)
        refused += 1

    trial = BrokerTrial(clock=clock, wait=meanwhile)
    with socket.create_server(("127.0.0.1", 0)) as silent:  # it takes the call, and says nothing
        assert trial.reach(table(silent.getsockname()[1])).answer is Answer.NO_ANSWER
    assert refused > 1
    assert trial.reach(closed).answer is Answer.NO_ANSWER, "and then the next one"
