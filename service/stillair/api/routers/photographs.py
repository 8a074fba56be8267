"""Photographs of a job's part: sent as they are, listed, removed. Seen as every other picture."""

from __future__ import annotations

import asyncio
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Request
from starlette.requests import ClientDisconnect

from stillair.access.roles import Principal
from stillair.api.entry import TheService, Viewer, acting
from stillair.api.guard import PICTURE
from stillair.api.problems import Problem
from stillair.api.schemas import Created, Done, Listing
from stillair.errors import InputError
from stillair.media.photographs import MOST_BYTES

router = APIRouter(prefix="/api/jobs/{job}/photographs", tags=["job log"])

Adder = Annotated[Principal, acting("photograph added")]
Remover = Annotated[Principal, acting("photograph removed")]

WHOLE_S = 60.0  # for all of it, over a slow wireless network of a shed
BODY = {
    "requestBody": {
        "required": True,
        "content": {
            form: {"schema": {"type": "string", "format": "binary"}} for form in sorted(PICTURE[1])
        },
    }
}


@router.post("", status_code=201, openapi_extra=BODY)
async def add(job: str, request: Request, service: TheService, person: Adder) -> Created:
    """Add a photograph, the file itself as the body; it is kept at most 1600 px long.

    Whatever else the file holds (place, camera, names) is thrown away.
    """
    photographs = service.photographs
    await asyncio.to_thread(photographs.check, job)
    async with photographs.taking:
        data = await _taken(request)
        try:
            made = await photographs.add(job, data, person.name)
        except InputError as error:
            why = str(error)
            raise Problem(HTTPStatus.UNPROCESSABLE_ENTITY, f"{why[:1].upper()}{why[1:]}.") from None
    return Created(id=made, stored=True)


@router.get("")
def photographs(job: str, service: TheService, _: Viewer) -> Listing:
    """The job's photographs, oldest first; each is at `/api/pictures/{id}`."""
    service.job(job)
    items = service.photographs.items(job)
    return Listing(items=[dict(item) for item in items], next=None)


@router.delete("/{picture}")
def remove(job: str, picture: str, service: TheService, _: Remover) -> Done:
    """Remove one photograph for ever."""
    service.photographs.remove(job, picture)
    return Done()


async def _taken(request: Request) -> bytes:
    """The whole body, within limits of size and time. Raises `Problem`."""
    too_large = Problem(
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
        f"A photograph has at most {MOST_BYTES // 10**6} MB here.",
    )
    if int(request.headers.get("content-length", "0")[:12]) > MOST_BYTES:
        raise too_large
    taken = bytearray()
    try:
        async with asyncio.timeout(WHOLE_S):
            async for block in request.stream():
                taken += block
                if len(taken) > MOST_BYTES:
                    raise too_large
    except TimeoutError:
        raise Problem(
            HTTPStatus.REQUEST_TIMEOUT, f"The photograph did not come within {WHOLE_S:g} s."
        ) from None
    except ClientDisconnect:
        raise Problem(HTTPStatus.BAD_REQUEST, "The photograph did not come to its end.") from None
    return bytes(taken)
