"""A season of simulated jobs, made by the product itself.

Each job of `simulation.season` runs through the built-in chamber's physics, second by
second, with the real watch over it, as a loop without a sleep. What follows is kept in a
real journal and archive, in a folder; the diagnosis of each job is worked out from there,
as the service does it. So whatever stands in a season has been measured and told, only
that the chamber isn't there.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_OID, uuid5

import cv2
import numpy as np

from stillair.config import ChamberSettings, default_chamber
from stillair.errors import SensorError
from stillair.jobs.toolpath import MotionLimits, Toolpath, analyse
from stillair.media.marking import as_jpeg
from stillair.model import (
    Acknowledge,
    AddNote,
    Annunciation,
    Change,
    Command,
    ContactState,
    EventChange,
    FinishJob,
    JobLog,
    JsonValue,
    Kind,
    Outcome,
    PauseJob,
    PieceOutcome,
    Place,
    Reading,
    ReportHeight,
    ResumeJob,
    StartJob,
    TellLog,
    TellOutcome,
    Tick,
    Timeline,
)
from stillair.runtime.backup import ARCHIVE, JOURNAL
from stillair.runtime.diagnosing import Diagnosed, diagnose
from stillair.runtime.marks import box_mark, sensor_marks
from stillair.runtime.plans import watch_plan
from stillair.simulation.scenario import load
from stillair.simulation.scene import Scene
from stillair.simulation.season import BENCH, SEED, Cause, ShedJob, scenario_of, shed_jobs, times_of
from stillair.simulation.toolpaths import toolpath_lines
from stillair.simulation.world import SimulatedChamber
from stillair.storage import pictures
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal
from stillair.storage.packing import to_units
from stillair.storage.pictures import KeptPicture
from stillair.storage.records import Parcel
from stillair.storage.stretches import packed_rows
from stillair.storage.tail import Series
from stillair.watch import Watch, WatchPlan

ZERO_S = 19_675 * 86_400.0  # midnight before the season, of a day that doesn't matter
READING_EVERY_S = 5  # of those the watch sees, so many are kept
HEIGHT_EVERY_S = 240.0
STILLS_AT = (0.25, 0.95)  # of its height, in jobs with an open door
PICTURE_PX = (440, 330)
SEEN_AFTER_S = 90.0  # whoever is in the shed has seen an alarm
JUDGED_AFTER_S = 900.0  # the part is out of the box, and looked at
KEPT_AFTER_S = 2.5 * 3600.0  # of cooling
LONGEST_S = 40 * 3600.0
BY = "the simulated machine"


@dataclass(frozen=True, slots=True, eq=False)
class MadeJob:
    """All that came of one job: what the journal keeps, and the readings."""

    job: ShedJob
    id: str
    parcels: tuple[Parcel, ...]
    readings: tuple[dict[str, Any], ...]  # rows of the archive
    pictures: tuple[tuple[KeptPicture, bytes], ...]  # a few, by the simulated camera


@dataclass(slots=True)
class Run:
    """What is carried on from one job to the next, besides what the journal keeps.

    The watch learns the box's heat anew with each job: what it learned of a hotter bed would
    be held against a cooler one.
    """

    next_job: int = 1
    toolpaths: dict[str, Toolpath] = field(default_factory=dict)

    def toolpath(self, of: ShedJob) -> Toolpath:
        """What a job follows, as the product reads it."""
        found = self.toolpaths.get(of.of)
        if found is None:
            lines = "".join(toolpath_lines(of.what.build)).encode()
            found = self.toolpaths[of.of] = analyse([lines], MotionLimits())
        return found


def made_jobs(
    folder: Path,
    *,
    run: Run | None = None,
    seed: int = SEED,
    only: Callable[[ShedJob], bool] = lambda _: True,
) -> Iterator[MadeJob]:
    """The jobs of a season, one after the other; `folder` is empty, and gets their history.

    `run` is a fresh one, by which the caller gets the toolpaths that they follow.

    Raises `StoreError` where the folder can't be written.
    """
    settings = default_chamber()
    run = run or Run()
    journal, archive = Journal.open(folder / JOURNAL), Archive.open(folder / ARCHIVE)
    try:
        for job in shed_jobs(seed):
            if not only(job):
                run.next_job += 1
                continue
            yield _made(job, settings, run, folder, journal, archive)
    finally:
        archive.close()
        journal.close()


def day_of(number: int) -> date:
    """The day of that number, by the times that a season is made with."""
    return date(1970, 1, 1) + timedelta(seconds=ZERO_S + 86_400.0 * number)


def _made(
    job: ShedJob,
    settings: ChamberSettings,
    run: Run,
    folder: Path,
    journal: Journal,
    archive: Archive,
) -> MadeJob:
    name = f"{settings.key}-{run.next_job}"
    toolpath = run.toolpath(job)
    timeline = Timeline(f"season {job.number}", ZERO_S + 86_400.0 * job.day + 3600.0 * job.hour)
    # As after a restart, but that nobody asks why the shed's computer was off between two jobs.
    known = journal.memory(settings.key, timeline)
    memory = replace(known, next_job=run.next_job, last_seen_s=None)
    session = _Session(job, name, settings, Watch(_plan(settings), memory), toolpath)
    outcomes = session.run()
    rows = [row for each in session.series(timeline) for row in packed_rows(each)]
    archive.take_in(rows)
    run.next_job += 1
    parcels = [_parcel(job, number, each, timeline) for number, each in enumerate(outcomes)]
    journal.commit_all(parcels)
    asked = Diagnosed(
        job=name,
        chamber=settings.key,
        box=box_mark(settings),
        air=tuple(s.name for s in settings.sensors if s.place is Place.CHAMBER),
        room=tuple(s.name for s in settings.sensors if s.place is Place.ROOM),
        sensors=sensor_marks(settings),
        target_c=settings.chamber.target_c,
    )
    # Brought in, it has other labels, and is measured as it was all the same.
    found = replace(diagnose(folder, asked), t_s=session.last_s, over="")
    told = Outcome(settings.key, session.last_s, diagnoses=(found,))
    parcels.append(_parcel(job, len(parcels), told, timeline))
    journal.commit_all(parcels[-1:])
    return MadeJob(job, name, tuple(parcels), tuple(rows), session.pictures(timeline))


def _plan(settings: ChamberSettings) -> WatchPlan:
    """Of the chamber without a camera, since nobody draws pictures so fast, and without people:
    nobody is asked to be near it."""
    return replace(watch_plan(settings), camera=False, attendance=None, people=())


def _parcel(job: ShedJob, number: int, outcome: Outcome, timeline: Timeline) -> Parcel:
    return Parcel(outcome, timeline, f"season {job.number} {number}")


class _Session:
    """One job, from a cold box to a cold box."""

    def __init__(
        self,
        job: ShedJob,
        name: str,
        settings: ChamberSettings,
        watch: Watch,
        toolpath: Toolpath,
    ) -> None:
        self._job, self._name, self._settings, self.watch = job, name, settings, watch
        self._layers = toolpath.layers
        toolpath_s = toolpath.whole.duration_s
        self._times = times_of(job, toolpath_s)
        self._world = SimulatedChamber(
            scenario_of(job, load(settings.simulation.scenario), toolpath_s), seed=job.number
        )
        self._points = {s.name: getattr(s, "point", None) or s.name for s in settings.sensors}
        self._kept: dict[str, tuple[array[int], array[int]]] = {
            s.name: (array("q"), array("q")) for s in settings.sensors
        }
        self._outcomes: list[Outcome] = []
        self._contacts: dict[str, bool] = {}
        self._seen_at: dict[str, float] = {}  # alarms, and when somebody will have seen them
        self._told_s = 0.0  # when a height was told last
        self._paused_s = 0.0
        self._paused_since_s: float | None = None
        self._done_s: float | None = None
        self._scene = Scene(settings.simulation.seed)  # the box looks the same in each job
        self._drawn: list[tuple[KeptPicture, bytes]] = []
        self._stills = list(STILLS_AT) if job.cause is Cause.DOOR else []
        self._amid_door_s = next(
            (at_s + float(round(opening.for_s / 2.0)) for at_s, opening in self._times.openings),
            0.0,
        )
        self._planned = self._plan()
        self.last_s = 0.0

    def run(self) -> Sequence[Outcome]:
        """All that has to be kept, in order."""
        t_s = 0.0
        while not self._is_over(t_s):
            self._second(t_s)
            t_s += 1.0
        self.last_s = t_s
        return self._outcomes

    def series(self, timeline: Timeline) -> list[Series]:
        """The readings that are kept, with their labels."""
        zero_ms = round(timeline.wall_at_zero_s * 1000)
        return [
            Series(self._settings.key, name, array("q", [zero_ms + t for t in times]), units)
            for name, (times, units) in self._kept.items()
        ]

    def pictures(self, timeline: Timeline) -> tuple[tuple[KeptPicture, bytes], ...]:
        """What the simulated camera saw of doors and of a few heights."""
        return tuple((replace(kept, timeline=timeline), jpeg) for kept, jpeg in self._drawn)

    def _is_over(self, t_s: float) -> bool:
        if t_s >= LONGEST_S:
            raise RuntimeError(f"{self._name} does not come to its end")  # a script that is wrong
        if self._done_s is None or t_s < self._done_s + KEPT_AFTER_S or self._planned:
            return False
        view = self.watch.view()
        stands = {event.kind for event in view.events} - {Kind.COOL_ENOUGH}
        return view.job is None and not stands and not view.alarms

    def _second(self, t_s: float) -> None:
        self._world.advance(t_s)
        keeps = self._done_s is None or t_s <= self._done_s + KEPT_AFTER_S
        for name, point in self._points.items():
            try:
                value_c = self._world.temperature_c(point)
            except SensorError:
                continue
            if value_c is None:
                continue
            self._step(Reading(name, t_s, value_c))
            if keeps and t_s % READING_EVERY_S == 0:
                times, units = self._kept[name]
                times.append(round(t_s * 1000))
                units.append(to_units(value_c))
        for contact in self._settings.contacts:
            active = self._world.contact(contact.name)
            if self._contacts.get(contact.name) is not active:
                self._contacts[contact.name] = active
                self._step(ContactState(contact.name, contact.kind, t_s, active, ""))
        while self._planned and self._planned[0].t_s <= t_s:
            self._step(self._planned.pop(0))
        for command in [*self._machine(t_s), *self._answers(t_s)]:
            self._step(command)
        self._step(Tick(t_s))
        if self._job.cause is Cause.DOOR and t_s == self._amid_door_s:
            self._draw(pictures.STILL, t_s, self._height_mm(t_s), {})

    def _step(self, stimulus: Reading | ContactState | Command | Tick) -> None:
        outcome = self.watch.step(stimulus)
        if outcome.empty:
            return
        self._outcomes.append(outcome)
        for change in outcome.events:
            if change.change is Change.RAISED and change.kind is Kind.DOOR_OPEN:
                detail: dict[str, JsonValue] = {"offset_s": 0.0, "saw": []}
                self._draw("moment", stimulus.t_s, change.height_mm, detail, change)
        for told in outcome.jobs:
            height_mm = told.height_mm or 0.0
            if self._stills and height_mm >= self._stills[0] * self._job.what.part.height_mm:
                self._stills.pop(0)
                self._draw(pictures.STILL, stimulus.t_s, height_mm, {})

    def _draw(
        self,
        part: str,
        t_s: float,
        height_mm: float | None,
        detail: dict[str, JsonValue],
        of: EventChange | None = None,
    ) -> None:
        """Have the simulated camera take a picture, smaller than a real one is kept."""
        pixels = self._scene.draw(self._world.scene_state())
        small = cv2.resize(pixels, PICTURE_PX, interpolation=cv2.INTER_AREA)
        jpeg = as_jpeg(np.asarray(small, np.uint8))
        assert jpeg is not None  # it has pixels
        kept = KeptPicture(
            id=uuid5(NAMESPACE_OID, f"season {self._job.number} {len(self._drawn)}").hex,
            chamber=self._settings.key,
            part=part,
            t_s=t_s,
            timeline=Timeline("", 0.0),
            size_bytes=len(jpeg),
            kind=of.kind.value if of else "",
            event=of.event if of else None,
            job=self._name,
            height_mm=height_mm,
            detail={"origin": self._settings.family.value, **detail},
        )
        self._drawn.append((kept, jpeg))

    # --- what people and the machine say ------------------------------------------------

    def _plan(self) -> list[Command]:
        """What is said at times that are known beforehand."""
        job, name, times = self._job, self._name, self._times
        held_since = (day_of(job.day) - timedelta(days=job.held_days)).isoformat()
        log = replace(job.log, held_since=held_since)
        named = tuple(key for key in JobLog.__dataclass_fields__ if getattr(log, key) is not None)
        said: list[Command] = [
            StartJob(
                t_s=times.begun_s,
                by=job.begun_by,
                name=job.what.name,
                material=job.what.material,
                machine=BENCH,
            ),
            TellLog(t_s=times.begun_s + 120.0, by=job.begun_by, job=name, log=log, named=named),
        ]
        opened = [at_s for at_s, opening in times.openings if not opening.pause]
        for word in job.words:
            at_s = (opened[0] if opened else times.begun_s) + 400.0
            said.append(AddNote(t_s=at_s, by=word.by, job=name, text=word.text))
        judged_s = times.done_s + KEPT_AFTER_S - JUDGED_AFTER_S
        said += [
            TellLog(
                t_s=judged_s,
                by=job.judged_by,
                job=name,
                piece=piece,
                piece_named=("place", "outcome", "flaws"),
            )
            for piece in map(self._measured, job.pieces)
        ]
        said.append(TellOutcome(t_s=judged_s, by=job.judged_by, job=name, outcome=job.outcome))
        return sorted(said, key=lambda command: command.t_s)

    def _measured(self, piece: PieceOutcome) -> PieceOutcome:
        """A piece with cracks at the height that was laid while the door stood open.

        By the toolpath's clock, which the plan doesn't know; how well a person measures is
        the plan's.
        """
        if self._job.cause is not Cause.DOOR:
            return piece
        opening = self._job.openings[0]
        laid_mm = self._height_mm(self._amid_door_s) or 0.0
        off_mm = laid_mm - opening.share * self._job.what.part.height_mm
        flaws = (
            replace(flaw, height_mm=round((flaw.height_mm or 0.0) + off_mm, 1))
            for flaw in piece.flaws
        )
        return replace(piece, flaws=tuple(flaws))

    def _machine(self, t_s: float) -> Iterator[Command]:
        """What the machine tells of its job; heights by its toolpath."""
        name = self._name
        for mark in self._world.marks():
            match mark.kind:
                case "pause":
                    self._paused_since_s = t_s
                    yield PauseJob(t_s=t_s, by=BY, job=name)
                case "resume":
                    self._paused_s += t_s - (self._paused_since_s or t_s)
                    self._paused_since_s = None
                    yield ResumeJob(t_s=t_s, by=BY, job=name)
                case "finish":
                    self._done_s = t_s
                    yield ReportHeight(
                        t_s=t_s, by=BY, job=name, height_mm=float(self._layers.height_mm[-1])
                    )
                    yield FinishJob(t_s=t_s, by=BY, job=name)
                case "progress" if t_s - self._told_s >= HEIGHT_EVERY_S:
                    height_mm = self._height_mm(t_s)
                    if height_mm is not None:
                        self._told_s = t_s
                        yield ReportHeight(t_s=t_s, by=BY, job=name, height_mm=height_mm)

    def _height_mm(self, t_s: float) -> float | None:
        """The layer that is being laid, by the toolpath's clock; None before the first."""
        clock_s = (t_s - self._times.built_from_s - self._paused_s) / self._job.rate
        layer = int(np.searchsorted(self._layers.start_s, clock_s, side="right")) - 1
        return None if layer < 0 else round(float(self._layers.height_mm[layer]), 3)

    def _answers(self, t_s: float) -> Iterator[Command]:
        """Whoever is there has seen an alarm after a while."""
        for alarm in self.watch.view().alarms:
            if alarm.annunciation not in (
                Annunciation.UNACKNOWLEDGED,
                Annunciation.RETURNED_UNACKNOWLEDGED,
            ):
                continue
            due_s = self._seen_at.setdefault(alarm.id, t_s + SEEN_AFTER_S)
            if t_s >= due_s:
                del self._seen_at[alarm.id]
                yield Acknowledge(t_s=t_s, by=self._job.begun_by, alarm=alarm.id)
