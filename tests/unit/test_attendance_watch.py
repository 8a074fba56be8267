"""Attendance within the watch: switches, what is told to whom, a fire, a restart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from stillair.alarms.attendance import AttendancePlan, Step
from stillair.alarms.desk import Person
from stillair.errors import CommandRefused, Refusal
from stillair.model import (
    Acknowledge,
    Annunciation,
    AttendanceState,
    Change,
    Command,
    ContactKind,
    ContactState,
    EventChange,
    HandOver,
    Kind,
    Leave,
    Notice,
    Outcome,
    Place,
    Present,
    Reading,
    RunUnattended,
    Sense,
    Sign,
    Sounding,
    StartJob,
    Stimulus,
    Tick,
    WatchMemory,
)
from stillair.storage.records import shifted
from stillair.thermal.plan import SensorPlan, ThermalPlan
from stillair.watch import ContactPlan, Watch, WatchPlan

EVERY_S, STAGE_S = 600.0, 120.0
PEOPLE = (
    Person("bench captain", ("mailto:captain@shed.example",)),
    Person("cox", ("mailto:cox@shed.example", "mqtt:shed/cox")),
)
PLAN = WatchPlan(
    chamber="north-bench",
    name="North bench",
    thermal=ThermalPlan((SensorPlan("top", Place.CHAMBER),), limit_c=70.0),
    contacts=(
        ContactPlan("door", ContactKind.DOOR),
        ContactPlan("button", ContactKind.PRESENCE),
        ContactPlan("relay", ContactKind.DETECTOR),
    ),
    people=PEOPLE,
    attendance=AttendancePlan(EVERY_S, STAGE_S, True, tuple(p.name for p in PEOPLE)),
)


class Box:
    """A hot box, and all that came out of its watch."""

    def __init__(
        self, memory: WatchMemory | None = None, *, t_s: float = 0.0, plan: WatchPlan = PLAN
    ) -> None:
        self.watch = Watch(plan, memory)
        self.t_s = t_s
        self.outcomes: list[Outcome] = []

    def take(self, stimulus: Stimulus) -> Outcome:
        outcome = self.watch.step(stimulus)
        self.outcomes.append(outcome)
        return outcome

    def wait(self, seconds: float) -> None:
        for _ in range(int(seconds)):
            self.t_s += 1.0
            self.take(Reading("top", self.t_s, 50.0 + 0.0625 * (self.t_s % 3)))
            self.take(Tick(self.t_s))

    def says(self, command: Callable[..., Command], by: str = "cox", **more: str) -> Outcome:
        return self.take(command(t_s=self.t_s, by=by, **more))

    def switch(self, name: str, kind: ContactKind, active: bool | None) -> None:
        reason = "" if active is not None else "can't be read"
        self.take(ContactState(name, kind, self.t_s, active, reason))

    @property
    def events(self) -> list[EventChange]:
        told = [event for outcome in self.outcomes for event in outcome.events]
        return [event for event in told if event.kind is Kind.ATTENDANCE_OVERDUE]

    @property
    def told(self) -> list[Notice]:
        told = [notice for outcome in self.outcomes for notice in outcome.notices]
        return [notice for notice in told if notice.kind is Kind.ATTENDANCE_OVERDUE]

    def step(self) -> Step:
        view = self.watch.view().attendance
        assert view is not None
        return view.step

    @property
    def confirmed_s(self) -> float | None:
        view = self.watch.view().attendance
        assert view is not None
        return view.state.confirmed_s

    def memory(self, shift_s: float) -> WatchMemory:
        """What would be known after a restart, in seconds that are moved by `shift_s`."""
        view = self.watch.view()
        duties = [d for o in self.outcomes for d in o.duties if isinstance(d, AttendanceState)]
        return WatchMemory(
            next_event=100,
            next_job=2,
            alarms=tuple(shifted(a, shift_s) for a in view.alarms),
            job=shifted(view.job, shift_s) if view.job else None,
            events=tuple(shifted(e, shift_s) for e in view.events),
            duties=tuple(shifted(d, shift_s) for d in duties[-1:]),
        )


@pytest.fixture
def box() -> Box:
    """A job has just begun, and the bench captain has tapped."""
    box = Box()
    box.wait(2)
    box.says(StartJob, name="Twelve oarlock bushings")
    box.wait(1)
    box.says(Present, by="bench captain", person="bench captain")
    return box


# --- switches -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kind", "states", "counts"),
    [
        pytest.param("button", ContactKind.PRESENCE, (False, True), True, id="pressed"),
        pytest.param("button", ContactKind.PRESENCE, (True,), False, id="stuck when first heard"),
        pytest.param("button", ContactKind.PRESENCE, (True, False), False, id="let go"),
        pytest.param("button", ContactKind.PRESENCE, (None, True), False, id="a bad line, pressed"),
        pytest.param("button", ContactKind.PRESENCE, (False, None), False, id="a line goes bad"),
        pytest.param("door", ContactKind.DOOR, (False, True), True, id="door opened"),
        pytest.param("door", ContactKind.DOOR, (True, False), True, id="door shut"),
        pytest.param("door", ContactKind.DOOR, (True,), False, id="open when first heard"),
        pytest.param(
            "relay", ContactKind.DETECTOR, (False, None), False, id="a detector is nobody"
        ),
    ],
)
def test_what_a_switch_says_of_somebody_near(
    box: Box, name: str, kind: ContactKind, states: tuple[bool | None, ...], counts: bool
) -> None:
    before_s = box.confirmed_s
    box.wait(100)
    for active in states:
        box.switch(name, kind, active)
    assert (box.confirmed_s != before_s) is counts


def test_a_button_that_stays_pressed_confirms_once(box: Box) -> None:
    box.switch("button", ContactKind.PRESENCE, False)
    box.switch("button", ContactKind.PRESENCE, True)
    box.wait(EVERY_S + 1)
    assert box.step() is Step.DUE


# --- who is told ------------------------------------------------------------------


def test_the_page_first_then_one_person_then_the_next(box: Box) -> None:
    box.wait(EVERY_S + STAGE_S - 1)
    assert box.step() is Step.DUE
    assert box.told == []
    assert box.watch.view().sounding is Sounding.ATTENTION
    box.wait(1)
    assert {n.person for n in box.told} == {"bench captain"}
    assert box.told[0].title == "North bench: Nobody is near the box"
    box.wait(STAGE_S)
    assert {n.person for n in box.told} == {"bench captain", "cox"}
    assert len({n.key for n in box.told}) == len(box.told)


def test_two_who_share_a_way_get_one_message() -> None:
    shared = tuple(Person(name, ("mailto:crew@shed.example",)) for name in ("stroke", "bow"))
    people = (*PEOPLE, *shared)  # these two are told in the same second
    asked = AttendancePlan(EVERY_S, STAGE_S, True, tuple(p.name for p in people))
    box = Box(plan=replace(PLAN, people=people, attendance=asked))
    box.says(StartJob, name="Twelve oarlock bushings")
    box.wait(EVERY_S + 3 * STAGE_S + 5)
    keys = [n.key for n in box.told]
    assert "mailto:crew@shed.example" in {n.route for n in box.told}
    assert len(set(keys)) == len(keys)


def test_having_seen_it_stops_neither_the_steps_nor_the_sound_for_long(box: Box) -> None:
    box.wait(EVERY_S)
    [alarm] = [a for a in box.watch.view().alarms if a.kind is Kind.ATTENDANCE_OVERDUE]
    box.says(Acknowledge, alarm=alarm.id)
    assert box.watch.view().sounding is Sounding.SILENT
    box.wait(STAGE_S)
    assert box.step() is Step.NEAR
    assert box.watch.view().sounding is Sounding.ATTENTION, "somebody else is asked now"
    box.wait(2 * STAGE_S)
    assert box.step() is Step.ABANDONED
    box.says(Acknowledge, alarm=alarm.id)
    told = len(box.told)
    box.wait(601)
    [alarm] = [a for a in box.watch.view().alarms if a.kind is Kind.ATTENDANCE_OVERDUE]
    assert alarm.annunciation is Annunciation.UNACKNOWLEDGED
    assert {n.person for n in box.told[told:]} == {"bench captain", "cox"}


def test_a_request_to_take_over_goes_on_each_route_and_once(box: Box) -> None:
    box.says(HandOver, by="bench captain", to="cox")
    box.says(HandOver, by="bench captain", to="cox")
    assert [(n.person, n.route) for n in box.told] == [
        ("cox", "mailto:cox@shed.example"),
        ("cox", "mqtt:shed/cox"),
    ]
    assert "bench captain asks you to be near the box from now on" in box.told[0].text
    assert "within 10 min" in box.told[0].text
    assert box.events == []
    box.says(Present, person="cox")
    box.says(HandOver, to="bench captain")
    assert len({n.key for n in box.told}) == 3


# --- a fire -----------------------------------------------------------------------


def test_nobody_is_sent_to_a_box_that_burns(box: Box) -> None:
    box.switch("relay", ContactKind.DETECTOR, False)
    box.wait(EVERY_S)
    box.switch("relay", ContactKind.DETECTOR, True)
    with pytest.raises(CommandRefused) as refused:
        box.says(HandOver, to="cox")
    assert refused.value.refusal is Refusal.CONFLICT
    box.wait(4 * STAGE_S)
    assert box.step() is Step.DUE
    assert box.told == []


def test_a_sign_alone_changes_nothing(box: Box) -> None:
    box.take(Sign(Sense.CAMERA, "flame", box.t_s, box.t_s, 0.1, ("camera",)))
    box.wait(EVERY_S)
    assert box.step() is Step.DUE


# --- a restart --------------------------------------------------------------------------


@pytest.mark.parametrize("away_s", [pytest.param(5.0, id="short"), pytest.param(900.0, id="long")])
def test_what_was_told_goes_on_after_a_restart(box: Box, away_s: float) -> None:
    box.wait(EVERY_S + STAGE_S + 10)
    assert box.step() is Step.NEAR
    number, told_s = box.events[0].event, box.t_s
    after = Box(box.memory(-told_s - away_s))
    after.wait(1)
    assert after.step() is (Step.NEXT if away_s > STAGE_S else Step.NEAR)
    after.wait(3 * STAGE_S)
    assert after.step() is Step.ABANDONED
    assert {e.event for e in after.events} == {number}
    assert all(e.change is Change.REVISED for e in after.events)
    after.wait(700)
    assert after.step() is Step.ABANDONED, "not forgotten for want of a sign"
    after.says(Present, person="cox")
    assert after.step() is Step.NONE
    assert after.events[-1].change is Change.CLEARED


def test_who_was_near_is_known_after_a_restart(box: Box) -> None:
    box.wait(100)
    after = Box(box.memory(-box.t_s - 5.0))
    after.wait(EVERY_S - 106)
    assert after.step() is Step.NONE
    after.wait(3)
    assert after.step() is Step.DUE
    after.wait(STAGE_S)
    assert {n.person for n in after.told} == {"bench captain"}


def test_without_a_plan_nothing_is_asked_and_a_tap_is_refused() -> None:
    watch = Watch(replace(PLAN, attendance=None))
    watch.step(Tick(1.0))
    assert watch.view().attendance is None
    for command in (Present(t_s=1.0, by="cox"), Leave(t_s=1.0, by="cox")):
        with pytest.raises(CommandRefused) as refused:
            watch.step(command)
        assert refused.value.refusal is Refusal.CONFLICT


def test_what_is_allowed_for_one_job_is_no_other_ones(box: Box) -> None:
    with pytest.raises(CommandRefused, match="that job is over") as refused:
        box.says(RunUnattended, reason="the cox is next door", job="north-bench-99")
    assert refused.value.refusal is Refusal.CONFLICT
