"""At which height a job's part was when, and when at which height; pins that people set."""

from __future__ import annotations

import asyncio
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, Field

from stillair.access.roles import Principal, Role, Scope
from stillair.api.entry import ThePast, TheService, Viewer, acting
from stillair.api.problems import Problem
from stillair.api.routers.jobs import MOST_SEQ
from stillair.api.schemas import Done, Posted
from stillair.api.times import Moment, epoch_s
from stillair.errors import CommandRefused, Refusal
from stillair.jobs.desk import HIGHEST_MM
from stillair.model import PinHeight, TakePinBack, Timeline
from stillair.runtime.layers import job_time_s
from stillair.runtime.service import Service

router = APIRouter(prefix="/api/jobs", tags=["jobs"])

Pinner = Annotated[Principal, acting("height pinned", Role.OPERATOR, Scope.JOBS)]
Unpinner = Annotated[Principal, acting("pin taken back", Role.OPERATOR, Scope.JOBS)]
HeightMm = Annotated[float | None, Query(ge=0, le=HIGHEST_MM, allow_inf_nan=False)]


class NewPin(Posted):
    """That the part had a height, just now or at a moment as in addresses."""

    height_mm: Annotated[float, Field(ge=0, le=2000, allow_inf_nan=False)]
    at: (
        Annotated[float, Field(allow_inf_nan=False)] | Annotated[str, Field(max_length=40)] | None
    ) = None


class Pin(BaseModel):
    """A pin that counts; `doubtful`: all else that is known contradicts it."""

    pin: int
    at: str
    seen_at: str
    height_mm: float
    by: str
    doubtful: bool


class Odd(BaseModel):
    """A height that the machine told and nothing else agrees with."""

    at: str
    height_mm: float


class Heights(BaseModel):
    """A job's layers in columns of one length, instants in seconds since the epoch.

    `uncertainty_s` is expanded (k = 2) and holds for both instants. `posts` of the
    heights that the machine told were used, and `left_out` agree with nothing else:
    the first of them are `odd`.
    `doubt`: the toolpath may be another job's, by its `heights` or its `duration`; to
    `unlaid` of its layers, the last ones, the job did not come before it was done.
    `height_mm[0]` is the first layer's: layers count from 0 here, and from 1 on the page.
    """

    by: str
    toolpath: str | None
    height_mm: list[float]
    start_at: list[float]
    end_at: list[float]
    uncertainty_s: list[float]
    piece: list[int]
    posts: int
    left_out: int
    odd: list[Odd]
    unlaid: int
    doubt: str
    pins: list[Pin]


class Then(BaseModel):
    """One time at which a height was built, and what happened then.

    `layer` counts from 0; `from_at` and `to_at` are as early and as late as it may have been,
    `low_mm` and `high_mm` as low and as high as the part may have been at the moment asked for.
    """

    height_mm: float
    layer: int | None
    piece: int
    start_at: str
    end_at: str
    uncertainty_s: float
    from_at: str
    to_at: str
    low_mm: float
    high_mm: float
    events: list[dict[str, Any]]


class HeightsThen(BaseModel):
    """All of them."""

    by: str
    toolpath: str | None
    items: list[Then]


@router.get("/{job}/heights")
def columns(job: str, service: ThePast, _: Viewer) -> Heights:
    """When the job's layers were built, or will be; columns in the order in which they are.

    `by` is "toolpath" where one is fitted to the job, "told" where heights are found
    between those that were told, and "nothing" where none were.
    """
    return Heights.model_validate(service.heights.of(job, job_time_s(service, job)).columns())


@router.get("/{job}/heights/when")
def when(
    job: str,
    service: ThePast,
    _: Viewer,
    height_mm: HeightMm = None,
    at: Moment | None = None,
) -> HeightsThen:
    """When a height was built, or with `at` what was built at a moment; and what happened then.

    No item where nothing is known of it; one of each piece that is built in its turn.
    """
    at_s, now_s = epoch_s(at), job_time_s(service, job)
    if (height_mm is None) == (at_s is None):
        raise Problem(HTTPStatus.CONFLICT, "Give either `height_mm` or `at`, and not both.")
    if height_mm is not None:
        return HeightsThen.model_validate(service.heights.when(job, height_mm, now_s))
    assert at_s is not None
    return HeightsThen.model_validate(service.heights.at(job, at_s, now_s))


@router.post("/{job}/pins")
async def pin(job: str, new: NewPin, service: TheService, person: Pinner) -> Done:
    """The part had this height at a moment, or just now: when each layer was built follows it.

    Also days later; 409 for a moment at which the job wasn't being built.
    """
    at_s = None if new.at is None else epoch_s(str(new.at))
    await asyncio.to_thread(service.heights.check_seen, job, at_s, job_time_s(service, job))
    zero_s = _timeline(service, job).wall_at_zero_s
    answer = await service.job_command(
        job,
        lambda t_s: PinHeight(
            t_s=t_s,
            by=person.name,
            job=job,
            height_mm=new.height_mm,
            seen_s=t_s if at_s is None else min(at_s - zero_s, t_s),
        ),
    )
    return Done(stored=answer.stored)


@router.delete("/{job}/pins/{pin}")
async def take_back(
    job: str,
    pin: Annotated[int, Path(ge=-MOST_SEQ, le=MOST_SEQ)],
    service: TheService,
    person: Unpinner,
) -> Done:
    """A pin was wrong: it counts no more. Twice is harmless."""
    counts = await asyncio.to_thread(service.history.courses().pin, job, pin)
    if counts is None:
        raise CommandRefused(Refusal.UNKNOWN, "There is no such pin.")
    if not counts:
        return Done()
    answer = await service.job_command(
        job, lambda t_s: TakePinBack(t_s=t_s, by=person.name, job=job, pin=pin)
    )
    return Done(stored=answer.stored)


def _timeline(service: Service, job: str) -> Timeline:
    return service.watched(service.chamber(job.rpartition("-")[0])).labels.timeline()
