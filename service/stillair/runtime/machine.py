"""The simulated machine's own reports: it starts, pauses and ends jobs as a real one may."""

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
from stillair.watch import WatchView

if TYPE_CHECKING:
    from stillair.simulation.world import SimulatedChamber

BY = "the simulated machine"


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
