"""One connection by which a hall hears what boards publish, in MQTT 5 and for one thread.

It is begun clean each time and leaves nothing behind at the broker: what a hall has not taken
its board sends again, so there is nothing for the broker to keep in between.

References
----------
OASIS, MQTT version 5.0: 3.8.3.1 subscription options.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from stillair.alerts.topic import BrokerSettings
from stillair.clock import Clock
from stillair.hall.wire import LET_IN_S, Wire

if TYPE_CHECKING:
    from paho.mqtt.client import Client

LOOP_S: Final = 0.05  # the longest wait for the socket, and so for a word that waits to go out
LARGEST_BYTES: Final = 1024 * 1024  # of a packet; the broker keeps what is longer to itself
MOST_UNDER_WAY: Final = 100  # of our own words, that the broker has not confirmed yet


class Listening:
    """Connect, subscribe, hear and answer.

    Parameters
    ----------
    name : str
        The client's, at most 23 characters.
    topics : sequence of str
        Topic filters.
    heard : callable
        Is given topic, payload and whether the broker had it kept.
    will : tuple of str and bytes, optional
        Topic and payload that the broker keeps for when the connection breaks.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        name: str,
        topics: Sequence[str],
        heard: Callable[[str, bytes, bool], None],
        clock: Clock,
        will: tuple[str, bytes] | None = None,
    ) -> None:
        self._topics = topics
        self._is_connected = False
        self._asked: dict[int, Sequence[str]] = {}  # subscriptions that are not answered yet
        self._under_way: set[int] = set()  # words that the broker has not confirmed yet
        self._heard = heard
        self._clock = clock
        self._refused = ""
        self._begun_s = clock.now_s()
        self._wire = Wire(broker, name=name, largest_bytes=LARGEST_BYTES, will=will)
        self._client = self._wire.client
        self._client.max_inflight_messages_set(MOST_UNDER_WAY)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message
        self._client.on_disconnect = self._on_disconnect

    @property
    def is_in(self) -> bool:
        """Whether the broker has let us in and answered all that we wanted to hear."""
        return self._is_connected and not self._asked

    @property
    def is_heard(self) -> bool:
        """Whether the broker has all that we have said."""
        return not self._under_way

    def open(self) -> None:
        """Begin. Raises `OSError`."""
        self._begun_s = self._clock.now_s()
        self._wire.open()

    def serve(self) -> None:
        """Take and give what there is, for 0.05 s at most.

        Raises `OSError` once it has ended, and paho's errors for what a broker garbles.
        """
        if self._client.loop(LOOP_S) or self._refused:
            raise OSError(self._refused or "the connection broke")
        if not self.is_in and self._clock.now_s() - self._begun_s > LET_IN_S:
            raise OSError(f"it says nothing within {LET_IN_S:g} s")

    def publish(self, topic: str, payload: bytes) -> None:
        """Hand the broker a word that it keeps."""
        self._under_way.add(self._client.publish(topic, payload, qos=1, retain=True).mid)

    def subscribe(self, topics: Sequence[str]) -> None:
        """Hear these topics as well; but for what the broker has kept of our own."""
        from paho.mqtt.subscribeoptions import SubscribeOptions

        own = SubscribeOptions(qos=1, noLocal=True)
        _, number = self._client.subscribe([(topic, own) for topic in topics])
        assert number is not None
        self._asked[number] = topics

    def leave(self) -> None:
        """Go without the will's being told."""
        self._client.disconnect()

    def cut(self) -> None:
        """From another thread: end it where it is; the broker then tells the will."""
        self._wire.cut()

    def close(self) -> None:
        """Let go; harmless twice."""
        self._wire.close()

    def _on_connect(
        self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused = f"it refuses: {str(reason).lower()}"
            return
        self._is_connected = True
        self.subscribe(self._topics)

    def _on_subscribe(
        self, _client: Client, _data: Any, number: int, reasons: Any, _properties: Any
    ) -> None:
        for topic, reason in zip(self._asked.pop(number, ()), reasons, strict=False):
            if reason.is_failure:
                self._refused = f"it refuses {topic}: {str(reason).lower()}"

    def _on_publish(
        self, _client: Client, _data: Any, number: int, reason: Any, _properties: Any
    ) -> None:
        self._under_way.discard(number)
        if reason.is_failure:
            self._refused = f"it refuses our words: {str(reason).lower()}"

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure and not self._refused:
            self._refused = f"it hung up: {str(reason).lower()}"

    def _on_message(self, _client: Client, _data: Any, message: Any) -> None:
        self._heard(message.topic, message.payload, bool(message.retain))
