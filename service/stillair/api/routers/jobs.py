"""Jobs: started, paused, resumed, told their height, noted on, finished, looked back on."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import replace
from functools import partial
from http import HTTPStatus
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query

from stillair.access.roles import Principal, Role, Scope
from stillair.api.entry import (
    Operator,
    ProgressTeller,
    Starter,
    TheAccess,
    ThePast,
    TheService,
    Viewer,
    acting,
    in_chamber,
)
from stillair.api.problems import Problem
from stillair.api.schemas import (
    Columns,
    CorrectedJob,
    Created,
    Differences,
    Done,
    Listing,
    NewJob,
    Note,
    OtherSettings,
    Progress,
    ToldOutcome,
    Underway,
    listing,
)
from stillair.api.times import Moment, epoch_s, stretch
from stillair.errors import CommandRefused, StoreError
from stillair.model import (
    AddNote,
    CorrectJob,
    FinishJob,
    PauseJob,
    ReportHeight,
    ResumeJob,
    StartJob,
    TellOutcome,
)
from stillair.runtime.comparing import pause_items
from stillair.runtime.course import course_of
from stillair.runtime.layers import job_beside, job_time_s
from stillair.runtime.season import compared
from stillair.thermal.plan import ThermalPlan

log = logging.getLogger(__name__)

router = APIRouter(prefix="/api/jobs", tags=["jobs"])

Finisher = Annotated[Principal, acting("job finished", Role.OPERATOR, Scope.JOBS)]
Corrector = Annotated[Principal, acting("job corrected", Role.OPERATOR)]
Pauser = Annotated[Principal, acting("job paused", Role.OPERATOR, Scope.PAUSE)]
Resumer = Annotated[Principal, acting("job goes on", Role.OPERATOR, Scope.PAUSE)]
Noter = Annotated[Principal, acting("note added", Role.OPERATOR, Scope.JOBS)]
PictureEraser = Annotated[Principal, acting("pictures of a job erased", Role.OWNER)]
Eraser = Annotated[Principal, acting("job erased", Role.OWNER)]
Outcomer = Annotated[Principal, acting("outcome told")]

MOST_SEQ = 10**15  # more than there will be, and less than SQLite has room for
After = Annotated[
    int,
    Query(
        ge=-MOST_SEQ,
        le=MOST_SEQ,
        description="only what came after this `seq`; what was brought in has some below zero",
    ),
]
Limit = Annotated[int, Query(ge=1, le=1000)]
Points = Annotated[int, Query(ge=2, le=20_000, description="at most about so many rows")]


@router.get("")
def jobs(
    service: ThePast,
    _: Viewer,
    chamber: str | None = None,
    newest: Annotated[bool, Query(description="the last `limit`, and no more")] = False,
    after: After = 0,
    limit: Limit = 200,
) -> Listing:
    """All jobs, or those of a chamber, newest last."""
    key = service.kept_chamber(chamber) if chamber is not None else None
    service.history.catch_up()
    return listing(service.history.jobs(after, limit, chamber=key, last=newest))


@router.post("", status_code=201)
async def start(new: NewJob, service: TheService, access: TheAccess, person: Starter) -> Created:
    """Begin a job; 409 while one runs in that chamber.

    Without `chamber`: in that of the token, or in the first. `toolpath`: the id of the one
    that it follows, which can also be told later.
    """
    key = service.chamber(new.chamber if new.chamber is not None else person.chamber)
    in_chamber(person, key)
    if new.toolpath is not None:  # before anything begins
        await asyncio.to_thread(service.toolpaths.check_followed, new.toolpath)
    answer = await service.command(
        key,
        lambda t_s: StartJob(
            t_s=t_s,
            by=person.name,
            name=new.name,
            material=new.material,
            machine=new.machine,
            notes=new.notes,
        ),
    )
    begun = answer.created or ""
    if new.toolpath is not None:
        try:
            await asyncio.to_thread(service.toolpaths.follow, begun, new.toolpath)
        except (CommandRefused, StoreError) as error:  # the job has begun all the same
            log.warning("job %s: its toolpath could not be noted: %s", begun, error)
    access.act("job begun", begun, by=person.name, address=person.address)
    return Created(id=begun, stored=answer.stored)


@router.get("/{job}")
def one(job: str, service: ThePast, _: Viewer) -> dict[str, Any]:
    """One job, when it stood paused, and which toolpath it follows."""
    return {
        **service.job(job),
        "pauses": pause_items(service.history, job),
        "toolpath": service.toolpath_of(job),
    }


@router.patch("/{job}")
async def correct(job: str, told: CorrectedJob, service: TheService, person: Corrector) -> Done:
    """Say what a job really was, also days later; that confirms one that was guessed."""
    began_s, ended_s = epoch_s(told.started_at), epoch_s(told.finished_at)
    kept, timeline = await asyncio.to_thread(service.job_now, job)
    words = {
        name: value
        for name in ("name", "material", "machine", "notes")
        if (value := getattr(told, name)) is not None
    }
    mended = replace(
        kept,
        started_s=kept.started_s if began_s is None else began_s - timeline.wall_at_zero_s,
        finished_s=kept.finished_s if ended_s is None else ended_s - timeline.wall_at_zero_s,
        **words,
    )
    answer = await service.job_command(
        job, lambda t_s: CorrectJob(t_s=t_s, by=person.name, corrected=mended)
    )
    return Done(stored=answer.stored)


@router.post("/{job}/finish")
async def finish(job: str, service: TheService, person: Finisher) -> Done:
    """The part is built; cooling down still belongs to the job."""
    answer = await service.job_command(job, lambda t_s: FinishJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/pause")
async def pause(job: str, service: TheService, person: Pauser) -> Done:
    """The machine stands still on purpose: a change of material, an empty spool."""
    answer = await service.job_command(job, lambda t_s: PauseJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/resume")
async def resume(job: str, service: TheService, person: Resumer) -> Done:
    """The machine goes on."""
    answer = await service.job_command(job, lambda t_s: ResumeJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/progress")
async def progress(job: str, told: Progress, service: TheService, person: ProgressTeller) -> Done:
    """The part has reached this height."""
    answer = await service.job_command(
        job,
        lambda t_s: ReportHeight(t_s=t_s, by=person.name, job=job, height_mm=told.height_mm),
    )
    return Done(stored=answer.stored)


@router.post("/{job}/note")
async def note(job: str, told: Note, service: TheService, person: Noter) -> Done:
    """A remark that belongs to this moment ("compressor on")."""
    answer = await service.job_command(
        job, lambda t_s: AddNote(t_s=t_s, by=person.name, job=job, text=told.text)
    )
    return Done(stored=answer.stored)


@router.post("/{job}/outcome")
async def outcome(job: str, told: ToldOutcome, service: TheService, person: Outcomer) -> Done:
    """How the part came out, also days later; 409 while the job runs."""
    answer = await service.job_command(
        job, lambda t_s: TellOutcome(t_s=t_s, by=person.name, job=job, outcome=told.outcome)
    )
    return Done(stored=answer.stored)


@router.delete("/{job}/pictures")
def erase_pictures(job: str, service: TheService, _: PictureEraser) -> Done:
    """Erase the job's pictures and those of its events, for ever."""
    service.erasing.pictures_of(job)
    return Done()


@router.delete("/{job}")
def erase(job: str, service: TheService, _: Eraser) -> Done:
    """Erase all that is kept of a job, for ever; 409 unless it and its alarms are over.

    Readings that are packed together with others from before or after it stay.
    """
    service.erasing.job(job)
    return Done()


@router.get("/{job}/notes")
def notes(job: str, service: ThePast, _: Viewer, after: After = 0, limit: Limit = 200) -> Listing:
    """The job's notes, newest last."""
    service.job(job)
    return listing(service.history.entries(after, limit, "note", job=job))


@router.get("/{job}/readings")
def readings(
    job: str,
    service: ThePast,
    _: Viewer,
    start: Annotated[Moment | None, Query(alias="from")] = None,
    to: Moment | None = None,
    points: Points = 2000,
) -> Columns:
    """The job's readings; lowest and highest of each stretch survive thinning."""
    return Columns(**service.job_readings(job, *stretch(start, to), points))


@router.get("/{job}/unlike")
def unlike_others(job: str, service: ThePast, _: Viewer) -> dict[str, Any]:
    """In what a job differs from the sound ones of its material, and flawed ones from sound ones.

    `unlike`: at most three figures in which this job lay outside of all sound ones. `many`: there
    are enough judged jobs for `differences`, the one least like chance first.
    """
    return compared(service.history, job)


@router.get("/{job}/stages")
def job_stages(job: str, service: ThePast, _: Viewer) -> dict[str, Any]:
    """What the job was at when, and when its camera was paused.

    `stages` follow each other without a gap: "warming", "soaking", "building", "paused",
    "cooling", or "unknown" where what is kept doesn't say. What goes on has no `to_at`.
    """
    return course_of(service.history, service.heights, job, job_time_s(service, job))


@router.get("/{job}/beside")
async def held_against(
    job: str,
    service: TheService,
    _: Viewer,
    other: Annotated[Literal["last", "band"], Query(alias="with")],
) -> dict[str, Any]:
    """The air of other jobs of this box along this one's time, in columns, a row a minute.

    `last`: the last sound job of the same part. `band`: between which temperatures the last
    sound jobs of the same material lay, from `low` to `high`; of ten or more (`many`) what
    nine in ten stay above and below. `aligned` is the moment that falls together: the
    first "layer", warm and "steady", or the "start"; pauses are left out. No `jobs`: there
    is none, or fewer than three for a band.
    """
    return await job_beside(service, job, other)


@router.post("/{job}/what-if")
async def what_if(job: str, other: OtherSettings, service: TheService, _: Operator) -> Differences:
    """Which events of the job other settings would have told; nothing is saved."""
    bears_c = service.bears_c(job)
    if other.limit_c is not None and other.limit_c > bears_c:
        raise Problem(
            HTTPStatus.CONFLICT,
            f"A limit of {other.limit_c:g} °C is more than the box bears: {bears_c:g} °C.",
        )
    return Differences(items=await service.what_if(job, partial(_changed, other), other.material))


@router.get("/{job}/what-if")
def what_if_share(job: str, service: TheService, _: Viewer) -> Underway:
    """How far the answer to `what-if` of this job is."""
    return Underway(share=service.workshop.share(job))


def _changed(other: OtherSettings, plan: ThermalPlan) -> ThermalPlan:
    """The plan with these settings instead. Raises `Problem`."""
    named = {sensor.name for sensor in plan.sensors}
    if unknown := sorted(set(other.sensors) - named):
        raise Problem(HTTPStatus.NOT_FOUND, f"There is no sensor {unknown[0]!r}.")
    limit_c = plan.limit_c if other.limit_c is None else other.limit_c
    target_c = other.target_c if "target_c" in other.model_fields_set else plan.target_c
    if target_c is not None and target_c >= limit_c:
        raise Problem(HTTPStatus.CONFLICT, "The target has to be below the limit.")
    sensors = []
    for sensor in plan.sensors:
        told = other.sensors.get(sensor.name)
        if told is not None:
            own_c = told.limit_c if "limit_c" in told.model_fields_set else sensor.limit_c
            sensor = replace(sensor, place=told.place or sensor.place, limit_c=own_c)
        sensors.append(sensor)
    return replace(plan, sensors=tuple(sensors), limit_c=limit_c, target_c=target_c)
