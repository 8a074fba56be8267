"""What machines tell of their jobs: a real one on a topic, the simulated one by its script."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from stillair.config import ChamberSettings, default_chamber
from stillair.errors import CommandRefused
from stillair.jobs.lines import checked_line, checked_text
from stillair.model import (
    AT_WORK,
    AddNote,
    Command,
    FinishJob,
    Job,
    JobPhase,
    PauseJob,
    ReportHeight,
    ResumeJob,
    StartJob,
)
from stillair.sensing.job_words import JobTopic, JobWord, Said
from stillair.watch import WatchView

if TYPE_CHECKING:
    from stillair.runtime.drivers import Drivers
    from stillair.runtime.elsewhere import Elsewhere
    from stillair.simulation.world import SimulatedChamber

log = logging.getLogger(__name__)

BY = "the simulated machine"
TOLD_BY = "the machine"
MOST_WAITING = 1000  # words; of more the oldest are lost
UNNAMED = "a part without a name"  # of a start whose words can't be kept
TWICE_S = 60.0  # in which the same start is the same message, handed on once more
UNHEARD_S = 60.0  # a broker that starts anew is back by then
_SAID = {  # by the kinds of a script's marks
    "start": Said.START,
    "progress": Said.HEIGHT,
    "pause": Said.PAUSE,
    "resume": Said.RESUME,
    "finish": Said.FINISH,
}


def scripted(
    settings: ChamberSettings, drivers: Drivers, elsewhere: Elsewhere
) -> Callable[[float, WatchView], Sequence[Command]] | None:
    """What a simulated machine tells of its jobs by itself.

    The built-in chamber, which nobody chose, none where anything is kept of a real one: the
    first chamber file may have been undone, and a simulated job is among nothing real.
    """
    if not settings.simulated:
        return None  # nor is the built-in one made to be compared: it brings the simulation
    built_in = settings.fingerprint == default_chamber().fingerprint
    if built_in and elsewhere.names.keys() - {settings.key}:
        return None
    return SimulatedMachine(drivers.world()).commands


class SimulatedMachine:
    """Turn the marks of a simulated chamber's script into commands.

    It reports only on a job of its own: one that a person started is theirs.
    """

    def __init__(self, world: SimulatedChamber) -> None:
        self._world = world
        self._job: str | None = None
        self._expects_job = False
        self._height_mm: float | None = None  # told before the job was begun here

    def commands(self, t_s: float, view: WatchView) -> Sequence[Command]:
        """What the machine says in this second, given how the chamber is."""
        job = view.job
        if self._expects_job and job is not None and job.state is JobPhase.RUNNING:
            self._job = job.id
        self._expects_job = False
        said: list[Command] = []
        if self._job is not None and self._height_mm is not None:
            said.append(ReportHeight(t_s=t_s, by=BY, job=self._job, height_mm=self._height_mm))
        self._height_mm = None
        for mark in self._world.marks():
            word = JobWord(
                _SAID[mark.kind],
                name=mark.name,
                material=mark.material,
                machine=mark.machine,
                height_mm=mark.height_mm,
            )
            if word.said is Said.START:
                if job is None or job.state not in AT_WORK:
                    said.append(_start(t_s, BY, word))
                    self._expects_job = True
            elif self._job is not None:
                said.append(_command(t_s, BY, self._job, word))
                self._job = None if word.said is Said.FINISH else self._job
            elif word.said is Said.HEIGHT:
                self._height_mm = mark.height_mm
        return said


class ToldMachine:
    """Turn what is told on a topic into commands about the chamber's job.

    One plate may be done and the next begun in one second. Each word is about the job that
    there is once the words before it are done, so what begins or ends one is the last of
    its second, and the rest waits for the next.

    A start while a job runs: where that was begun by the machine's word, or has been told a
    height, another part begins, so the old job is over. One that a person has begun and of
    which no height has come is taken for the part that begins. Either is noted on the job.
    """

    def __init__(self, topic: JobTopic) -> None:
        self._topic = topic
        self._waiting: deque[JobWord] = deque(maxlen=MOST_WAITING)
        self._expects_job = False
        self._own: Job | None = None  # the job that the machine's word has begun
        self._begun: tuple[JobWord, float] | None = None  # the start before, and when it came
        self._is_lost_logged = False

    def commands(self, t_s: float, view: WatchView) -> Sequence[Command]:
        """What has been told since the last second; nothing of a job that there isn't."""
        self._waiting.extend(self._topic.take())
        job = view.job if view.job is not None and view.job.state in AT_WORK else None
        if self._expects_job:
            self._own, self._expects_job = job, False
        said: list[Command] = []
        while self._waiting:
            word = self._waiting.popleft()
            if word.said is Said.START:
                begins = self._starts(t_s, job, word)
                said += begins
                if self._expects_job:
                    return said
            elif job is not None:
                self._is_lost_logged = False
                said.append(_command(t_s, TOLD_BY, job.id, word))
                if word.said is Said.HEIGHT:
                    job = replace(job, height_mm=word.height_mm)
                if word.said is Said.FINISH:
                    break
            elif not self._is_lost_logged:
                self._is_lost_logged = True
                log.warning("%s: %s is told, but no job runs", self._topic.where, word.said)
        return said

    def _starts(self, t_s: float, job: Job | None, word: JobWord) -> list[Command]:
        before, self._begun = self._begun, (word, t_s)
        try:
            new = _start(t_s, TOLD_BY, word)
        except CommandRefused as error:
            log.warning("%s: a start can't be taken as it is told: %s", self._topic.where, error)
            word = JobWord(Said.START, name=UNNAMED)
            new = _start(t_s, TOLD_BY, word)
        if job is None or job.guessed:
            self._expects_job = True
            return [new]
        is_own = self._own is not None and self._own.id == job.id
        is_unheard = job.height_mm is None
        is_twice = before is not None and before[0] == word and t_s - before[1] < TWICE_S
        if is_own and is_unheard and is_twice:
            return []  # a broker may hand on the same message twice
        if not is_own and is_unheard:
            log.info("job %s: the machine begins %r, taken for this job", job.id, word.name)
            text = f"The machine began “{word.name}”, which was taken for this job."
            return [AddNote(t_s=t_s, by=TOLD_BY, job=job.id, text=text)]
        log.warning("job %s: the machine begins %r, so this one is over", job.id, word.name)
        text = f"The machine began “{word.name}” without a word that this was done: ended here."
        self._expects_job = True
        return [
            AddNote(t_s=t_s, by=TOLD_BY, job=job.id, text=text),
            FinishJob(t_s=t_s, by=TOLD_BY, job=job.id),
            new,
        ]


class MachineHeard:
    """Know whether the machine's words could come, and tell when that begins or ends.

    `tell` is told of what has lasted a minute. `is_told_besides`: sensors or others are read
    at the same broker and are told as silent themselves, so of the broker nothing is told here.
    """

    def __init__(
        self, topic: JobTopic, tell: Callable[[bool, str], None], *, is_told_besides: bool
    ) -> None:
        self.where = topic.where
        self.ails: str | None = None  # "" while all is well; None: not known yet
        self._topic = topic
        self._tell = tell
        self._is_told_besides = is_told_besides
        self._since_s: float | None = None
        self._told: bool | None = None

    def check(self, t_s: float) -> None:
        """See, once a second, whether a word could come."""
        if self._topic.is_open:
            self.ails, self._since_s = "", None
            if self._told is not False:
                self._told = False
                self._tell(False, "")
            return
        why = self._topic.outage()
        if not why:
            return
        self.ails = why
        self._since_s = t_s if self._since_s is None else self._since_s
        is_ours = not self._is_told_besides or bool(self._topic.refused)
        if is_ours and self._told is not True and t_s - self._since_s >= UNHEARD_S:
            self._told = True
            self._tell(True, why)


def _start(t_s: float, by: str, word: JobWord) -> StartJob:
    """A job that begins. Raises `CommandRefused` for words that can't be kept."""
    return StartJob(
        t_s=t_s,
        by=by,
        name=checked_line(word.name, "name"),
        material=checked_line(word.material, "material"),
        machine=checked_line(word.machine, "machine"),
        notes=checked_text(word.notes, "notes"),
    )


def _command(t_s: float, by: str, job: str, word: JobWord) -> Command:
    match word.said:
        case Said.HEIGHT:
            return ReportHeight(t_s=t_s, by=by, job=job, height_mm=word.height_mm)
        case Said.PAUSE:
            return PauseJob(t_s=t_s, by=by, job=job)
        case Said.RESUME:
            return ResumeJob(t_s=t_s, by=by, job=job)
        case _:
            return FinishJob(t_s=t_s, by=by, job=job)
