"""One conversation with the broker of a hall, in MQTT 5 and for one thread.

At most one message of a kind is under way, so what waits is bounded whatever the broker does:
one that lets nobody in within 10 s, or confirms nothing for 20 s, is hung up on.

References
----------
OASIS, MQTT version 5.0: 3.1.3.2 last will, 3.2.2.3 what a broker bears, 3.4.2.1 PUBACK
reason codes, 3.8.3.1 subscription options.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from stillair.alerts.topic import (
    LARGEST_ANSWER_BYTES,
    NOBODY_LISTENS,
    BrokerSettings,
    let_in_by,
)
from stillair.clock import Clock
from stillair.hall.wire import LET_IN_S, Wire

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

LOOP_S: Final = 0.1  # the longest wait for the socket, and so for an alarm
ANSWER_S: Final = 20.0
LEAVE_S: Final = 0.4
MOST_UNDER_WAY: Final = 12  # messages that the broker has not confirmed yet
LARGEST_BYTES: Final = 512 * 1024  # where the broker names no bound of its own


class EndedError(OSError):
    """The conversation is over: `reason` is a clause about the broker, `remedy` what helps."""

    def __init__(self, reason: str, remedy: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class _UnderWay:
    kind: str
    done: Callable[[], None]
    unheard: Callable[[], None] | None
    given_s: float


class Connection:
    """Connect, publish and be told what was taken.

    Parameters
    ----------
    name : str
        The client's, at most 23 characters.
    will : tuple of str and bytes
        Topic and payload that the broker keeps for when the connection breaks.
    filters : sequence of str
        Topics to listen to; `denied` once the broker doesn't let us.
    heard : callable
        Takes what comes there: topic, payload, and whether the broker had kept it. Called by
        `serve`; may raise `ValueError` for what it can't understand, which is logged now and then.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        name: str,
        will: tuple[str, bytes],
        filters: Sequence[str],
        heard: Callable[[str, bytes, bool], None],
        clock: Clock,
    ) -> None:
        self.is_in = False
        self.denied = False
        self.largest_bytes = LARGEST_BYTES
        self._filters = tuple(filters)
        self._heard = heard
        self._strange = 0
        self._clock = clock
        self._refused = ""
        self._room = MOST_UNDER_WAY
        self._under_way: dict[int, _UnderWay] = {}
        self._begun_s = clock.now_s()
        self._wire = Wire(broker, name=name, largest_bytes=LARGEST_ANSWER_BYTES, will=will)
        self._client = self._wire.client
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe
        self._client.on_disconnect = self._on_disconnect

    def open(self) -> None:
        """Begin. Raises `OSError`."""
        self._begun_s = self._clock.now_s()
        self._wire.open()

    def serve(self) -> None:
        """Take and give what there is, for 0.1 s at most.

        Raises `EndedError` once it has, and paho's errors for what a broker garbles.
        """
        if self._client.loop(LOOP_S) or self._refused:
            remedy = let_in_by(self._refused)
            raise EndedError(self._refused or "broke the connection off", remedy)
        now_s = self._clock.now_s()
        if not self.is_in and now_s - self._begun_s > LET_IN_S:
            raise EndedError(f"says nothing within {LET_IN_S:g} s")
        if any(now_s - sent.given_s > ANSWER_S for sent in self._under_way.values()):
            raise EndedError(f"confirms nothing within {ANSWER_S:g} s")

    def may(self, kind: str) -> bool:
        """Whether another message of a kind may go: one at a time, and few in all."""
        kinds = {sent.kind for sent in self._under_way.values()}
        return kind not in kinds and len(self._under_way) < self._room

    def publish(
        self,
        kind: str,
        topic: str,
        payload: bytes,
        done: Callable[[], None],
        *,
        retain: bool = True,
        unheard: Callable[[], None] | None = None,
    ) -> None:
        """Give the broker a message; `done` is called once it has it.

        Or `unheard`, where that is given and nobody has subscribed to the topic.
        """
        handed = self._client.publish(topic, payload, qos=1, retain=retain)
        self._under_way[handed.mid] = _UnderWay(kind, done, unheard, self._clock.now_s())

    def leave(self, topic: str, last_word: bytes) -> None:
        """Publish the last word, and go without the will's being told if it was taken."""
        taken: list[bool] = []
        self.publish("last word", topic, last_word, lambda: taken.append(True))
        until_s = self._clock.now_s() + LEAVE_S
        while not taken and self._clock.now_s() < until_s:
            self.serve()
        if taken:
            self._client.disconnect()

    def cut(self) -> None:
        """From another thread: end it where it is; the broker then tells the will."""
        self._wire.cut()

    def close(self) -> None:
        """Let go; harmless twice."""
        self.is_in = False
        self._wire.close()

    def _on_connect(
        self, client: Client, _data: Any, _flags: Any, reason: Any, properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused = f"refuses: {str(reason).lower()}"
            return
        from paho.mqtt.subscribeoptions import SubscribeOptions

        self.is_in = True
        self.largest_bytes = getattr(properties, "MaximumPacketSize", LARGEST_BYTES)
        self._room = min(MOST_UNDER_WAY, getattr(properties, "ReceiveMaximum", MOST_UNDER_WAY))
        options = SubscribeOptions(qos=1, noLocal=True)
        client.subscribe([(each, options) for each in self._filters])

    def _on_subscribe(
        self, _client: Client, _data: Any, _number: int, reasons: Any, _properties: Any
    ) -> None:
        self.denied = any(reason.is_failure for reason in reasons)

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure and not self._refused:
            self._refused = f"hung up: {str(reason).lower()}"

    def _on_message(self, _client: Client, _data: Any, message: Any) -> None:
        try:
            self._heard(str(message.topic), bytes(message.payload), bool(message.retain))
        except ValueError as error:
            self._strange += 1
            if self._strange & (self._strange - 1) == 0:  # 1, 2, 4, 8 ...
                why = str(error).partition("\n")[0]
                log.warning("hall: %s is left alone: %s", message.topic, why[:200])

    def _on_publish(
        self, _client: Client, _data: Any, number: int, reason: Any, _properties: Any
    ) -> None:
        sent = self._under_way.pop(number, None)
        if sent is None:
            return
        if reason.is_failure:
            self._refused = f"refuses {sent.kind}: {str(reason).lower()}"
        elif reason.value == NOBODY_LISTENS and sent.unheard is not None:
            sent.unheard()
        else:
            sent.done()
