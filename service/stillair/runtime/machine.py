"""What machines tell of their jobs: a real one on a topic, the simulated one by its script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from stillair.model import (
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
_AT_WORK = frozenset({JobPhase.RUNNING, JobPhase.PAUSED})


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
            if mark.kind == "start":
                if job is not None and job.state in (JobPhase.RUNNING, JobPhase.PAUSED):
                    continue
                said.append(
                    StartJob(
                        t_s=t_s,
                        by=BY,
                        name=mark.name,
                        material=mark.material,
                        machine=mark.machine,
                    )
                )
                self._expects_job = True
            elif self._job is None:
                if mark.kind == "progress":
                    self._height_mm = mark.height_mm
            elif mark.kind == "progress":
                said.append(ReportHeight(t_s=t_s, by=BY, job=self._job, height_mm=mark.height_mm))
            elif mark.kind == "pause":
                said.append(PauseJob(t_s=t_s, by=BY, job=self._job))
            elif mark.kind == "resume":
                said.append(ResumeJob(t_s=t_s, by=BY, job=self._job))
            elif mark.kind == "finish":
                said.append(FinishJob(t_s=t_s, by=BY, job=self._job))
                self._job = None
        return said


class ToldMachine:
    """Turn what is told on a topic into commands about the chamber's job."""

    def __init__(self, topic: JobTopic) -> None:
        self._topic = topic

    def commands(self, t_s: float, view: WatchView) -> Sequence[Command]:
        """What has been told since the last second; nothing of a job that there isn't."""
        running = view.job is not None and view.job.state in _AT_WORK
        job = view.job.id if view.job is not None and running else None
        said: list[Command] = []
        for word in self._topic.take():
            if word.said is Said.START:
                if view.job is None or not running or view.job.guessed:
                    said.append(_start(t_s, word))
            elif job is not None:
                said.append(_word(t_s, job, word))
        return said


def _start(t_s: float, word: JobWord) -> StartJob:
    return StartJob(
        t_s=t_s,
        by=TOLD_BY,
        name=word.name,
        material=word.material,
        machine=word.machine,
        notes=word.notes,
    )


def _word(t_s: float, job: str, word: JobWord) -> Command:
    match word.said:
        case Said.HEIGHT:
            return ReportHeight(t_s=t_s, by=TOLD_BY, job=job, height_mm=word.height_mm)
        case Said.PAUSE:
            return PauseJob(t_s=t_s, by=TOLD_BY, job=job)
        case Said.RESUME:
            return ResumeJob(t_s=t_s, by=TOLD_BY, job=job)
        case _:
            return FinishJob(t_s=t_s, by=TOLD_BY, job=job)
