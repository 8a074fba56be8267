"""Somebody near a box that can burn: when it is asked, whom it is told, what counts."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.alarms.attendance import (
    COOL_S,
    LEAVING_S,
    Attendance,
    AttendancePlan,
    AttendanceResult,
    Step,
    climbs,
    step_of,
    told_of,
)
from stillair.alarms.events import Events
from stillair.errors import CommandRefused, Refusal
from stillair.model import AttendanceState, Change, EventChange, Job, JobPhase, Kind

EVERY_S, STAGE_S = 1800.0, 300.0
PEOPLE = ("bench captain", "cox", "stroke")
JOB = Job("shed-1", "shed", "oarlock bushings", "ASA", "", "", JobPhase.RUNNING, 0.0)
WHY = "the cox is in the workshop next door"


@dataclass
class Box:
    """A hot box of plywood, second by second."""

    people: tuple[str, ...] = PEOPLE
    asks: bool = True
    hot: bool | None = True
    job: Job | None = JOB
    burning: bool = False
    t_s: float = 0.0
    told: list[EventChange] = field(default_factory=list)
    kept: list[AttendanceState] = field(default_factory=list)

    def __post_init__(self) -> None:
        plan = AttendancePlan(EVERY_S, STAGE_S, self.asks, self.people)
        self.attendance = Attendance(plan)
        self.events = Events((), 1)

    @property
    def event(self) -> EventChange | None:
        return self.events.standing.get((Kind.ATTENDANCE_OVERDUE, ""))

    def keep(self, result: AttendanceResult) -> None:
        self.kept += result.states
        for finding in result.findings:
            self.told += self.events.take(self.t_s, finding, self.job)

    def wait(self, seconds: float) -> None:
        end_s = self.t_s + seconds
        while self.t_s < end_s:
            self.t_s += 1.0
            self.keep(
                self.attendance.tick(
                    self.t_s, hot=self.hot, job=self.job, burning=self.burning, event=self.event
                )
            )

    def near(self, person: str = "") -> None:
        self.keep(self.attendance.near(self.t_s, by=person, person=person, event=self.event))

    def door(self) -> None:
        self.keep(self.attendance.door(self.t_s, event=self.event))

    def leave(self) -> None:
        self.keep(self.attendance.leave(self.t_s, by="bench captain", event=self.event))

    def hand_over(self, to: str) -> None:
        self.keep(self.attendance.hand_over(self.t_s, by="bench captain", to=to))

    def let_run(self, reason: str = WHY) -> None:
        self.keep(
            self.attendance.let_run(
                self.t_s, by="cox", job=self.job, reason=reason, event=self.event
            )
        )

    def restart(self, away_s: float, clock_off_s: float = 0.0) -> None:
        """The service is away for a time; what was kept comes back, moved by the label's shift."""
        self.t_s += away_s
        shift_s = clock_off_s
        kept = self.kept[-1] if self.kept else AttendanceState(0.0)
        moved = {
            name: getattr(kept, name) + shift_s
            for name in ("changed_s", "since_s", "confirmed_s", "left_s")
            if getattr(kept, name) is not None
        }
        self.attendance = Attendance(self.attendance.plan, replace(kept, **moved))

    @property
    def steps(self) -> list[tuple[float, int, tuple[str, ...]]]:
        """When it was told, how far it had come, and to whom; 0 for its end."""
        return [
            (
                event.at_s,
                0 if event.change is Change.CLEARED else int(step_of(event)),
                tuple(n for n in PEOPLE if n in (told_of(event) or ())),
            )
            for event in self.told
        ]


def test_nothing_is_asked_within_the_interval() -> None:
    box = Box()
    box.wait(EVERY_S)
    assert box.steps == []
    assert box.attendance.due_s == 1.0 + EVERY_S


def test_the_steps_follow_each_other_and_each_tells_one_more() -> None:
    box = Box()
    box.near("cox")
    box.wait(EVERY_S + 4 * STAGE_S)
    due_s = 1.0 + EVERY_S  # it was needed from the first second on
    assert box.steps == [
        (due_s, Step.DUE, ()),
        (due_s + STAGE_S, Step.NEAR, ("cox",)),
        (due_s + 2 * STAGE_S, Step.NEXT, ("bench captain", "cox")),
        (due_s + 3 * STAGE_S, Step.ABANDONED, PEOPLE),
    ]
    assert box.attendance.abandoned
    assert [e.change for e in box.told] == [Change.RAISED, *[Change.REVISED] * 3]
    assert len({e.event for e in box.told}) == 1, "one event as it climbs"


@pytest.mark.parametrize(
    ("person", "people", "turns"),
    [
        pytest.param("", PEOPLE, [PEOPLE[:1], PEOPLE[:2], PEOPLE], id="nobody known: file's order"),
        pytest.param("nora", PEOPLE, [PEOPLE[:1], PEOPLE[:2], PEOPLE], id="near, but not told"),
        pytest.param(
            "stroke", PEOPLE, [("stroke",), ("bench captain", "stroke"), PEOPLE], id="the last"
        ),
        pytest.param("cox", ("cox",), [("cox",), ("cox",), ("cox",)], id="one alone is told again"),
        pytest.param("", (), [(), (), ()], id="nobody to be told: it climbs on the page"),
    ],
)
def test_whoever_was_near_is_told_first(
    person: str, people: tuple[str, ...], turns: list[tuple[str, ...]]
) -> None:
    box = Box(people=people)
    box.near(person)
    box.wait(EVERY_S + 4 * STAGE_S)
    assert [told for _, _, told in box.steps] == [(), *turns]


@pytest.mark.parametrize(
    "sign",
    [
        pytest.param(lambda box: box.near("cox"), id="a tap"),
        pytest.param(lambda box: box.near(), id="the button"),
        pytest.param(lambda box: box.door(), id="the door"),
    ],
)
@pytest.mark.parametrize(
    "late_s",
    [
        pytest.param(-1.0, id="in time"),
        pytest.param(10.0, id="due"),
        pytest.param(3 * STAGE_S + 10.0, id="abandoned"),
    ],
)
def test_somebody_near_ends_it_and_begins_the_interval_anew(sign, late_s: float) -> None:  # type: ignore[no-untyped-def]
    box = Box()
    box.wait(EVERY_S + late_s)
    began = len(box.told)
    sign(box)
    near_s = box.t_s
    assert box.event is None
    box.wait(EVERY_S - 1.0)
    assert [change for _, change, _ in box.steps[began:]] == ([0] if began else [])
    box.wait(1.0)
    assert box.steps[-1][:2] == (near_s + EVERY_S, Step.DUE)
    assert not box.attendance.abandoned


def test_leaving_tells_the_next_person_at_once() -> None:
    box = Box()
    box.near("bench captain")
    box.wait(600.0)
    box.leave()
    box.wait(1.0)
    assert box.steps == [(600.0, Step.DUE, ()), (601.0, Step.NEAR, ("cox",))]
    assert box.told[0].detail["reason"] == "bench captain has left"
    box.wait(3 * STAGE_S)
    assert [told for *_, told in box.steps[2:]] == [("cox", "stroke"), PEOPLE]
    box.near("cox")
    assert box.event is None
    assert box.attendance.state.person == "cox"


def test_leaving_twice_is_leaving_once() -> None:
    box = Box()
    box.wait(600.0)
    box.leave()
    box.wait(5.0)
    box.leave()
    assert [step for _, step, _ in box.steps] == [Step.DUE, Step.NEAR]


@pytest.mark.parametrize(
    ("after_s", "counts"),
    [
        pytest.param(LEAVING_S - 1.0, False, id="shut on the way out"),
        pytest.param(LEAVING_S, True, id="somebody else comes"),
    ],
)
def test_a_door_shut_by_who_leaves_is_not_somebody_near(after_s: float, counts: bool) -> None:
    box = Box()
    box.wait(600.0)
    box.leave()
    box.wait(after_s)
    box.door()
    assert (box.event is None) is counts


def test_handing_over_asks_and_only_a_tap_takes_over() -> None:
    box = Box()
    box.near("bench captain")
    box.wait(60.0)
    box.hand_over("cox")
    state = box.attendance.state
    assert (state.person, state.to, state.asked) == ("bench captain", "cox", 1)
    assert box.attendance.due_s == 1.0 + EVERY_S, "asking is not being near"
    box.hand_over("cox")
    assert box.attendance.state.asked == 1, "asked twice is asked once"
    box.near("bench captain")
    assert box.attendance.state.to == "cox", "who handed over may still be there"
    box.near("cox")
    assert (box.attendance.state.person, box.attendance.state.to) == ("cox", "")


def test_who_was_asked_to_take_over_comes_next() -> None:
    box = Box()
    box.near("bench captain")
    box.wait(1.0)
    box.hand_over("stroke")
    box.wait(EVERY_S + 2 * STAGE_S + 1.0)
    assert [told for *_, told in box.steps] == [
        (),
        ("bench captain",),
        ("bench captain", "stroke"),
    ]


@pytest.mark.parametrize(
    ("people", "to", "refusal"),
    [
        pytest.param((), "cox", Refusal.CONFLICT, id="nobody is told"),
        pytest.param(PEOPLE, "bow", Refusal.UNKNOWN, id="nobody of that name"),
        pytest.param(PEOPLE, "bench captain", Refusal.CONFLICT, id="to themselves"),
    ],
)
def test_it_can_be_handed_to_people_who_are_told(
    people: tuple[str, ...], to: str, refusal: Refusal
) -> None:
    box = Box(people=people)
    box.near("bench captain")
    box.wait(10.0)
    with pytest.raises(CommandRefused) as refused:
        box.hand_over(to)
    assert refused.value.refusal is refusal


# --- unattended ---------------------------------------------------------------


def test_a_job_let_run_asks_nobody_until_it_is_over() -> None:
    box = Box()
    box.wait(EVERY_S + 10.0)
    box.let_run()
    assert box.event is None
    box.wait(10 * EVERY_S)
    assert [step for _, step, _ in box.steps] == [Step.DUE, 0]
    state = box.attendance.state
    assert (state.by, state.job, state.reason) == ("cox", JOB.id, WHY)
    box.job = None  # and the box is still hot
    box.wait(1.0)
    assert not box.attendance.is_unattended
    box.wait(EVERY_S - 1.0)
    assert len(box.told) == 2
    box.wait(1.0)
    assert box.steps[-1][1] == Step.DUE


def test_what_was_allowed_was_that_job_alone() -> None:
    box = Box()
    box.wait(5.0)
    box.let_run()
    box.job = replace(JOB, id="shed-2")
    box.wait(EVERY_S + 2.0)
    assert [step for _, step, _ in box.steps] == [Step.DUE]


def test_a_tap_is_somebody_near_again_and_a_door_changes_nothing() -> None:
    box = Box()
    box.wait(5.0)
    box.let_run()
    box.door()
    assert box.attendance.is_unattended
    box.near("cox")
    assert not box.attendance.is_unattended


@pytest.mark.parametrize(
    ("reason", "job", "refusal"),
    [
        pytest.param("too short", JOB, Refusal.FORBIDDEN, id="nine characters"),
        pytest.param(" " * 40, JOB, Refusal.FORBIDDEN, id="nothing but blanks"),
        pytest.param("x" * 201, JOB, Refusal.FORBIDDEN, id="too long"),
        pytest.param("a reason with a \x07 bell", JOB, Refusal.FORBIDDEN, id="control character"),
        pytest.param(WHY, None, Refusal.CONFLICT, id="no job"),
    ],
)
def test_running_unattended_needs_a_job_and_a_reason(
    reason: str, job: Job | None, refusal: Refusal
) -> None:
    box = Box(job=job)
    box.wait(5.0)
    with pytest.raises(CommandRefused) as refused:
        box.let_run(reason)
    assert refused.value.refusal is refusal
    assert not box.attendance.is_unattended


# --- when somebody has to be near ------------------------------------------------


@pytest.mark.parametrize(
    ("hot", "job", "needed"),
    [
        pytest.param(True, None, True, id="hot without a job"),
        pytest.param(False, JOB, True, id="a job that has only begun"),
        pytest.param(False, replace(JOB, state=JobPhase.COOLING), True, id="a job that cools"),
        pytest.param(None, JOB, True, id="a job, and nobody can tell how hot"),
        pytest.param(None, None, False, id="nothing known so far"),
        pytest.param(False, None, False, id="cold"),
    ],
)
def test_somebody_has_to_be_near_while(hot: bool | None, job: Job | None, needed: bool) -> None:
    box = Box(hot=hot, job=job)
    box.wait(5.0)
    assert box.attendance.is_needed is needed


def test_nobody_has_to_be_near_once_it_has_been_cool_for_a_while() -> None:
    box = Box(job=None)
    box.wait(EVERY_S + 2.0)
    for _ in range(20):  # about the bound
        box.hot = not box.hot
        box.wait(COOL_S / 2)
    assert [step for _, step, _ in box.steps if step in (0, Step.DUE)] == [Step.DUE]
    box.hot = False
    box.wait(COOL_S + 2.0)
    assert not box.attendance.is_needed
    assert box.steps[-1][1] == 0
    assert box.told[-1].detail["ended"] == "nothing is hot any more"


def test_what_was_hot_and_can_no_longer_be_told_stays_so() -> None:
    box = Box(job=None)
    box.wait(5.0)
    box.hot = None
    box.wait(EVERY_S + 2.0)
    assert [step for _, step, _ in box.steps] == [Step.DUE]


def test_where_nobody_is_asked_nothing_is_told() -> None:
    box = Box(asks=False)
    box.wait(2 * EVERY_S)
    assert box.told == []
    assert box.attendance.is_needed
    assert box.attendance.due_s is None


def test_while_it_burns_nobody_is_sent_there() -> None:
    box = Box()
    box.wait(EVERY_S + 2.0)
    box.burning = True
    box.wait(10 * STAGE_S)
    assert [step for _, step, _ in box.steps] == [Step.DUE]


# --- a restart ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before_s", "away_s", "first"),
    [
        pytest.param(600.0, 60.0, (EVERY_S + 1.0, Step.DUE), id="in time: as if nothing had been"),
        pytest.param(600.0, 3000.0, (3601.0, Step.DUE), id="due meanwhile: asked at once"),
        pytest.param(
            EVERY_S + 10.0,
            3000.0,
            (EVERY_S + 3011.0, Step.NEAR),
            id="asked before: the telephone at once, and no step left out",
        ),
    ],
)
def test_a_restart_neither_confirms_nor_forgets(
    before_s: float, away_s: float, first: tuple[float, Step]
) -> None:
    box = Box()
    box.wait(before_s)
    told = len(box.told)
    box.restart(away_s)
    box.wait(EVERY_S)
    assert box.steps[told][:2] == first
    later = [t_s for t_s, *_ in box.steps[told:]]
    assert all(b - a == STAGE_S for a, b in pairwise(later))


def test_an_override_survives_a_restart() -> None:
    box = Box()
    box.wait(10.0)
    box.let_run()
    box.restart(600.0)
    box.wait(2 * EVERY_S)
    assert box.told == []
    assert box.attendance.state.reason == WHY


def test_a_clock_that_was_set_back_asks_nobody_later() -> None:
    """Labels of before the restart lie a day ahead: no interval is longer than it is set to."""
    box = Box()
    box.near("cox")
    box.wait(100.0)
    box.restart(10.0, clock_off_s=86_400.0)
    box.wait(EVERY_S + 2.0)
    assert [step for _, step, _ in box.steps] == [Step.DUE]


def test_a_door_that_flaps_is_kept_once_a_minute() -> None:
    box = Box()
    box.wait(10.0)
    kept = len(box.kept)
    for _ in range(120):
        box.door()
        box.wait(1.0)
    assert len(box.kept) - kept == 2  # at once, and after a minute
    assert box.attendance.due_s == box.t_s - 1.0 + EVERY_S


# --- what always holds ------------------------------------------------------------------

ACTS = st.lists(
    st.tuples(
        st.sampled_from(["wait", "long", "near", "door", "leave", "over", "run", "job", "cold",
                         "hot", "blind", "restart"]),
        st.integers(1, 2400),
    ),
    max_size=25,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(ACTS)
def test_it_is_never_silent_for_longer_than_interval_and_steps(
    acts: list[tuple[str, int]],
) -> None:
    box = Box()
    quiet_since_s, needed_s = 0.0, 0.0

    def pass_(seconds: float) -> None:
        nonlocal quiet_since_s, needed_s
        for _ in range(int(seconds)):
            box.wait(1.0)
            if box.attendance.due_s is None:
                quiet_since_s = box.t_s
            state = box.attendance.state
            since_s = max(state.since_s or 0.0, state.confirmed_s or 0.0, quiet_since_s)
            if box.event is None:
                assert box.t_s - since_s <= EVERY_S + 1.0, "nothing is told, though it is due"
            elif not box.attendance.abandoned:
                # A restart begins no step anew, so each lasts no longer than it is set to.
                assert box.t_s - box.event.at_s <= STAGE_S + 1.0, "a step that doesn't end"

    for what, seconds in acts:
        match what:
            case "wait":
                pass_(min(seconds, 300))
            case "long":
                pass_(seconds)
            case "near":
                box.near(PEOPLE[seconds % 3])
            case "door":
                box.door()
            case "job":
                box.job = None if box.job else replace(JOB, id=f"shed-{seconds}")
            case "cold" | "hot" | "blind":
                box.hot = {"cold": False, "hot": True, "blind": None}[what]
            case "restart":
                box.restart(1.0)
            case _:
                with suppress(CommandRefused):
                    if what == "over":
                        box.hand_over(PEOPLE[seconds % 3])
                    else:
                        (box.leave if what == "leave" else box.let_run)()
        pass_(1)

    for before, after in pairwise(box.told):
        if after.change is Change.REVISED:
            assert step_of(after) == step_of(before) + 1, "no step is left out"
            assert climbs(before, after)
        elif after.change is Change.RAISED:
            assert step_of(after) is Step.DUE
            assert before.change is Change.CLEARED
    assert all(told_of(e) == frozenset() for e in box.told if step_of(e) is Step.DUE)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["tap", "cold", "hot"]), max_size=60))
def test_it_never_chatters(acts: list[str]) -> None:
    """Between the end of one and the beginning of the next lies a whole interval."""
    box = Box(job=None)
    for act in acts:
        if act == "tap":
            box.near("cox")
        else:
            box.hot = act == "hot"
        box.wait(311.0)
    ends = [e.at_s for e in box.told if e.change is Change.CLEARED]
    begins = [e.at_s for e in box.told if e.change is Change.RAISED]
    for end_s, begin_s in zip(ends, begins[1:], strict=False):
        assert begin_s - end_s >= EVERY_S


def test_nobody_is_asked_anew_to_go_to_a_box_that_may_be_burning() -> None:
    box = Box(burning=True)
    box.wait(EVERY_S + 60.0)
    assert box.told == []
    box.burning = False
    box.wait(1.0)
    assert [event.change for event in box.told] == [Change.RAISED]
