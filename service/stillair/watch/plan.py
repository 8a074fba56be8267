"""What the watch of a chamber has to know from the start, and what it shows of itself."""

from __future__ import annotations

from dataclasses import dataclass

from stillair.alarms.attendance import AttendancePlan, Step
from stillair.alarms.desk import AlarmDesk
from stillair.alarms.reaching import Person
from stillair.alarms.stopping import StopPlan
from stillair.jobs.desk import JobDesk
from stillair.jobs.standstill import STILL_AFTER_S
from stillair.model import (
    AlarmState,
    AlarmTestState,
    AttendanceState,
    CameraState,
    ContactKind,
    ContactState,
    EventChange,
    Job,
    OpeningState,
    Particles,
    Sounding,
    StopState,
    SwitchedOff,
    WatchMemory,
)
from stillair.thermal.plan import ThermalPlan, ThermalView


@dataclass(frozen=True, slots=True)
class ContactPlan:
    """A switch that belongs to the chamber."""

    name: str
    kind: ContactKind


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """What the watch of one chamber has to know from the start."""

    chamber: str
    name: str
    thermal: ThermalPlan
    contacts: tuple[ContactPlan, ...] = ()
    particles: tuple[str, ...] = ()
    camera: bool = False
    people: tuple[Person, ...] = ()
    still_after_s: float = STILL_AFTER_S  # a machine may in a job, once it has moved
    mark: str = ""  # "Simulated" or "Recorded", where the readings are no real chamber's
    stop: StopPlan | None = None  # how the machine is stopped; None: nothing is ever switched
    box: str = ""  # what jobs are built in; see `Job`
    guesses_jobs: bool = False  # whether jobs that nobody announces are guessed
    attendance: AttendancePlan | None = None  # None: nobody has to be near


@dataclass(frozen=True, slots=True)
class AttendanceView:
    """Who is near a box that can burn, and how far asking for somebody has come."""

    asks: bool  # False: it is set so that nobody is asked
    state: AttendanceState
    due_s: float | None  # by when somebody has to show that they are near; None: nobody is asked
    step: Step
    people: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WatchView:
    """How the chamber is just now, for pages."""

    t_s: float | None
    thermal: ThermalView
    contacts: tuple[ContactState, ...]
    camera: CameraState | None
    job: Job | None
    alarms: tuple[AlarmState, ...]
    events: tuple[EventChange, ...]  # those that stand, newest last
    sounding: Sounding
    leaving: frozenset[str] = frozenset()  # alarms whose cause has just gone
    particles: tuple[Particles, ...] = ()  # the last word of each who counts them
    opening: OpeningState | None = None  # the door that is expected to be open just now
    out_of_service: tuple[SwitchedOff, ...] = ()  # alarms that somebody has switched off
    stop: StopState | None = None  # None where the machine isn't stopped by anybody
    attendance: AttendanceView | None = None  # None where nobody has to be near
    alarm_test: AlarmTestState | None = None  # the newest


def job_desk(plan: WatchPlan, memory: WatchMemory) -> JobDesk:
    """The job of a chamber as it was at the last stop."""
    return JobDesk(
        chamber=plan.chamber,
        next_job=memory.next_job,
        job=memory.job,
        box=plan.box,
        guesses=plan.guesses_jobs,
        has_target=plan.thermal.target_c is not None,
    )


def alarm_desk(plan: WatchPlan, memory: WatchMemory) -> AlarmDesk:
    """The alarms of a chamber as they were at the last stop."""
    return AlarmDesk(
        chamber=plan.chamber,
        chamber_name=plan.name,
        people=plan.people,
        mark=plan.mark,
        alarms=memory.alarms,
        events=memory.events,
        told=memory.told,
        duties=memory.duties,
        used=memory.used,
    )
