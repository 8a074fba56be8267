"""Attendance within the watch: it hears of heat, jobs, switches and commands."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence

from stillair.alarms import figures
from stillair.alarms.attendance import KEY, Attendance, AttendanceResult, Step, step_of
from stillair.alarms.reaching import Person
from stillair.errors import CommandRefused, Refusal
from stillair.fire.unseen import Unseen
from stillair.jobs.desk import JobDesk
from stillair.model import (
    KIND_CLASS,
    AddNote,
    AttendanceCommand,
    AttendanceState,
    ContactKind,
    ContactState,
    Duty,
    EventChange,
    Finding,
    HandOver,
    Job,
    Kind,
    Leave,
    Notice,
    Present,
)
from stillair.watch.gathered import Gathered
from stillair.watch.plan import AttendanceView, WatchPlan

Open = Mapping[tuple[Kind, str], EventChange]
_SHOWS = frozenset({ContactKind.DOOR, ContactKind.PRESENCE})


class Attending:
    """Ask for somebody near the box, where it can burn and that is set.

    Parameters
    ----------
    plan : WatchPlan
    duties : sequence of Duty
        What was kept before a restart.
    events : mapping
        The events that stand, always the present ones.
    contacts : mapping
        What each switch said last, by name.
    """

    def __init__(
        self,
        plan: WatchPlan,
        duties: Sequence[Duty],
        events: Open,
        contacts: Mapping[str, ContactState],
    ) -> None:
        self._chamber, self._name, self._mark = plan.chamber, plan.name, plan.mark
        self._people: Mapping[str, Person] = {person.name: person for person in plan.people}
        self._events = events
        self._contacts = contacts
        self._attendance: Attendance | None = None
        if plan.attendance is not None:
            kept = [duty for duty in duties if isinstance(duty, AttendanceState)]
            state = kept[-1] if kept else AttendanceState(0.0)
            self._attendance = Attendance(plan.attendance, state)

    @property
    def person(self) -> str:
        """Who is near, as far as anybody has said so."""
        attendance = self._attendance
        if attendance is None or not attendance.is_needed or attendance.state.left_s is not None:
            return ""
        return attendance.state.person

    @property
    def abandoned(self) -> bool:
        """Whether everybody was asked and nobody has come."""
        return self._attendance is not None and self._step is Step.ABANDONED

    @property
    def _step(self) -> Step:
        event = self._events.get(KEY)
        return Step.NONE if event is None else step_of(event)

    @property
    def near(self) -> str:
        """Who is near, by name; nobody where nobody has shown that, or has left."""
        attendance = self._attendance
        if attendance is None or not attendance.is_needed or attendance.state.left_s is not None:
            return ""
        return attendance.state.person

    def view(self) -> AttendanceView | None:
        """How it stands; None where nobody has to be near."""
        attendance = self._attendance
        if attendance is None:
            return None
        return AttendanceView(
            asks=attendance.plan.asks,
            state=attendance.state,
            due_s=attendance.due_s,
            step=self._step,
            people=attendance.plan.people,
        )

    def tick(
        self,
        gathered: Gathered,
        hot: Callable[[], bool | None],
        job: Job | None,
        unseen: Unseen,
        *,
        burning: bool,
    ) -> tuple[Finding, ...]:
        """A second passes; what is followed here is `unseen` no longer, also after a restart."""
        if self._attendance is None:
            return ()
        unseen.seen(KEY)
        event = self._events.get(KEY)
        told = self._attendance.tick(gathered.t_s, hot=hot(), job=job, burning=burning, event=event)
        return self._keep(gathered, told)

    def take(self, gathered: Gathered, state: ContactState) -> tuple[Finding, ...]:
        """A door that moves, or a button that is pressed; not how they are when first heard of."""
        attendance, before = self._attendance, self._contacts.get(state.contact)
        if attendance is None or before is None or state.kind not in _SHOWS:
            return ()
        if before.active is None or state.active is None or before.active is state.active:
            return ()
        event = self._events.get(KEY)
        if state.kind is ContactKind.DOOR:
            return self._keep(gathered, attendance.door(state.t_s, event=event))
        if not state.active:
            return ()
        by = f"the button {state.contact}"
        return self._keep(gathered, attendance.near(state.t_s, by=by, event=event))

    def command(
        self, gathered: Gathered, command: AttendanceCommand, jobs: JobDesk, *, burning: bool
    ) -> tuple[Finding, ...]:
        """Carry out what a person says. Raises `CommandRefused`."""
        attendance, t_s, event = self._attendance, command.t_s, self._events.get(KEY)
        job = jobs.job
        if attendance is None:
            raise CommandRefused(
                Refusal.CONFLICT, "this box can't burn, so nobody is asked to be near it"
            )
        match command:
            case Present():
                told = attendance.near(t_s, by=command.by, person=command.person, event=event)
            case HandOver() if burning:
                raise CommandRefused(
                    Refusal.CONFLICT, "it may be burning: nobody is to be sent there now"
                )
            case HandOver():
                told = attendance.hand_over(t_s, by=command.by, to=command.to)
                if told.states:
                    gathered.notices.extend(self._request(attendance, command))
            case Leave():
                told = attendance.leave(t_s, by=command.by, event=event)
            case _:
                if command.job and (job is None or job.id != command.job):
                    raise CommandRefused(Refusal.CONFLICT, "that job is over")
                told = attendance.let_run(
                    t_s, by=command.by, job=job, reason=command.reason, event=event
                )
                if told.states and job is not None:  # it stands in the job's own record as well
                    text = f"Runs unattended: {told.states[-1].reason}"
                    note = AddNote(t_s=t_s, by=command.by, job=job.id, text=text)
                    gathered.jobs = jobs.command(note)
        return self._keep(gathered, told)

    def _keep(self, gathered: Gathered, told: AttendanceResult) -> tuple[Finding, ...]:
        gathered.duties.extend(told.states)
        return told.findings

    def _request(self, attendance: Attendance, command: HandOver) -> list[Notice]:
        """The message by which somebody is asked to take over; once on each of their routes."""
        state, t_s = attendance.state, command.t_s
        start = f"{self._mark}: " if self._mark else ""
        title = f"{start}{figures.clause(self._name)}: will you be near it?"
        due_s = attendance.due_s
        left_s = 0.0 if due_s is None else max(0.0, due_s - t_s)
        by_then = f"within {figures.duration(left_s)}" if left_s >= 60.0 else "now"
        text = (
            f"{start}{command.by} asks you to be near the box from now on: it can burn, and it is "
            f"hot or a job runs. Go there and tap “I'm near” {by_then}. Until you have, "
            f"{state.person or 'nobody'} is taken to be near."
            f"\n\nChamber: {figures.clause(self._name)}\n"
        )
        notices = []
        for route in self._people[command.to].routes:
            digest = hashlib.sha256(route.encode("utf-8", "replace")).hexdigest()[:12]
            notices.append(
                Notice(
                    key=f"{self._chamber}-over-{state.asked}:{digest}",
                    chamber=self._chamber,
                    alarm=None,
                    kind=Kind.ATTENDANCE_OVERDUE,
                    priority=KIND_CLASS[Kind.ATTENDANCE_OVERDUE][1],
                    person=command.to,
                    route=route,
                    title=title,
                    text=text,
                    created_s=t_s,
                    stage="asked over",
                )
            )
        return notices
