"""A heartbeat goes out on each way by itself, and failing to send it is a trouble."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest

from stillair.alerts.heartbeat import Heartbeat, heartbeat
from stillair.clock import SystemClock
from stillair.errors import DeliveryError

PATIENCE_S = 10.0


@dataclass
class Taken:
    """A way that keeps what it is given; of the beats in `fails` it takes none."""

    name: str
    fails: frozenset[int] = frozenset()
    error: Exception = field(default_factory=lambda: DeliveryError("x", "away", retry=True))
    bodies: list[dict[str, Any]] = field(default_factory=list)
    tries: int = 0
    enough: threading.Event = field(default_factory=threading.Event)
    until: int = 8

    def beat(self, body: bytes) -> None:
        self.tries += 1
        if self.tries >= self.until:
            self.enough.set()
        if self.tries in self.fails:
            raise self.error
        self.bodies.append(json.loads(body))

    def close(self) -> None:
        self.enough.set()


@contextmanager
def beating(*ways: Taken) -> Iterator[list[tuple[str, bool, str]]]:
    troubles: list[tuple[str, bool, str]] = []
    beats = Heartbeat(
        lambda: {"status": "ok"},
        ways,
        every_s=0.005,
        clock=SystemClock(),
        on_trouble=lambda *told: troubles.append(told),
    )
    beats.start()
    try:
        for way in ways:
            assert way.enough.wait(PATIENCE_S)
        yield troubles
        assert beats.alive
    finally:
        beats.stop()


def test_every_way_gets_each_beat() -> None:
    broker, web = Taken("broker"), Taken("web")
    with beating(broker, web) as troubles:
        assert broker.bodies[:8] == web.bodies[:8] == [{"status": "ok"}] * 8
        assert troubles == []


@pytest.mark.parametrize(
    "error",
    [
        pytest.param(DeliveryError("web", "away", retry=True), id="of the way"),
        pytest.param(RuntimeError("a defect"), id="of any other kind"),
    ],
)
def test_three_failures_in_a_row_are_told_once_and_so_is_the_end(error: Exception) -> None:
    web = Taken("web", fails=frozenset({1, 2, 4, 5, 6, 7}), error=error)
    broker = Taken("broker")
    with beating(broker, web) as troubles:
        reason = "away" if isinstance(error, DeliveryError) else "see the log"
        assert troubles == [("web", True, reason), ("web", False, "")]
        assert len(broker.bodies) >= 8, "one way that fails costs the other nothing"


def test_its_words() -> None:
    at = datetime(2026, 5, 2, 9, 0, 30, tzinfo=UTC)
    said = [
        heartbeat("north-bench", watching=watching, whole=whole, at=at, every_s=60.0)
        for watching, whole in [(True, True), (True, False), (False, True)]
    ]
    assert [(each["watching"], each["status"]) for each in said] == [
        (True, "ok"),
        (True, "impaired"),
        (False, "impaired"),
    ]
    assert all(a.keys() == b.keys() for a, b in pairwise(said))
    assert said[0] | {"watching": 0, "status": 0} == {
        "chamber": "north-bench",
        "watching": 0,
        "status": 0,
        "at": "2026-05-02T09:00:30Z",
        "next_within_s": 60.0,
    }
