"""An alarm test in the watch of a chamber: it goes the whole way, and nothing real knows of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms import testing
from stillair.alarms.desk import AlarmDesk, Person
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Acknowledge,
    AlarmTestPhase,
    AlarmTestState,
    AlarmTestTold,
    ConfirmAlarmTest,
    Heard,
    Kind,
    Outcome,
    PartTried,
    Priority,
    Reading,
    RouteTried,
    Sounding,
    StartAlarmTest,
    Stimulus,
    Tick,
    Trouble,
    WatchMemory,
)
from stillair.watch import Watch
from unit.watch_story import PLAN, detector, door

PEOPLE = (
    Person("captain", ("mailto:captain@shed.example", "webpush:captain")),
    Person("cox", ("mailto:cox@shed.example",)),
)
SHED = replace(PLAN, people=PEOPLE)


def start(t_s: float, test: str = "north-bench-t1", *, within_s: float = 600.0) -> StartAlarmTest:
    return StartAlarmTest(t_s=t_s, by="captain", id=test, setup="0a1b2c", within_s=within_s)


def state_of(outcome: Outcome) -> AlarmTestState:
    (state,) = [duty for duty in outcome.duties if isinstance(duty, AlarmTestState)]
    return state


def seconds(watch: Watch, begin: int, end: int) -> list[Outcome]:
    return [watch.step(Tick(float(t_s))) for t_s in range(begin, end)]


def test_it_goes_the_whole_way_and_says_everywhere_that_it_is_a_test() -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    outcome = watch.step(start(5.5))
    state = state_of(outcome)
    assert outcome.created == "north-bench-t1"
    assert state.steps == ("sign", "event", "alarm", "messages")
    assert outcome.sounding is Sounding.TEST
    assert [(n.person, n.route) for n in outcome.notices] == [
        ("captain", "mailto:captain@shed.example"),
        ("captain", "webpush:captain"),
        ("cox", "mailto:cox@shed.example"),
    ]
    for notice in outcome.notices:
        assert notice.key.startswith("test:north-bench-t1:")
        assert notice.title == "Alarm test: North bench"
        assert notice.text.startswith("Alarm test: nothing is wrong.")
        assert (notice.kind, notice.priority, notice.stage, notice.alarm) == (
            Kind.FIRE,
            Priority.CRITICAL,
            "test",
            None,
        )
    assert {n.key for n in outcome.notices} == {r.key for r in state.routes}
    assert outcome.events == () and outcome.alarms == ()
    assert watch.view().alarms == () and watch.view().events == ()


def test_what_has_become_of_it_is_kept_and_the_sound_ends() -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    begun = state_of(watch.step(start(5.5)))
    test = begun.id
    heard = watch.step(AlarmTestTold(test, 9.5, sounder=PartTried(True)))
    assert heard.sounding is Sounding.SILENT
    found = tuple(replace(route, handed_after_s=0.3) for route in begun.routes)
    done = state_of(watch.step(AlarmTestTold(test, 10.0, found, done=True)))
    assert (done.phase, done.routes, done.sounder) == (
        AlarmTestPhase.DONE,
        found,
        PartTried(True),
    )
    said = state_of(
        watch.step(ConfirmAlarmTest(t_s=25.5, by="cox", test=test, person="cox", heard=Heard.HEARD))
    )
    assert [(r.heard, r.confirmed_after_s, r.confirmed_by) for r in said.routes] == [
        (None, None, ""),
        (None, None, ""),
        (Heard.HEARD, 20.0, "cox"),
    ]
    assert watch.step(AlarmTestTold("another", 30.0, done=True)).empty
    assert watch.view().alarm_test == said


@pytest.mark.parametrize(
    ("before", "command", "refusal"),
    [
        pytest.param([start(1.5)], start(2.5, "again"), Refusal.CONFLICT, id="another runs"),
        pytest.param([detector(1.5, True)], start(2.5), Refusal.CONFLICT, id="danger stands"),
        pytest.param(
            [detector(1.5, True), detector(1.6, False), *(Tick(float(t)) for t in range(2, 90))],
            start(90.5),
            Refusal.CONFLICT,
            id="danger is over, and nobody has seen it",
        ),
        pytest.param(
            [],
            ConfirmAlarmTest(t_s=2.0, by="x", test="none", person="cox", heard=Heard.HEARD),
            Refusal.UNKNOWN,
            id="no test",
        ),
        pytest.param(
            [start(1.5)],
            ConfirmAlarmTest(
                t_s=2.0, by="x", test="north-bench-t1", person="stroke", heard=Heard.HEARD
            ),
            Refusal.UNKNOWN,
            id="nobody of that name",
        ),
        pytest.param(
            [start(1.5), detector(1.7, True)],
            ConfirmAlarmTest(
                t_s=2.0, by="x", test="north-bench-t1", person="cox", heard=Heard.HEARD
            ),
            Refusal.CONFLICT,
            id="ended by danger",
        ),
    ],
)
def test_what_does_not_fit_is_refused(
    before: Sequence[Stimulus], command: Stimulus, refusal: Refusal
) -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 2)
    for stimulus in before:
        watch.step(stimulus)
    with pytest.raises(CommandRefused) as refused:
        watch.step(command)
    assert refused.value.refusal is refusal


def test_real_danger_ends_it_in_the_same_step_and_every_route_hears_so() -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    watch.step(start(5.5))
    outcome = watch.step(detector(5.8, True))
    ended = state_of(outcome)
    assert (ended.phase, ended.why) == (AlarmTestPhase.ENDED, "there was real danger")
    assert outcome.sounding is Sounding.FIRE
    over = [notice for notice in outcome.notices if notice.stage == testing.TEST_OVER]
    assert [notice.route for notice in over] == [route.route for route in ended.routes]
    assert all("there is real danger now" in notice.text for notice in over)
    assert all("nothing is wrong" not in notice.text for notice in over)
    # None of them is taken back together with the messages of the test.
    assert not any(notice.key.startswith(f"test:{ended.id}:") for notice in over)
    assert any(notice.alarm == outcome.alarms[0].id for notice in outcome.notices), "the real one"
    assert not any(o.duties for o in seconds(watch, 6, 70)), "it is over once"


def test_a_sound_of_something_real_comes_first_and_after_it_the_test_goes_on() -> None:
    watch = Watch(SHED)
    watch.step(detector(0.0, None, "its wire is cut"))
    outcomes = seconds(watch, 0, 30)
    assert outcomes[-1].sounding is None and watch.view().sounding is Sounding.ATTENTION
    begun = watch.step(start(30.5))
    assert begun.sounding is None, "what is heard is the real alarm"
    (alarm,) = watch.view().alarms
    seen = watch.step(Acknowledge(t_s=31.0, by="cox", alarm=alarm.id))
    assert seen.sounding is Sounding.TEST


def dead_route(t_s: float) -> Trouble:
    detail = {"reason": "no telephone of captain has joined"}
    return Trouble(Kind.DELIVERY_FAULT, t_s, True, subject="webpush:captain", detail=detail)


@pytest.mark.parametrize(
    ("story", "heard"),
    [
        pytest.param([], Sounding.TEST, id="of a dead route, which waits for the round"),
        pytest.param(
            [AlarmTestTold("north-bench-t1", 8.0, sounder=PartTried(True))],
            Sounding.ATTENTION,
            id="the round was made",
        ),
        pytest.param(
            [Tick(float(t_s)) for t_s in range(8, 27)], Sounding.ATTENTION, id="nobody tells of it"
        ),
        pytest.param(
            [detector(8.0, None, "its wire is cut"), *(Tick(float(t_s)) for t_s in range(8, 24))],
            Sounding.ATTENTION,
            id="of anything else real",
        ),
        pytest.param([detector(8.0, True)], Sounding.FIRE, id="of danger"),
    ],
)
def test_the_tone_of_a_dead_route_alone_waits_for_the_round(
    story: Sequence[Stimulus], heard: Sounding
) -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    watch.step(start(5.5))
    watch.step(dead_route(5.8))
    seconds(watch, 6, 8)
    assert [alarm.kind for alarm in watch.view().alarms] == [Kind.DELIVERY_FAULT]
    for stimulus in story:
        watch.step(stimulus)
    assert watch.view().sounding is heard


def test_danger_in_another_chamber_ends_it_as_well_and_every_route_hears_so() -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    watch.step(start(5.5))
    told = AlarmTestTold("north-bench-t1", 5.8, danger="South bench: fire")
    outcome = watch.step(told)
    ended = state_of(outcome)
    assert (ended.phase, ended.why) == (AlarmTestPhase.ENDED, "there was real danger")
    assert outcome.sounding is Sounding.SILENT, "the other chamber's own sounder sounds"
    assert [notice.route for notice in outcome.notices] == [route.route for route in ended.routes]
    for notice in outcome.notices:
        assert "there is real danger now. South bench: fire" in notice.text
        assert not notice.key.startswith(f"test:{ended.id}:")
    assert watch.step(told).empty, "it is over once"


def test_a_restart_cuts_it_off_with_the_first_second() -> None:
    before = Watch(SHED)
    seconds(before, 0, 5)
    running = state_of(before.step(start(5.5)))
    watch = Watch(SHED, WatchMemory(duties=(running,)))
    outcome = watch.step(Tick(7.0))
    assert state_of(outcome).phase is AlarmTestPhase.CUT_OFF
    assert state_of(outcome).why == "it was cut off by a restart"
    assert outcome.sounding is None
    watch.step(start(8.5, "next"))
    assert not any(o.duties for o in seconds(watch, 9, 20))


def test_one_whose_end_nobody_tells_ends_all_the_same() -> None:
    watch = Watch(SHED)
    seconds(watch, 0, 5)
    watch.step(start(5.0, within_s=60.0))
    duties = [outcome for outcome in seconds(watch, 5, 80) if outcome.duties]
    (outcome,) = duties
    assert (outcome.t_s, state_of(outcome).phase) == (65.0, AlarmTestPhase.CUT_OFF)
    assert watch.view().sounding is not Sounding.TEST


def test_a_watch_that_makes_no_alarm_of_fire_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(AlarmDesk, "standing", lambda _self: ())
    state = state_of(Watch(SHED).step(start(5.5)))
    assert state.steps == ("sign", "event")


def test_with_nobody_named_the_sounder_is_tried_all_the_same() -> None:
    outcome = Watch(replace(PLAN, people=())).step(start(5.5))
    assert outcome.sounding is Sounding.TEST
    assert outcome.notices == ()
    assert state_of(outcome).steps == testing.STEPS


# --- nothing real knows of it ----------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.sampled_from(["hot", "warm", "trip", "quiet", "open", "shut", "none"]),
        st.sampled_from(["start", "told", "confirm", "none", "none"]),
    ),
    min_size=20,
    max_size=90,
)


def stimuli(steps: list[tuple[str, str]]) -> list[tuple[Stimulus, bool]]:
    """A story of a chamber with a test woven in; True for what belongs to the test."""
    story: list[tuple[Stimulus, bool]] = []
    for second, (real, of_test) in enumerate(steps):
        t_s = float(second)
        match real:
            case "hot" | "warm":
                air_c = 90.0 if real == "hot" else 40.0
                story += [(Reading(name, t_s, air_c), False) for name in ("top", "low")]
            case "trip" | "quiet":
                story.append((detector(t_s, real == "trip"), False))
            case "open" | "shut":
                story.append((door(t_s, real == "open"), False))
        match of_test:
            case "start":
                story.append((start(t_s, f"north-bench-{second}"), True))
            case "told":
                told = (RouteTried("cox", "mailto:cox@shed.example", "key", 0.5),)
                story.append((AlarmTestTold("north-bench-3", t_s, told, done=True), True))
            case "confirm":
                word = ConfirmAlarmTest(
                    t_s=t_s, by="cox", test="north-bench-3", person="cox", heard=Heard.SILENT
                )
                story.append((word, True))
        story.append((Tick(t_s), False))
    return story


def real_part(outcome: Outcome) -> tuple[object, ...]:
    """What of an outcome isn't a test's own."""
    real = tuple(n for n in outcome.notices if not n.key.startswith("test:"))
    return (outcome.t_s, outcome.events, outcome.alarms, real, outcome.jobs)


@given(STEPS)
def test_with_and_without_a_test_all_that_is_real_is_the_same(steps: list[tuple[str, str]]) -> None:
    tested, untested = Watch(SHED), Watch(SHED)
    for stimulus, of_test in stimuli(steps):
        if of_test:
            try:
                outcome = tested.step(stimulus)
            except CommandRefused:
                continue
            assert outcome.events == () and outcome.alarms == () and outcome.jobs == ()
            assert all(n.key.startswith("test:") for n in outcome.notices)
            continue
        with_test, without = tested.step(stimulus), untested.step(stimulus)
        assert real_part(with_test) == real_part(without)
        shown, wanted = tested.view(), untested.view()
        assert (shown.alarms, shown.events) == (wanted.alarms, wanted.events)
        if wanted.sounding is not Sounding.SILENT:
            assert shown.sounding is wanted.sounding, "what is real comes first"
        else:
            assert shown.sounding in (Sounding.SILENT, Sounding.TEST)
        if any(a.condition and a.signal_class.value == "alarm" for a in wanted.alarms):
            state = shown.alarm_test
            assert state is None or state.phase is not AlarmTestPhase.RUNNING
