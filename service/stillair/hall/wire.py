"""A client of a hall's broker in MQTT 5, from its opening to its end.

What is said by it, and what is done with what comes, is for who has it.

References
----------
OASIS, MQTT version 5.0: 3.1.2.11.4 maximum packet size, 3.1.3.2 last will.
"""

from __future__ import annotations

import socket
import ssl
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from stillair.alerts.topic import BrokerSettings, client_of, not_reached

if TYPE_CHECKING:
    from paho.mqtt.client import Client

KEEPALIVE_S: Final = 20
LET_IN_S: Final = 10.0  # after this a broker that lets nobody in is hung up on


def why_ended(error: OSError) -> str:
    """Why a hall's conversation with its broker ended or never began, in a clause.

    With what helps, where that isn't to be seen at the broker.
    """
    if isinstance(error, ssl.SSLError | socket.gaierror):
        why, remedy = not_reached(error)
        return f"it {why} ({remedy})"
    return str(error.strerror or error).lower()


class Wire:
    """One connection, for one thread but for `cut`.

    Parameters
    ----------
    name : str
        The client's, at most 23 characters.
    largest_bytes : int
        Of a packet. A longer one is dropped by the broker: it would end each connection in
        which it comes.
    will : tuple of str and bytes, optional
        Topic and payload that the broker keeps for when the connection breaks.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        name: str,
        largest_bytes: int,
        will: tuple[str, bytes] | None = None,
    ) -> None:
        self._broker = broker
        self._largest_bytes = largest_bytes
        self._socket: socket.socket | None = None
        self.client: Client = client_of(
            broker, self._watch, version_5=True, client_id=name, largest_bytes=largest_bytes
        )
        if will is not None:
            self.client.will_set(*will, qos=1, retain=True)

    def open(self) -> None:
        """Begin. Raises `OSError`."""
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        bounds = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has none
        bounds.MaximumPacketSize = self._largest_bytes
        self.client.connect(
            self._broker.host, self._broker.port, keepalive=KEEPALIVE_S, properties=bounds
        )

    def cut(self) -> None:
        """From another thread: end it where it is; the broker then tells the will."""
        if (wire := self._socket) is not None:
            with suppress(OSError):
                wire.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go; harmless twice."""
        client = self.client
        # They hold each other: without this the socket waits for the collector.
        client.on_connect = client.on_disconnect = client.on_message = None
        client.on_publish = client.on_subscribe = None
        if (wire := client.socket() or self._socket) is not None:
            wire.close()
        self._socket = None

    def _watch(self, wire: socket.socket) -> None:
        self._socket = wire
