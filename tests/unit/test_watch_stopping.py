"""The stop of the machine in the watch as a whole: what comes out of it, and what it hears of."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stillair.alarms.stop_words import SUPPLY_STAYS
from stillair.alarms.stopping import StopPlan
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Acknowledge,
    Change,
    ContactKind,
    ContactState,
    FinishJob,
    HoldStop,
    Kind,
    Outcome,
    Priority,
    Reset,
    ResetStop,
    StartJob,
    StopNow,
    StopPhase,
    StopState,
    Tick,
    WatchMemory,
)
from stillair.watch import ContactPlan
from unit.watch_story import PLAN, Story, detector

TOPIC = "stop:topic of north-bench"
STOPS = replace(
    PLAN,
    stop=StopPlan(
        on=frozenset({Kind.FIRE, Kind.DETECTOR_CONTACT}), addresses=(TOPIC,), has_button=True
    ),
    contacts=(
        *PLAN.contacts,
        ContactPlan("mains", ContactKind.SUPPLY),
        ContactPlan("green button", ContactKind.RESET),
    ),
)


def supply(t_s: float, off: bool | None) -> ContactState:
    return ContactState("mains", ContactKind.SUPPLY, t_s, off)


def button(t_s: float, pressed: bool | None) -> ContactState:
    return ContactState("green button", ContactKind.RESET, t_s, pressed)


def phase(story: Story) -> StopPhase | None:
    state = story.watch.view().stop
    return None if state is None else state.phase


def stopping_story() -> Story:
    """A detector has gone off after five quiet seconds."""
    story = Story(plan=STOPS)
    story.take(detector(0.0, False))
    story.seconds(5)
    story.take(detector(5.4, True))
    return story


def stops(outcomes: list[Outcome]) -> list[tuple[float, bool]]:
    return [(o.t_s, o.stop) for o in outcomes if o.stop is not None]


def test_without_a_stop_set_up_nothing_is_ever_switched() -> None:
    story = Story()
    story.take(detector(0.0, True))
    story.seconds(400)
    assert stops(story.outcomes) == []
    assert not any(outcome.duties for outcome in story.outcomes)
    with pytest.raises(CommandRefused) as refused:
        story.watch.step(StopNow(t_s=401.0, by="cox"))
    assert refused.value.refusal is Refusal.UNKNOWN


def test_it_begins_by_saying_that_the_machine_may_run() -> None:
    story = Story(plan=STOPS)
    story.seconds(30)
    assert stops(story.outcomes) == [(1.0, False)]


def test_a_detector_counts_and_stops() -> None:
    story = stopping_story()
    counting = story.outcomes[-1]
    (state,) = counting.duties
    assert isinstance(state, StopState)
    assert (state.phase, state.until_s, state.cause) == (
        StopPhase.COUNTING,
        35.4,
        "detector_contact",
    )
    story.seconds(40)
    assert stops(story.outcomes)[1:] == [(36.0, True)]
    stop = next(outcome for outcome in story.outcomes if outcome.stop)
    assert [notice.route for notice in stop.notices][:1] == [TOPIC], "before any to a person"
    assert phase(story) is StopPhase.STOPPED


@pytest.mark.parametrize(
    ("countdown_s", "said"),
    [
        pytest.param(30.0, "is switched off 30 s after this was found, unless", id="counting"),
        pytest.param(0.0, "The machine was switched off.", id="stopped"),
    ],
)
def test_people_are_told_with_the_danger_what_becomes_of_the_machine(
    countdown_s: float, said: str
) -> None:
    assert STOPS.stop is not None
    story = Story(plan=replace(STOPS, stop=replace(STOPS.stop, countdown_s=countdown_s)))
    story.take(detector(0.0, False))
    story.seconds(5)
    outcome = story.take(detector(5.4, True))
    (message,) = (notice for notice in outcome.notices if notice.person)
    assert said in message.text
    begun = len(story.outcomes)
    story.seconds(400)
    more = [n for o in story.outcomes[begun:] for n in o.notices if n.person]
    assert more
    assert not any(said in notice.text for notice in more), "it is said once"


def test_it_is_held_by_a_person_and_resets_with_its_alarm() -> None:
    story = stopping_story()
    story.seconds(5)
    story.take(HoldStop(t_s=10.0, by="cox"))
    story.seconds(100)
    assert stops(story.outcomes) == [(0.0, False)]
    assert phase(story) is StopPhase.HELD
    story.take(detector(110.0, False))
    story.seconds(150)
    (alarm,) = story.watch.view().alarms
    story.take(Acknowledge(t_s=300.0, by="cox", alarm=alarm.id))
    story.take(Reset(t_s=300.0, by="cox", alarm=alarm.id))
    assert phase(story) is StopPhase.READY


def test_a_button_resets_it_once_the_alarm_is_over() -> None:
    story = stopping_story()
    story.take(button(6.0, False))
    story.seconds(45)
    story.take(button(50.0, True))
    assert phase(story) is StopPhase.STOPPED, "it may still burn"
    story.take(button(50.5, False))
    story.take(detector(50.6, False))
    story.seconds(150)
    with pytest.raises(CommandRefused, match="press the button"):
        story.watch.step(ResetStop(t_s=200.0, by="cox"))
    story.take(button(200.5, True))
    assert phase(story) is StopPhase.READY
    assert stops(story.outcomes)[-1] == (200.5, False)
    story.seconds(300)
    assert phase(story) is StopPhase.READY, "the old alarm, not seen yet, stops nothing again"


def test_a_button_that_was_unreadable_resets_nothing() -> None:
    stopped = StopState(-60.0, StopPhase.STOPPED, cause="fire", event=1, stops=1)
    story = Story(WatchMemory(duties=(stopped,)), plan=STOPS)
    story.take(button(1.0, False))
    story.take(button(2.0, None))
    story.take(button(3.0, True))  # it may have been pressed, or shorted, ever since
    assert phase(story) is StopPhase.STOPPED


def test_a_button_that_is_stuck_resets_nothing() -> None:
    stopped = StopState(-60.0, StopPhase.STOPPED, cause="fire", event=1, stops=1)
    story = Story(WatchMemory(duties=(stopped,)), plan=STOPS)
    story.take(button(0.0, True))
    story.seconds(10)
    assert phase(story) is StopPhase.STOPPED
    story.take(button(11.0, False))
    story.take(button(12.0, True))
    assert phase(story) is StopPhase.READY


def test_a_supply_that_stays_on_is_a_critical_alarm_with_what_to_do() -> None:
    story = stopping_story()
    story.take(supply(6.0, False))
    story.seconds(35)
    assert phase(story) is StopPhase.STOPPED
    assert not story.of(Kind.DELIVERY_FAULT)
    story.seconds(10)
    (raised,) = story.of(Kind.DELIVERY_FAULT)
    assert (raised.subject, raised.priority, raised.at_s) == (SUPPLY_STAYS, Priority.CRITICAL, 41.0)
    (alarm,) = (a for a in story.watch.view().alarms if a.subject == SUPPLY_STAYS)
    assert "distribution board" in alarm.text
    assert "welded" in alarm.text
    story.take(supply(45.5, None))
    story.seconds(2)
    assert story.of(Kind.DELIVERY_FAULT) == [raised], "a switch that can't be read tells nothing"
    story.take(supply(48.0, True))
    story.seconds(2)
    assert story.of(Kind.DELIVERY_FAULT)[-1].change is Change.CLEARED


def test_it_is_tried_only_while_no_job_runs() -> None:
    story = Story(plan=STOPS)
    story.seconds(5)
    job = story.take(StartJob(t_s=5.0, by="cox", name="Fin box")).created
    with pytest.raises(CommandRefused, match="a job runs"):
        story.watch.step(StopNow(t_s=6.0, by="captain", trial=True))
    story.take(StopNow(t_s=6.0, by="cox"))
    assert phase(story) is StopPhase.STOPPED, "by a person at any time"
    assert job is not None
    story.take(FinishJob(t_s=7.0, by="cox", job=job))


@pytest.mark.parametrize(
    ("state", "told"),
    [
        pytest.param(
            StopState(-9.0, StopPhase.COUNTING, cause="fire", event=7, until_s=20.5),
            [(1.0, False), (21.0, True)],
            id="what is left",
        ),
        pytest.param(
            StopState(-90.0, StopPhase.COUNTING, cause="fire", event=7, until_s=-60.0),
            [(1.0, True)],
            id="it is over",
        ),
        pytest.param(
            StopState(-90.0, StopPhase.STOPPED, cause="fire", event=7, stops=1),
            [(1.0, True)],
            id="stopped",
        ),
    ],
)
def test_after_a_restart(state: StopState, told: list[tuple[float, bool]]) -> None:
    before = stopping_story()
    (alarm,) = before.watch.view().alarms
    (event,) = before.watch.view().events
    memory = WatchMemory(
        next_event=8,
        alarms=(replace(alarm, event=7),),
        events=(replace(event, event=7),),
        duties=(state,),
    )
    story = Story(memory, plan=STOPS)
    story.seconds(60)
    assert stops(story.outcomes) == told


def test_a_defect_in_the_alarms_keeps_no_machine_running(
    rules_may_break: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = Story(plan=STOPS)
    story.take(detector(0.0, False))
    story.seconds(5)

    def broken(*_: object) -> None:
        raise RuntimeError("a defect")

    for name in ("take", "tick", "standing"):
        monkeypatch.setattr(story.watch._alarms, name, broken)
    story.take(detector(5.4, True))
    for t_s in range(6, 40):
        story.take(Tick(float(t_s)))
    assert stops(story.outcomes)[-1] == (36.0, True)
