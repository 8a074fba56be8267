"""The watch as a whole: stimuli in, the story out, on a clock that is only a number."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms.desk import CONFIRM_S, SAID_OVER
from stillair.errors import CommandRefused, ReadingFault, Refusal
from stillair.fire.inputs import CAMERA_SILENT_S
from stillair.fire.unseen import HEARD_S
from stillair.model import (
    BURNING,
    Acknowledge,
    AddNote,
    Afterwards,
    Annunciation,
    CameraCondition,
    CameraState,
    Change,
    ContactState,
    EventChange,
    FinishJob,
    JobPhase,
    Kind,
    PauseJob,
    Phase,
    Reading,
    ReportHeight,
    Reset,
    Sense,
    Shelve,
    Sign,
    Sounding,
    StartJob,
    Stimulus,
    Tick,
    Trouble,
    WatchMemory,
)
from stillair.watch import GAP_S, Watch
from unit.watch_story import PLAN, Story, detector, door


def test_a_door_switch_settles_the_door_within_a_second() -> None:
    story = Story()
    story.take(door(0.0, False))
    story.seconds(30)
    story.take(door(30.2, True))
    story.seconds(1)
    raised = story.of(Kind.DOOR_OPEN)[0]
    assert (raised.change, raised.at_s, raised.detail["cause"]) == (Change.RAISED, 31.0, "clear")
    story.take(door(31.5, False))
    story.seconds(2)
    cleared = story.of(Kind.DOOR_OPEN)[-1]
    assert (cleared.change, cleared.event) == (Change.CLEARED, raised.event)
    assert cleared.end_s == pytest.approx(31.5, abs=1.5)


def test_a_listed_detector_sounds_in_the_step_in_which_it_trips() -> None:
    story = Story()
    story.take(detector(0.0, False))
    story.seconds(5)
    outcome = story.take(detector(5.4, True))
    assert [event.kind for event in outcome.events] == [Kind.DETECTOR_CONTACT]
    assert outcome.sounding is Sounding.FIRE
    assert [notice.route for notice in outcome.notices] == ["mailto:captain@shed.example"]
    assert outcome.alarms[0].id == f"north-bench-{outcome.events[0].event}"


@pytest.mark.parametrize(
    ("make", "priority"),
    [
        pytest.param(door, "medium", id="door: a hand is needed"),
        pytest.param(detector, "high", id="detector: nobody would hear it"),
    ],
)
def test_a_switch_that_cannot_be_read_is_trouble_and_not_peace(make: object, priority: str) -> None:
    assert callable(make)
    story = Story()
    story.take(make(1.0, None, "its wire is cut"))
    story.take(make(2.0, None, "its wire is cut"))
    story.take(make(3.0, False))
    faults = story.of(Kind.SENSOR_FAULT)
    assert [fault.change for fault in faults] == [Change.RAISED, Change.CLEARED]
    assert faults[0].priority.value == priority
    assert faults[0].detail["reason"] == "its wire is cut"


def test_a_switch_that_is_not_known_yet_is_no_fault() -> None:
    story = Story()
    story.take(door(1.0, None))
    assert story.events == []


def test_a_camera_that_falls_silent_is_blind() -> None:
    story = Story()
    story.take(CameraState(0.0, CameraCondition.FIT, 0.0))
    story.seconds(int(CAMERA_SILENT_S))
    assert story.of(Kind.CAMERA_FAULT) == []
    story.seconds(2)
    fault = story.of(Kind.CAMERA_FAULT)[0]
    assert (fault.detail["condition"], fault.onset_s) == ("lost", 0.0)
    story.take(CameraState(40.0, CameraCondition.DARK, 39.0, "no light"))
    story.take(CameraState(50.0, CameraCondition.FIT, 49.0))
    changes = [(f.change, f.detail["condition"]) for f in story.of(Kind.CAMERA_FAULT)]
    assert changes == [
        (Change.RAISED, "lost"),
        (Change.REVISED, "dark"),
        (Change.CLEARED, "dark"),
    ]


def test_what_the_service_tells_of_itself_is_an_event_per_subject() -> None:
    story = Story()
    for subject in ("journal", "readings"):
        story.take(Trouble(Kind.STORE_FAULT, 1.0, True, subject, {"reason": "disk full"}))
    story.take(Trouble(Kind.STORE_FAULT, 1.5, True, "journal", {"reason": "disk full"}))
    story.take(Trouble(Kind.STORE_FAULT, 2.0, False, "journal"))
    told = [(e.event, e.change, e.subject) for e in story.of(Kind.STORE_FAULT)]
    assert told == [
        (1, Change.RAISED, "journal"),
        (2, Change.RAISED, "readings"),
        (1, Change.REVISED, "journal"),
        (1, Change.CLEARED, "journal"),
    ]


@pytest.mark.parametrize(
    ("away_s", "told"),
    [
        pytest.param(GAP_S - 2.0, False, id="a restart"),
        pytest.param(GAP_S + 1.0, True, id="a minute and more"),
        pytest.param(8 * 3600.0, True, id="a night"),
    ],
)
def test_time_in_which_nobody_watched_is_told(away_s: float, told: bool) -> None:
    story = Story(WatchMemory(next_event=7, last_seen_s=1.0 - away_s))
    story.seconds(2)
    gaps = story.of(Kind.WATCH_GAP)
    assert [gap.change for gap in gaps] == ([Change.RAISED, Change.CLEARED] if told else [])
    if told:
        assert gaps[0].event == 7
        assert gaps[0].detail["gap_s"] == pytest.approx(away_s, abs=0.1)


def test_a_standstill_of_the_board_is_told_as_a_gap() -> None:
    story = Story()
    story.seconds(5)
    story.t_s += 3600
    story.seconds(1)
    assert story.of(Kind.WATCH_GAP)[0].detail["gap_s"] == 3601.0


def standing(kind: Kind = Kind.DRAFT) -> WatchMemory:
    """A draft that stood when the service stopped."""
    before = Story()
    before.take(door(0.0, True))
    before.seconds(60)
    (event,) = before.watch.view().events
    (alarm,) = before.watch.view().alarms
    return WatchMemory(
        next_event=event.event + 1,
        events=(replace(event, kind=kind),),
        alarms=(replace(alarm, kind=kind),),
    )


def test_what_stood_before_a_restart_goes_on_under_its_number_when_it_is_seen_again() -> None:
    memory = standing(Kind.DOOR_OPEN)
    story = Story(memory, start_s=70)
    story.take(door(70.0, True))
    story.seconds(int(CONFIRM_S) + 30)
    assert {event.event for event in story.of(Kind.DOOR_OPEN)} == {memory.events[0].event}
    assert Change.CLEARED not in [event.change for event in story.of(Kind.DOOR_OPEN)]


def test_what_stood_before_a_restart_and_is_not_seen_again_ends() -> None:
    memory = standing()
    story = Story(memory, start_s=70)
    story.seconds(int(CONFIRM_S) - 5)
    assert story.of(Kind.DRAFT) == []
    story.seconds(10)
    (ended,) = story.of(Kind.DRAFT)
    assert (ended.change, ended.event) == (Change.CLEARED, memory.events[0].event)
    assert ended.detail["ended"] == "not seen again after a restart"


def silent_top(fault: ReadingFault = ReadingFault.UNREADABLE) -> Story:
    """One of two sensors gives nothing."""
    story = Story()
    why = "no connection to the broker old.example:1883"
    for _ in range(120):
        story.t_s += 1
        story.take(Reading("top", float(story.t_s), None, fault, why))
        story.take(Reading("low", float(story.t_s), 45.0 + 0.0625 * (story.t_s % 3)))
        story.take(Tick(float(story.t_s)))
    assert "old.example" in story.watch.view().alarms[0].text
    return story


def test_a_sensor_that_was_mended_is_well_a_minute_after_the_restart() -> None:
    story = after_restart(silent_top())
    story.seconds(1)
    (alarm,) = story.watch.view().alarms
    assert "old.example" not in alarm.text, "what ailed it before is no reason any more"
    assert "trusted once it has read well for a minute" in alarm.text
    assert all(not outcome.notices for outcome in story.outcomes), "nobody is told twice"
    story.seconds(int(HEARD_S) - 5)
    assert [e.kind for e in story.watch.view().events] == [Kind.SENSOR_FAULT]
    story.seconds(10)
    assert story.watch.view().events == ()
    over = story.of(Kind.SENSOR_FAULT)[-1]
    assert (over.change, over.event) == (Change.CLEARED, 1)
    assert "old.example" in str(over.detail["reason"]), "looked back on, that was it"


def test_a_sensor_that_is_still_silent_after_a_restart_says_why_it_is_now() -> None:
    story, why = after_restart(silent_top()), "no connection to the broker new.example:1883"
    for _ in range(100):
        story.t_s += 1
        story.take(Reading("top", float(story.t_s), None, ReadingFault.UNREADABLE, why))
        story.take(Reading("low", float(story.t_s), 45.0 + 0.0625 * (story.t_s % 3)))
        story.take(Tick(float(story.t_s)))
    (event,) = story.watch.view().events
    assert (event.event, event.detail["reason"]) == (1, why)


@pytest.mark.parametrize(
    "word", ["stuck", "jumps", "intermittent", "differs", "out_of_range", "bad_checksum"]
)
def test_a_sensor_that_went_astray_may_look_well_for_longer(word: str) -> None:
    before = silent_top().watch.view()
    events = tuple(replace(e, detail={**e.detail, "fault": word}) for e in before.events)
    story = Story(WatchMemory(next_event=99, events=events, alarms=before.alarms))
    story.seconds(int(CONFIRM_S) - 5)
    (event,) = story.watch.view().events
    assert "for ten minutes" in str(event.detail["reason"])
    story.seconds(10)
    assert Kind.SENSOR_FAULT not in {event.kind for event in story.watch.view().events}


def test_a_sensor_that_was_taken_out_is_at_fault_no_more() -> None:
    before = silent_top().watch.view()
    thermal = replace(PLAN.thermal, sensors=PLAN.thermal.sensors[1:])
    memory = WatchMemory(next_event=99, events=before.events, alarms=before.alarms)
    story = Story(memory, plan=replace(PLAN, thermal=thermal))
    story.seconds(1)
    (over,) = story.of(Kind.SENSOR_FAULT)
    assert (over.change, over.event) == (Change.CLEARED, 1)


def burnt() -> Story:
    """A fire whose sensors have burnt, a good while later."""
    story = Story()
    story.seconds(60)
    story.seconds(120, air_c=95.0)
    for _ in range(1200):
        story.t_s += 1
        for name in ("top", "low"):
            story.take(Reading(name, float(story.t_s), None, ReadingFault.OPEN_CIRCUIT))
        story.take(Tick(float(story.t_s)))
    return story


def test_a_fire_stands_when_its_sensors_have_burnt_until_somebody_says_that_it_is_over() -> None:
    story = burnt()
    assert Change.CLEARED not in {event.change for event in story.of(Kind.FIRE)}
    assert story.of(Kind.FIRE)[-1].detail["blind"] is True
    alarm = next(a for a in story.watch.view().alarms if a.kind is Kind.FIRE)
    assert alarm.condition and alarm.blind
    assert "nobody can tell whether it is over" in alarm.text
    assert "When last measured the temperature was 9" in alarm.text
    reset = Reset(t_s=float(story.t_s), by="cox", alarm=alarm.id)
    with pytest.raises(CommandRefused):
        story.take(reset)  # nobody has seen it yet
    assert Kind.FIRE in {event.kind for event in story.watch.view().events}
    story.take(Acknowledge(t_s=float(story.t_s), by="cox", alarm=alarm.id))
    outcome = story.take(reset)
    (over,) = [e for e in outcome.events if e.kind is Kind.FIRE]
    assert (over.change, over.detail["ended"]) == (Change.CLEARED, SAID_OVER)
    assert Kind.FIRE not in {a.kind for a in story.watch.view().alarms}
    assert [n.title for n in outcome.notices] == ["North bench: Over: fire"]
    assert "as far as can be told: somebody said so." in outcome.notices[0].text


def test_heat_stands_where_a_sensor_fell_silent_until_somebody_says_that_it_is_over() -> None:
    story = Story()
    for second in range(2000):
        top_c = min(72.5, 45.0 + 0.04 * second) + 0.0625 * (second % 2)
        if second < 1000:
            story.take(Reading("top", float(second), top_c))
        story.take(Reading("low", float(second), 45.0 + 0.0625 * (second % 3)))
        story.take(Tick(float(second)))
    told = story.of(Kind.OVER_TEMPERATURE)
    assert [e.change for e in told] == [Change.RAISED, Change.REVISED]
    (alarm,) = [a for a in story.watch.view().alarms if a.kind is Kind.OVER_TEMPERATURE]
    assert alarm.condition and alarm.blind
    reset = Reset(t_s=2000.0, by="cox", alarm=alarm.id)
    with pytest.raises(CommandRefused):
        story.take(reset)  # nobody has seen it yet
    story.take(Acknowledge(t_s=2000.0, by="cox", alarm=alarm.id))
    (over,) = story.take(reset).events
    assert (over.change, over.detail["ended"]) == (Change.CLEARED, SAID_OVER)
    view = story.watch.view()
    assert Kind.OVER_TEMPERATURE not in {a.kind for a in view.alarms}
    assert Kind.OVER_TEMPERATURE not in {e.kind for e in view.events}


def test_a_fire_that_is_seen_can_not_be_said_to_be_over() -> None:
    story = Story()
    story.seconds(60)
    story.seconds(120, air_c=95.0)
    (alarm,) = [a for a in story.watch.view().alarms if a.kind is Kind.FIRE]
    story.take(Acknowledge(t_s=float(story.t_s), by="cox", alarm=alarm.id))
    with pytest.raises(CommandRefused, match="while it stands"):
        story.take(Reset(t_s=float(story.t_s), by="cox", alarm=alarm.id))


@pytest.mark.parametrize("heard", [True, False])
def test_a_fire_outlasts_a_restart_unless_it_is_seen_to_be_over(heard: bool) -> None:
    view = burnt().watch.view()
    memory = WatchMemory(next_event=99, events=view.events, alarms=view.alarms)
    story = Story(memory, start_s=0)
    if heard:
        story.seconds(200)
    else:
        for second in range(1, 3 * int(CONFIRM_S)):
            story.take(Tick(float(second)))
    told = story.of(Kind.FIRE)
    assert [e.change for e in told] == ([Change.CLEARED] if heard else [])
    assert (Kind.FIRE in {e.kind for e in story.watch.view().events}) is not heard
    assert next(a for a in story.watch.view().alarms if a.kind is Kind.FIRE).condition is not heard


def after_restart(before: Story) -> Story:
    """A new watch, in seconds of its own, that knows what stood."""
    view = before.watch.view()
    return Story(WatchMemory(next_event=99, events=view.events, alarms=view.alarms))


def tripped() -> Story:
    story = Story()
    story.take(detector(0.0, False))
    story.take(detector(5.0, True))
    story.seconds(20)
    return story


def said_over(story: Story, kind: Kind) -> EventChange:
    """Somebody has seen the alarm of this kind, and says that it is over."""
    (alarm,) = [a for a in story.watch.view().alarms if a.kind is kind]
    assert alarm.condition and alarm.blind
    assert "nobody can tell whether it is over" in alarm.text
    t_s = float(story.t_s)
    if alarm.annunciation is Annunciation.UNACKNOWLEDGED:
        with pytest.raises(CommandRefused):
            story.take(Reset(t_s=t_s, by="cox", alarm=alarm.id))  # nobody has seen it yet
        story.take(Acknowledge(t_s=t_s, by="cox", alarm=alarm.id))
    (over,) = [
        e for e in story.take(Reset(t_s=t_s, by="cox", alarm=alarm.id)).events if e.kind is kind
    ]
    assert (over.change, over.detail["ended"]) == (Change.CLEARED, SAID_OVER)
    view = story.watch.view()
    assert kind not in {a.kind for a in view.alarms}
    assert kind not in {e.kind for e in view.events}
    return over


@pytest.mark.parametrize(
    "word",
    [
        pytest.param(None, id="nothing is heard of its switch"),
        pytest.param(detector(1.0, None, "its wire is cut"), id="its switch can't be read"),
    ],
)
def test_a_detector_that_had_gone_off_outlasts_a_restart_while_its_wire_is_silent(
    word: ContactState | None,
) -> None:
    story = after_restart(tripped())
    if word is not None:
        story.take(word)
    story.seconds(50)
    assert story.of(Kind.DETECTOR_CONTACT) == []
    story.seconds(3 * int(CONFIRM_S))
    (blind,) = story.of(Kind.DETECTOR_CONTACT)
    assert (blind.change, blind.event, blind.detail["blind"]) == (Change.REVISED, 1, True)
    assert story.watch.view().sounding is Sounding.FIRE
    said_over(story, Kind.DETECTOR_CONTACT)


def test_a_detector_that_is_heard_after_a_restart_says_itself_whether_it_is_over() -> None:
    story = after_restart(tripped())
    story.take(detector(100.0, False))
    assert [e.change for e in story.of(Kind.DETECTOR_CONTACT)] == [Change.CLEARED]
    story = after_restart(tripped())
    story.seconds(200)  # blind by now
    story.take(detector(200.0, True))
    story.seconds(2 * int(CONFIRM_S))
    assert [e.change for e in story.of(Kind.DETECTOR_CONTACT)] == [Change.REVISED] * 2
    assert {e.event for e in story.of(Kind.DETECTOR_CONTACT)} == {1}
    (alarm,) = story.watch.view().alarms
    assert alarm.condition and not alarm.blind


def test_a_detector_whose_wire_breaks_while_it_has_gone_off_can_be_said_to_be_over() -> None:
    story = tripped()
    story.take(detector(30.0, None, "its wire is cut"))
    story.seconds(40)
    (alarm,) = [a for a in story.watch.view().alarms if a.kind is Kind.DETECTOR_CONTACT]
    assert not alarm.blind, "a wire may be read again within the minute"
    story.seconds(60)
    said_over(story, Kind.DETECTOR_CONTACT)
    story.seconds(60)
    assert story.of(Kind.DETECTOR_CONTACT)[-1].change is Change.CLEARED
    story.take(detector(float(story.t_s), True))  # it is heard again, and still is off
    assert story.of(Kind.DETECTOR_CONTACT)[-1].change is Change.RAISED


def too_hot() -> Story:
    """One of two sensors is above the limit of 70 degrees."""
    story = Story()
    for second in range(1000):
        story.t_s = second
        top_c = min(72.5, 45.0 + 0.04 * second) + 0.0625 * (second % 2)
        story.take(Reading("top", float(second), top_c))
        story.take(Reading("low", float(second), 45.0 + 0.0625 * (second % 3)))
        story.take(Tick(float(second)))
    assert [e.sensors for e in story.of(Kind.OVER_TEMPERATURE)] == [("top",)]
    return story


def hear(story: Story, count: int, **air_c: float) -> None:
    """So many seconds in which these sensors alone are heard."""
    for _ in range(count):
        story.t_s += 1
        for name, value_c in air_c.items():
            story.take(Reading(name, float(story.t_s), value_c + 0.0625 * (story.t_s % 3)))
        story.take(Tick(float(story.t_s)))


def test_heat_outlasts_a_restart_while_the_sensor_that_felt_it_is_silent() -> None:
    story = after_restart(too_hot())
    hear(story, 3 * int(CONFIRM_S), low=45.0)
    (blind,) = story.of(Kind.OVER_TEMPERATURE)
    assert (blind.change, blind.event, blind.detail["blind"]) == (Change.REVISED, 1, True)
    again = after_restart(story)
    hear(again, 2 * int(CONFIRM_S), low=45.0)
    assert again.of(Kind.OVER_TEMPERATURE) == [], "and another one"
    assert "blind" not in said_over(again, Kind.OVER_TEMPERATURE).detail


@pytest.mark.parametrize(
    ("silent_s", "ends_s"),
    [
        pytest.param(0, CONFIRM_S, id="heard all the time"),
        # Half a minute until it is trusted again, and the minute.
        pytest.param(590, 590 + 90, id="heard late"),
        pytest.param(2000, 2000 + 90, id="heard very late"),
    ],
)
def test_heat_is_over_after_a_restart_once_the_sensor_that_felt_it_is_heard_without_it(
    silent_s: int, ends_s: float
) -> None:
    story = after_restart(too_hot())
    hear(story, silent_s, low=45.0)
    hear(story, 1000, low=45.0, top=60.0)
    over = story.of(Kind.OVER_TEMPERATURE)[-1]
    assert (over.change, over.detail["ended"]) == (
        Change.CLEARED,
        "not seen again after a restart",
    )
    assert "blind" not in over.detail
    assert over.at_s == pytest.approx(ends_s, abs=5.0)


def test_a_blind_danger_whose_alarm_was_lost_gets_one_that_can_be_answered() -> None:
    before = after_restart(too_hot())
    hear(before, 100, low=45.0)
    story = Story(WatchMemory(next_event=99, events=before.watch.view().events))
    hear(story, 10, low=45.0)
    said_over(story, Kind.OVER_TEMPERATURE)


def test_heat_that_is_felt_again_after_a_restart_goes_on_under_its_number() -> None:
    story = after_restart(too_hot())
    hear(story, 700, low=45.0)
    hear(story, 700, low=45.0, top=72.5)
    told = story.of(Kind.OVER_TEMPERATURE)
    assert [(e.event, e.change, "blind" in e.detail) for e in told] == [
        (1, Change.REVISED, True),
        (1, Change.REVISED, False),
    ]
    (alarm,) = [a for a in story.watch.view().alarms if a.kind is Kind.OVER_TEMPERATURE]
    assert alarm.condition and not alarm.blind


def test_events_carry_the_job_and_height_they_fell_in() -> None:
    story = Story()
    story.take(door(0.0, False))
    story.seconds(3)
    begun = story.take(StartJob(t_s=3.5, by="captain", name="fin boxes", material="ASA"))
    assert begun.created == "north-bench-1"
    story.take(ReportHeight(t_s=3.6, by="machine", job="north-bench-1", height_mm=12.4))
    story.take(door(3.7, True))
    story.seconds(1)
    story.take(ReportHeight(t_s=4.5, by="machine", job="north-bench-1", height_mm=12.6))
    story.take(door(4.6, False))
    story.seconds(1)
    assert {(e.job, e.height_mm) for e in story.of(Kind.DOOR_OPEN)} == {("north-bench-1", 12.4)}


def test_a_refused_command_changes_nothing() -> None:
    story = Story()
    story.take(StartJob(t_s=1.0, by="captain", name="rigger spacers"))
    before = story.watch.view()
    for command, refusal in (
        (StartJob(t_s=2.0, by="captain", name="fin boxes"), Refusal.CONFLICT),
        (PauseJob(t_s=2.0, by="captain", job="north-bench-9"), Refusal.UNKNOWN),
        (Acknowledge(t_s=2.0, by="captain", alarm="north-bench-9"), Refusal.UNKNOWN),
        (Shelve(t_s=2.0, by="captain", alarm="north-bench-9", minutes=3), Refusal.UNKNOWN),
    ):
        with pytest.raises(CommandRefused) as refused:
            story.watch.step(command)
        assert refused.value.refusal is refusal
    assert story.watch.view() == before


def test_acknowledging_silences_the_fire_sound() -> None:
    story = Story()
    story.take(detector(0.5, False))
    tripped = story.take(detector(1.0, True))
    seen = story.take(Acknowledge(t_s=2.0, by="captain", alarm=tripped.alarms[0].id))
    assert seen.sounding is not None
    assert seen.sounding is not Sounding.FIRE
    again = story.take(Acknowledge(t_s=2.5, by="captain", alarm=tripped.alarms[0].id))
    assert again.empty


def test_a_tick_that_comes_late_or_twice_is_left_out() -> None:
    story = Story()
    story.seconds(3)
    assert story.take(Tick(3.0)).empty
    assert story.take(Tick(1.0)).empty


seconds = st.floats(0.1, 2.0)
faults = st.sampled_from(list(ReadingFault))
temperatures = st.one_of(
    st.floats(-60, 400), st.sampled_from([85.0, 127.94, 44.9, 45.0, 45.1, 150.0])
)
conditions = st.sampled_from(list(CameraCondition))
kinds = st.sampled_from([Kind.STORE_FAULT, Kind.DELIVERY_FAULT, Kind.CLOCK_FAULT])
words = st.one_of(
    st.tuples(st.just("reading"), st.sampled_from(["top", "low", "nobody"]), temperatures),
    st.tuples(st.just("fault"), st.sampled_from(["top", "low"]), faults),
    st.tuples(st.just("door"), st.sampled_from([True, False, None])),
    st.tuples(st.just("detector"), st.sampled_from([True, False, None])),
    st.tuples(st.just("camera"), conditions),
    st.tuples(st.just("trouble"), kinds, st.booleans()),
    st.tuples(st.just("start")),
    st.tuples(st.just("finish")),
    st.tuples(st.just("note"), st.text(max_size=5)),
    st.tuples(st.just("acknowledge"), st.integers(1, 5)),
    st.tuples(st.just("shelve"), st.integers(1, 5), st.floats(1, 10)),
    st.tuples(st.just("ticks"), st.integers(1, 200)),
)


def stimuli(word: tuple[object, ...], t_s: float) -> Iterable[Stimulus]:
    """The stimuli of one word of the made-up stories."""
    match word:
        case ("reading", str(sensor), float(air_c)):
            yield Reading(sensor, t_s, air_c)
        case ("fault", str(sensor), ReadingFault() as fault):
            yield Reading(sensor, t_s, None, fault, "made up")
        case ("door", bool() | None as active):
            yield door(t_s, active, "" if active is not None else "cut")
        case ("detector", bool() | None as active):
            yield detector(t_s, active, "" if active is not None else "cut")
        case ("camera", CameraCondition() as condition):
            yield CameraState(t_s, condition, t_s)
        case ("trouble", Kind() as kind, bool(active)):
            yield Trouble(kind, t_s, active)
        case ("start",):
            yield StartJob(t_s=t_s, by="x", name="spacers", material="PA")
        case ("finish",):
            yield FinishJob(t_s=t_s, by="x", job="north-bench-1")
        case ("note", str(text)):
            yield AddNote(t_s=t_s, by="x", job="north-bench-1", text=text)
        case ("acknowledge", int(number)):
            yield Acknowledge(t_s=t_s, by="x", alarm=f"north-bench-{number}")
        case ("shelve", int(number), float(minutes)):
            yield Shelve(t_s=t_s, by="x", alarm=f"north-bench-{number}", minutes=minutes)
        case ("ticks", int(count)):
            for n in range(count):
                yield Tick(float(int(t_s) + n))
        case _:
            raise AssertionError(word)


@given(st.lists(st.tuples(words, seconds), max_size=40))
def test_whatever_comes_the_story_is_well_told(
    script: list[tuple[tuple[object, ...], float]],
) -> None:
    watch = Watch(PLAN)
    t_s = 0.0
    told: list[EventChange] = []
    for word, pause_s in script:
        t_s += pause_s
        for stimulus in stimuli(word, t_s):
            t_s = max(t_s, stimulus.t_s)
            try:
                told.extend(watch.step(stimulus).events)
            except CommandRefused:
                continue
    standing: dict[int, EventChange] = {}
    ended: set[int] = set()
    for event in told:
        assert event.event not in ended
        assert (event.change is Change.RAISED) == (event.event not in standing)
        assert event.onset_s <= event.at_s
        assert (event.end_s is not None) == (event.change is Change.CLEARED)
        standing[event.event] = event
        if event.change is Change.CLEARED:
            ended.add(event.event)
    open_now = [n for n in standing if n not in ended]
    assert sorted(open_now) == [event.event for event in watch.view().events]


def cool_from(story: Story, air_c: float, to_c: float, *, tau_s: float = 1500.0) -> None:
    """Let the air come down to `to_c` as a shut box of 20 degrees does."""
    while air_c > to_c:
        story.seconds(1, air_c=air_c)
        air_c -= (air_c - 20.0) / tau_s


def test_a_job_that_is_over_explains_that_its_chamber_cools_on() -> None:
    """Cool enough for the part ends the job, at 40 degrees; the box has 20 more to go."""
    story = Story()
    story.watch = Watch(replace(PLAN, thermal=replace(PLAN.thermal, target_c=48.0)))
    created = story.take(StartJob(t_s=0.0, by="", name="fin box", material="PA")).created
    story.seconds(1800, air_c=50.0)
    story.take(FinishJob(t_s=float(story.t_s), by="", job=created or ""))
    cool_from(story, 50.0, 38.0, tau_s=200.0)  # the air, then the walls
    cool_from(story, 38.0, 24.0)
    finished = [job.state for outcome in story.outcomes for job in outcome.jobs]
    assert finished[-1] is JobPhase.FINISHED
    assert story.watch.view().job is None
    assert story.of(Kind.BELOW_TARGET) == story.of(Kind.HEAT_LOST) == []


@pytest.mark.parametrize(
    ("burnt", "told"), [pytest.param(True, 0, id="burnt"), pytest.param(False, 1, id="quiet")]
)
def test_after_fire_nothing_is_cool_enough_though_the_service_began_anew(
    burnt: bool, told: int
) -> None:
    story = Story(WatchMemory(burnt=burnt))
    story.seconds(1800, air_c=55.0)
    cool_from(story, 55.0, 36.0)
    assert len(story.of(Kind.COOL_ENOUGH)) == told


def test_a_job_begun_while_it_smokes_does_not_make_it_cool_enough() -> None:
    story = Story()
    story.take(detector(0.5, True))
    story.take(StartJob(t_s=1.0, by="captain", name="fin boxes"))
    story.seconds(1800, air_c=55.0)
    story.take(FinishJob(t_s=float(story.t_s), by="captain", job="north-bench-1"))
    cool_from(story, 55.0, 36.0)
    assert story.of(Kind.COOL_ENOUGH) == []


def smoked(story: Story) -> Story:
    """Warm, without a job: the camera takes steam for smoke for some seconds."""
    story.seconds(1200, air_c=55.0)
    for second in range(20):
        t_s = float(story.t_s)
        story.take(CameraState(t_s, CameraCondition.FIT, 0.0))
        if second < 5:
            story.take(Sign(Sense.CAMERA, "smoke", t_s, t_s, 0.8, ("camera",)))
        story.seconds(10, air_c=55.0)
    assert [e.change for e in story.of(Kind.SMOKE)] == [Change.RAISED, Change.CLEARED]
    return story


def clear(story: Story) -> None:
    """Somebody says of every danger that is over: seen, and cleared."""
    for alarm in story.watch.view().alarms:
        if alarm.kind in BURNING:
            story.take(Acknowledge(t_s=float(story.t_s), by="cox", alarm=alarm.id))
            story.take(Reset(t_s=float(story.t_s), by="cox", alarm=alarm.id))


def cool_enough_in_another_spell(story: Story, *, to_c: float = 21.0) -> list[Change]:
    """It cools, down to `to_c`, and is warmed up and cools again."""
    cool_from(story, 55.0, to_c)
    assert story.of(Kind.COOL_ENOUGH) == [], "not in the spell in which it smoked"
    for minute in range(20):
        story.seconds(60, air_c=to_c + (55.0 - to_c) * (minute + 1) / 20)
    story.seconds(1200, air_c=55.0)
    cool_from(story, 55.0, 36.0)
    return [e.change for e in story.of(Kind.COOL_ENOUGH)]


@pytest.mark.parametrize("to_c", [pytest.param(21.0, id="cold"), pytest.param(32.0, id="warm")])
def test_a_false_smoke_sign_withholds_cool_enough_for_its_warm_spell_alone(to_c: float) -> None:
    """Without a job's marks; another warm-up begins from the cold, or from half way down."""
    story = smoked(Story())
    clear(story)
    assert cool_enough_in_another_spell(story, to_c=to_c) == [Change.RAISED]


def test_cool_enough_is_withheld_until_somebody_has_cleared_the_smoke() -> None:
    story = smoked(Story())
    assert cool_enough_in_another_spell(story) == []
    clear(story)  # it has been cold since, so this is all that was waited for
    cool_from(story, 36.0, 33.0)
    assert [e.change for e in story.of(Kind.COOL_ENOUGH)] == [Change.RAISED]


def test_a_job_does_not_clear_the_smoke_before_it() -> None:
    def cooled(story: Story) -> list[EventChange]:
        story.take(StartJob(t_s=float(story.t_s), by="", name="fin box"))
        story.seconds(60, air_c=55.0)
        story.take(FinishJob(t_s=float(story.t_s), by="", job="north-bench-1"))
        cool_from(story, 55.0, 36.0)
        return story.of(Kind.COOL_ENOUGH)

    assert cooled(smoked(Story())) == []
    story = smoked(Story())
    clear(story)
    assert len(cooled(story)) == 1


def test_fire_that_warms_the_chamber_is_no_other_warm_up() -> None:
    story = smoked(Story())
    clear(story)
    cool_from(story, 55.0, 38.0)
    assert story.watch.view().thermal.phase is Phase.COOLING
    story.take(detector(float(story.t_s), True))
    phases = set[Phase]()
    for second in range(600):
        story.seconds(1, air_c=38.0 + second / 60.0)
        phases.add(story.watch.view().thermal.phase)
    assert Phase.WARMING in phases
    story.take(detector(float(story.t_s), False))
    story.seconds(100, air_c=48.0)
    clear(story)
    story.seconds(900, air_c=48.0)
    cool_from(story, 48.0, 36.0)
    assert story.of(Kind.COOL_ENOUGH) == []


@pytest.mark.parametrize("known", [pytest.param(True, id="kept"), pytest.param(False, id="lost")])
def test_that_a_spell_is_over_is_known_after_a_restart(known: bool) -> None:
    """What the journal says of the smoke is outlived by that; without it nothing is taken for."""
    before = smoked(Story())
    clear(before)
    cool_from(before, 55.0, 21.0)
    afterwards = before.watch.afterwards()
    assert afterwards.burnt == before.of(Kind.SMOKE)[0].event
    memory = WatchMemory(next_event=afterwards.burnt + 1, burnt=afterwards.burnt)
    story = Story(replace(memory, afterwards=afterwards) if known else memory)
    story.seconds(1800, air_c=55.0)
    cool_from(story, 55.0, 36.0)
    assert len(story.of(Kind.COOL_ENOUGH)) == known


def test_a_restart_forgets_neither_smoke_that_came_later_nor_an_alarm_nobody_cleared() -> None:
    before = smoked(Story())
    view = before.watch.view()
    number = before.of(Kind.SMOKE)[0].event
    later = Afterwards(burnt=number - 1)
    for memory in (
        WatchMemory(next_event=number + 1, burnt=number, afterwards=later),
        WatchMemory(next_event=number + 1, alarms=view.alarms, afterwards=later),
        WatchMemory(next_event=1, burnt=number, afterwards=Afterwards(burnt=number)),
    ):
        story = Story(memory)
        story.seconds(1800, air_c=55.0)
        cool_from(story, 55.0, 36.0)
        assert story.of(Kind.COOL_ENOUGH) == []


def test_a_restart_knows_that_the_chamber_cools_on_after_its_job() -> None:
    """What it has still to fall is no lost heat for the next watch either."""
    plan = replace(PLAN, thermal=replace(PLAN.thermal, target_c=48.0))
    story = Story()
    story.watch = Watch(plan)
    created = story.take(StartJob(t_s=0.0, by="", name="fin box", material="PA")).created
    story.seconds(1800, air_c=50.0)
    story.take(FinishJob(t_s=float(story.t_s), by="", job=created or ""))
    cool_from(story, 50.0, 38.0, tau_s=200.0)
    cool_from(story, 38.0, 35.0)
    assert story.watch.view().job is None
    afterwards = story.watch.afterwards()
    assert afterwards.coldest_c == pytest.approx(34.0, abs=0.5)
    contexts = []
    for known in (afterwards, Afterwards()):
        again = Story()
        again.watch = Watch(plan, WatchMemory(next_job=2, afterwards=known))
        again.seconds(3, air_c=34.0)
        contexts.append(again.watch._thermal_context().job)
        cool_from(again, 34.0, 22.0)
        assert again.watch.afterwards().coldest_c is None, "cold: that is what it waited for"
    assert contexts == [JobPhase.FINISHED, None]


def test_a_chamber_that_is_heated_again_is_watched_as_ever() -> None:
    """Without a job's marks: it is warm for an hour, then the heat goes."""
    story = Story()
    created = story.take(StartJob(t_s=0.0, by="", name="fin box", material="PA")).created
    story.seconds(1800, air_c=50.0)
    story.take(FinishJob(t_s=float(story.t_s), by="", job=created or ""))
    cool_from(story, 50.0, 38.0)
    for minute in range(30):
        story.seconds(60, air_c=38.0 + 0.4 * (minute + 1))
    story.seconds(3600, air_c=50.0)
    assert story.of(Kind.HEAT_LOST) == []
    cool_from(story, 50.0, 30.0)
    assert story.of(Kind.HEAT_LOST)[0].change is Change.RAISED
