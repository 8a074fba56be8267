"""The alarm's two state machines: every step of the standard's figure, and what never happens."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alarms.catalogue import CATALOGUE, AlarmContext, is_danger, is_notice
from stillair.alarms.states import SUPPRESSIONS, TRANSITIONS, Life, Signal, diagram
from stillair.model import Annunciation as S
from stillair.model import JobPhase, Kind, Phase
from stillair.model import Suppression as P


@pytest.mark.parametrize(
    ("latches", "signals", "end"),
    [
        pytest.param(False, "condition_true", S.UNACKNOWLEDGED, id="begins"),
        pytest.param(False, "condition_true acknowledge", S.ACKNOWLEDGED, id="is seen"),
        pytest.param(
            False, "condition_true acknowledge condition_false", S.NORMAL, id="seen, then over"
        ),
        pytest.param(
            False,
            "condition_true condition_false",
            S.RETURNED_UNACKNOWLEDGED,
            id="over before it was seen",
        ),
        pytest.param(
            False, "condition_true condition_false acknowledge", S.NORMAL, id="over, then seen"
        ),
        pytest.param(
            False,
            "condition_true condition_false condition_true",
            S.UNACKNOWLEDGED,
            id="back before it was seen",
        ),
        pytest.param(
            False, "condition_true acknowledge realarm", S.UNACKNOWLEDGED, id="asks again"
        ),
        pytest.param(
            True,
            "condition_true condition_false",
            S.LATCHED_UNACKNOWLEDGED,
            id="danger stays shown",
        ),
        pytest.param(
            True,
            "condition_true acknowledge condition_false",
            S.LATCHED_ACKNOWLEDGED,
            id="danger stays shown though seen",
        ),
        pytest.param(
            True,
            "condition_true condition_false acknowledge",
            S.LATCHED_ACKNOWLEDGED,
            id="danger seen when over",
        ),
        pytest.param(
            True,
            "condition_true condition_false acknowledge reset",
            S.NORMAL,
            id="danger seen, then cleared",
        ),
        pytest.param(
            True,
            "condition_true condition_false reset",
            S.LATCHED_UNACKNOWLEDGED,
            id="no short cut",
        ),
        pytest.param(
            True,
            "condition_true acknowledge reset",
            S.ACKNOWLEDGED,
            id="no clearing while it burns",
        ),
        pytest.param(
            True,
            "condition_true condition_false acknowledge condition_true",
            S.UNACKNOWLEDGED,
            id="danger comes back",
        ),
    ],
)
def test_life_goes_as_in_the_standards_figure(latches: bool, signals: str, end: S) -> None:
    life = Life()
    for name in signals.split():
        life = life.after(Signal(name), latches=latches, may_hide=not latches)
    assert life.annunciation is end


@pytest.mark.parametrize(
    ("signals", "end"),
    [
        pytest.param(
            "condition_true shelve", Life(S.UNACKNOWLEDGED, P.SHELVED, True), id="shelved"
        ),
        pytest.param(
            "condition_true acknowledge shelve unshelve",
            Life(S.UNACKNOWLEDGED, P.NONE, True),
            id="still standing when shelving ends: said anew",
        ),
        pytest.param(
            "condition_true shelve condition_false",
            Life(S.NORMAL, P.SHELVED, False),
            id="what ends unsaid needs no answer",
        ),
        pytest.param(
            "condition_true shelve condition_false condition_true unshelve",
            Life(S.UNACKNOWLEDGED, P.NONE, True),
            id="came back while shelved",
        ),
        pytest.param(
            "condition_true suppress shelve unshelve",
            Life(S.UNACKNOWLEDGED, P.NONE, True),
            id="shelving takes over from design",
        ),
        pytest.param(
            "condition_true remove unshelve",
            Life(S.UNACKNOWLEDGED, P.OUT_OF_SERVICE, True),
            id="out of service ends only by return",
        ),
        pytest.param(
            "condition_true remove return", Life(S.UNACKNOWLEDGED, P.NONE, True), id="back"
        ),
    ],
)
def test_suppression_hides_and_gives_back(signals: str, end: Life) -> None:
    life = Life()
    for name in signals.split():
        life = life.after(Signal(name), latches=False, may_hide=True)
    assert life == end


def reachable(*, latches: bool, may_hide: bool) -> set[Life]:
    found, new = {Life()}, [Life()]
    while new:
        life = new.pop()
        for signal in Signal:
            after = life.after(signal, latches=latches, may_hide=may_hide)
            if after not in found:
                found.add(after)
                new.append(after)
    return found


def test_every_state_can_be_reached_and_left() -> None:
    lives = reachable(latches=False, may_hide=True) | reachable(latches=True, may_hide=False)
    assert {life.annunciation for life in lives} == set(S)
    assert {life.suppression for life in lives} == set(P)
    assert {state for state, _ in TRANSITIONS} == set(S), "an annunciation without a way out"
    assert {state for state, _ in SUPPRESSIONS} == set(P), "a suppression without a way out"


@pytest.mark.parametrize("latches", [False, True])
def test_from_everywhere_people_can_get_back_to_normal(latches: bool) -> None:
    way_home = (
        Signal.RETURN,
        Signal.UNSHELVE,
        Signal.UNSUPPRESS,
        Signal.CONDITION_FALSE,
        Signal.ACKNOWLEDGE,
        Signal.RESET,
    )
    for start in reachable(latches=latches, may_hide=not latches):
        life = start
        for signal in way_home:
            life = life.after(signal, latches=latches, may_hide=not latches)
        assert life == Life(), f"stuck from {start}"


@given(st.lists(st.sampled_from(Signal)), st.booleans(), st.booleans())
def test_what_always_holds(signals: list[Signal], latches: bool, may_hide: bool) -> None:
    life = Life()
    condition = False
    for signal in signals:
        before = life
        life = life.after(signal, latches=latches, may_hide=may_hide)
        if signal in {Signal.CONDITION_TRUE, Signal.CONDITION_FALSE}:
            condition = signal is Signal.CONDITION_TRUE
        assert life.condition is condition, "the condition is tracked underneath both"
        if not may_hide:
            assert life.suppression is P.NONE, "a danger was hidden"
        if condition:
            assert life.annunciation in {S.UNACKNOWLEDGED, S.ACKNOWLEDGED}, "stands, but isn't told"
        if life.annunciation is S.ACKNOWLEDGED and before.annunciation is not S.ACKNOWLEDGED:
            assert signal is Signal.ACKNOWLEDGE, "seen by nobody"
        if before.unseen and life.annunciation is S.NORMAL and life.suppression is P.NONE:
            assert signal is Signal.ACKNOWLEDGE, "went away unseen"


def test_the_developers_diagram_is_drawn_from_these_tables() -> None:
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    drawn = text.split("```mermaid\n", 1)[1].split("\n```", 1)[0]
    assert drawn == diagram(), f"it should be:\n{diagram()}"
    for state in (*S, *P):
        assert f" {state.value}" in drawn


def test_the_same_signal_twice_is_harmless() -> None:
    for life, signal, latches in product(
        reachable(latches=False, may_hide=True), Signal, (False, True)
    ):
        once = life.after(signal, latches=latches, may_hide=True)
        assert once.after(signal, latches=latches, may_hide=True) == once


def test_every_kind_has_a_rule() -> None:
    assert set(CATALOGUE) == set(Kind)


@pytest.mark.parametrize("kind", [kind for kind in Kind if is_danger(kind)])
def test_a_danger_is_told_at_once_and_never_hidden(kind: Kind) -> None:
    rule = CATALOGUE[kind]
    assert rule.on_delay_s == 0.0
    assert rule.messages
    assert rule.repeat_s is not None
    assert not rule.may_hide
    for phase, job in product(Phase, (None, *JobPhase)):
        assert not rule.expected(AlarmContext(phase, job))


LATCHES = {Kind.FIRE, Kind.DETECTOR_CONTACT, Kind.FLAME, Kind.SMOKE}
NEVER_HIDDEN = {*LATCHES, Kind.RAPID_RISE, Kind.OVER_TEMPERATURE, Kind.ATTENDANCE_OVERDUE}


@pytest.mark.parametrize("kind", Kind)
def test_what_nobody_can_hide_and_what_stays_shown_until_it_is_cleared(kind: Kind) -> None:
    rule = CATALOGUE[kind]
    assert rule.may_hide is (kind not in NEVER_HIDDEN)
    assert rule.latches is (kind in LATCHES)
    if is_danger(kind):
        assert rule.off_delay_s >= 30.0, "a flame that flickers is one alarm"


@pytest.mark.parametrize("kind", [kind for kind in Kind if not is_notice(kind)])
def test_delays_leave_time_to_act(kind: Kind) -> None:
    rule = CATALOGUE[kind]
    assert 0.0 <= rule.on_delay_s <= 60.0
    assert 0.0 <= rule.off_delay_s <= 60.0
    assert rule.off_delay_s > 0.0 or kind in (Kind.WATCH_GAP, Kind.ATTENDANCE_OVERDUE)
    assert rule.repeat_s is None or 60.0 <= rule.repeat_s <= rule.longest_repeat_s


@pytest.mark.parametrize(
    ("kind", "phase", "job", "expected"),
    [
        pytest.param(
            Kind.DOOR_OPEN, Phase.STEADY, JobPhase.RUNNING, False, id="door while building"
        ),
        pytest.param(
            Kind.DOOR_OPEN, Phase.COOLING, JobPhase.COOLING, False, id="door while cooling"
        ),
        pytest.param(Kind.DOOR_OPEN, Phase.COLD, None, True, id="door of a cold idle box"),
        pytest.param(Kind.DOOR_OPEN, Phase.COOL_ENOUGH, None, True, id="taking the part out"),
        pytest.param(Kind.DOOR_OPEN, Phase.STEADY, None, False, id="door of a warm box, no job"),
        pytest.param(Kind.DOOR_OPEN, Phase.COLD, JobPhase.RUNNING, False, id="door of a cold job"),
        pytest.param(
            Kind.HEAT_LOST, Phase.COOLING, JobPhase.COOLING, True, id="heat off at the end"
        ),
        pytest.param(
            Kind.HEAT_LOST, Phase.COOLING, JobPhase.RUNNING, False, id="heat off in a job"
        ),
        pytest.param(Kind.HEAT_LOST, Phase.COOLING, None, False, id="heat off, job not told"),
        pytest.param(Kind.BELOW_TARGET, Phase.COOLING, None, True, id="cool while cooling"),
        pytest.param(Kind.BELOW_TARGET, Phase.WARMING, None, False, id="it has stopped warming"),
        pytest.param(Kind.BELOW_TARGET, Phase.STEADY, None, False, id="too cool"),
        pytest.param(Kind.BELOW_TARGET, Phase.STEADY, JobPhase.PAUSED, True, id="in a pause"),
        pytest.param(Kind.SENSOR_FAULT, Phase.COLD, None, False, id="a fault is never expected"),
    ],
)
def test_what_is_expected_is_suppressed_by_design(
    kind: Kind, phase: Phase, job: JobPhase | None, expected: bool
) -> None:
    assert CATALOGUE[kind].expected(AlarmContext(phase, job)) is expected
