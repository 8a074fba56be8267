"""A look through a camera before it is written into the chamber file: for owners."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import Field

from stillair.api.entry import Owner, access
from stillair.api.routers.chamber_file import MOST_CHANGES, TheFiles, checked
from stillair.api.schemas import Done, Posted
from stillair.config.change import Change
from stillair.config.changed_words import source_words
from stillair.runtime.changing import CameraAsked
from stillair.runtime.trying_camera import CameraTrial

router = APIRouter(prefix="/api", tags=["setting up"])

Trial = Annotated[str, Path(max_length=64, description="the `trial` that began it")]
WATCHED = "This camera is watched already: its running picture is shown."


class ToLookThrough(Posted):
    """Through which camera to look, as `source` in the file of a chamber would name it.

    `changes` are those that this file would get besides.
    """

    chamber: Annotated[str, Field(max_length=200)]
    base: Annotated[str, Field(max_length=64)]
    source: Annotated[str, Field(min_length=1, max_length=1000)]
    changes: Annotated[list[Change], Field(max_length=MOST_CHANGES, default_factory=list)]


@router.post("/camera-trials", status_code=201)
async def begin(
    body: ToLookThrough, files: TheFiles, owner: Owner, request: Request, response: Response
) -> dict[str, Any]:
    """Begin to look through a camera; nothing is written. One at a time, closed by itself.

    A camera that is watched already isn't opened again: `watched_by` names its chamber then.
    """
    asked: CameraAsked = await run_in_threadpool(
        checked,
        partial(files.camera_asked, body.chamber, body.base, body.source.strip(), body.changes),
    )
    if asked.watched_by is not None:
        response.status_code = HTTPStatus.OK
        return {"trial": None, "watched_by": asked.watched_by, "told": WATCHED}
    trial = await files.camera_trials.begin(asked.camera, owner.name, width_mm=asked.width_mm)
    shown = source_words(asked.camera.source)
    access(request).act("camera looked through", shown, by=owner.name, address=owner.address)
    return {**_told(trial), "watched_by": None}


@router.get("/camera-trials/{trial}")
async def look(trial: Trial, files: TheFiles, _: Owner) -> dict[str, Any]:
    """How it is by now; a look that nobody asks after ends within seconds.

    `view`, once it is known, is what the watch could make of it: `advice` first things first.
    """
    return _told(files.camera_trials.asked(trial))


@router.get(
    "/camera-trials/{trial}/picture",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}}, 204: {"description": "None just now."}},
)
async def picture(trial: Trial, files: TheFiles, _: Owner) -> Response:
    """Its newest picture as JPEG; it is kept nowhere."""
    jpeg = files.camera_trials.asked(trial).jpeg
    if jpeg is None:
        return Response(status_code=HTTPStatus.NO_CONTENT)
    return Response(jpeg, media_type="image/jpeg", headers={"Cache-Control": "no-store"})


@router.delete("/camera-trials/{trial}")
async def end(trial: Trial, files: TheFiles, _: Owner) -> Done:
    """Close the camera; it is free once this answers. Harmless twice."""
    await files.camera_trials.end(trial)
    return Done()


def _told(trial: CameraTrial) -> dict[str, Any]:
    return {
        "trial": trial.id,
        "state": trial.state.value,
        "told": trial.told,
        "todo": trial.todo,
        "pictures": trial.pictures,
        "frames_per_s": trial.frames_per_s,
        "settling": trial.is_settling,
        "view": trial.view,
    }
