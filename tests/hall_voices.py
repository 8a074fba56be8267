"""Boards of a hall as a broker hears them: messages of the real models, over a real connection."""

from __future__ import annotations

import threading
from typing import Any

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from stillair.hall.messages import (
    ActedMessage,
    ActMessage,
    Alarm,
    AlarmMessage,
    CameraNow,
    JobNow,
    NowMessage,
    Order,
    SensorNow,
    State,
    WatchMessage,
)

AT = "2026-11-29T18:00:00.000Z"


def board_mark(number: int) -> str:
    """The mark of the board of that number."""
    return f"{0xB0A7_0000_0000 + number:012x}"


def watch(
    board: str, chamber: str = "north-bench", state: State = "watching", **more: Any
) -> bytes:
    """Whether it is watched."""
    told = {"name": "north bench", "at": AT, "simulated": False, **more}
    return WatchMessage(board=board, chamber=chamber, state=state, **told).payload()


def now(
    board: str,
    chamber: str = "north-bench",
    *,
    standing: tuple[str, ...] = (),
    job: JobNow | None = None,
    **more: Any,
) -> bytes:
    """How it is."""
    told: dict[str, Any] = {
        "name": "north bench",
        "simulated": False,
        "at": AT,
        "sentence": "Warm and steady: 45.2 °C for 31 min",
        "sub": "",
        "tone": "calm",
        "calm": True,
        "phase": "steady",
        "air_c": 45.2,
        "target_c": 45.0,
        "limit_c": 70.0,
        "whole": True,
        "sensors": (
            SensorNow(name="top", place="chamber", temperature_c=46.1, at=AT, fault=None),
            SensorNow(name="low", place="chamber", temperature_c=44.3, at=AT, fault=None),
            SensorNow(name="room", place="room", temperature_c=18.4, at=AT, fault=None),
        ),
        "camera": CameraNow(watched=True, condition="fit", reason=""),
        "not_watched": (),
    }
    return NowMessage(
        board=board, chamber=chamber, standing=standing, job=job, **{**told, **more}
    ).payload()


def a_job(name: str = "Oarlock bushings", **more: Any) -> JobNow:
    """A job that runs."""
    told: dict[str, Any] = {
        "id": "north-bench-7",
        "name": name,
        "material": "ASA",
        "state": "running",
        "started_at": AT,
        "height_mm": 12.4,
    }
    return JobNow(**{**told, **more})


def an_alarm(name: str = "north-bench-1", **more: Any) -> Alarm:
    """A fire that nobody has seen."""
    told: dict[str, Any] = {
        "id": name,
        "kind": "fire",
        "class": "alarm",
        "priority": "critical",
        "annunciation": "unacknowledged",
        "suppression": "none",
        "condition": True,
        "event": 4,
        "job": "north-bench-7",
        "subject": "",
        "raised_at": AT,
        "began_at": AT,
        "changed_at": AT,
        "text": "It burns in the chamber. Call the fire brigade: 112. Nobody goes near the box.",
        "acknowledged_by": None,
        "acknowledged_at": None,
        "shelved_until": None,
        "shelved_reason": "",
        "blind": False,
        "cause_alarm": None,
    }
    return Alarm.model_validate({**told, **more})


def alarm(board: str, of: Alarm, chamber: str = "north-bench", **more: Any) -> bytes:
    """The message of an alarm."""
    return AlarmMessage(
        board=board, chamber=chamber, alarm=of, **{"simulated": False, **more}
    ).payload()


class Boards:
    """One connection for as many boards as there are, below a prefix of topics.

    `orders` are those that came, as (topic without the prefix, message).
    """

    def __init__(self, port: int, prefix: str = "shed", *, will: str | None = None) -> None:
        self._prefix = prefix
        self.orders: list[tuple[str, ActMessage]] = []
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self._client.max_inflight_messages_set(500)
        self._client.on_message = self._take
        if will is not None:
            self._client.will_set(
                f"{prefix}/{will}/north-bench/watch", watch(will, state="silent"), 1, True
            )
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(f"{prefix}/+/+/acts", qos=1)
        self._client.loop_start()
        assert subscribed.wait(10.0)

    def say(self, board: str, kind: str, payload: bytes, *, chamber: str = "north-bench") -> None:
        """Publish a retained message and wait until the broker has it."""
        told = self._client.publish(f"{self._prefix}/{board}/{chamber}/{kind}", payload, 1, True)
        told.wait_for_publish(10.0)

    def say_soon(
        self, board: str, kind: str, payload: bytes, *, chamber: str = "north-bench"
    ) -> None:
        """The same without waiting, for many."""
        self._client.publish(f"{self._prefix}/{board}/{chamber}/{kind}", payload, 1, True)

    def publish(self, board: str, kind: str, payload: bytes) -> None:
        """Publish a message that isn't retained, without waiting."""
        self._client.publish(f"{self._prefix}/{board}/north-bench/{kind}", payload, 1)

    def measure(self, topic: str, value: object) -> None:
        """Say what a sensor or switch of a real board reads, on a topic outside of the hall."""
        self._client.publish(topic, str(value), 1)

    def answer(self, place: int = -1, *, done: bool = True, reason: str = "") -> Order:
        """Say what became of an order that came."""
        topic, message = self.orders[place]
        order = Order.model_validate_json(message.order)
        base = topic.rpartition("/")[0]
        told = ActedMessage(
            board=order.board,
            chamber=order.chamber,
            simulated=False,
            id=order.id,
            done=done,
            reason=reason,
        )
        self._client.publish(f"{self._prefix}/{base}/acted", told.payload(), 1)
        return order

    def close(self) -> None:
        """Leave; harmless twice."""
        self._client.disconnect()
        self._client.loop_stop()

    def _take(self, _client: Client, _data: Any, message: Any) -> None:
        topic = str(message.topic).removeprefix(f"{self._prefix}/")
        self.orders.append((topic, ActMessage.model_validate_json(message.payload)))
