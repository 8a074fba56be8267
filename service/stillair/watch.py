"""The watch of one chamber: every stimulus goes in, all that follows comes out.

    Reading, ContactState, CameraState, Sign, Trouble, command, Tick
        -> Watch.step -> Outcome

One synchronous, pure function: it keeps no time of its own, asks nobody and
waits for nothing, so a whole night is a loop without a sleep and a replay is
the same loop over a file.

Within one step the fire path comes first: heat signs and contacts go to the
verdict before any other finding is looked at, and nothing below can hold them
back. Findings then become numbered events, events drive the alarms, and the
job is told the phase of the chamber.

Camera frames never come here; the camera tells its condition and its signs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.desk import CONFIRM_S, AlarmDesk, AlarmResult, Person
from stillair.fire.verdict import FireVerdict
from stillair.jobs.desk import JobDesk, JobResult
from stillair.model import (
    KIND_CLASS,
    Acknowledge,
    AddNote,
    AlarmState,
    CameraCondition,
    CameraState,
    Change,
    ContactKind,
    ContactState,
    Detail,
    EventChange,
    Finding,
    FinishJob,
    Job,
    JobPhase,
    Kind,
    Notice,
    Outcome,
    PauseJob,
    Phase,
    Priority,
    Reading,
    ReportHeight,
    Reset,
    ResumeJob,
    Sense,
    Shelve,
    Sign,
    Sounding,
    StartJob,
    Stimulus,
    TellOutcome,
    Tick,
    Trouble,
    Unshelve,
    WatchMemory,
)
from stillair.thermal.balance import BalanceMemory
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import ThermalContext, ThermalPlan, ThermalView

CAMERA_SILENT_S = 30.0  # the camera tells its condition at least every 10 s
GAP_S = 60.0  # a restart of the service takes seconds; a minute unwatched is worth telling
# A job that is over still explains why its chamber cools, until that is cold, or
# warms again: by so much above its coldest, and for longer than an open door's wake.
REWARMED_K, REWARMED_S = 2.0, 900.0
BURNING = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE, Kind.DETECTOR_CONTACT})


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
    camera: bool = False
    people: tuple[Person, ...] = ()
    mark: str = ""  # "Simulated" or "Recorded", where the readings are no real chamber's
    box: str = ""  # what jobs are built in; see `Job`


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


@dataclass(slots=True)
class _Gathered:
    """What has followed so far from the present stimulus."""

    t_s: float
    events: list[EventChange] = field(default_factory=list)
    alarms: dict[str, AlarmState] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    jobs: JobResult = field(default_factory=lambda: JobResult((), ()))


class Watch:
    """Decide, second by second, what is the matter in one chamber.

    Parameters
    ----------
    plan : WatchPlan
        Sensors, contacts, limits and people of the chamber.
    memory : WatchMemory
        What was known before a restart; empty on the first start.
    balance : BalanceMemory
        What `balance` gave before that.
    """

    def __init__(
        self,
        plan: WatchPlan,
        memory: WatchMemory | None = None,
        balance: BalanceMemory | None = None,
    ) -> None:
        memory = memory or WatchMemory()
        self._plan = plan
        self._thermal = ThermalWatch(plan.thermal, balance)
        self._verdict = FireVerdict(combustible=plan.thermal.combustible)
        self._alarms = AlarmDesk(
            chamber=plan.chamber,
            chamber_name=plan.name,
            people=plan.people,
            mark=plan.mark,
            alarms=memory.alarms,
            events=memory.events,
        )
        self._jobs = JobDesk(
            chamber=plan.chamber, next_job=memory.next_job, job=memory.job, box=plan.box
        )
        self._next_event = memory.next_event
        self._open = {(e.kind, e.subject): e for e in memory.events}
        self._inherited = set(self._open)
        self._last_seen_s = memory.last_seen_s
        self._contacts: dict[str, ContactState] = {}
        self._camera: CameraState | None = None
        self._sounding = Sounding.SILENT
        self._burnt = any(e.kind in BURNING for e in memory.events)
        self._coldest: tuple[float, float] | None = None  # since a job was over: °C, and when
        self._started_s: float | None = None
        self._ticked_s: float | None = None

    def step(self, stimulus: Stimulus) -> Outcome:
        """Take one stimulus; return all that follows from it.

        Raises `CommandRefused` for a command that does not fit, and then
        nothing has changed.
        """
        t_s = stimulus.t_s
        match stimulus:
            case Reading():
                self._thermal.take(stimulus)
                return Outcome(self._plan.chamber, t_s)
            case Tick():
                return self._tick(t_s)
            case Sign():
                self._verdict.take(stimulus)
                return self._conclude(t_s, self._verdict.tick(t_s))
            case ContactState():
                return self._conclude(t_s, self._take_contact(stimulus))
            case CameraState():
                self._camera = stimulus
                return self._conclude(t_s, self._camera_findings(t_s))
            case Trouble():
                return self._conclude(t_s, (self._told(stimulus),))
            case Acknowledge() | Reset() | Shelve() | Unshelve():
                gathered = _Gathered(t_s)
                _add_alarms(gathered, self._alarms.command(stimulus))
                return self._outcome(gathered)
            case (
                StartJob()
                | PauseJob()
                | ResumeJob()
                | FinishJob()
                | ReportHeight()
                | AddNote()
                | TellOutcome()
            ):
                gathered = _Gathered(t_s, jobs=self._jobs.command(stimulus))
                if isinstance(stimulus, StartJob):
                    self._burnt = False
                return self._outcome(gathered)
            case _:
                raise TypeError(f"not a stimulus of the watch: {stimulus!r}")

    def view(self) -> WatchView:
        """How the chamber is just now."""
        return WatchView(
            t_s=self._ticked_s,
            thermal=self._thermal.view(),
            contacts=tuple(self._contacts.values()),
            camera=self._camera,
            job=self._jobs.job,
            alarms=self._alarms.standing(),
            events=tuple(sorted(self._open.values(), key=lambda e: e.event)),
            sounding=self._sounding,
        )

    def balance(self) -> BalanceMemory:
        """What has been learned of the chamber's heat, to be kept for the next start."""
        return self._thermal.memory()

    # --- one second --------------------------------------------------------

    def _tick(self, t_s: float) -> Outcome:
        if self._ticked_s is not None and t_s <= self._ticked_s:
            return Outcome(self._plan.chamber, t_s)
        gap = self._gap_findings(t_s)
        self._ticked_s = t_s
        if self._started_s is None:
            self._started_s = t_s
        thermal = self._thermal.tick(t_s, self._thermal_context())
        for sign in thermal.signs:
            self._verdict.take(sign)
        gathered = _Gathered(t_s)
        self._number(gathered, self._verdict.tick(t_s))
        self._number(gathered, thermal.findings)
        self._number(gathered, gap)
        self._number(gathered, self._camera_findings(t_s))
        self._number(gathered, self._forgotten(t_s))
        view = self._thermal.view()
        phase = view.phase
        gathered.jobs = self._jobs.tick(t_s, phase=phase)
        job = self._jobs.job
        self._follow_cooling(t_s, view, ended=bool(gathered.jobs.jobs) and job is None)
        context = AlarmContext(phase=phase, job=job.state if job else None)
        _add_alarms(gathered, self._alarms.tick(t_s, context))
        return self._outcome(gathered)

    def _thermal_context(self) -> ThermalContext:
        job = self._jobs.job
        return ThermalContext(
            door_open=self._door_open(),
            job=job.state if job else JobPhase.FINISHED if self._coldest else None,
            material=job.material if job else "",
            smoke_or_fire=self._burnt,
        )

    def _follow_cooling(self, t_s: float, view: ThermalView, *, ended: bool) -> None:
        """Know as long as it lasts that the chamber cools because its job is over."""
        air_c = view.air_c
        if self._jobs.job is not None or view.phase is Phase.COLD:
            self._coldest = None
        elif air_c is not None and (ended or self._coldest is not None):
            coldest_c, since_s = self._coldest or (air_c, t_s)
            if air_c <= coldest_c:
                self._coldest = (air_c, t_s)
            elif air_c - coldest_c >= REWARMED_K and t_s - since_s >= REWARMED_S:
                self._coldest = None

    def _door_open(self) -> bool | None:
        """The door switches' word: open if any is, None if none can tell."""
        told = [c.active for c in self._contacts.values() if c.kind is ContactKind.DOOR]
        known = [active for active in told if active is not None]
        return any(known) if known else None

    def _gap_findings(self, t_s: float) -> tuple[Finding, ...]:
        """A stretch in which nobody watched begins and ends at once: now somebody does."""
        last_s = self._ticked_s if self._ticked_s is not None else self._last_seen_s
        if last_s is None or t_s - last_s < GAP_S:
            return ()
        detail: Detail = {"cause": "clear", "gap_s": round(t_s - last_s, 1)}
        return (
            Finding(Kind.WATCH_GAP, Change.RAISED, t_s, last_s, detail=detail),
            Finding(Kind.WATCH_GAP, Change.CLEARED, t_s, last_s, detail=detail, end_s=t_s),
        )

    def _forgotten(self, t_s: float) -> Iterable[Finding]:
        """Close what stood before a restart and has not been seen again since.

        Detectors start cold; the alarm desk gives them the same time.
        """
        if not self._inherited or self._started_s is None or t_s - self._started_s < CONFIRM_S:
            return
        for key in sorted(self._inherited):
            event = self._open.get(key)
            if event is not None and not self._is_told(event):
                yield Finding(
                    event.kind,
                    Change.CLEARED,
                    t_s,
                    event.onset_s,
                    event.sensors,
                    {**event.detail, "ended": "not seen again after a restart"},
                    end_s=t_s,
                    subject=event.subject,
                )
        self._inherited.clear()

    def _is_told(self, event: EventChange) -> bool:
        """Whether the camera's fault stands by its own word."""
        return event.kind is Kind.CAMERA_FAULT and bool(
            self._camera and self._camera.condition is not CameraCondition.FIT
        )

    # --- contacts, camera, the service itself --------------------------------

    def _take_contact(self, state: ContactState) -> tuple[Finding, ...]:
        self._contacts[state.contact] = state
        findings = [self._contact_fault(state)]
        if state.kind is ContactKind.DETECTOR and state.active is not None:
            self._verdict.take(
                Sign(
                    Sense.CONTACT,
                    "detector",
                    state.t_s,
                    state.t_s,
                    1.0 if state.active else 0.0,
                    (state.contact,),
                )
            )
            return (*self._verdict.tick(state.t_s), *filter(None, findings))
        return tuple(filter(None, findings))

    def _contact_fault(self, state: ContactState) -> Finding | None:
        subject = f"contact {state.contact}"
        stands = (Kind.SENSOR_FAULT, subject) in self._open
        detail: Detail = {"cause": "clear", "reason": state.reason, "contact": state.contact}
        if state.active is None and state.reason and not stands:
            return Finding(
                Kind.SENSOR_FAULT,
                Change.RAISED,
                state.t_s,
                state.t_s,
                (state.contact,),
                detail,
                subject=subject,
                priority=Priority.HIGH if state.kind is ContactKind.DETECTOR else None,
            )
        if state.active is not None and stands:
            event = self._open[Kind.SENSOR_FAULT, subject]
            return Finding(
                Kind.SENSOR_FAULT,
                Change.CLEARED,
                state.t_s,
                event.onset_s,
                event.sensors,
                event.detail,
                end_s=state.t_s,
                subject=subject,
            )
        return None

    def _camera_findings(self, t_s: float) -> tuple[Finding, ...]:
        camera = self._camera
        if camera is None:
            return ()
        if t_s - camera.t_s > CAMERA_SILENT_S and camera.condition is not CameraCondition.LOST:
            camera = CameraState(t_s, CameraCondition.LOST, camera.t_s, "nothing heard of it")
            self._camera = camera
        event = self._open.get((Kind.CAMERA_FAULT, ""))
        detail: Detail = {
            "cause": "clear",
            "condition": camera.condition.value,
            "reason": camera.reason,
        }
        if camera.condition is CameraCondition.FIT:
            if event is None:
                return ()
            change, end_s, detail = Change.CLEARED, camera.since_s, event.detail
        elif event is None:
            change, end_s = Change.RAISED, None
        elif event.detail.get("condition") != detail["condition"]:
            change, end_s = Change.REVISED, None
        else:
            self._inherited.discard((Kind.CAMERA_FAULT, ""))
            return ()
        onset_s = event.onset_s if event else camera.since_s
        return (Finding(Kind.CAMERA_FAULT, change, t_s, onset_s, (), detail, end_s=end_s),)

    def _told(self, trouble: Trouble) -> Finding:
        event = self._open.get((trouble.kind, trouble.subject))
        return Finding(
            trouble.kind,
            Change.RAISED if trouble.active else Change.CLEARED,
            trouble.t_s,
            event.onset_s if event else trouble.t_s,
            (),
            {"cause": "clear", **trouble.detail},
            end_s=None if trouble.active else trouble.t_s,
            subject=trouble.subject,
        )

    # --- from findings to events, alarms and the outcome ---------------------

    def _conclude(self, t_s: float, findings: Iterable[Finding]) -> Outcome:
        gathered = _Gathered(t_s)
        self._number(gathered, findings)
        return self._outcome(gathered)

    def _number(self, gathered: _Gathered, findings: Iterable[Finding]) -> None:
        """Give findings their event numbers and hand the events to the alarms."""
        for finding in findings:
            event = self._event(gathered.t_s, finding)
            if event is None:
                continue
            gathered.events.append(event)
            _add_alarms(gathered, self._alarms.take(event))

    def _event(self, t_s: float, finding: Finding) -> EventChange | None:
        key = (finding.kind, finding.subject)
        known = self._open.get((finding.was_kind or finding.kind, finding.subject))
        self._inherited.discard(key)
        if finding.change is Change.CLEARED:
            if known is None:
                return None
            change, number = Change.CLEARED, known.event
        elif known is not None:
            change, number = Change.REVISED, known.event
        else:
            change, number = Change.RAISED, self._next_event
            self._next_event += 1
        signal_class, priority = KIND_CLASS[finding.kind]
        job = self._jobs.job
        event = EventChange(
            event=number,
            change=change,
            at_s=t_s,
            kind=finding.kind,
            signal_class=signal_class,
            priority=finding.priority or (known.priority if known else None) or priority,
            onset_s=finding.onset_s,
            sensors=finding.sensors,
            detail=finding.detail,
            end_s=finding.end_s if change is Change.CLEARED else None,
            subject=finding.subject,
            job=known.job if known else (job.id if job else None),
            height_mm=known.height_mm if known else (job.height_mm if job else None),
        )
        if known is not None:
            del self._open[known.kind, known.subject]
            if finding.was_kind is not None and finding.priority is None:
                event = replace(event, priority=priority)
        if change is not Change.CLEARED:
            self._open[key] = event
        if event.kind in BURNING:
            self._burnt = True
        return event

    def _outcome(self, gathered: _Gathered) -> Outcome:
        sounding = self._alarms.sounding()
        changed = sounding is not self._sounding
        self._sounding = sounding
        return Outcome(
            chamber=self._plan.chamber,
            t_s=gathered.t_s,
            events=tuple(gathered.events),
            alarms=tuple(gathered.alarms.values()),
            notices=tuple(gathered.notices),
            jobs=gathered.jobs.jobs,
            notes=gathered.jobs.notes,
            outcomes=gathered.jobs.outcomes,
            sounding=sounding if changed else None,
            created=gathered.jobs.created,
        )


def _add_alarms(gathered: _Gathered, result: AlarmResult) -> None:
    """Keep the newest state of each alarm and every notice, in order."""
    for alarm in result.alarms:
        gathered.alarms.pop(alarm.id, None)
        gathered.alarms[alarm.id] = alarm
    gathered.notices.extend(result.notices)
