"""A message as JSON to a topic of an MQTT broker, which has to say that it has taken it.

One connection a message: nothing has to be kept alive, and none is found dead when it is
needed. MQTT 5 is asked for first, since there a broker says when nobody listens on the
topic: then the message hasn't reached anybody, and is tried again. A broker that knows
only 3.1.1 gets that.

References
----------
OASIS, MQTT version 5.0: 3.4.2.1 PUBACK reason code 0x10, no matching subscribers.
"""

from __future__ import annotations

import importlib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from stillair.alerts.cutting import Line, Lines
from stillair.alerts.routes import Message
from stillair.errors import DeliveryError

if TYPE_CHECKING:
    from paho.mqtt.client import Client

TIMEOUT_S: Final = 15.0
CHECK_S: Final = 8.0
CONNECT_TIMEOUT_S: Final = 5.0
KEEPALIVE_S: Final = 10
LOOP_S: Final = 0.2
# Who subscribes to nothing hears only short words; paho would gather 256 MB.
LARGEST_ANSWER_BYTES: Final = 64 * 1024
NOBODY_LISTENS: Final = 0x10


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where and as whom messages are published; `trust` is a file of certificates."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    trust: str | None = None

    @property
    def where(self) -> str:
        return f"the broker {self.host}:{self.port}"


class _Closing(ssl.SSLSocket):
    """One that is closed where it can't be trusted: paho leaves it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def client_of(
    settings: BrokerSettings,
    watch: Callable[[socket.socket], None] = lambda _: None,
    *,
    version_5: bool = False,
    client_id: str = "",
    largest_bytes: int = LARGEST_ANSWER_BYTES,
) -> Client:
    """A client of the broker, not connected yet, that takes no packet of any size.

    `watch` is given its socket before TLS is spoken, so that it can be cut from then on.
    """
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    class BoundedClient(Client):
        def _create_socket_connection(self) -> socket.socket:
            made = super()._create_socket_connection()
            watch(made)
            return made

        def _sock_recv(self, bufsize: int) -> bytes:
            # It asks for all that is missing of a packet, before it has taken any of it.
            if bufsize > largest_bytes:
                raise ConnectionAbortedError("too long")
            return super()._sock_recv(bufsize)

    version = MQTTProtocolVersion.MQTTv5 if version_5 else MQTTProtocolVersion.MQTTv311
    client = BoundedClient(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=version,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    if settings.tls:
        context = ssl.create_default_context(cafile=settings.trust)
        context.sslsocket_class = _Closing
        client.tls_set_context(context)
    return client


def not_reached(error: OSError) -> tuple[str, str]:
    """Why there was no connection, as a clause about the broker, and what helps."""
    if isinstance(error, socket.gaierror):
        return "can't be found by its name", "see that mqtt.host is spelt right"
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"has a certificate that can't be trusted: {error.verify_message}",
            "name the file of the authority that made it as mqtt.trust_file, or give that to this"
            " computer: into /usr/local/share/ca-certificates, then sudo update-ca-certificates",
        )
    if isinstance(error, ssl.SSLError):
        return "doesn't speak TLS as expected", "see mqtt.tls and mqtt.port"
    return (
        f"can't be reached: {str(error.strerror or error).lower()}",
        "see mqtt.host and mqtt.port",
    )


def let_in_by(refusal: str) -> str:
    """What helps where a broker has refused us with these words; "" if nobody knows."""
    if "authori" in refusal or "user name" in refusal:
        return "put the right username and password into [mqtt]"
    return ""


class TopicRoute:
    """Publish messages to `mqtt:` addresses at one broker, once each with QoS 1."""

    def __init__(self, settings: BrokerSettings, *, timeout_s: float = TIMEOUT_S) -> None:
        importlib.import_module("paho.mqtt.client")  # now, so that no alarm waits for it
        self._settings = settings
        self._timeout_s = timeout_s
        self._lines = Lines()
        self._version_5 = True

    def send(self, message: Message) -> None:
        """Hand one message to the broker. Raises `DeliveryError`."""
        topic = message.route.partition(":")[2]
        self.publish(message.route, topic, message.for_programs())

    def publish(
        self,
        route: str,
        topic: str,
        payload: bytes,
        *,
        heard: bool = True,
        due: Callable[[], bool] = lambda: True,
    ) -> None:
        """Hand over a payload for `route`. Raises `DeliveryError`.

        `heard`: it has failed where the broker knows that nobody listens. `due` is asked
        when the broker has let us in: a connection takes its time.
        """
        self._talk(route, self._timeout_s, (topic, payload), heard=heard, due=due)

    def check(self) -> str:
        """Connect, sign in and leave; say what answered. Raises `DeliveryError`."""
        self._talk(self._settings.where, CHECK_S, None)
        return f"{self._settings.where} answers"

    def close(self) -> None:
        """End what is under way."""
        self._lines.close()

    def _talk(
        self,
        route: str,
        timeout_s: float,
        told: tuple[str, bytes] | None,
        *,
        heard: bool = True,
        due: Callable[[], bool] = lambda: True,
    ) -> None:
        where = self._settings.where
        with self._lines.line(timeout_s, due) as line:
            try:
                talk = _Talk(self._settings, line, version_5=self._version_5)
                if not talk.done(told) and talk.answered is None and self._version_5:
                    # Some brokers hang up on a version that they don't know, or refuse it.
                    older = _Talk(self._settings, line, version_5=False)
                    if older.done(told) or older.answered is not None:
                        self._version_5, talk = False, older
            except _NoTalk as error:
                reason, remedy = f"{where} {error.reason}", error.remedy
            else:
                if talk.is_done or (talk.is_unheard and not heard):
                    return
                reason, remedy = f"{where} {talk.refused or 'hung up'}", talk.remedy
            if line.overdue:
                reason = f"{where} gave no answer within {timeout_s:g} s"
            elif line.is_cut():
                reason = f"{where} was not asked: the service stops"
        raise DeliveryError(route, reason, retry=True, remedy=remedy)


class _NoTalk(Exception):
    """There was no conversation with a broker at all."""

    def __init__(self, reason: str, remedy: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.remedy = remedy


class _Talk:
    """One conversation: connect, perhaps publish, and leave."""

    def __init__(self, settings: BrokerSettings, line: Line, *, version_5: bool) -> None:
        self._settings = settings
        self._line = line
        self._version_5 = version_5
        self._told: tuple[str, bytes] | None = None
        self.answered: bool | None = None  # whether it let us in; None: no word on that
        self.is_done = False
        self.is_unheard = False  # the broker has taken it, and knows nobody who listens
        self.refused = ""
        self.remedy = ""

    def done(self, told: tuple[str, bytes] | None) -> bool:
        """Have it; False if it was refused or broke off, as the attributes say.

        Raises `_NoTalk` where no connection came about.
        """
        self._told = told
        client = self._client()
        try:
            self._connect(client)
            while not self.is_done and not self.refused and not self._line.is_cut():
                if client.loop(LOOP_S):
                    break
            client.disconnect()
        except _NoTalk:
            raise
        except Exception as error:
            # paho raises struct.error, IndexError and others for what a broker garbles.
            self.refused = f"does not speak MQTT as it should ({type(error).__name__})"
        finally:
            # They hold each other: without this the socket waits for the collector.
            client.on_connect = client.on_publish = None
            if (wire := client.socket()) is not None:
                wire.close()
        return self.is_done

    def _connect(self, client: Client) -> None:
        of = self._settings
        try:
            client.connect(of.host, of.port, keepalive=KEEPALIVE_S)
        except OSError as error:
            raise _NoTalk(*not_reached(error)) from None

    def _client(self) -> Client:
        client = client_of(self._settings, self._line.watch, version_5=self._version_5)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        return client

    def _on_connect(
        self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        words = str(reason).lower()
        if reason.is_failure:
            if "protocol version" not in words:
                self.answered = False
            self.refused = f"refuses: {words}"
            self.remedy = let_in_by(words)
            return
        self.answered = True
        if self._told is None:
            self.is_done = True
        elif self._line.may_tell():
            client.publish(*self._told, qos=1)

    def _on_publish(
        self, _client: Client, _data: Any, _number: int, reason: Any, _properties: Any
    ) -> None:
        if reason.value == NOBODY_LISTENS:
            self.is_unheard = True
            self.refused = "has nobody who listens on this topic"
            self.remedy = "see that what shall take messages is connected, and to this topic"
        elif reason.is_failure:
            self.refused = f"refuses the topic: {str(reason).lower()}"
            self.remedy = "let this user publish on the topic, in the broker's own settings"
        else:
            self.is_done = True
