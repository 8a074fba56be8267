"""The watch of one chamber: every stimulus goes in, all that follows comes out.

    Reading, ContactState, CameraState, Movement, Particles, Sign, Trouble, command, Tick
        -> Watch.step -> Outcome

One synchronous, pure function: it keeps no time of its own, asks nobody and
waits for nothing, so a whole night is a loop without a sleep and a replay is
the same loop over a file.

Within one step the fire path comes first: heat signs and contacts go to the
verdict before any other finding is looked at, and nothing below can hold them
back, not even a defect: what has been concluded comes out all the same, and
what broke is named in `failures`. Findings then become numbered events, events
drive the alarms, and last of all the job is told the phase of the chamber.

Camera frames never come here; the camera tells its condition and its signs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace

from stillair.alarms.catalogue import AlarmContext
from stillair.alarms.defects import BrokenRules
from stillair.alarms.desk import CONFIRM_S, SAID_OVER
from stillair.alarms.events import Events
from stillair.alarms.words import RULES
from stillair.fire.aftermath import Aftermath
from stillair.fire.inputs import (
    camera_faults,
    contact_fault,
    contact_subject,
    detector_sign,
    trouble,
    unwatched,
)
from stillair.fire.particles import particles_subject
from stillair.fire.unseen import Unseen, is_seen
from stillair.fire.verdict import REMEMBERED, FireVerdict
from stillair.fire.witnesses import SEEN_BY_MANY, Witnesses
from stillair.jobs.afterwards import CoolingOn
from stillair.jobs.standstill import StandStill, is_hot
from stillair.model import (
    BURNING,
    KIND_CLASS,
    Afterwards,
    AlarmCommand,
    AlarmTestCommand,
    AlarmTestState,
    AlarmTestTold,
    Annunciation,
    AttendanceCommand,
    CameraState,
    ContactKind,
    ContactState,
    EventChange,
    Finding,
    JobCommand,
    JobPhase,
    Kind,
    Movement,
    Outcome,
    Particles,
    Phase,
    Place,
    QuietCommand,
    Reading,
    Reset,
    Sign,
    SignalClass,
    Sounding,
    StartAlarmTest,
    StartJob,
    Stimulus,
    StopCommand,
    Tick,
    Trouble,
    WatchMemory,
)
from stillair.thermal.balance import BalanceMemory
from stillair.thermal.core import HEAT, ThermalWatch
from stillair.thermal.plan import RuleFailure, ThermalContext
from stillair.watch.attending import Attending
from stillair.watch.gathered import Gathered
from stillair.watch.plan import WatchPlan, WatchView, alarm_desk, job_desk
from stillair.watch.rehearsal import Rehearsal, Rehearsed, dangers
from stillair.watch.stopping import Stopping

GAP_S = 60.0  # a restart of the service takes seconds; a minute unwatched is worth telling
AFTERWARDS = "events, alarms and jobs"


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
        self._verdict = FireVerdict(combustible=plan.thermal.combustible, standing=memory.events)
        self._alarms = alarm_desk(plan, memory)
        self._jobs = job_desk(plan, memory)
        self._events = Events(memory.events, memory.next_event)
        self._open = self._events.standing
        sensors = [sensor.name for sensor in plan.thermal.sensors]
        lost = [event for event in memory.events if event.kind not in REMEMBERED]
        self._unseen = Unseen(lost, wait_s=CONFIRM_S, sensors=sensors)
        tests = [duty for duty in memory.duties if isinstance(duty, AlarmTestState)]
        self._rehearsal = Rehearsal(plan, tests[-1] if tests else None)
        self._last_seen_s = memory.last_seen_s
        names = [*sensors, *(c.name for c in plan.contacts)]
        self._witnesses = Witnesses((*names, *plan.particles), camera=plan.camera)
        self._phase = Phase.UNKNOWN  # as of the last second
        self._sounding = Sounding.SILENT
        burnt = [memory.burnt, *(a.event for a in memory.alarms if a.kind in BURNING)]
        done_with = min(memory.afterwards.burnt, memory.next_event - 1)
        self._aftermath = Aftermath(max(burnt), done_with)
        self._stopping = Stopping(plan, memory, self._alarms, self._open, self._witnesses)
        self._attending = Attending(plan, memory.duties, self._open, self._witnesses.contacts)
        self._standstill = StandStill(plan.still_after_s)
        self._cooling_on = CoolingOn(memory.afterwards.coldest_c)
        self._broken = BrokenRules(spared=HEAT[0])
        self.failures: tuple[RuleFailure, ...] = ()  # of the last second
        self._defects: list[RuleFailure] = []  # in what comes after the rules
        self._untaken: dict[int, EventChange] = {}  # of which the alarms have not heard by one
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
                return self._tick(stimulus)
            case Sign():
                if self._witnesses.counts(stimulus):
                    self._verdict.take(stimulus)
                return self._conclude(t_s, self._judge_fire(t_s))
            case ContactState():
                gathered = Gathered(t_s)
                self._stopping.take(gathered, stimulus)
                near = self._attending.take(gathered, stimulus)
                self._number(gathered, self._take_contact(stimulus))
                self._number(gathered, near)
                return self._outcome(gathered)
            case CameraState():
                self._witnesses.camera = stimulus
                return self._conclude(t_s, self._camera_findings(t_s))
            case Movement():
                self._witnesses.movement = stimulus
                return Outcome(self._plan.chamber, t_s)
            case Particles():
                return self._conclude(t_s, self._take_particles(stimulus))
            case Trouble():
                known = self._open.get((stimulus.kind, stimulus.subject))
                return self._conclude(t_s, (trouble(stimulus, known),))
            case AlarmTestTold():
                return self._rehearsed(t_s, self._rehearsal.take(stimulus))
            case _ if isinstance(stimulus, AlarmTestCommand):
                return self._command_test(stimulus)
            case _ if isinstance(stimulus, AlarmCommand | QuietCommand):
                gathered = Gathered(t_s)
                if isinstance(stimulus, Reset):
                    self._number(gathered, self._said_over(stimulus))
                gathered.add_alarms(self._alarms.command(stimulus))
                return self._outcome(gathered)
            case _ if isinstance(stimulus, JobCommand):
                gathered = Gathered(t_s, jobs=self._jobs.command(stimulus))
                if isinstance(stimulus, StartJob):
                    self._aftermath.begin_job()
                return self._outcome(gathered)
            case _ if isinstance(stimulus, StopCommand):
                return self._outcome(self._stopping.command(stimulus, self._jobs.job))
            case _ if isinstance(stimulus, AttendanceCommand):
                gathered, burning = Gathered(t_s), self._burning
                found = self._attending.command(gathered, stimulus, self._jobs, burning=burning)
                self._number(gathered, found)
                return self._outcome(gathered)
            case _:
                raise TypeError(f"not a stimulus of the watch: {stimulus!r}")

    def rest(self, t_s: float) -> bool:
        """Pass over all ticks up to `t_s`, in a recording's gap where none could tell an event."""
        rests = (
            self._witnesses.sees_nothing
            and not self._unseen
            and not self._broken
            and self._thermal.rest(t_s)
        )
        self._ticked_s = t_s if rests else self._ticked_s
        return rests

    def end_camera(self) -> None:
        """No more comes of the camera, and that is no fault: a video has ended."""
        self._witnesses.camera = None

    def view(self) -> WatchView:
        """How the chamber is just now."""
        return WatchView(
            t_s=self._ticked_s,
            thermal=self._thermal.view(),
            contacts=tuple(self._witnesses.contacts.values()),
            camera=self._witnesses.camera,
            job=self._jobs.job,
            alarms=self._alarms.standing(),
            leaving=self._alarms.leaving(),
            events=tuple(sorted(self._open.values(), key=lambda e: e.event)),
            sounding=self._sounding,
            particles=self._witnesses.particles.latest(),
            opening=self._alarms.opening(self._ticked_s),
            out_of_service=self._alarms.out_of_service(),
            stop=self._stopping.state,
            attendance=self._attending.view(),
            alarm_test=self._rehearsal.state,
        )

    def balance(self) -> BalanceMemory:
        """What has been learned of the chamber, to be kept for the next start."""
        return self._thermal.memory()

    def afterwards(self) -> Afterwards:
        """What still follows from what is over, to be kept for the next start."""
        return Afterwards(self._cooling_on.coldest_c, self._aftermath.done_with)

    # --- one second --------------------------------------------------------

    def _tick(self, tick: Tick) -> Outcome:
        t_s = tick.t_s
        if self._ticked_s is not None and t_s <= self._ticked_s:
            return Outcome(self._plan.chamber, t_s)
        gap = self._gap_findings(t_s)
        self._ticked_s = t_s
        thermal = self._thermal.tick(t_s, self._thermal_context())
        for sign in thermal.signs:
            self._verdict.take(sign)
        gathered = Gathered(t_s)
        self._number(gathered, self._judge_fire(t_s))
        # Whatever breaks holds up nothing else, and the alarms come before the job.
        steps: tuple[Callable[[], None], ...] = (
            lambda: self._to_alarms(gathered, *self._untaken.values()),
            lambda: self._number(gathered, thermal.findings),
            lambda: self._number(gathered, self._failure_findings(t_s, thermal.failures)),
            lambda: self._number(gathered, gap),
            lambda: self._number(gathered, self._camera_findings(t_s)),
            lambda: self._number(gathered, self._standstill_findings(t_s)),
            lambda: self._number(gathered, self._attendance_findings(gathered)),
            lambda: self._number(
                gathered, self._unseen.tick(t_s, self._open, self._heard_s, self._is_told)
            ),
            lambda: self._tick_alarms(gathered, tick),
            lambda: self._number(gathered, self._stopping.supply_findings(t_s)),
            lambda: self._mind_test(gathered),
            lambda: self._follow_job(gathered),
        )
        for step in steps:
            try:
                step()
            except Exception as error:
                self._note_defect(error)
        self.failures, self._defects = (*thermal.failures, *self._defects), []
        return self._outcome(gathered)

    def _judge_fire(self, t_s: float) -> tuple[Finding, ...]:
        heard_s = self._witnesses.without_a_sign(t_s)
        if self._verdict.stands:
            heard_s |= self._heard_s()
        return self._verdict.tick(t_s, heard_s)

    def _heard_s(self) -> dict[str, float]:
        """When each sensor was heard last; by a defect none is heard, and what burns stands."""
        with suppress(Exception):
            return self._thermal.view().heard_s
        return {}

    def _doubted(self) -> frozenset[str]:
        with suppress(Exception):
            return self._thermal.view().doubted
        return frozenset()

    def _said_over(self, command: Reset) -> Iterable[Finding]:
        """Who has seen a danger's alarm may say that it is over, where nobody else can tell."""
        for alarm in self._alarms.standing():
            if alarm.id == command.alarm and alarm.annunciation is Annunciation.ACKNOWLEDGED:
                for (kind, subject), event in list(self._open.items()):
                    if event.event == alarm.event:
                        yield from self._verdict.said_over(kind, subject, command.t_s, SAID_OVER)
                        yield from self._thermal.said_over(kind, subject, command.t_s, SAID_OVER)
                        yield from self._unseen.said_over(event, command.t_s, SAID_OVER)

    def _tick_alarms(self, gathered: Gathered, tick: Tick) -> None:
        """A second passes for the alarms; nobody is asked who could fail."""
        job = self._jobs.job
        state = job.state if job else None
        context = AlarmContext(phase=self._phase, job=state, near=self._attending.near)
        gathered.add_alarms(self._alarms.tick(tick.t_s, context, tick.at))

    def _mind_test(self, gathered: Gathered) -> None:
        """An alarm test that runs ends by real danger, or by its time."""
        if not self._rehearsal.runs:
            return
        try:
            real = dangers(self._alarms.standing())
            gathered.add_test(self._rehearsal.tick(gathered.t_s, real))
        except Exception as error:
            self._note_defect(error)

    def _command_test(self, command: AlarmTestCommand) -> Outcome:
        """Begin an alarm test, or take a word on one; no real alarm knows of it."""
        if isinstance(command, StartAlarmTest):
            begun = self._rehearsal.start(command, dangers(self._alarms.standing(), over=True))
            return replace(self._rehearsed(command.t_s, begun), created=command.id)
        return self._rehearsed(command.t_s, self._rehearsal.confirm(command))

    def _rehearsed(self, t_s: float, rehearsed: Rehearsed) -> Outcome:
        gathered = Gathered(t_s)
        gathered.add_test(rehearsed)
        return self._outcome(gathered)

    def _follow_job(self, gathered: Gathered) -> None:
        """The job hears how the chamber is, and the alarms with the next second."""
        t_s, view = gathered.t_s, self._thermal.view()
        self._phase = view.phase
        cleared = not any(alarm.kind in BURNING for alarm in self._alarms.standing())
        self._aftermath.tick(view.phase, stands=self._burning, cleared=cleared)
        movement = self._witnesses.movement_seen(t_s)
        hot = self._is_hot()
        gathered.jobs = self._jobs.tick(t_s, phase=view.phase, hot=hot, movement=movement)
        job = self._jobs.job
        self._cooling_on.tick(
            t_s,
            view.air_c,
            view.phase,
            job,
            ended=bool(gathered.jobs.jobs) and job is None,
        )

    def _thermal_context(self) -> ThermalContext:
        job, off = self._jobs.job, self._witnesses.active(ContactKind.SUPPLY)
        return ThermalContext(
            door_open=self._witnesses.active(ContactKind.DOOR),
            heater_on=self._witnesses.active(ContactKind.HEATER),
            supply_on=None if off is None else not off,
            job=job.state if job else JobPhase.FINISHED if self._cooling_on else None,
            material=job.material if job else self._cooling_on.material,
            smoke_or_fire=bool(self._aftermath) or self._burning,
            burns=self._burning,
        )

    @property
    def _burning(self) -> bool:
        return any(kind in BURNING for kind, _ in self._open)

    def _gap_findings(self, t_s: float) -> tuple[Finding, ...]:
        """A stretch in which nobody watched begins and ends at once: now somebody does."""
        last_s = self._last_seen_s if self._ticked_s is None else self._ticked_s
        return () if last_s is None or t_s - last_s < GAP_S else unwatched(last_s, t_s)

    def _failure_findings(self, t_s: float, failures: tuple[RuleFailure, ...]) -> Iterable[Finding]:
        """Say which rules broke, and hold nothing for true for long that only they could end."""
        kinds = frozenset[Kind]().union(*(failure.kinds for failure in failures))
        for (kind, subject), event in list(self._open.items()):
            if kind not in kinds:
                continue
            if KIND_CLASS[kind][0] is SignalClass.NOTICE:  # of these nobody waits for the end
                yield event.ended(t_s, "what watches it has failed")
            else:
                self._unseen.lose((kind, subject), t_s)
        known = self._open.get((Kind.WATCH_GAP, RULES))
        yield from self._broken.tick(t_s, {failure.what for failure in failures}, known)

    # --- contacts, camera, the service itself --------------------------------

    def _take_contact(self, state: ContactState) -> tuple[Finding, ...]:
        self._witnesses.contacts[state.contact] = state
        event = self._open.get((Kind.SENSOR_FAULT, contact_subject(state.contact)))
        fault = filter(None, [contact_fault(state, event)])
        if state.kind is ContactKind.DETECTOR and state.active is None:
            self._verdict.fall_silent(state.contact)
        elif state.kind is ContactKind.DETECTOR:
            self._verdict.take(detector_sign(state))
            return (*self._judge_fire(state.t_s), *fault)
        return tuple(fault)

    def _take_particles(self, told: Particles) -> Iterable[Finding]:
        particles = self._witnesses.particles
        event = self._open.get((Kind.SENSOR_FAULT, particles_subject(told.sensor)))
        sign = particles.take(told)
        if sign is not None:
            self._verdict.take(sign)
        return (*self._judge_fire(told.t_s), *filter(None, [particles.fault(told, event)]))

    def _camera_findings(self, t_s: float) -> Iterable[Finding]:
        camera = self._witnesses.camera_heard(t_s)
        if camera is None:
            return ()
        event = self._open.get((Kind.CAMERA_FAULT, ""))
        found = camera_faults(camera, event, t_s)
        if not found and event is not None:
            self._unseen.seen((Kind.CAMERA_FAULT, ""))
        return found

    def _standstill_findings(self, t_s: float) -> Iterable[Finding]:
        job, event = self._jobs.job, self._open.get((Kind.NO_MOTION, ""))
        if job is None and event is None:
            return ()
        movement = self._witnesses.movement_seen(t_s)
        return self._standstill.tick(t_s, job, movement, hot=self._is_hot(), event=event)

    def _is_hot(self) -> bool | None:
        """Whether chamber or bed are; None where no sensor can tell."""
        view = self._thermal.view()
        beds_c = (s.temperature_c for s in view.sensors if s.place is Place.BED and not s.fault)
        return is_hot(view.phase, view.air_c, beds_c)

    def _attendance_findings(self, gathered: Gathered) -> tuple[Finding, ...]:
        job, burning = self._jobs.job, self._burning
        return self._attending.tick(gathered, self._is_hot, job, self._unseen, burning=burning)

    def _is_told(self, event: EventChange) -> bool:
        if event.kind is Kind.NO_MOTION:
            return self._standstill.holds
        return self._witnesses.tell(event)

    # --- from findings to events, alarms and the outcome ---------------------

    def _conclude(self, t_s: float, findings: Iterable[Finding]) -> Outcome:
        gathered = Gathered(t_s)
        self._number(gathered, findings)
        return self._outcome(gathered)

    def _number(self, gathered: Gathered, findings: Iterable[Finding]) -> None:
        """Make events of findings and hand them to the alarms."""
        for finding in findings:
            if is_seen(finding):
                self._unseen.seen((finding.kind, finding.subject))
            told = self._with_missing(finding)
            for event in self._events.take(gathered.t_s, told, self._jobs.job):
                if event.kind in BURNING:
                    self._aftermath.burns(event.event)
                gathered.events.append(event)
                self._to_alarms(gathered, event)

    def _with_missing(self, finding: Finding) -> Finding:
        """Say of an event which of those that might have seen more told nothing as it began."""
        if finding.kind not in SEEN_BY_MANY:
            return finding
        known = self._open.get((finding.was_kind or finding.kind, finding.subject))
        if known:
            told = {key: known.detail.get(key) for key in ("missing", "doubted")}
        else:
            missing = self._witnesses.missing(self._heard_s(), finding.at_s)
            doubted = self._doubted() if missing else frozenset()
            told = {"missing": missing, "doubted": [name for name in missing if name in doubted]}
        more = {key: names for key, names in told.items() if names}
        return replace(finding, detail={**finding.detail, **more}) if more else finding

    def _to_alarms(self, gathered: Gathered, *events: EventChange) -> None:
        """Hand over events; by a defect they stand all the same, and are handed over again."""
        for event in events:
            self._untaken[event.event] = event
            try:
                gathered.add_alarms(self._alarms.take(event))
                del self._untaken[event.event]
            except Exception as error:
                self._note_defect(error)

    def _note_defect(self, error: Exception) -> None:
        self._defects.append(RuleFailure(AFTERWARDS, frozenset(), error, begun_anew=False))

    def _outcome(self, gathered: Gathered) -> Outcome:
        stop = self._stopping.follow(gathered, self._note_defect)
        if gathered.alarms:
            self._mind_test(gathered)
        sounding = self._alarms.sounding()
        # What is real comes first; but the tone of a dead route waits for the one round of the
        # test, which may just have found it.
        if self._alarms.sounding(apart_from=Kind.DELIVERY_FAULT) is Sounding.SILENT:
            tested = self._rehearsal.sounding()
            sounding = sounding if tested is Sounding.SILENT else tested
        changed = sounding is not self._sounding
        self._sounding = sounding
        return gathered.outcome(self._plan.chamber, sounding if changed else None, stop)
