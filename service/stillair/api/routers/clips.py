"""Films of events and of jobs: which there are, and each of them to be looked at."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Response
from fastapi.responses import FileResponse

from stillair.access.roles import Principal, Role
from stillair.api.entry import TheService, Viewer, acting
from stillair.api.problems import Problem
from stillair.api.routers.jobs import After, Limit
from stillair.api.routers.pictures import ASK_FIRST
from stillair.api.schemas import Done, Listing
from stillair.storage import clips as rows

router = APIRouter(prefix="/api", tags=["clips"])

Eraser = Annotated[Principal, acting("film erased", Role.OWNER)]
GONE = "There is no such film, or it is not kept any more."


@router.get("/jobs/{job}/clips")
def of_job(job: str, service: TheService, _: Viewer) -> Listing:
    """A job's films: `part` is clip (of events) or time_lapse, which comes last.

    `state` is making, kept, lost or, where the camera was paused all the while, paused;
    `film_s` is when in the film an event was known; `paused` says when no pictures were taken.
    """
    service.job(job)
    return Listing(items=[dict(item) for item in service.history.clips().of_job(job)], next=None)


@router.get("/clips")
def of_chamber(
    service: TheService,
    _: Viewer,
    chamber: str | None = None,
    after: After = 0,
    limit: Limit = 200,
) -> Listing:
    """All films of a chamber, also of events outside of jobs, newest last."""
    items, more = service.history.clips().of_chamber(service.chamber(chamber), after, limit)
    return Listing(items=[dict(item) for item in items], next=more)


@router.get(
    "/clips/{clip}",
    response_class=Response,
    responses={
        200: {"content": {"video/webm": {}}},
        206: {"description": "The stretch that `Range` asks for."},
        416: {"description": "There is no such stretch."},
    },
)
def film(clip: str, service: TheService, _: Viewer) -> Response:
    """One film as WebM; it never changes, and stretches of it may be asked for."""
    item = service.history.clips().one(clip)
    if item is None or item["state"] != rows.KEPT:
        raise Problem(HTTPStatus.NOT_FOUND, GONE)
    path = service.clips.path(str(item["id"]))
    if not path.is_file():
        raise Problem(HTTPStatus.NOT_FOUND, GONE)
    return FileResponse(path, media_type="video/webm", headers={"Cache-Control": ASK_FIRST})


@router.delete("/clips/{clip}")
def erase(clip: str, service: TheService, _: Eraser) -> Done:
    """Erase one film, for ever."""
    service.erasing.film(clip)
    return Done()
