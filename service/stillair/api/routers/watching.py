"""What the watch sees and tells: now, events, alarms, the picture, the last readings."""

from __future__ import annotations

import asyncio
from enum import IntEnum
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from stillair.access.roles import Principal, Role
from stillair.api.description import ANYBODY
from stillair.api.entry import ThePast, TheService, Viewer, acting, shown
from stillair.api.problems import Problem
from stillair.api.routers.jobs import After, Limit, Points
from stillair.api.schemas import (
    Columns,
    Done,
    Health,
    Listing,
    Pausing,
    Shelving,
    WatchLine,
    WatchLines,
    listing,
)
from stillair.api.times import Moment, stretch
from stillair.model import Acknowledge, Kind, Reset, Shelve, Unshelve
from stillair.runtime.how_it_watches import lines
from stillair.storage.items import label

router = APIRouter(prefix="/api", tags=["watching"])

Acknowledger = Annotated[Principal, acting("alarm acknowledged")]
Resetter = Annotated[Principal, acting("danger cleared")]
Shelver = Annotated[Principal, acting("alarm made quiet for a time")]
CameraPauser = Annotated[Principal, acting("camera paused")]
CameraResumer = Annotated[Principal, acting("camera looks again")]
Unshelver = Annotated[Principal, acting("alarm no longer quiet")]
FIRST_PICTURE_TURN_S, FIRST_PICTURE_TURNS = 0.05, 160  # a camera may take seconds to open


class Width(IntEnum):
    """How wide a picture is made, in pixels: each anew of every picture, so they are few."""

    SMALL = 320
    MIDDLE = 640


@router.get("/health", openapi_extra=ANYBODY)
async def health(service: ThePast) -> Health:
    """Whether the watch itself is whole; the one thing a stranger may ask."""
    return Health(status="ok" if service.is_whole() else "impaired")


@router.get("/watch")
def how_it_watches(service: TheService, request: Request, _: Viewer) -> WatchLines:
    """How sensors, camera, ways to people, disk and computer are; names no address."""
    return WatchLines(
        items=[
            WatchLine(
                part=line.part,
                thing=line.thing,
                how=line.how.value,
                told=line.told,
                since_at=label(line.since_at.timestamp()) if line.since_at else None,
                todo=line.todo or None,
                sounder=line.sounder or None,
            )
            for line in lines(service, request.app.state.folder)
        ]
    )


@router.get("/now")
def now(service: ThePast, person: Viewer) -> dict[str, Any]:
    """Everything that the first page shows; `seq` as the live stream would begin with it."""
    seq = service.last_seq
    return {**service.now(person.may(Role.OWNER)), "seq": seq}


@router.get("/events")
def events(
    service: ThePast,
    person: Viewer,
    job: str | None = None,
    kind: Kind | None = None,
    chamber: str | None = None,
    after: After = 0,
    limit: Limit = 200,
) -> Listing:
    """Changes of events, newest last."""
    key = service.kept_chamber(chamber) if chamber is not None else None
    found = listing(
        service.history.entries(
            after, limit, "event", chamber=key, job=job, kind=kind.value if kind else None
        )
    )
    return Listing(items=shown(service, person, found.items), next=found.next)


@router.get("/alarms")
def alarms(
    service: ThePast,
    person: Viewer,
    chamber: str | None = None,
    standing: bool | None = None,
    after: After = 0,
    limit: Limit = 200,
) -> Listing:
    """Alarms as they stand, newest last; those that are over too unless `standing`."""
    key = service.kept_chamber(chamber) if chamber is not None else None
    items, more = service.alarms(after, limit, key, standing)
    return Listing(items=shown(service, person, [dict(item) for item in items]), next=more)


@router.post("/alarms/{alarm}/acknowledge")
async def acknowledge(alarm: str, service: TheService, person: Acknowledger) -> Done:
    """Somebody has seen it; harmless twice."""
    answer = await service.alarm_command(
        alarm, lambda t_s: Acknowledge(t_s=t_s, by=person.name, alarm=alarm)
    )
    return Done(stored=answer.stored)


@router.post("/alarms/{alarm}/reset")
async def reset(alarm: str, service: TheService, person: Resetter) -> Done:
    """Clear a danger that is over; 409 while it stands."""
    answer = await service.alarm_command(
        alarm, lambda t_s: Reset(t_s=t_s, by=person.name, alarm=alarm)
    )
    return Done(stored=answer.stored)


@router.post("/alarms/{alarm}/shelve")
async def shelve(alarm: str, told: Shelving, service: TheService, person: Shelver) -> Done:
    """Quiet for some minutes; it returns by itself. Never possible for danger."""
    answer = await service.alarm_command(
        alarm,
        lambda t_s: Shelve(
            t_s=t_s, by=person.name, alarm=alarm, minutes=told.minutes, reason=told.reason
        ),
    )
    return Done(stored=answer.stored)


@router.post("/alarms/{alarm}/unshelve")
async def unshelve(alarm: str, service: TheService, person: Unshelver) -> Done:
    """No longer quiet."""
    answer = await service.alarm_command(
        alarm, lambda t_s: Unshelve(t_s=t_s, by=person.name, alarm=alarm)
    )
    return Done(stored=answer.stored)


@router.get("/readings")
def readings(
    service: ThePast,
    _: Viewer,
    chamber: str | None = None,
    start: Annotated[Moment | None, Query(alias="from")] = None,
    to: Moment | None = None,
    points: Points = 2000,
) -> Columns:
    """The last hour's readings of a chamber, or those of another stretch."""
    return Columns(**service.readings(service.chamber(chamber), *stretch(start, to), points))


@router.get("/last-sound")
def last_sound(service: TheService, _: Viewer, chamber: str | None = None) -> Columns:
    """The last sound job of the part that is being built, minute by minute beside this one."""
    return Columns(**service.last_sound(service.chamber(chamber)))


@router.get("/picture", response_class=Response, responses={200: {"content": {"image/jpeg": {}}}})
async def picture(
    service: TheService, _: Viewer, chamber: str | None = None, width: Width | None = None
) -> Response:
    """The latest frame as JPEG; its age in seconds is in the header `Age`.

    With `width` at most so wide, for small screens and slow links; else as the camera gives it.
    Right after the start it waits a few seconds for the camera's first one.
    """
    key = service.chamber(chamber)
    for _turn in range(FIRST_PICTURE_TURNS):
        if not service.picture_is_due(key):
            break
        await asyncio.sleep(FIRST_PICTURE_TURN_S)
    latest = await run_in_threadpool(service.picture, key, width)
    if latest is None and service.is_paused(key):
        raise Problem(HTTPStatus.NOT_FOUND, "The camera is paused: no picture is taken.")
    if latest is None:
        raise Problem(HTTPStatus.NOT_FOUND, "There is no picture: no camera, or it gives none.")
    jpeg, age_s = latest
    return Response(jpeg, media_type="image/jpeg", headers={"Age": str(int(age_s))})


@router.post("/camera/pause")
def pause_camera(
    told: Pausing, service: TheService, person: CameraPauser, chamber: str | None = None
) -> Done:
    """No picture is taken for some minutes; only heat is watched meanwhile, which is told.

    409 while the camera sees danger. Not `stored`: a restart would end it.
    """
    stored = service.pausing.pause(service.chamber(chamber), told.minutes * 60.0, by=person.name)
    return Done(stored=stored)


@router.post("/camera/resume")
def resume_camera(service: TheService, _: CameraResumer, chamber: str | None = None) -> Done:
    """The camera looks again; harmless if it does."""
    service.pausing.go_on(service.chamber(chamber))
    return Done()
