"""What is said first when the watch comes back after a time in which nobody watched."""

from __future__ import annotations

from math import exp

import pytest

from stillair.model import (
    KIND_CLASS,
    AlarmState,
    Annunciation,
    Change,
    FinishJob,
    Job,
    JobPhase,
    Kind,
    Phase,
    Suppression,
    Trouble,
    WatchMemory,
)
from unit.watch_story import Story, detector

AWAY_S = 2.5 * 3600.0


def stood(kind: Kind, number: int) -> AlarmState:
    """An alarm that stood at the last stop."""
    signal_class, priority = KIND_CLASS[kind]
    return AlarmState(
        id=f"north-bench-{number}",
        chamber="north-bench",
        kind=kind,
        subject="",
        signal_class=signal_class,
        priority=priority,
        annunciation=Annunciation.UNACKNOWLEDGED,
        suppression=Suppression.NONE,
        condition=True,
        event=number,
        raised_s=-AWAY_S - 60.0,
        changed_s=-AWAY_S - 60.0,
        text="The air falls.",
    )


@pytest.mark.parametrize(
    "kinds",
    [
        pytest.param((), id="nothing stood"),
        pytest.param((Kind.DRAFT, Kind.HEAT_LOST, Kind.STORE_FAULT), id="three alarms stood"),
    ],
)
def test_the_first_message_says_how_long_nobody_watched(kinds: tuple[Kind, ...]) -> None:
    alarms = tuple(stood(kind, number) for number, kind in enumerate(kinds, start=1))
    story = Story(WatchMemory(next_event=7, alarms=alarms, last_seen_s=1.0 - AWAY_S))
    story.take(Trouble(Kind.POWER_FAULT, 1.0, True))  # which comes with the board's first look
    story.seconds(30)
    first = next(notice for outcome in story.outcomes for notice in outcome.notices)
    assert first.kind is Kind.WATCH_GAP
    assert "2 h 30 min" in first.text


def test_a_fire_comes_before_it() -> None:
    """Who is in danger hears of that alone; the gap stands beneath it on the page."""
    story = Story(WatchMemory(next_event=7, last_seen_s=1.0 - AWAY_S))
    story.take(detector(0.5, True))
    story.seconds(3)
    kinds = [notice.kind for outcome in story.outcomes for notice in outcome.notices]
    assert kinds == [Kind.DETECTOR_CONTACT]
    assert Kind.WATCH_GAP in {alarm.kind for alarm in story.watch.view().alarms}


def test_a_job_done_just_after_a_restart_cools_down_with_its_box() -> None:
    """And when it is cool enough that is told once, by what its material bears: 45 degrees."""
    job = Job("north-bench-1", "north-bench", "Fin box", "ASA", "", "", JobPhase.RUNNING, -7200.0)
    story = Story(WatchMemory(next_job=2, job=job, last_seen_s=-5.0))
    story.seconds(5, air_c=60.0)
    story.take(FinishJob(t_s=5.5, by="cox", job=job.id))
    while story.t_s < 1100:
        story.seconds(1, air_c=22.0 + 38.0 * exp(-story.t_s / 1500.0))
        now = story.watch.view().job
        assert (now is None) is bool(story.of(Kind.COOL_ENOUGH)), story.t_s
    assert [event.change for event in story.of(Kind.COOL_ENOUGH)] == [Change.RAISED]
    assert story.watch.view().thermal.phase is Phase.COOL_ENOUGH
