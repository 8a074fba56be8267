"""A machine that stands still in a job: when that is told, and when it is over."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from stillair.jobs.standstill import BLIND_S, FIRST_MOVE_S, StandStill, is_hot
from stillair.model import (
    KIND_CLASS,
    Change,
    EventChange,
    Finding,
    Job,
    JobPhase,
    Kind,
    Movement,
    Phase,
)

JOB = Job("bench-1", "bench", "hull", "ABS", "", "", JobPhase.RUNNING, started_s=0.0)
AFTER_S = 300.0


@dataclass
class Span:
    """From `start_s` on: whether the machine is seen to move, and how the job and its heat are."""

    start_s: float
    moving: bool | None = True
    job: Job | None = JOB
    hot: bool | None = True


def told(*spans: Span, until_s: int = 3000) -> list[tuple[str, float, float, str]]:
    """What is told: change, when, onset or end, and why it ended."""
    rule = StandStill(AFTER_S)
    event: EventChange | None = None
    found: list[tuple[str, float, float, str]] = []
    moved_s = 0.0
    for t_s in range(until_s):
        span = [s for s in spans if s.start_s <= t_s][-1]
        if span.moving:
            moved_s = float(t_s)
        movement = Movement(float(t_s), span.moving, moved_s)
        for one in rule.tick(float(t_s), span.job, movement, hot=span.hot, event=event):
            assert one.kind is Kind.NO_MOTION
            end_s = one.onset_s if one.end_s is None else one.end_s
            found.append((one.change.value, one.at_s, end_s, str(one.detail.get("ended", ""))))
            event = None if one.change is Change.CLEARED else standing(one)
        assert rule.holds is (event is not None)
    return found


def standing(of: Finding) -> EventChange:
    return EventChange(
        event=1,
        change=of.change,
        at_s=of.at_s,
        kind=of.kind,
        signal_class=KIND_CLASS[of.kind][0],
        priority=KIND_CLASS[of.kind][1],
        onset_s=of.onset_s,
        sensors=of.sensors,
        detail=of.detail,
    )


PAUSED = replace(JOB, state=JobPhase.PAUSED)
COOLING = replace(JOB, state=JobPhase.COOLING)
HIGHER = replace(JOB, height_mm=12.0)


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        pytest.param([Span(0)], [], id="it moves"),
        pytest.param(
            [Span(0), Span(100, False)],
            [("raised", 399.0, 99.0, "")],
            id="it stands: told 5 min after it was last seen to move",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(390)], [], id="it moves again in the last moment"
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(1000)],
            [("raised", 399.0, 99.0, ""), ("cleared", 1000.0, 1000.0, "")],
            id="it moves again",
        ),
        pytest.param([Span(0, False)], [], id="the heat-up before its first movement"),
        pytest.param([Span(0, None)], [], id="nobody can see it"),
        pytest.param(
            [Span(0), Span(100, False), Span(200, None), Span(230, False)],
            [("raised", 399.0, 99.0, "")],
            id="half a minute in which it can't be seen is no movement",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(200, None), Span(500, False)],
            [("raised", 499.0 + AFTER_S, 499.0, "")],
            id="what nobody could see for minutes doesn't count",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(500, None), Span(1500, False), Span(2000)],
            [("raised", 399.0, 99.0, ""), ("cleared", 2000.0, 2000.0, "")],
            id="told, then blind, then still: it stood all the time",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(500, False, PAUSED)],
            [("raised", 399.0, 99.0, ""), ("cleared", 500.0, 500.0, "the job is paused")],
            id="somebody says that it is paused",
        ),
        pytest.param(
            [Span(0), Span(100, False, PAUSED), Span(2000, False)],
            [("raised", 1999.0 + AFTER_S, 1999.0, "")],
            id="a pause that was announced, and nothing moves after it",
        ),
        pytest.param([Span(0), Span(100, False, COOLING)], [], id="a job that is said to be over"),
        pytest.param([Span(0, True, None), Span(100, False, None)], [], id="no job"),
        pytest.param([Span(0), Span(100, False, hot=False)], [], id="a machine that is cold"),
        pytest.param(
            [Span(0), Span(100, False), Span(900, False, hot=False)],
            [("raised", 399.0, 99.0, ""), ("cleared", 900.0, 900.0, "it is no longer hot")],
            id="it has cooled",
        ),
        pytest.param(
            [Span(0), Span(100, False, hot=None)], [], id="nobody can tell whether it is hot"
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(900, False, hot=None)],
            [("raised", 399.0, 99.0, "")],
            id="its last sensor has failed: it stands as it did",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(300, False, HIGHER)],
            [("raised", 600.0, 300.0, "")],
            id="a new height is a movement, though the camera saw none",
        ),
        pytest.param(
            [Span(0), Span(100, False), Span(900, None, HIGHER)],
            [("raised", 399.0, 99.0, ""), ("cleared", 900.0, 900.0, "")],
            id="a new height ends it as well",
        ),
    ],
)
def test_a_machine_that_stands_still(
    spans: list[Span], expected: list[tuple[str, float, float, str]]
) -> None:
    assert told(*spans) == expected


def test_a_job_that_never_begins_to_move_is_told_in_the_end() -> None:
    assert told(Span(0, False), until_s=int(FIRST_MOVE_S) + 2) == [
        ("raised", FIRST_MOVE_S, 0.0, "")
    ]


def test_another_job_has_its_own_heat_up() -> None:
    other = replace(JOB, id="bench-2")
    assert told(Span(0), Span(100, False, other)) == []


def test_after_a_restart_the_height_tells_that_it_has_moved() -> None:
    assert told(Span(0, False, HIGHER)) == [("raised", AFTER_S, 0.0, "")]


def test_blind_for_less_than_a_minute_ends_no_count() -> None:
    blind = [Span(0), Span(100, False), Span(200, None), Span(200 + BLIND_S - 1, False)]
    assert told(*blind) == [("raised", 399.0, 99.0, "")]


@pytest.mark.parametrize(
    ("phase", "air_c", "beds_c", "hot"),
    [
        (Phase.STEADY, 45.0, [], True),
        (Phase.WARMING, 25.0, [], True),
        (Phase.COOLING, 42.0, [], True),
        (Phase.COOLING, 35.0, [90.0], True),
        (Phase.UNKNOWN, None, [None, 60.0], True),
        (Phase.UNKNOWN, None, [], None),
        (Phase.UNKNOWN, 42.0, [], True),
        (Phase.UNKNOWN, None, [30.0], False),
        (Phase.COLD, 22.0, [24.0], False),
        (Phase.COOL_ENOUGH, 38.0, [None], False),
    ],
)
def test_what_counts_as_hot(
    phase: Phase, air_c: float | None, beds_c: list[float | None], hot: bool | None
) -> None:
    assert is_hot(phase, air_c, beds_c) is hot
