"""A job to take along: all that is kept of it as one file, and the settings it ran under."""

from __future__ import annotations

import asyncio
import logging
from http import HTTPStatus
from typing import TYPE_CHECKING

from fastapi import APIRouter, Response
from starlette.requests import ClientDisconnect
from starlette.responses import StreamingResponse
from starlette.types import Message, Receive, Scope, Send

from stillair.api.entry import TheService, Viewer
from stillair.api.problems import Problem
from stillair.api.schemas import Listing
from stillair.errors import CommandRefused
from stillair.late import Late
from stillair.runtime.job_file_sending import JobFile
from stillair.runtime.job_words import disposition
from stillair.runtime.worker import WorkFailedError

if TYPE_CHECKING:
    from stillair.runtime import job_file
else:
    job_file = Late("stillair.runtime.job_file")

log = logging.getLogger(__name__)

router = APIRouter(prefix="/api/jobs", tags=["job file"])

PATIENCE_S = 60.0  # for a block of 64 KiB; slower than that nobody fetches anything


@router.get(
    "/{job}/file",
    response_class=Response,
    responses={200: {"content": {"application/zip": {}}}},
)
async def file(job: str, service: TheService, _: Viewer) -> Response:
    """All that is kept of a job as a zip, made while it comes; of a running job up to now.

    Readings as `stillair replay` takes them, events, settings, layers, log, pictures; no
    names of people, no addresses. 409 while two others are being made.
    """
    item = await asyncio.to_thread(service.job, job)
    key = service.kept_chamber(str(item["chamber"]))
    await service.archive.write_out()
    try:
        air = await asyncio.to_thread(service.air_of, job)
    except CommandRefused:
        air = ()  # nobody watches there any more, and the job is older than its settings' record
    asked = job_file.Asked(
        job=job,
        now_s=service.chamber_time_s(key),
        air=air,
        private=tuple(p.name for of in service.chambers() for p in of.settings.people),
    )
    try:
        made = await service.job_files.begin(asked)
    except WorkFailedError as error:
        log.warning("%s: its file was not made: %s", job, error)
        raise Problem(
            HTTPStatus.SERVICE_UNAVAILABLE, "It can't be made just now; ask again in a minute."
        ) from None
    name = disposition(str(item["started_at"])[:10], str(item["name"]), job)
    return _Sent(made, {"Content-Disposition": name, "Cache-Control": "private, no-store"})


@router.get("/{job}/settings")
def ran_under(job: str, service: TheService, _: Viewer) -> Listing:
    """The settings a job ran under, in the order in which they came to hold.

    `settings` is null where only their `fingerprint` is kept: the job is older than this
    record. Addresses, people, passwords and files are not among them.
    """
    service.job(job)
    under = service.history.settings().of_job(job)
    return Listing(items=[job_file.settings_item(each) for each in under], next=None)


class _Sent(StreamingResponse):
    """The file as it comes. Who takes nothing for a minute, or goes away, ends the work on it."""

    def __init__(self, made: JobFile, headers: dict[str, str]) -> None:
        super().__init__(made.blocks(), media_type="application/zip", headers=headers)
        self._made = made

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def in_time(message: Message) -> None:
            async with asyncio.timeout(PATIENCE_S):
                await send(message)

        try:
            await super().__call__(scope, receive, in_time)
        # Without its end whoever fetches it sees that it is not whole.
        except TimeoutError:
            log.warning("a job's file was not fetched to its end: nobody took it")
        except WorkFailedError as error:
            log.warning("a job's file did not come to its end: %s", error)
        except ClientDisconnect:
            pass
        finally:
            await self._made.close()
