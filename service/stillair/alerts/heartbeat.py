"""Say at regular times that the chamber is being watched, so that a silence is noticed elsewhere.

What has died can't say so. Whoever listens - another board, or any program that can wait for
a message - has to raise the alarm when none comes. A heartbeat therefore says how long until the
next one, and whether the loops of the watch come round: one that stands still is said to, and
a process that is gone says nothing. To a broker the last word is left beforehand (MQTT's will),
so that it tells of a lost connection by itself.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Protocol

from stillair.alerts.posting import PostError, post
from stillair.alerts.topic import BrokerSettings, client_of
from stillair.clock import Clock
from stillair.errors import DeliveryError

if TYPE_CHECKING:
    from paho.mqtt.client import Client

log = logging.getLogger(__name__)

BEAT_TIMEOUT_S = 8.0  # below the shortest interval, so that one way can't cost the other its beat
TROUBLE_AFTER = 3  # beats in a row that failed
KEEPALIVE_S = 20
STOP_S = 0.5


class Way(Protocol):
    """One way by which a heartbeat goes out."""

    name: str

    def beat(self, body: bytes) -> None:
        """Hand one over within its deadline. Raises `DeliveryError`."""
        ...

    def close(self) -> None:
        """Let go; safe to call twice."""
        ...


def heartbeat(
    chamber: str, *, watching: bool, whole: bool, at: datetime, every_s: float
) -> dict[str, Any]:
    """What one heartbeat says; `watching`: the loops come round, `whole`: and nothing ails them."""
    return {
        "chamber": chamber,
        "watching": watching,
        "status": "ok" if watching and whole else "impaired",
        "at": at.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "next_within_s": every_s,
    }


class Heartbeat:
    """Send one every `every_s` seconds, from a thread of its own.

    Parameters
    ----------
    say : callable
        Gives what there is to be said now; quick.
    ways : Sequence[Way]
    on_trouble : callable
        Told (name of the way, True, reason) when it has failed three times in a row, and
        (name, False, "") when one goes out again.
    """

    def __init__(
        self,
        say: Callable[[], Mapping[str, Any]],
        ways: Sequence[Way],
        *,
        every_s: float,
        clock: Clock,
        on_trouble: Callable[[str, bool, str], None],
    ) -> None:
        self._say = say
        self._ways = tuple(ways)
        self._every_s = every_s
        self._clock = clock
        self._on_trouble = on_trouble
        self._failures = dict.fromkeys((way.name for way in ways), 0)
        self._went: dict[str, str | None] = dict.fromkeys(self._failures)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether its thread runs, as it should between start and stop."""
        return self._stopping.is_set() or self._thread.ident is None or self._thread.is_alive()

    def went(self) -> dict[str, str | None]:
        """Of each way by its name: "" if the last one went out, why not, None of none so far."""
        return dict(self._went)

    def stop(self) -> None:
        """End it; a broker then tells that the service has gone. Safe to call twice."""
        self._stopping.set()
        for way in self._ways:
            way.close()
        if self._thread.ident is not None:
            self._thread.join(STOP_S)

    def _run(self) -> None:
        due_s = self._clock.now_s()
        while not self._stopping.is_set():
            for way in self._ways:
                self._beat(way)
            # Missed ones are left out: three at once would say no more than one.
            due_s = max(due_s + self._every_s, self._clock.now_s())
            self._clock.wait(due_s, self._stopping)

    def _beat(self, way: Way) -> None:
        try:
            way.beat(json.dumps(self._say()).encode())
        except Exception as error:
            if self._stopping.is_set():
                return
            known = isinstance(error, DeliveryError)
            log.warning("%s: %s", way.name, error, exc_info=None if known else error)
            self._failures[way.name] += 1
            reason = error.reason if isinstance(error, DeliveryError) else "see the log"
            self._went[way.name] = reason
            if self._failures[way.name] == TROUBLE_AFTER:
                self._on_trouble(way.name, True, reason)
        else:
            if self._failures[way.name] >= TROUBLE_AFTER:
                self._on_trouble(way.name, False, "")
            self._failures[way.name] = 0
            self._went[way.name] = ""


class WebWay:
    """POST it to an address, which may hold a secret and so stands in no name or error."""

    name = "heartbeat to the web"

    def __init__(self, url: str, *, trust: str | None = None) -> None:
        self._url = url
        self._trust = trust

    def beat(self, body: bytes) -> None:
        """POST it. Raises `DeliveryError`."""
        headers = {"Content-Type": "application/json"}
        try:
            post(self._url, body, headers, timeout_s=BEAT_TIMEOUT_S, trust=self._trust)
        except PostError as error:
            raise DeliveryError(self.name, error.reason, retry=True) from None

    def close(self) -> None:
        """Nothing is held between two beats."""


class TopicWay:
    """Publish it, retained, over a connection that is kept: when it breaks the broker tells so.

    `last_word` is what the broker publishes then in our place.
    """

    name = "heartbeat to the broker"

    def __init__(self, settings: BrokerSettings, topic: str, last_word: Mapping[str, Any]) -> None:
        self._settings = settings
        self._topic = topic
        self._last_word = json.dumps(last_word).encode()
        self._client: Client | None = None
        self._lock = threading.Lock()
        self._closed = False

    def beat(self, body: bytes) -> None:
        """Publish it and wait until the broker has it. Raises `DeliveryError`."""
        try:
            client = self._connected()
            handed = client.publish(self._topic, body, qos=1, retain=True)
            handed.wait_for_publish(BEAT_TIMEOUT_S)
            if not handed.is_published():
                raise TimeoutError(f"no answer within {BEAT_TIMEOUT_S:g} s")
        except Exception as error:
            # paho raises OSError, ValueError and RuntimeError, and others for what is garbled.
            self._let_go()
            reason = f"{self._settings.where}: {str(error) or type(error).__name__}"
            raise DeliveryError(self.name, reason, retry=True) from error

    def close(self) -> None:
        """Break the connection without a farewell, so that the broker says the last word."""
        self._closed = True
        self._let_go()

    def _connected(self) -> Client:
        with self._lock:
            if self._closed:
                raise OSError("stopping")
            if self._client is None:
                self._client = self._connect()
            return self._client

    def _connect(self) -> Client:
        client = client_of(self._settings)
        client.will_set(self._topic, self._last_word, qos=1, retain=True)
        client.connect(self._settings.host, self._settings.port, keepalive=KEEPALIVE_S)
        client.loop_start()
        return client

    def _let_go(self) -> None:
        with self._lock:
            client, self._client = self._client, None
        if client is not None:
            if (socket := client.socket()) is not None:
                socket.close()
            client.loop_stop()
