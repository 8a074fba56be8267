"""Where one job begins, pauses and ends: from the marks that a person or a machine gives.

A job is running or paused until it is said to be finished; then it cools with
its chamber, and is over when the part may come out. One job at a time in a
chamber; a new one ends one that still cools. Every command may come twice.

What nobody announces is guessed from heat and motion, where the chamber is watched
for it: such a job is marked until a person confirms or corrects it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from stillair.errors import CommandRefused, Refusal
from stillair.jobs import log
from stillair.jobs.boundaries import Begun, Boundaries
from stillair.jobs.lines import checked_line, checked_text
from stillair.model import (
    AT_WORK,
    AddNote,
    CorrectJob,
    FinishJob,
    HeightPin,
    Job,
    JobCommand,
    JobNote,
    JobPhase,
    LogTold,
    Movement,
    OutcomeTold,
    PauseJob,
    Phase,
    PinHeight,
    ReportHeight,
    StartJob,
    TakePinBack,
    TellLog,
    TellOutcome,
)

HIGHEST_MM = 2000.0
# Blind for so long while cooling, the job is closed: nobody can say any more
# when the part was cool, and a job must not cool for ever.
BROUGHT = re.compile("[1-9][0-9]{0,14}x[0-9a-f]{6,32}")  # behind the key, of a job from elsewhere
BLIND_S = 1800.0
# A phase is found within minutes of a start. What lasted no longer has warmed nothing; what
# did is older than the watch, or nothing but the bed tells of its heat.
BRIEF_S = 600.0
YOUNG_S = 60.0  # after a start in which no sensor has been heard yet
_COOLED = frozenset({Phase.COLD, Phase.COOL_ENOUGH})


@dataclass(frozen=True, slots=True)
class JobResult:
    """What has changed; `created` is the id of a job that was begun."""

    jobs: tuple[Job, ...] = ()
    notes: tuple[JobNote, ...] = ()
    created: str | None = None
    outcomes: tuple[OutcomeTold, ...] = ()
    pins: tuple[HeightPin, ...] = ()
    logs: tuple[LogTold, ...] = ()


class JobDesk:
    """Keep the chamber's present job and answer the commands about it.

    Parameters
    ----------
    chamber : str
        The chamber's key; a job's id is `<chamber>-<number>`.
    next_job : int
        The number of the next job: all lower ones have existed.
    job : Job | None
        The job that was not over at the last stop, in this boot's seconds.
    box : str
        What new jobs are built in; see `Job`.
    guesses : bool
        Whether jobs that nobody announces are guessed; `has_target`: the chamber has one.
    """

    def __init__(
        self,
        *,
        chamber: str,
        next_job: int = 1,
        job: Job | None = None,
        box: str = "",
        guesses: bool = False,
        has_target: bool = False,
    ) -> None:
        if next_job < 1:
            raise ValueError(f"job numbers begin at 1, not {next_job}")
        self._chamber = chamber
        self._box = box
        self._next = next_job
        self._job = _gone_on(job, box)
        self._phase = Phase.UNKNOWN
        self._hot: bool | None = None
        self._first_s: float | None = None
        self._blind_since_s: float | None = None
        self._boundaries = Boundaries() if guesses else None
        self._has_target = has_target

    @property
    def job(self) -> Job | None:
        """The job that is running, paused or cooling."""
        return self._job

    @property
    def next_job(self) -> int:
        """The number that the next job will have."""
        return self._next

    def command(self, command: JobCommand) -> JobResult:
        """Carry out one command; twice the same is harmless.

        Raises `CommandRefused`: UNKNOWN for a job that never was, CONFLICT
        where it doesn't fit the job's state, FORBIDDEN for an impossible value.
        """
        if isinstance(command, StartJob):
            return self._start(command)
        if isinstance(command, CorrectJob):
            return self._corrected(command)
        self._check_known(command.job)
        if isinstance(command, AddNote):
            return self._note(command)
        if isinstance(command, PinHeight | TakePinBack):
            return self._pin(command)
        if isinstance(command, TellOutcome):
            return self._judged(command)
        if isinstance(command, TellLog):
            return JobResult(logs=(log.checked(command),))  # at any time: a batch, a failed piece
        job = self._job
        if job is None or job.id != command.job or job.state is JobPhase.COOLING:
            if isinstance(command, FinishJob):
                return JobResult()
            if isinstance(command, ReportHeight):
                _checked_height_mm(command.height_mm)
                return JobResult()  # a late word of the machine changes nothing
            raise CommandRefused(Refusal.CONFLICT, f"job {command.job} is over")
        if isinstance(command, FinishJob):
            return self._keep(self._finished(job, command.t_s))
        if isinstance(command, ReportHeight):
            height_mm = _checked_height_mm(command.height_mm)
            if height_mm == job.height_mm:
                return JobResult()  # a machine may tell it each second: nothing has happened
            return self._keep(replace(job, height_mm=height_mm))
        if isinstance(command, PauseJob):
            if job.state is JobPhase.PAUSED:
                return JobResult()
            return self._keep(replace(job, state=JobPhase.PAUSED, paused_since_s=command.t_s))
        return self._keep(replace(_unpaused(job, command.t_s), state=JobPhase.RUNNING))

    def tick(
        self,
        t_s: float,
        *,
        phase: Phase,
        hot: bool | None = None,
        movement: Movement | None = None,
    ) -> JobResult:
        """One second has passed with the chamber in `phase`: end a job that has cooled.

        `hot` and `movement` are what jobs are guessed from; None where nobody can tell.
        """
        self._phase, self._hot = phase, hot
        self._first_s = t_s if self._first_s is None else self._first_s
        guessed = self._guess(t_s, hot, movement)
        return guessed if guessed.jobs else self._cooled(t_s, phase)

    def _cooled(self, t_s: float, phase: Phase) -> JobResult:
        if phase is not Phase.UNKNOWN:
            self._blind_since_s = None
        elif self._blind_since_s is None:
            self._blind_since_s = t_s
        job = self._job
        if job is None or job.state is not JobPhase.COOLING:
            return JobResult()
        since_s = self._blind_since_s
        if job.finished_s is not None and since_s is not None:
            since_s = max(since_s, job.finished_s)
        if phase in _COOLED or (since_s is not None and t_s - since_s >= BLIND_S):
            return self._keep(replace(job, state=JobPhase.FINISHED))
        return JobResult()

    def _start(self, command: StartJob) -> JobResult:
        before = self._job
        if before is not None and before.state in AT_WORK and not before.guessed:
            raise CommandRefused(
                Refusal.CONFLICT, f"job {before.id} is still {before.state.value}; finish it first"
            )
        new = self._new(command.t_s)
        if before is not None and before.state in AT_WORK:  # that is the one that was guessed
            new = replace(before, guessed=False)
        return self._begun(_worded(new, command))

    def _new(self, started_s: float) -> Job:
        return Job(
            id=f"{self._chamber}-{self._next}",
            chamber=self._chamber,
            name="",
            material="",
            machine="",
            notes="",
            state=JobPhase.RUNNING,
            started_s=started_s,
            box=self._box,
        )

    def _begun(self, job: Job) -> JobResult:
        before = self._job
        ended: tuple[Job, ...] = ()
        if before is None or before.id != job.id:
            self._next += 1
            ended = () if before is None else (replace(before, state=JobPhase.FINISHED),)
        self._job = job
        return JobResult(jobs=(*ended, job), created=job.id)

    def _guess(self, t_s: float, hot: bool | None, movement: Movement | None) -> JobResult:
        """Begin or end a job that nobody announces."""
        if self._boundaries is None:
            return JobResult()
        found = self._boundaries.tick(
            t_s,
            job=self._job,
            hot=hot,
            movement=movement,
            phase=self._phase,
            has_target=self._has_target,
        )
        if found is None:
            return JobResult()
        if isinstance(found, Begun):
            if self._job is not None and self._job.guessed:
                return self._went_on(self._job, found.since_s)
            began = self._begun(replace(self._new(found.since_s), guessed=True))
            return replace(began, created=None)  # nobody asked for it
        assert self._job is not None
        return self._keep(self._finished(self._job, found.at_s))

    def _went_on(self, job: Job, since_s: float) -> JobResult:
        """A job that seemed to have ended has only stood still: that was a pause."""
        stood_s = job.finished_s
        paused = replace(job, state=JobPhase.PAUSED, finished_s=None, paused_since_s=stood_s)
        self._job = replace(_unpaused(paused, since_s), state=JobPhase.RUNNING)
        return JobResult(jobs=(paused, self._job))

    def _corrected(self, command: CorrectJob) -> JobResult:
        """A job as a person says it was."""
        told = command.corrected
        self._check_known(told.id)
        own = self._job if self._job is not None and self._job.id == told.id else None
        if own is None and (told.state is not JobPhase.FINISHED or told.finished_s is None):
            raise CommandRefused(Refusal.CONFLICT, f"job {told.id} is over")
        end_s = command.t_s if told.finished_s is None else told.finished_s
        if not told.started_s < end_s <= command.t_s:
            raise CommandRefused(
                Refusal.FORBIDDEN, "a job begins before it ends, and ends no later than now"
            )
        if own is None:
            return JobResult(jobs=(replace(_worded(told, told), guessed=False),))
        finished_s = own.finished_s if told.finished_s is None else told.finished_s
        if own.finished_s is None and told.finished_s is not None:
            raise CommandRefused(Refusal.CONFLICT, f"job {own.id} still runs; finish it first")
        mended = replace(own, guessed=False, started_s=told.started_s, finished_s=finished_s)
        return self._keep(_worded(mended, told))

    def _note(self, command: AddNote) -> JobResult:
        text = checked_text(command.text, "note")
        if not text:
            raise CommandRefused(Refusal.FORBIDDEN, "a note needs at least one letter")
        job = self._job if self._job is not None and self._job.id == command.job else None
        note = JobNote(
            job=command.job,
            t_s=command.t_s,
            text=text,
            by=command.by,
            height_mm=None if job is None else job.height_mm,
        )
        return JobResult(notes=(note,))

    def _pin(self, command: PinHeight | TakePinBack) -> JobResult:
        """Of a job that is over only who keeps it knows when it was: that is looked at there."""
        if isinstance(command, TakePinBack):
            back = HeightPin(command.job, command.t_s, command.by, takes_back=command.pin)
            return JobResult(pins=(back,))
        if not math.isfinite(command.seen_s) or command.seen_s > command.t_s:
            raise CommandRefused(Refusal.FORBIDDEN, "a height can't be seen before its time")
        job = self._job
        if job is not None and job.id == command.job and command.seen_s < job.started_s:
            raise CommandRefused(Refusal.FORBIDDEN, f"job {job.id} had not begun by then")
        height_mm = _checked_height_mm(command.height_mm)
        pin = HeightPin(command.job, command.t_s, command.by, height_mm, command.seen_s)
        return JobResult(pins=(pin,))

    def _judged(self, command: TellOutcome) -> JobResult:
        job = self._job
        if job is not None and job.id == command.job and job.state in AT_WORK:
            raise CommandRefused(
                Refusal.CONFLICT, f"job {job.id} is still {job.state.value}; finish it first"
            )
        told = OutcomeTold(command.job, command.t_s, command.outcome, command.by)
        return JobResult(outcomes=(told,))

    def _finished(self, job: Job, t_s: float) -> Job:
        cools = self._phase not in _COOLED
        if self._phase is Phase.UNKNOWN:
            cools = self._may_be_hot(t_s) and t_s - job.started_s >= BRIEF_S
        state = JobPhase.COOLING if cools else JobPhase.FINISHED
        return replace(_unpaused(job, t_s), state=state, finished_s=max(t_s, job.started_s))

    def _may_be_hot(self, t_s: float) -> bool:
        """Whether the box is, or just after a start nobody can say yet that it isn't."""
        if self._hot is not None:
            return self._hot
        return self._first_s is None or t_s - self._first_s < YOUNG_S

    def _keep(self, job: Job) -> JobResult:
        if job == self._job:
            return JobResult()
        self._job = None if job.state is JobPhase.FINISHED else job
        return JobResult(jobs=(job,))

    def _check_known(self, job: str) -> None:
        chamber, _, number = job.rpartition("-")
        if chamber == self._chamber and BROUGHT.fullmatch(number):
            return  # brought in from another board: who keeps it knows whether there is one
        known = (
            chamber == self._chamber
            and number.isascii()
            and number.isdecimal()
            and len(number) < 16
            and number == str(int(number))
            and 1 <= int(number) < self._next
        )
        if not known:
            raise CommandRefused(Refusal.UNKNOWN, "there is no such job")


def _gone_on(job: Job | None, box: str) -> Job | None:
    """A job that was not over at the last stop, as it goes on in `box`.

    Begun with real sensors and gone on with simulated ones, or the other way round, it is
    neither: of such a job the box isn't known, and it is compared with none.
    """
    if job is None or job.state is JobPhase.FINISHED:
        return None
    mixed = bool(box) and job.box.partition(" ")[0] != box.partition(" ")[0]
    return replace(job, box="") if mixed else job


def _worded(job: Job, told: StartJob | Job) -> Job:
    """The job with what a person says of it. Raises `CommandRefused` for what can't be kept."""
    return replace(
        job,
        name=checked_line(told.name, "name"),
        material=checked_line(told.material, "material"),
        machine=checked_line(told.machine, "machine"),
        notes=checked_text(told.notes, "notes"),
    )


def _unpaused(job: Job, t_s: float) -> Job:
    if job.paused_since_s is None:
        return job
    paused_s = job.paused_s + max(0.0, t_s - job.paused_since_s)
    return replace(job, paused_s=paused_s, paused_since_s=None)


def _checked_height_mm(height_mm: float) -> float:
    """`height_mm` if it can be a part's height. Pieces built in turn begin again at 0."""
    if not (math.isfinite(height_mm) and 0.0 <= height_mm <= HIGHEST_MM):
        raise CommandRefused(
            Refusal.FORBIDDEN, f"a height is from 0 to {HIGHEST_MM:.0f} mm, not {height_mm:g}"
        )
    return float(height_mm)
