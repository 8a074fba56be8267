"""All that stops one machine, put together: what fails of it, and a test that stops nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

import pytest

from stillair.alerts.relay import NoRelay
from stillair.alerts.routes import Message
from stillair.alerts.stop_messages import TEST, StopRoute
from stillair.clock import SystemClock
from stillair.errors import DeliveryError
from stillair.runtime.plans import TOPIC, WEBHOOK, stop_address
from stillair.runtime.stopping import RELAY, MachineStop
from stillair.runtime.switching import route_trouble, stop_routes

NOW_AT = datetime(2026, 11, 28, 22, 0, tzinfo=UTC)
ADDRESS = stop_address("bench", TOPIC)


@dataclass
class Way:
    """A message that keeps what it was asked to send, or fails."""

    sent: list[Message] = field(default_factory=list)
    tested: list[Message] = field(default_factory=list)
    fails: bool = False
    meanwhile: Callable[[], None] = lambda: None  # what happens until somebody answers

    def send(self, message: Message, due: Callable[[], bool]) -> None:
        self.meanwhile()
        if not due():
            raise DeliveryError("stop", "it was cut", retry=True)
        self._maybe()
        self.sent.append(message)

    def test(self, message: Message) -> str:
        self._maybe()
        self.tested.append(message)
        return "taken"

    def check(self) -> str:
        return "there"

    def close(self) -> None: ...

    def _maybe(self) -> None:
        if self.fails:
            raise DeliveryError("stop", "nobody answers", retry=False)


class Bench:
    def __init__(self) -> None:
        self.told: list[tuple[bool, str]] = []
        self.ways = {TOPIC: Way(), WEBHOOK: Way()}
        self.stop = MachineStop(
            "bench",
            NoRelay(),
            self.ways,
            clock=SystemClock(),
            wall=lambda: NOW_AT,
            tell=lambda *told: self.told.append(told),
        )
        self.route = stop_routes({"bench": self.stop})["stop"]
        assert isinstance(self.route, StopRoute)

    def send(self, address: str = ADDRESS) -> None:
        self.route.send(Message("key", address, "stop", "stop", NOW_AT, stage="stop"))


def test_a_message_goes_out_while_the_machine_has_to_be_off() -> None:
    bench = Bench()
    bench.stop.set(True)
    bench.send()
    assert [message.stage for message in bench.ways[TOPIC].sent] == ["stop"]
    assert not bench.ways[WEBHOOK].sent


@pytest.mark.parametrize(
    ("wanted", "retry"),
    [
        pytest.param(None, True, id="the watch has not begun: later"),
        pytest.param(False, False, id="it was reset: never"),
    ],
)
def test_a_message_that_isn_t_due_stays(wanted: bool | None, retry: bool) -> None:
    bench = Bench()
    if wanted is not None:
        bench.stop.set(wanted)
    with pytest.raises(DeliveryError) as refused:
        bench.send()
    assert refused.value.retry is retry
    assert not bench.ways[TOPIC].sent
    assert not bench.told, "nothing of it fails"


def test_a_message_that_is_reset_while_it_is_under_way_is_given_up() -> None:
    bench = Bench()
    bench.stop.set(True)
    bench.ways[TOPIC].meanwhile = lambda: bench.stop.set(False)
    with pytest.raises(DeliveryError, match="it was reset before") as refused:
        bench.send()
    assert not refused.value.retry
    assert not bench.ways[TOPIC].sent
    assert not bench.told, "nothing of it fails"


def test_a_failure_is_told_at_once_and_never_given_up() -> None:
    bench = Bench()
    bench.stop.set(True)
    bench.ways[TOPIC].fails = True
    with pytest.raises(DeliveryError) as failed:
        bench.send()
    assert failed.value.retry
    bench.ways[TOPIC].fails = False
    bench.send()
    assert bench.told == [(True, "topic: nobody answers"), (False, "")]


def test_what_was_set_up_once_is_given_up() -> None:
    bench = Bench()
    bench.stop.set(True)
    with pytest.raises(DeliveryError, match="isn't set up any more") as refused:
        bench.send("stop:topic of jetty")
    assert not refused.value.retry


def test_a_test_tries_every_part_and_stops_nothing() -> None:
    bench = Bench()
    bench.stop.start()
    try:
        bench.stop.set(False)
        while not bench.stop.check()[0].is_fit:
            pass  # its thread has not switched yet
        bench.ways[WEBHOOK].fails = True
        tested = bench.stop.check()
    finally:
        bench.stop.stop()
    assert [(each.part, each.is_fit) for each in tested] == [
        (RELAY, True),
        (TOPIC, True),
        (WEBHOOK, False),
    ]
    assert {message.stage for message in bench.ways[TOPIC].tested} == {TEST}
    assert not any(way.sent for way in bench.ways.values())
    assert bench.told[-1] == (True, "webhook: nobody answers")


def test_parts_that_fail_are_told_together() -> None:
    bench = Bench()
    bench.stop.trouble(WEBHOOK, True, "refused")
    bench.stop.trouble(WEBHOOK, True, "refused")
    bench.stop.trouble(TOPIC, True, "no broker")
    bench.stop.trouble(WEBHOOK, False, "")
    bench.stop.trouble(TOPIC, False, "")
    assert bench.told == [
        (True, "webhook: refused"),
        (True, "topic: no broker; webhook: refused"),
        (True, "topic: no broker"),
        (False, ""),
    ]


def test_the_courier_s_own_word_on_such_an_address_is_left_out() -> None:
    heard: list[str] = []

    class Troubles:
        def stop(self, key: str, failing: bool, reason: str) -> None:
            raise AssertionError

        def route(self, address: str, failing: bool, reason: str) -> None:
            heard.append(address)

    for address in (ADDRESS, "mailto:cox@example.org"):
        route_trouble(Troubles(), address, True, "x")
    assert heard == ["mailto:cox@example.org"]


def test_it_says_by_what_the_machine_is_stopped() -> None:
    assert Bench().stop.describe() == "an MQTT message and a signed web message"
