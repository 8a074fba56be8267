"""Jobs: started, paused, resumed, told their height, noted on, finished, looked back on."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from stillair.api.entry import Operator, TheService, Viewer
from stillair.api.schemas import Columns, Created, Done, Listing, NewJob, Note, Progress, listing
from stillair.api.times import Moment, stretch
from stillair.model import AddNote, FinishJob, PauseJob, ReportHeight, ResumeJob, StartJob

router = APIRouter(prefix="/api/jobs", tags=["jobs"])

After = Annotated[int, Query(ge=0, description="only what came after this `seq`")]
Limit = Annotated[int, Query(ge=1, le=1000)]
Points = Annotated[int, Query(ge=2, le=20_000, description="at most about so many rows")]


@router.get("")
def jobs(service: TheService, _: Viewer, after: After = 0, limit: Limit = 200) -> Listing:
    """All jobs, newest last."""
    return listing(service.history.jobs(after, limit))


@router.post("", status_code=201)
async def start(new: NewJob, service: TheService, person: Operator) -> Created:
    """Begin a job; 409 while one runs in that chamber."""
    answer = await service.command(
        service.chamber(new.chamber),
        lambda t_s: StartJob(
            t_s=t_s,
            by=person.name,
            name=new.name,
            material=new.material,
            machine=new.machine,
            notes=new.notes,
        ),
    )
    return Created(id=answer.created or "", stored=answer.stored)


@router.get("/{job}")
def one(job: str, service: TheService, _: Viewer) -> dict[str, Any]:
    """One job."""
    return service.job(job)


@router.post("/{job}/finish")
async def finish(job: str, service: TheService, person: Operator) -> Done:
    """The part is built; cooling down still belongs to the job."""
    answer = await service.job_command(job, lambda t_s: FinishJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/pause")
async def pause(job: str, service: TheService, person: Operator) -> Done:
    """The machine stands still on purpose: a change of material, an empty spool."""
    answer = await service.job_command(job, lambda t_s: PauseJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/resume")
async def resume(job: str, service: TheService, person: Operator) -> Done:
    """The machine goes on."""
    answer = await service.job_command(job, lambda t_s: ResumeJob(t_s=t_s, by=person.name, job=job))
    return Done(stored=answer.stored)


@router.post("/{job}/progress")
async def progress(job: str, told: Progress, service: TheService, person: Operator) -> Done:
    """The part has reached this height."""
    answer = await service.job_command(
        job,
        lambda t_s: ReportHeight(t_s=t_s, by=person.name, job=job, height_mm=told.height_mm),
    )
    return Done(stored=answer.stored)


@router.post("/{job}/note")
async def note(job: str, told: Note, service: TheService, person: Operator) -> Done:
    """A remark that belongs to this moment ("compressor on")."""
    answer = await service.job_command(
        job, lambda t_s: AddNote(t_s=t_s, by=person.name, job=job, text=told.text)
    )
    return Done(stored=answer.stored)


@router.get("/{job}/notes")
def notes(
    job: str, service: TheService, _: Viewer, after: After = 0, limit: Limit = 200
) -> Listing:
    """The job's notes, newest last."""
    service.job(job)
    return listing(service.history.entries(after, limit, "note", job=job))


@router.get("/{job}/readings")
def readings(
    job: str,
    service: TheService,
    _: Viewer,
    start: Annotated[Moment | None, Query(alias="from")] = None,
    to: Moment | None = None,
    points: Points = 2000,
) -> Columns:
    """The job's readings; lowest and highest of each stretch survive thinning."""
    return Columns(**service.job_readings(job, *stretch(start, to), points))
