"""A heartbeat goes out on each way by itself, and failing to send it is a trouble."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from stillair.alerts.heartbeat import Heartbeat, heartbeat
from stillair.clock import SystemClock
from stillair.config.reading import chamber_from_text
from stillair.errors import DeliveryError
from stillair.runtime.company import Company, heartbeat_of
from stillair.runtime.found import State
from stillair.sensing.neighbours import Neighbour, ailing

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


@pytest.mark.parametrize(
    ("fails", "state", "told"),
    [
        pytest.param((), State.FIT, "the last one was taken", id="it goes out"),
        pytest.param(range(1, 99), State.UNFIT, "away", id="it never went out"),
        pytest.param(range(4, 99), State.UNFIT, "away", id="it goes out no more"),
        pytest.param(range(1, 6), State.FIT, "the last one was taken", id="it goes out again"),
    ],
)
def test_setting_up_says_how_each_way_is(fails: Iterable[int], state: State, told: str) -> None:
    way = Taken("heartbeat to the web", frozenset(fails))
    beats = Heartbeat(
        lambda: {}, (way,), every_s=60.0, clock=SystemClock(), on_trouble=lambda *_: None
    )
    (found,) = Company(beats, ()).found("")
    assert (found.state, found.told) == (State.NOT_TRIED, "none has gone out so far")
    for _ in range(8):
        beats._beat(way)
    (found,) = Company(beats, ()).found("North bench, ")
    assert (found.thing, found.state) == ("North bench, heartbeat to the web", state)
    assert found.told == told and found.remedy


@pytest.mark.parametrize(
    ("seconds", "body", "state", "told"),
    [
        pytest.param(1, None, State.NOT_TRIED, "nothing has been heard of it so far", id="new"),
        pytest.param(1, b'{"status": "ok"}', State.FIT, "it is heard, and watches", id="well"),
        pytest.param(99, None, State.UNFIT, "nothing has been heard of it", id="silent"),
        pytest.param(99, b"x", State.UNFIT, "what it says is no heartbeat", id="another program"),
    ],
)
def test_setting_up_says_how_each_other_board_is(
    seconds: int, body: bytes | None, state: State, told: str
) -> None:
    neighbour = Neighbour(lambda *_: None, silent_after_s=60.0)
    if body is not None:
        neighbour.hear(body)
    for second in range(seconds):
        neighbour.check(float(second))
    (found,) = Company(None, (("old shed", neighbour),)).found("")
    assert (found.thing, found.state, found.told) == ("board old shed", state, told)


@pytest.mark.parametrize(
    ("watching", "whole", "status"),
    [(True, True, "ok"), (True, False, "impaired"), (False, True, "impaired")],
)
def test_it_says_whether_the_watch_goes_on(
    tmp_path: Path, watching: bool, whole: bool, status: str
) -> None:
    text = (
        '[chamber]\nname = "north bench"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        '[simulation]\nscenario = "quiet_job"\n[heartbeat]\nurl = "https://shed.example.org/x"\n'
    )
    beats = heartbeat_of(
        chamber_from_text(text, "north.toml", tmp_path),
        SystemClock(),
        watching=lambda: watching,
        whole=lambda: whole,
        on_trouble=lambda *_: None,
    )
    assert beats is not None
    said = beats._say()
    assert (said["watching"], said["status"]) == (watching, status)
    assert bool(ailing(json.dumps(said).encode())) is not watching
