"""A taker of what boards publish for a hall, for tests: it hears all, and checks each message."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from servers import Broker
from stillair.hall.messages import MESSAGES
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.storage.readings import Readings
from stillair.storage.taking_out import TakingOut

CHAMBER = """
[chamber]
name = "north bench"
[[sensor]]
name = "top"
driver = "simulated"
[[sensor]]
name = "middle"
driver = "simulated"
[mqtt]
host = "127.0.0.1"
port = {port}
[hall]
topic = "shed"
every_s = 1
"""


class Taker:
    """What a hall hears: every message, checked by its model."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, bool, Any]] = []
        self.lock = threading.Lock()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        granted = threading.Event()
        self.client.on_subscribe = lambda *_: granted.set()
        self.client.subscribe("shed/#", qos=1)
        self.client.loop_start()
        assert granted.wait(10.0)

    def _take(self, _client: Client, _data: Any, message: Any) -> None:
        if len(message.topic.split("/")) < 4:
            return  # what a hall says of itself
        _, board, chamber, kind, *_ = message.topic.split("/")
        if kind not in MESSAGES:
            return  # and of boards
        told = None
        if message.payload:
            MESSAGES[kind].model_validate_json(message.payload)
            told = json.loads(message.payload)
            assert (told["board"], told["chamber"]) == (board, chamber)
        with self.lock:
            self.messages.append((message.topic.split("/", 3)[3], message.retain, told))

    def of(self, kind: str) -> list[Any]:
        with self.lock:
            return [told for topic, _, told in self.messages if topic.split("/")[0] == kind]

    def readings(self) -> list[tuple[str, int, float | None]]:
        return [
            (sensor, at_ms, value)
            for told in self.of("readings")
            for sensor, column in told["sensors"].items()
            for at_ms, value in zip(column["at_ms"], column["temperature_c"], strict=True)
        ]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def taking(broker: Broker) -> Iterator[Taker]:
    taker = Taker(broker.port)
    try:
        yield taker
    finally:
        taker.close()


def kept_readings(data: Path) -> set[tuple[str, int]]:
    kept = Readings(data / ARCHIVE)
    try:
        return {
            (sensor, at_ms)
            for sensor in kept.sensors("north-bench")
            for times_ms, _ in kept.pieces("north-bench", sensor)
            for at_ms in times_ms.tolist()
        }
    finally:
        kept.close()


def kept_entries(data: Path) -> list[tuple[str, int]]:
    journal = TakingOut(data / JOURNAL)
    try:
        return [(line.parcel, line.part) for _, line in journal.lines("north-bench")]
    finally:
        journal.close()


def standing(taker: Taker) -> dict[str, Any]:
    """The last word on each alarm, None of one that is over."""
    with taker.lock:
        told = [(topic, word) for topic, _, word in taker.messages if topic.startswith("alarms/")]
    return {topic.partition("/")[2]: word and word["alarm"] for topic, word in told}
