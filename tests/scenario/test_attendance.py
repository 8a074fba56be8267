"""A whole job in the simulated box with the people around it: careful, asleep, gone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

from stillair.alarms.attendance import Step, step_of
from stillair.config.reading import chamber_from_text
from stillair.model import (
    AttendanceState,
    Change,
    Command,
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
    Sounding,
    Stimulus,
    Tick,
)
from stillair.runtime.machine import SimulatedMachine
from stillair.runtime.plans import watch_plan
from stillair.simulation.scenario import load
from stillair.simulation.world import SimulatedChamber
from stillair.watch import Watch

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "bed"
place = "bed"
driver = "simulated"

[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[[person]]
name = "cox"
routes = ["mailto:cox@example.org"]

[mail]
host = "127.0.0.1"
"""
EVERY_S, STAGE_S = 1800.0, 300.0
JOB_S, JOB_END_S = 3600.0, 10_800.0  # of the scenario
COLD_S = 21_600


@dataclass
class Shed:
    """A watch of the simulated box, and all that came out of it."""

    watch: Watch = field(
        default_factory=lambda: Watch(watch_plan(chamber_from_text(CHAMBER, "a shed")))
    )
    t_s: float = 0.0
    outcomes: list[Outcome] = field(default_factory=list)

    def take(self, stimulus: Stimulus) -> None:
        self.outcomes.append(self.watch.step(stimulus))

    def says(self, who: str, command: Callable[..., Command], **more: str) -> None:
        self.take(command(t_s=self.t_s, by=who, **more))

    def is_near(self, who: str) -> None:
        self.says(who, Present, person=who)

    @property
    def events(self) -> list[EventChange]:
        told = [event for outcome in self.outcomes for event in outcome.events]
        return [event for event in told if event.kind is Kind.ATTENDANCE_OVERDUE]

    @property
    def steps(self) -> list[tuple[float, Step]]:
        """When it had come how far; at its end NONE."""
        return [
            (e.at_s, Step.NONE if e.change is Change.CLEARED else step_of(e)) for e in self.events
        ]

    @property
    def notices(self) -> list[Notice]:
        told = [notice for outcome in self.outcomes for notice in outcome.notices]
        return [notice for notice in told if notice.kind is Kind.ATTENDANCE_OVERDUE]

    @property
    def messages(self) -> list[tuple[float, str]]:
        """When who was told."""
        return [(notice.created_s, notice.person) for notice in self.notices]


def day(people: Callable[[float, Shed], None], *, until_s: float) -> Shed:
    """One quiet job second by second, with what people do in each."""
    shed = Shed()
    world = SimulatedChamber(load("quiet_job"))
    machine = SimulatedMachine(world)
    places = {p.name: p.place for p in world.scenario.sensors}
    assert places["bed"] is Place.BED
    while shed.t_s < until_s:
        shed.t_s += 1.0
        world.advance(shed.t_s)
        for name in ("top", "bed"):
            shed.take(Reading(name, shed.t_s, world.temperature_c(name)))
        for command in machine.commands(shed.t_s, shed.watch.view()):
            shed.take(command)
        people(shed.t_s, shed)
        shed.take(Tick(shed.t_s))
    return shed


def is_needed(shed: Shed) -> bool:
    view = shed.watch.view().attendance
    assert view is not None
    return view.state.since_s is not None


def test_who_taps_in_time_is_never_disturbed_and_not_asked_once_it_is_cool() -> None:
    needed: list[float] = []

    def careful(t_s: float, shed: Shed) -> None:
        if is_needed(shed):
            needed.append(t_s)
            if t_s % 1500.0 == 0.0:
                shed.is_near("bench captain")

    shed = day(careful, until_s=COLD_S)
    assert shed.events == []
    assert shed.messages == []
    assert all(o.sounding is None or o.sounding is Sounding.SILENT for o in shed.outcomes)
    assert needed[0] < 1200.0, "before the job, as soon as it is hot"
    assert JOB_END_S < needed[-1] < COLD_S - 300.0, "until it has cooled, and no longer"
    kept = [d for o in shed.outcomes for d in o.duties if isinstance(d, AttendanceState)]
    assert len(kept) == 2 + sum(1 for t_s in needed if t_s % 1500.0 == 0.0)


def test_who_falls_asleep_is_called_step_by_step_and_then_the_next() -> None:
    woken_s = JOB_S + 4000.0

    def sleeper(t_s: float, shed: Shed) -> None:
        if t_s in (1500.0, 3000.0, JOB_S, woken_s):
            shed.is_near("cox")

    shed = day(sleeper, until_s=woken_s + 60.0)
    due_s = JOB_S + EVERY_S
    assert shed.steps == [
        (due_s, Step.DUE),
        (due_s + STAGE_S, Step.NEAR),
        (due_s + 2 * STAGE_S, Step.NEXT),
        (due_s + 3 * STAGE_S, Step.ABANDONED),
        (woken_s, Step.NONE),
    ]
    sounds = [(o.t_s, o.sounding) for o in shed.outcomes if o.sounding is not None]
    assert sounds == [(due_s, Sounding.ATTENTION), (woken_s, Sounding.SILENT)]
    assert shed.messages[0] == (due_s + STAGE_S, "cox"), "who was near, though the captain leads"
    captain = [t_s for t_s, person in shed.messages if person == "bench captain"]
    assert captain[0] == due_s + 2 * STAGE_S
    over = {person for t_s, person in shed.messages if t_s >= woken_s}
    assert over == {"bench captain", "cox"}, "all who were told hear that it is over"
    gaps_s = [b - a for (a, _), (b, _) in pairwise(shed.messages)]
    assert max(gaps_s) <= 1200.0, "it is said again as long as nobody comes"


def test_who_leaves_is_replaced_by_the_next_person() -> None:
    left_s, come_s = JOB_S + 600.0, JOB_S + 720.0

    def people(t_s: float, shed: Shed) -> None:
        if t_s in (1500.0, 3000.0):
            shed.is_near("bench captain")
        elif t_s == left_s:
            shed.says("bench captain", Leave)
        elif t_s == come_s:
            shed.is_near("cox")

    shed = day(people, until_s=come_s + EVERY_S - 1.0)
    assert shed.steps == [(left_s, Step.DUE), (left_s, Step.NEAR), (come_s, Step.NONE)]
    assert shed.messages == [(left_s, "cox"), (come_s, "cox")]
    assert "Bench captain has left" in shed.notices[0].text


def test_handing_over_in_time_disturbs_nobody_else() -> None:
    def people(t_s: float, shed: Shed) -> None:
        if t_s in (1500.0, 3000.0):
            shed.is_near("bench captain")
        elif t_s == JOB_S:
            shed.says("bench captain", HandOver, to="cox")
        elif t_s == JOB_S + 300.0:
            shed.is_near("cox")

    shed = day(people, until_s=JOB_S + 300.0 + EVERY_S - 1.0)
    assert shed.events == []
    assert shed.messages == [(JOB_S, "cox")]
    view = shed.watch.view().attendance
    assert view is not None
    assert (view.state.person, view.state.to) == ("cox", "")


def test_a_job_let_run_asks_nobody_and_the_box_that_still_cools_does_again() -> None:
    def people(t_s: float, shed: Shed) -> None:
        job = shed.watch.view().job
        if t_s in (1500.0, 3000.0):
            shed.is_near("bench captain")
        elif t_s == JOB_S + 10.0 and job is not None:
            reason = "the cox is in the workshop next door"
            shed.says("bench captain", RunUnattended, job=job.id, reason=reason)

    shed = day(people, until_s=JOB_END_S + 60.0)
    assert shed.events == []
    [note] = [note for outcome in shed.outcomes for note in outcome.notes]
    assert note.text == "Runs unattended: the cox is in the workshop next door"
