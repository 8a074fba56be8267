"""The stop of the machine: its table, its countdown, and what must hold whatever happens."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms.attendance import Step
from stillair.alarms.stop_words import SUPPLY_STAYS
from stillair.alarms.stopping import (
    SUPPLY_OFF_S,
    TRANSITIONS,
    StopDesk,
    StopPlan,
    StopResult,
    Word,
    in_the_way,
)
from stillair.errors import CommandRefused
from stillair.model import (
    KIND_CLASS,
    AlarmState,
    Annunciation,
    ByHand,
    Change,
    EventChange,
    HoldStop,
    Kind,
    Priority,
    ResetStop,
    StopNow,
    StopPhase,
    StopState,
    StopTried,
    Suppression,
)

READY, COUNTING, HELD, STOPPED = StopPhase
TOPIC = "stop:topic of bench"


def event(number: int, kind: Kind = Kind.FIRE, subject: str = "") -> EventChange:
    return EventChange(
        number, Change.RAISED, 0.0, kind, *KIND_CLASS[kind], 0.0, (), {}, subject=subject
    )


def alarm(number: int, kind: Kind = Kind.FIRE, *, condition: bool = True) -> AlarmState:
    over = Annunciation.LATCHED_UNACKNOWLEDGED
    return AlarmState(
        id=f"bench-{number}",
        chamber="bench",
        kind=kind,
        subject="",
        signal_class=KIND_CLASS[kind][0],
        priority=KIND_CLASS[kind][1],
        annunciation=Annunciation.UNACKNOWLEDGED if condition else over,
        suppression=Suppression.NONE,
        condition=condition,
        event=number,
        raised_s=0.0,
        changed_s=0.0,
        text="",
    )


@dataclass
class Bench:
    """A desk, and what stands."""

    plan: StopPlan = field(default_factory=lambda: StopPlan(addresses=(TOPIC,)))
    state: StopState | None = None
    alarms: tuple[AlarmState, ...] = ()
    events: tuple[EventChange, ...] = ()

    def __post_init__(self) -> None:
        self.desk = StopDesk(
            chamber="bench", chamber_name="Bench", plan=self.plan, state=self.state
        )

    def burns(self, *numbers: int) -> None:
        self.alarms = tuple(alarm(number) for number in numbers)

    def at(self, t_s: float) -> StopResult:
        return self.desk.follow(t_s, self.alarms, self.events)

    def run(self, start_s: int, end_s: int) -> list[tuple[int, StopPhase]]:
        """The phases that begin from one second to another."""
        told = []
        for t_s in range(start_s, end_s):
            told += [(t_s, state.phase) for state in self.at(t_s).states]
        return told

    def hold(self, t_s: float, by: str = "cox") -> StopResult:
        return self.desk.command(HoldStop(t_s=t_s, by=by), self.alarms, self.events)

    def reset(self, t_s: float) -> StopResult:
        return self.desk.command(ResetStop(t_s=t_s, by="cox"), self.alarms, self.events)

    @property
    def phase(self) -> StopPhase:
        return self.desk.state.phase


def test_a_fire_counts_and_stops() -> None:
    bench = Bench()
    assert bench.run(0, 10) == []
    bench.burns(1)
    assert bench.run(10, 60) == [(10, COUNTING), (40, STOPPED)]
    assert bench.desk.state.cause == "fire"
    assert bench.desk.state.event == 1


def test_what_stops_it_by_message_is_told_once_and_critical() -> None:
    bench = Bench()
    bench.burns(1)
    assert not bench.at(0).notices
    (notice,) = bench.at(30).notices
    assert (notice.route, notice.priority, notice.stage) == (TOPIC, Priority.CRITICAL, "stop")
    assert not bench.at(31).notices


@pytest.mark.parametrize(
    ("on", "kind", "phase"),
    [
        pytest.param({Kind.FIRE}, Kind.FIRE, COUNTING, id="fire"),
        pytest.param({Kind.FIRE}, Kind.DETECTOR_CONTACT, READY, id="a detector that isn't set"),
        pytest.param(
            {Kind.FIRE, Kind.DETECTOR_CONTACT}, Kind.DETECTOR_CONTACT, COUNTING, id="a detector"
        ),
        pytest.param({Kind.FIRE}, Kind.SMOKE, READY, id="smoke alone"),
        pytest.param(
            {Kind.ATTENDANCE_OVERDUE}, Kind.ATTENDANCE_OVERDUE, READY, id="an alarm of nobody near"
        ),
        pytest.param({Kind.ATTENDANCE_OVERDUE}, Kind.FIRE, READY, id="a fire that isn't set"),
    ],
)
def test_for_which_alarms(on: set[Kind], kind: Kind, phase: StopPhase) -> None:
    bench = Bench(StopPlan(on=frozenset(on)), alarms=(alarm(1, kind),))
    bench.at(0)
    assert bench.phase is phase


@pytest.mark.parametrize(
    ("stage", "phase"),
    [
        pytest.param(Step.DUE, READY, id="the page asks"),
        pytest.param(Step.NEXT, READY, id="the next person is asked"),
        pytest.param(Step.ABANDONED, COUNTING, id="nobody comes"),
        pytest.param(None, READY, id="not known"),
    ],
)
def test_nobody_near_counts_once_everybody_was_asked(stage: int | None, phase: StopPhase) -> None:
    plan = StopPlan(on=frozenset({Kind.ATTENDANCE_OVERDUE}))
    nobody = replace(event(1, Kind.ATTENDANCE_OVERDUE), detail={"stage": stage})
    bench = Bench(plan, alarms=(alarm(1, Kind.ATTENDANCE_OVERDUE),), events=(nobody,))
    bench.at(0)
    assert bench.phase is phase
    bench.alarms = bench.events = ()
    bench.at(1)
    assert bench.phase is READY, "somebody came"


def test_an_event_counts_where_its_alarm_is_missing() -> None:
    bench = Bench(events=(event(1),))
    assert bench.run(0, 60) == [(0, COUNTING), (30, STOPPED)]


def test_an_alarm_that_is_over_starts_nothing() -> None:
    bench = Bench(alarms=(alarm(1, condition=False),))
    assert bench.run(0, 60) == []


def test_a_fire_that_goes_out_of_sight_is_counted_to_the_end() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    bench.alarms = (alarm(1, condition=False),)
    assert bench.run(1, 60) == [(30, STOPPED)]


def test_a_fire_that_somebody_has_cleared_stops_nothing() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    bench.alarms = ()
    assert bench.run(1, 60) == [(1, READY)]


def test_a_fire_that_comes_back_as_another_doesn_t_count_longer() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    bench.burns(2)
    assert bench.run(20, 60) == [(20, COUNTING), (30, STOPPED)]


def test_without_a_countdown_it_stops_in_the_same_second() -> None:
    bench = Bench(StopPlan(countdown_s=0.0))
    bench.burns(1)
    assert bench.run(5, 6) == [(5, COUNTING), (5, STOPPED)]


def test_a_person_holds_it_for_this_fire() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    (held,) = bench.hold(12).states
    assert (held.phase, held.by, held.cause) == (HELD, "cox", "fire")
    assert not bench.hold(13).states, "harmless twice"
    assert bench.run(13, 3600) == []


def test_a_new_fire_counts_anew() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    bench.hold(5)
    bench.burns(1, 2)
    assert bench.run(100, 200) == [(100, COUNTING), (130, STOPPED)]
    assert bench.desk.state.event == 2


def test_a_detector_counts_anew_beside_a_held_fire() -> None:
    bench = Bench(StopPlan(on=frozenset({Kind.FIRE, Kind.DETECTOR_CONTACT})))
    bench.burns(1)
    bench.at(0)
    bench.hold(5)
    bench.alarms += (alarm(3, Kind.DETECTOR_CONTACT),)
    assert bench.run(10, 60) == [(10, COUNTING), (40, STOPPED)]
    assert bench.desk.state.cause == "detector_contact"


def test_a_hold_ends_with_its_fire() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    bench.hold(5)
    bench.alarms = ()
    assert bench.run(6, 8) == [(6, READY)]
    bench.burns(2)
    assert bench.run(8, 60) == [(8, COUNTING), (38, STOPPED)]


def test_nobody_without_a_name_holds_it() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    with pytest.raises(CommandRefused, match="person with a name"):
        bench.hold(5, by="")
    assert bench.phase is COUNTING


def test_a_countdown_goes_on_after_a_restart() -> None:
    counting = StopState(-20.0, COUNTING, cause="fire", event=1, until_s=10.0)
    bench = Bench(state=counting)
    bench.burns(1)
    assert bench.run(0, 60) == [(10, STOPPED)]


@pytest.mark.parametrize("until_s", [-5.0, 0.0, None])
def test_a_countdown_that_ended_meanwhile_stops_at_once(until_s: float | None) -> None:
    bench = Bench(state=StopState(-60.0, COUNTING, cause="fire", event=1, until_s=until_s))
    bench.burns(1)
    assert bench.run(0, 60) == [(0, STOPPED)]


def test_a_clock_that_was_set_makes_no_countdown_longer() -> None:
    bench = Bench(state=StopState(0.0, COUNTING, cause="fire", event=1, until_s=90_000.0))
    bench.burns(1)
    assert bench.run(0, 60) == [(0, COUNTING), (30, STOPPED)]


def test_a_stop_outlives_a_restart() -> None:
    bench = Bench(state=StopState(-60.0, STOPPED, cause="fire", event=1, stops=1))
    assert bench.run(0, 3600) == []
    assert bench.desk.is_stopped


# --- reset ----------------------------------------------------------------------


def stopped_bench(plan: StopPlan | None = None) -> Bench:
    bench = Bench(plan or StopPlan())
    bench.burns(1)
    bench.run(0, 31)
    assert bench.phase is STOPPED
    return bench


def test_it_stays_off_while_it_burns() -> None:
    bench = stopped_bench()
    with pytest.raises(CommandRefused, match="stays off while"):
        bench.reset(40)
    assert not bench.desk.pressed(41, bench.alarms, ()).states
    assert bench.phase is STOPPED


def test_once_it_is_over_it_is_reset_and_the_old_alarm_starts_nothing() -> None:
    bench = stopped_bench()
    bench.alarms = (alarm(1, condition=False),)
    (state,) = bench.reset(100).states
    assert (state.phase, state.by) == (READY, "cox")
    assert bench.run(101, 300) == []
    bench.burns(2)
    assert bench.run(300, 400) == [(300, COUNTING), (330, STOPPED)]


def test_a_button_at_the_machine_is_the_only_way_where_there_is_one() -> None:
    bench = stopped_bench(StopPlan(has_button=True))
    bench.alarms = ()
    with pytest.raises(CommandRefused, match="press the button"):
        bench.reset(100)
    (state,) = bench.desk.pressed(101, (), ()).states
    assert (state.phase, state.by) == (READY, "the button at the machine")


def test_a_reset_of_what_isn_t_stopped_changes_nothing() -> None:
    bench = Bench()
    assert not bench.reset(5).states
    assert not bench.desk.pressed(6, (), ()).states


@pytest.mark.parametrize(
    ("alarms", "events", "expected"),
    [
        pytest.param((), (), False, id="nothing"),
        pytest.param((alarm(1),), (), True, id="fire"),
        pytest.param((alarm(1, condition=False),), (), False, id="fire that is over"),
        pytest.param((alarm(1, Kind.SMOKE),), (), True, id="smoke, which stops nothing"),
        pytest.param((), (event(1),), True, id="an event without an alarm"),
        pytest.param((alarm(1, Kind.DOOR_OPEN),), (), False, id="a door"),
    ],
)
def test_what_keeps_it_off(
    alarms: tuple[AlarmState, ...], events: tuple[EventChange, ...], expected: bool
) -> None:
    assert in_the_way((Kind.FIRE,), alarms, events) is expected


# --- by hand --------------------------------------------------------------------


def test_a_person_stops_it_at_once() -> None:
    bench = Bench()
    result = bench.desk.command(StopNow(t_s=5, by="cox"), (), ())
    (state,) = result.states
    assert (state.phase, state.cause, state.by) == (STOPPED, ByHand.PERSON, "cox")
    assert [notice.route for notice in result.notices] == [TOPIC]
    assert not bench.desk.command(StopNow(t_s=6, by="cox"), (), ()).states


@pytest.mark.parametrize(
    ("by", "trial", "kind", "why"),
    [
        pytest.param("cox", False, "person", "cox stopped it by hand", id="by a person"),
        pytest.param("captain", True, "trial", "captain tries whether it stops", id="tried"),
        pytest.param("", False, "person", "somebody who has not signed in", id="nobody's name"),
    ],
)
def test_who_takes_the_message_can_tell_a_person_from_a_fire(
    by: str, trial: bool, kind: str, why: str
) -> None:
    bench = Bench()
    (notice,) = bench.desk.command(StopNow(t_s=5, by=by, trial=trial), (), ()).notices
    assert (notice.kind.value, notice.title) == (kind, "Bench: stop the machine")
    assert why in notice.text
    assert "fire" not in notice.text.lower()


@pytest.mark.parametrize(
    ("cause", "kind", "why"),
    [
        pytest.param("fire", Kind.FIRE, "Why: fire.", id="fire"),
        pytest.param("attendance_overdue", Kind.ATTENDANCE_OVERDUE, "Nobody", id="nobody near"),
        pytest.param("of a later version", Kind.FIRE, "Why: fire.", id="unknown: the worst"),
    ],
)
def test_what_the_message_says_of_an_alarm(cause: str, kind: Kind, why: str) -> None:
    bench = Bench(state=StopState(0.0, COUNTING, cause=cause, event=1, until_s=5.0))
    (notice,) = bench.at(6).notices
    assert notice.kind is kind
    assert why.lower() in notice.text.lower()


def test_tried_for_real() -> None:
    bench = Bench(StopPlan(outputs="pin 24"))
    bench.desk.command(StopNow(t_s=5, by="captain", trial=True), (), ())
    assert bench.desk.state.cause == ByHand.TRIAL
    result = bench.desk.command(StopTried(t_s=20, by="captain", worked=True), (), ())
    (state,) = result.states
    assert (state.tried_s, state.tried_worked, state.tried_by) == (20, True, "captain")
    assert state.tried_with == "pin 24"
    assert not result.notices
    bench.reset(30)
    assert bench.phase is READY
    assert bench.desk.state.tried_s == 20, "it is known after that"


def test_nothing_is_tried_while_something_is_wrong() -> None:
    bench = Bench()
    bench.burns(1)
    bench.at(0)
    with pytest.raises(CommandRefused, match="only while nothing is wrong"):
        bench.desk.command(StopNow(t_s=5, by="captain", trial=True), bench.alarms, ())


def test_who_has_not_tried_it_can_t_say_that_it_works() -> None:
    bench = Bench()
    with pytest.raises(CommandRefused, match="isn't being tried"):
        bench.desk.command(StopTried(t_s=5, by="captain", worked=True), (), ())


# --- supply ---------------------------------------------------------------------


def test_a_supply_that_stays_on_is_told_until_it_goes() -> None:
    bench = stopped_bench()
    assert bench.desk.supply(30 + SUPPLY_OFF_S - 1, True, None) is None
    found = bench.desk.supply(30 + SUPPLY_OFF_S, True, None)
    assert found is not None
    assert (found.kind, found.subject) == (Kind.DELIVERY_FAULT, SUPPLY_STAYS)
    assert found.priority is Priority.CRITICAL
    stands = event(9, Kind.DELIVERY_FAULT, SUPPLY_STAYS)
    assert bench.desk.supply(40, True, stands) is None
    assert bench.desk.supply(41, None, stands) is None, "who can't be read says nothing"
    over = bench.desk.supply(42, False, stands)
    assert over is not None
    assert over.change is Change.CLEARED


@pytest.mark.parametrize("supply_on", [True, False, None])
def test_the_supply_of_a_machine_that_may_run_is_nobody_s_business(supply_on: bool | None) -> None:
    assert Bench().desk.supply(100, supply_on, None) is None


# --- whatever happens -----------------------------------------------------------


def test_the_table_knows_no_way_back_but_a_reset() -> None:
    ways = {word for (phase, word) in TRANSITIONS if phase is STOPPED}
    assert ways == {Word.RESET}
    into = {word for (_, word), phase in TRANSITIONS.items() if phase is STOPPED}
    assert into == {Word.END, Word.NOW}


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), st.integers(1, 40)),
        st.tuples(st.just("burn"), st.integers(1, 4)),
        st.tuples(st.just("over"), st.integers(1, 4)),
        st.tuples(st.just("clear"), st.integers(1, 4)),
        st.tuples(st.sampled_from(["hold", "reset", "press", "restart", "smoke"]), st.just(0)),
    ),
    max_size=30,
)


@given(STEPS, st.sampled_from([0.0, 1.0, 30.0, 300.0]))
def test_whatever_happens(steps: list[tuple[str, int]], countdown_s: float) -> None:
    """It never stops without cause, always in time unless held, and never comes back by itself."""
    bench = Bench(StopPlan(countdown_s=countdown_s))
    standing: dict[int, AlarmState] = {}
    spared: set[int] = set()  # events for which a person has said no, or that have had their stop
    due_s: dict[int, float] = {}  # by when each event has to have stopped the machine
    t_s, latest = 0, 0

    def follow() -> None:
        bench.alarms = tuple(standing.values())
        before = bench.phase
        bench.at(t_s)
        after = bench.phase
        lit = {n for n, a in standing.items() if a.kind is Kind.FIRE and a.condition} - spared
        for number in lit:
            due_s.setdefault(number, t_s + countdown_s)
        for number in list(due_s):
            if number not in standing or number in spared:
                del due_s[number]
        if before is not STOPPED and after is STOPPED:
            assert bench.desk.state.event in standing, "never without a cause"
            assert bench.desk.state.event not in spared, "never for what a person held"
        if before is STOPPED:
            assert after is STOPPED, "never back by itself"
        if any(t_s >= by_s for by_s in due_s.values()):
            assert after is STOPPED, "always by the end of the countdown"
        if after is HELD:
            assert spared & standing.keys(), "a hold never outlives its fire"
        if lit:
            assert after in (COUNTING, STOPPED)

    for what, number in steps:
        if what == "wait":
            for _ in range(number):
                t_s += 1
                follow()
            continue
        match what:
            case "burn":  # each number is another event, as the watch gives them
                latest += 1
                standing[latest] = alarm(latest)
            case "smoke":
                latest += 1
                standing[latest] = alarm(latest, Kind.SMOKE)
            case "over" if number in standing:
                standing[number] = alarm(number, standing[number].kind, condition=False)
            case "clear" if number in standing and not standing[number].condition:
                del standing[number]
            case "hold" if bench.phase is COUNTING:
                bench.alarms = tuple(standing.values())
                bench.hold(t_s)
                spared |= {n for n, a in standing.items() if a.kind is Kind.FIRE}
            case "reset" | "press" if bench.phase is STOPPED:
                bench.alarms = tuple(standing.values())
                wrong = in_the_way((Kind.FIRE,), bench.alarms, ())
                if what == "press":
                    bench.desk.pressed(t_s, bench.alarms, ())
                else:
                    try:
                        bench.reset(t_s)
                    except CommandRefused:
                        assert wrong
                assert (bench.phase is STOPPED) is wrong
                if not wrong:
                    spared |= {n for n, a in standing.items() if a.kind is Kind.FIRE}
            case "restart":
                bench = replace(bench, state=bench.desk.state)
        follow()
