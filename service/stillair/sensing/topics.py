"""Temperatures and switches that others publish by MQTT.

One `TopicReader` for each broker: a thread that connects, keeps the newest
message of each topic, and connects again for as long as it runs. MQTT 5 is
asked for first, since there a client can forbid large messages; a broker that
knows only 3.1.1 gets that.

A retained message may be of any age: it counts once, and after a reconnect
only if it differs from what is known.

References
----------
OASIS, MQTT version 5.0: 3.1.2.11.4 maximum packet size, 3.3.1.3 retain.
"""

from __future__ import annotations

import logging
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from stillair.clock import Clock
from stillair.errors import ContactError, ReadingFault, SensorError
from stillair.model import ContactKind
from stillair.sensing.limits import Span
from stillair.sensing.payloads import LARGEST_PAYLOAD_BYTES, check_pointer, number_in, word_in

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

logger = logging.getLogger(__name__)

GRACE_S: Final = 5.0  # a broker that restarts is back by then
FIRST_WORD_S: Final = 60.0  # in which who tells of a danger or a door has to say how it is
KEEPALIVE_S: Final = 10  # a broker behind a dead cable is known to be gone within 20 s
CONNECT_TIMEOUT_S: Final = 5.0
AGAIN_S: Final = 2.0
LOOP_S: Final = 0.2  # the longest wait for the socket, and so for `close`
LARGEST_PACKET_BYTES: Final = LARGEST_PAYLOAD_BYTES + 2048  # topic and properties besides
MOST_WAITING: Final = 64  # messages of one topic between two reads

_SPAN: Final = Span(-200.0, 1800.0, "any sensor")


@dataclass(slots=True)
class _Topic:
    """What is known of one topic."""

    name: str
    kept: bool = True  # whether what the broker keeps from earlier counts
    changed: Callable[[], None] | None = None
    last: bytes | None = None
    refused: str = ""
    granted: bool = False  # since the connection that there is
    waiting: deque[bytes] = field(default_factory=lambda: deque(maxlen=MOST_WAITING))


class Subscription:
    """The messages of one topic as one reader takes them."""

    def __init__(self, reader: TopicReader, topic: _Topic) -> None:
        self._reader = reader
        self._topic = topic

    def take(self) -> list[bytes]:
        """The messages since the last call, oldest first; the newest 64 where there were more."""
        with self._reader.lock:
            waiting = list(self._topic.waiting)
            self._topic.waiting.clear()
        return waiting

    def outage(self) -> str:
        """Why no message can come, once that has lasted too long; "" while all is well."""
        return self._reader.outage() or self._topic.refused

    @property
    def refused(self) -> str:
        """Why the broker gives nothing of this topic, though it can be reached; "" else."""
        return self._topic.refused

    @property
    def is_open(self) -> bool:
        """Whether a message would come just now: connected, and the topic granted."""
        return self._topic.granted and not self._reader.lost

    def on_message(self, changed: Callable[[], None]) -> None:
        """Have `changed` called from the reader's thread with each message."""
        self._topic.changed = changed

    def close(self) -> None:
        """Take no more messages; safe to call twice."""
        self._reader.forget(self._topic)


class TopicReader:
    """The connection to one broker, in a thread of its own.

    With `tls` the broker's certificate must be one that this machine trusts, or one by an
    authority in the file `trust`.
    Raises `ValueError` for a port that is none.
    """

    def __init__(
        self,
        host: str,
        port: int,
        clock: Clock,
        *,
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        trust: str | None = None,
        grace_s: float = GRACE_S,
        again_s: float = AGAIN_S,
    ) -> None:
        if not 1 <= port <= 65535:
            raise ValueError(f"{port} is no port")
        self.where = f"{host}:{port}"
        self.lock = threading.Lock()
        self._host = host
        self._port = port
        self._clock = clock
        self._username = username
        self._password = password
        self._tls = tls
        self._trust = trust
        self._grace_s = grace_s
        self._again_s = again_s
        self._topics: list[_Topic] = []
        self._asked: dict[int, str] = {}  # topics by the number of the request; the thread's own
        self._lost_s: float | None = clock.now_s()
        self._is_loss_logged = False
        self.why = "not connected yet"
        self.error: Exception | None = None  # that ended the last try; None where it was an answer
        self._refused = ""
        self._version_5 = True
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def subscribe(self, topic: str, *, kept: bool = True) -> Subscription:
        """Follow a topic, now and after each reconnect; the first call starts the thread.

        `kept`: also what the broker kept from earlier (retained).
        Raises `ValueError` for a name that is no single topic.
        """
        followed = _Topic(check_topic(topic), kept)
        with self.lock:
            self._topics.append(followed)
        self.begin()
        return Subscription(self, followed)

    def begin(self) -> None:
        """Connect, also without a topic; harmless twice."""
        with self.lock:
            if self._thread is None:
                self._thread = threading.Thread(
                    target=self._run, name=f"mqtt {self.where}", daemon=True
                )
                self._thread.start()

    def forget(self, topic: _Topic) -> None:
        """Take no more messages of a topic."""
        with self.lock:
            if topic in self._topics:
                self._topics.remove(topic)

    @property
    def lost(self) -> bool:
        """Whether there is no connection just now, for the reason in `why`."""
        return self._lost_s is not None

    @property
    def refusal(self) -> str:
        """What the broker said at the last try, if it refused; "" else."""
        return self._refused

    def outage(self) -> str:
        """Why there is no connection, once it has been gone too long; "" while all is well."""
        lost_s = self._lost_s
        if lost_s is None or self._clock.now_s() - lost_s < self._grace_s:
            return ""
        return f"no connection to the broker {self.where}: {self.why}"

    def now_s(self) -> float:
        """The time by which silences are measured."""
        return self._clock.now_s()

    def close(self) -> None:
        """End the thread within 0.5 s, or leave it to end by itself; safe to call twice."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(0.5)

    # --- in the thread -----------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._stay_connected()
            except OSError as error:
                self.error = error.with_traceback(None)  # which would hold on to sockets
                self._lost(str(error.strerror or error).lower())
            except Exception as error:
                self.error = error
                # paho raises struct.error, IndexError and others for what a broker garbles
                self._lost(f"it does not speak MQTT as it should ({type(error).__name__})")
            self._stopping.wait(self._again_s)

    def _stay_connected(self) -> None:
        """Connect and serve until the connection is lost."""
        client = self._new_client()
        self._refused, self.error = "", None
        try:
            self._connect(client)
            while not self._stopping.is_set():
                if client.loop(LOOP_S):
                    if self._lost_s is not None and not self._refused:
                        # Some brokers hang up on a version that they don't know.
                        self._version_5 = not self._version_5
                    self._lost(self._refused or "the connection broke")
                    return
                self._subscribe(client)
            client.disconnect()
        finally:
            # Callbacks hold the client and the client holds them: without this
            # its sockets stay open until the collector comes by.
            client.on_connect = client.on_subscribe = client.on_message = None
            if (wire := client.socket()) is not None:
                wire.close()

    def _subscribe(self, client: Client) -> None:
        """Ask for the topics that are new since the last time, once connected."""
        if self._lost_s is None:
            with self.lock:
                names = {topic.name for topic in self._topics}
            for name in sorted(names - set(self._asked.values())):
                _, number = client.subscribe(name, qos=1)
                self._asked[number or 0] = name

    def _connect(self, client: Client) -> None:
        if not self._version_5:
            client.connect(self._host, self._port, keepalive=KEEPALIVE_S)
            return
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # as it is
        properties.MaximumPacketSize = LARGEST_PACKET_BYTES
        client.connect(self._host, self._port, keepalive=KEEPALIVE_S, properties=properties)

    def _new_client(self) -> Client:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        reader = self
        context = ssl.create_default_context(cafile=self._trust) if self._tls else None

        class BoundedClient(Client):
            """One that takes no message of any size: paho would gather 256 MB of it."""

            def _sock_recv(self, bufsize: int) -> bytes:
                # It asks for all that is missing of a message, before it has taken any of it.
                if bufsize > LARGEST_PACKET_BYTES:
                    reader._refused = "it sends a message that is too long"
                    raise ConnectionAbortedError(reader._refused)
                return super()._sock_recv(bufsize)

            def _ssl_wrap_socket(self, tcp_sock: socket.socket) -> ssl.SSLSocket:
                # As paho's own, which leaves the socket open where the handshake fails.
                assert context is not None, "it is asked for under TLS alone"
                wrapped = context.wrap_socket(
                    tcp_sock, server_hostname=reader._host, do_handshake_on_connect=False
                )
                try:
                    wrapped.settimeout(CONNECT_TIMEOUT_S)
                    wrapped.do_handshake()
                except BaseException:
                    wrapped.close()
                    raise
                return wrapped

        version = MQTTProtocolVersion.MQTTv5 if self._version_5 else MQTTProtocolVersion.MQTTv311
        client = BoundedClient(
            CallbackAPIVersion.VERSION2, protocol=version, reconnect_on_failure=False
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if self._username is not None:
            client.username_pw_set(self._username, self._password)
        if context is not None:
            client.tls_set_context(context)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._refused = f"it refuses: {str(reason).lower()}"
            if "protocol version" in self._refused:
                self._version_5 = False
            return
        self._asked.clear()
        with self.lock:
            for topic in self._topics:
                topic.granted = False
        self._lost_s = None
        self._is_loss_logged = False
        self._subscribe(client)
        logger.info("broker %s: connected", self.where)

    def _on_subscribe(
        self, _client: Client, _data: Any, number: int, reasons: Any, _properties: Any
    ) -> None:
        refusals = [str(reason).lower() for reason in reasons if reason.is_failure]
        with self.lock:
            for topic in self._topics:
                if topic.name == self._asked.get(number):
                    topic.granted = not refusals
                    topic.refused = (
                        f"the broker {self.where} refuses the topic: {refusals[0]}"
                        if refusals
                        else ""
                    )

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            name = message.topic
        except UnicodeDecodeError:
            return
        # One byte more than is allowed, so that who reads it sees that it is too long.
        payload = bytes(message.payload[: LARGEST_PAYLOAD_BYTES + 1])
        told = []
        with self.lock:
            for topic in self._topics:
                if topic.name != name:
                    continue
                if message.retain and (payload == topic.last or not topic.kept):
                    continue
                topic.last = payload
                topic.waiting.append(payload)
                if topic.changed is not None:
                    told.append(topic.changed)
        for changed in told:
            changed()

    def _lost(self, why: str) -> None:
        self.why = why
        if self._lost_s is None:
            self._lost_s = self._clock.now_s()
        if not self._is_loss_logged:  # also of one that was never reached
            self._is_loss_logged = True
            logger.warning("broker %s: not reached: %s; tried again and again", self.where, why)


class MqttSensor:
    """The number that a topic tells, plain or at a JSON pointer in the message.

    Raises `ValueError` for a topic or a pointer that is none.
    """

    blocking = False

    def __init__(self, name: str, reader: TopicReader, topic: str, pointer: str = "") -> None:
        self.name = name
        self._where = f"{topic} at the broker {reader.where}"
        self._pointer = check_pointer(pointer)
        self._messages = reader.subscribe(topic)

    def read(self) -> float | None:
        """The newest message's number, degrees Celsius, once. Raises `SensorError`."""
        waiting = self._messages.take()
        if not waiting:
            if why := self._messages.outage():
                raise SensorError(self.name, why, fault=ReadingFault.SILENT)
            return None
        try:
            raw_c = number_in(waiting[-1], self._pointer)
        except ValueError as error:
            raise SensorError(self.name, f"the message can't be read: {error}") from None
        return _SPAN.check(self.name, raw_c)

    def describe(self) -> str:
        at = f", {self._pointer}" if self._pointer else ""
        return f"MQTT topic {self._where}{at}"

    def close(self) -> None:
        self._messages.close()


class MqttContact:
    """The switch that a topic tells: one word when it is off-normal, another when it isn't.

    Without `normal` every other word is the normal one; with it a third word
    is a fault. Upper and lower case are the same. A door or a detector that has
    said nothing at all within a minute is a fault too: nobody knows how it is.
    Raises `ValueError` for a topic or a pointer that is none, or two words that
    are the same.
    """

    def __init__(
        self,
        name: str,
        kind: ContactKind,
        reader: TopicReader,
        topic: str,
        *,
        active: str,
        normal: str | None = None,
        pointer: str = "",
    ) -> None:
        if not active.strip():
            raise ValueError("the word for off-normal is missing")
        if normal is not None and normal.strip().casefold() == active.strip().casefold():
            raise ValueError(f"{active!r} can't mean both off-normal and normal")
        self.name = name
        self.kind = kind
        self._where = f"{topic} at the broker {reader.where}"
        self._active = active.strip().casefold()
        self._normal = None if normal is None else normal.strip().casefold()
        self._pointer = check_pointer(pointer)
        self._messages = reader.subscribe(topic)
        self._state: bool | None = None
        self._fault = ""
        self._now_s = reader.now_s
        self._made_s = reader.now_s()

    def start(self, changed: Callable[[], None]) -> None:
        self._messages.on_message(changed)

    def state(self) -> bool | None:
        """Whether it is off-normal now or was in any message since the last call.

        Raises `ContactError` without a connection or after an unreadable message.
        """
        was_active = False
        for payload in self._messages.take():
            try:
                self._state = self._means(payload)
                self._fault = ""
            except ValueError as error:
                self._state = None
                self._fault = f"the message can't be read: {error}"
            was_active = was_active or self._state is True
        if was_active:
            return True
        if why := self._fault or self._messages.outage() or self._unheard():
            raise ContactError(self.name, why, retry=True)
        return self._state

    def _unheard(self) -> str:
        if self._state is not None or self.kind not in (ContactKind.DOOR, ContactKind.DETECTOR):
            return ""
        if self._now_s() - self._made_s < FIRST_WORD_S:
            return ""
        return f"nothing has come yet on {self._where}: let its state be published as retained"

    def describe(self) -> str:
        at = f", {self._pointer}" if self._pointer else ""
        return f"MQTT topic {self._where}{at}"

    def close(self) -> None:
        self._messages.close()

    def _means(self, payload: bytes) -> bool:
        word = word_in(payload, self._pointer).casefold()
        if word == self._active:
            return True
        if self._normal is not None and word != self._normal:
            raise ValueError(f"{word[:40]!r} is neither {self._active!r} nor {self._normal!r}")
        return False


def check_topic(topic: str) -> str:
    """Give a topic's name back. Raises `ValueError` for one that MQTT forbids, or a pattern."""
    if not topic or len(topic.encode()) > 1024 or "\0" in topic:
        raise ValueError(f"{topic[:40]!r} is no MQTT topic")
    if "+" in topic or "#" in topic:
        raise ValueError(f"{topic[:40]!r} is a pattern, not one topic")
    return topic
