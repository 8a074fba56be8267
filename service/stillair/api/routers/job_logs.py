"""What is written down of a job: how it was prepared, how its pieces came out, photographs."""

from __future__ import annotations

from datetime import UTC, datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BaseModel, Field

from stillair.access.roles import Principal
from stillair.api.entry import ThePast, TheService, Viewer, acting
from stillair.api.problems import Problem
from stillair.api.schemas import Done, Posted
from stillair.jobs import log
from stillair.model import (
    Brim,
    Flaw,
    FlawKind,
    Hold,
    JobLog,
    JobOutcome,
    PieceOutcome,
    Spot,
    TellLog,
)
from stillair.storage.items import log_item, piece_item

router = APIRouter(prefix="/api/jobs", tags=["job log"])

Logger = Annotated[Principal, acting("job log told")]
PieceTeller = Annotated[Principal, acting("piece told")]
PieceEraser = Annotated[Principal, acting("piece taken out")]

MOST_WORDS = 200
Number = Annotated[int, Path(ge=1, le=log.MOST_PIECES, description="number of the piece")]


def _figure(name: str) -> Any:
    lowest, highest, _, what = log.LIMITS[name]
    return Field(ge=lowest, le=highest, allow_inf_nan=False, description=what)


class LogWord(Posted):
    """What is known of a job; what isn't named stays as it is, and null takes it back."""

    batch: Annotated[str | None, Field(max_length=log.BATCH_LENGTH)] = None
    dried_h: Annotated[float | None, _figure("dried_h")] = None
    dried_c: Annotated[float | None, _figure("dried_c")] = None
    humidity_percent: Annotated[float | None, _figure("humidity_percent")] = None
    hold: Annotated[Hold | None, Field(strict=False)] = None
    held_since: Annotated[
        str | None, Field(max_length=10, description="the day, as 2026-11-03")
    ] = None
    brim: Annotated[Brim | None, Field(strict=False)] = None
    fan_percent: Annotated[float | None, _figure("fan_percent")] = None
    nozzle_c: Annotated[float | None, _figure("nozzle_c")] = None
    bed_c: Annotated[float | None, _figure("bed_c")] = None
    toolpath: Annotated[str | None, Field(max_length=log.TOOLPATH_LENGTH)] = None


class FlawWord(Posted):
    """One thing that is wrong with a piece."""

    kind: Annotated[FlawKind, Field(strict=False)]
    height_mm: Annotated[float | None, Field(ge=0, le=log.HIGHEST_MM, allow_inf_nan=False)] = None
    place: Annotated[Spot | None, Field(strict=False)] = None
    text: Annotated[str, Field(max_length=log.FLAW_LENGTH)] = ""


class PieceWord(Posted):
    """How a piece came out; what isn't named stays as it is, and null takes it back."""

    place: Annotated[Spot | None, Field(strict=False)] = None
    outcome: Annotated[JobOutcome | None, Field(strict=False)] = None
    flaws: Annotated[tuple[FlawWord, ...], Field(max_length=log.MOST_FLAWS, strict=False)] = ()


class LastTime(BaseModel):
    """How the last job of the same material was prepared, as far as this one doesn't say."""

    job: str
    name: str
    log: dict[str, Any]


class LogSaid(BaseModel):
    """A job's log: what stands, what follows of the whole job, and every word on it."""

    job: str
    by: str | None = Field(description="who said the newest word")
    log: dict[str, Any]
    pieces: list[dict[str, Any]]
    worst: JobOutcome | None = Field(description="of the pieces: so came out the whole job")
    last_time: LastTime | None
    words: list[dict[str, Any]] = Field(description=f"the newest {MOST_WORDS}, oldest first")


@router.get("/{job}/log")
def one(job: str, service: ThePast, _: Viewer) -> LogSaid:
    """What is written down of a job, and who said what of it when."""
    service.job(job)
    logs = service.history.logs()
    kept = logs.of([job]).get(job)
    said = JobLog() if kept is None else kept.log
    pieces = () if kept is None else kept.pieces
    words = service.history.entries(limit=MOST_WORDS, topic="log", job=job, last=True)
    return LogSaid(
        job=job,
        by=None if kept is None else kept.by,
        log=log_item(said),
        pieces=[piece_item(piece) for piece in pieces],
        worst=log.worst(pieces),
        last_time=_last_time(logs.before(job), said),
        words=[dict(entry.body) for entry in words.entries],
    )


@router.patch("/{job}/log")
async def tell(job: str, told: LogWord, service: TheService, person: Logger) -> Done:
    """Write down something of a job, at any time, also days later."""
    said = JobLog(**{name: getattr(told, name) for name in log.FIELDS})
    log.check_day(said, datetime.now(UTC).date())
    named = tuple(sorted(told.model_fields_set))
    answer = await service.job_command(
        job, lambda t_s: TellLog(t_s=t_s, by=person.name, job=job, log=said, named=named)
    )
    return Done(stored=answer.stored)


@router.put("/{job}/pieces/{number}")
async def tell_piece(
    job: str, number: Number, told: PieceWord, service: TheService, person: PieceTeller
) -> Done:
    """Say how one piece came out and what is wrong with it, at any time, also days later.

    The job as a whole came out as the worst of its pieces, unless that is told itself.
    """
    flaws = tuple(Flaw(flaw.kind, flaw.height_mm, flaw.place, flaw.text) for flaw in told.flaws)
    piece = PieceOutcome(number, told.place, told.outcome, flaws)
    named = tuple(sorted(told.model_fields_set))
    answer = await service.job_command(
        job,
        lambda t_s: TellLog(t_s=t_s, by=person.name, job=job, piece=piece, piece_named=named),
    )
    return Done(stored=answer.stored)


@router.delete("/{job}/pieces/{number}")
async def erase_piece(job: str, number: Number, service: TheService, person: PieceEraser) -> Done:
    """Take a piece out of the log; what was said of it stays among the words."""
    service.job(job)
    kept = service.history.logs().of([job]).get(job)
    if kept is None or all(piece.number != number for piece in kept.pieces):
        raise Problem(HTTPStatus.NOT_FOUND, f"The log of this job has no piece {number}.")
    answer = await service.job_command(
        job, lambda t_s: TellLog(t_s=t_s, by=person.name, job=job, gone=number)
    )
    return Done(stored=answer.stored)


def _last_time(before: tuple[str, str, JobLog] | None, said: JobLog) -> LastTime | None:
    if before is None:
        return None
    job, name, last = before
    item = {
        name: value
        for name, value in log_item(log.offered(said, last)).items()
        if value is not None
    }
    return LastTime(job=job, name=name, log=item) if item else None
