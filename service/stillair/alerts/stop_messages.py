"""Messages that stop the machine: from the outbox, so that each is sent until it is taken.

Whoever has stopped and reset a machine meanwhile must not have it stopped again by a
message that came late: one for which the stop no longer stands is given up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Protocol

from stillair.alerts.routes import Message
from stillair.alerts.topic import BrokerSettings, TopicRoute
from stillair.alerts.webhook import WebhookRoute
from stillair.errors import DeliveryError

SCHEME = "stop"
TIMEOUT_S = 5.0  # it is tried again at once: better soon than patiently
RESET = "it was reset before this got through"
TEST = "test"  # the stage of a message by which nothing is to be stopped


class StopMessage(Protocol):
    """One way to stop the machine by a message."""

    def send(self, message: Message, due: Callable[[], bool]) -> None:
        """Stop it, if that is `due` when somebody answers. Raises `DeliveryError`."""
        ...

    def test(self, message: Message) -> str:
        """Send what stops nothing, and say who took it. Raises `DeliveryError`."""
        ...

    def check(self) -> str:
        """Say who answers, having sent nothing. Raises `DeliveryError`."""
        ...

    def close(self) -> None: ...


class TopicStop:
    """A payload on a topic, QoS 1 and not retained: a plug that reads it switches off.

    A test goes to the same topic with `/test` behind it, where no plug reads it.
    """

    def __init__(self, settings: BrokerSettings, topic: str, payload: str) -> None:
        self._route = TopicRoute(settings, timeout_s=TIMEOUT_S)
        self._where = settings.where
        self._topic = topic
        self._payload = payload.encode()

    def send(self, message: Message, due: Callable[[], bool]) -> None:
        self._route.publish(message.route, self._topic, self._payload, due=due)

    def test(self, message: Message) -> str:
        self._route.publish(message.route, f"{self._topic}/test", b"test", heard=False)
        return f"{self._where} takes messages; whether the plug hears them only a real stop shows"

    def check(self) -> str:
        return self._route.check()

    def close(self) -> None:
        self._route.close()


class WebhookStop:
    """A signed message to a web address; of a test its stage is "test"."""

    def __init__(self, address: str, secret: str, *, wall: Callable[[], datetime]) -> None:
        self._route = WebhookRoute(address, secret, wall=wall, timeout_s=TIMEOUT_S)

    def send(self, message: Message, due: Callable[[], bool]) -> None:
        self._route.send(message, due)

    def test(self, message: Message) -> str:
        self._route.send(message)
        return "its server took a message that was marked as a test"

    def check(self) -> str:
        return self._route.check()

    def close(self) -> None:
        self._route.close()


class Stopped(Protocol):
    """What the stop of one chamber says and hears."""

    @property
    def wanted(self) -> bool | None:
        """Whether the machine has to be off; None while nobody knows."""
        ...

    def trouble(self, part: str, failing: bool, reason: str) -> None: ...


class StopRoute:
    """The route of `stop:topic of CHAMBER` and the like.

    `ways` has for each address the part's name, its message and the stop that it belongs to.
    A first failure is told at once: whoever has to switch the machine off by hand should know.
    """

    def __init__(self, ways: Mapping[str, tuple[str, StopMessage, Stopped]]) -> None:
        self._ways = ways

    def send(self, message: Message) -> None:
        """Stop the machine. Raises `DeliveryError`."""
        address = message.route
        if address not in self._ways:
            raise DeliveryError(address, "it isn't set up any more", retry=False)
        part, way, stop = self._ways[address]
        if stop.wanted is None:
            raise DeliveryError(address, "the watch has not begun", retry=True)
        if not stop.wanted:
            raise DeliveryError(address, RESET, retry=False)
        try:
            way.send(message, lambda: stop.wanted is True)
        except DeliveryError as error:
            if not stop.wanted:
                raise DeliveryError(address, RESET, retry=False) from error
            stop.trouble(part, True, error.reason)
            # A machine that has to be off is not given up while that stands.
            raise DeliveryError(address, error.reason, retry=True, remedy=error.remedy) from error
        stop.trouble(part, False, "")

    def close(self) -> None:
        """End what is under way."""
        for _, way, _ in self._ways.values():
            way.close()
