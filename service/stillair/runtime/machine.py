"""What machines tell of their jobs: a real one on a topic, the simulated one by its script."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import TYPE_CHECKING

from stillair.model import (
    AT_WORK,
    Command,
    FinishJob,
    JobPhase,
    PauseJob,
    ReportHeight,
    ResumeJob,
    StartJob,
)
from stillair.sensing.job_words import JobTopic, JobWord, Said
from stillair.watch import WatchView

if TYPE_CHECKING:
    from stillair.simulation.world import SimulatedChamber

BY = "the simulated machine"
TOLD_BY = "the machine"
MOST_WAITING = 1000  # words; of more the oldest are lost
_SAID = {  # by the kinds of a script's marks
    "start": Said.START,
    "progress": Said.HEIGHT,
    "pause": Said.PAUSE,
    "resume": Said.RESUME,
    "finish": Said.FINISH,
}


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
    """

    def __init__(self, topic: JobTopic) -> None:
        self._topic = topic
        self._waiting: deque[JobWord] = deque(maxlen=MOST_WAITING)

    def commands(self, t_s: float, view: WatchView) -> Sequence[Command]:
        """What has been told since the last second; nothing of a job that there isn't."""
        self._waiting.extend(self._topic.take())
        running = view.job is not None and view.job.state in AT_WORK
        job = view.job.id if view.job is not None and running else None
        said: list[Command] = []
        while self._waiting:
            word = self._waiting.popleft()
            if word.said is Said.START:
                if view.job is None or not running or view.job.guessed:
                    return [*said, _start(t_s, TOLD_BY, word)]
            elif job is not None:
                said.append(_command(t_s, TOLD_BY, job, word))
                if word.said is Said.FINISH:
                    break
        return said


def _start(t_s: float, by: str, word: JobWord) -> StartJob:
    return StartJob(
        t_s=t_s,
        by=by,
        name=word.name,
        material=word.material,
        machine=word.machine,
        notes=word.notes,
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
