"""Somebody who listens on a topic of a broker, as a program in the shed would."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from servers import Broker


class TopicListener:
    """Keeps what comes on a topic."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self._came = threading.Condition()

    def wait_for(self, count: int, timeout_s: float = 60.0) -> list[dict[str, Any]]:
        """The messages so far as JSON, as soon as there are `count`; fails the test after it."""
        with self._came:
            came = self._came.wait_for(lambda: len(self.heard) >= count, timeout_s)
        assert came, f"{len(self.heard)} of {count} messages came within {timeout_s:.0f} s"
        return [json.loads(each) for each in self.heard]

    def take(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        with self._came:
            self.heard.append(bytes(message.payload))
            self._came.notify_all()


@contextmanager
def listening(broker: Broker, topic: str) -> Iterator[TopicListener]:
    """Somebody who listens while the block runs."""
    listener = TopicListener()
    subscribed = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = listener.take
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(broker.host, broker.port)
    client.subscribe(topic, qos=1)
    client.loop_start()
    try:
        assert subscribed.wait(10.0), "the broker took no subscription"
        yield listener
    finally:
        client.disconnect()
        client.loop_stop()
