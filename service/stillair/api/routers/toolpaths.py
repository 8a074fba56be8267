"""Toolpaths: sent, read, shown layer by layer, and followed by jobs."""

from __future__ import annotations

from dataclasses import fields
from http import HTTPStatus
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from stillair.access.roles import Principal, Role, Scope
from stillair.api.entry import Starter, TheAccess, TheService, Viewer, acting, in_chamber
from stillair.api.problems import Problem
from stillair.api.receiving import BODY, receiving, sent
from stillair.api.routers.jobs import After, Limit
from stillair.api.schemas import Created, Done, Listing
from stillair.jobs.toolpath import Bounds, Layers
from stillair.runtime.toolpaths import NAME_LENGTH, TOO_LARGE, TooLargeError

router = APIRouter(prefix="/api", tags=["toolpaths"])

Remover = Annotated[Principal, acting("toolpath removed")]
Follower = Annotated[Principal, acting("toolpath of a job", Role.OPERATOR, Scope.JOBS)]

DIGITS = 4  # of lengths, times and heights in answers


class Followed(BaseModel):
    """Which toolpath a job follows; null: none."""

    model_config = ConfigDict(extra="forbid", strict=True)

    toolpath: Annotated[str, Field(min_length=1, max_length=64)] | None


class LayerColumns(BaseModel):
    """Columns of one length, an entry a layer; null where the file doesn't say."""

    height_mm: list[float]
    thickness_mm: list[float]
    start_s: list[float]
    end_s: list[float]
    length_mm: list[float]
    width_mm: list[float]
    fan_share: list[float]
    least_time_s: list[float]
    nozzle_c: list[float | None]
    longest_run_mm: list[float]
    piece: list[int]


class Outline(BaseModel):
    """Where road lies in one layer: rows of cells from low to high Y, "1" with road."""

    layer: int
    height_mm: float
    cell_mm: float
    x_mm: float
    y_mm: float
    rows: list[str]


@router.post("/toolpaths", status_code=201, openapi_extra=BODY)
async def send(
    request: Request,
    service: TheService,
    access: TheAccess,
    person: Starter,
    name: Annotated[str, Query(min_length=1, max_length=NAME_LENGTH)],
    chamber: str | None = None,
) -> Created:
    """Send a toolpath, the file itself as the body; it is read after that.

    Without `chamber`: for the machine in that of the token, or in the first.
    """
    key = service.chamber(chamber if chamber is not None else person.chamber)
    in_chamber(person, key)
    length = request.headers.get("content-length", "0")
    if int(length[:12]) > Bounds().bytes:
        raise Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, TOO_LARGE)
    with receiving():
        try:
            made = await service.toolpaths.receive(key, name, sent(request))
        except TooLargeError as error:
            raise Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, str(error)) from None
    access.act("toolpath sent", made, by=person.name, address=person.address)
    return Created(id=made)


@router.get("/toolpaths")
def toolpaths(service: TheService, _: Viewer, after: After = 0, limit: Limit = 200) -> Listing:
    """All toolpaths, newest last."""
    items, more = service.toolpaths.page(after, limit)
    return Listing(items=[dict(item) for item in items], next=more)


@router.get("/toolpaths/{toolpath}")
def one(toolpath: str, service: TheService, _: Viewer) -> dict[str, Any]:
    """One toolpath: `state` (waiting, ready, refused), how far it is, what it builds.

    Of a refused one `refused` has the line and what is wrong there.
    """
    return dict(service.toolpaths.one(toolpath))


@router.get("/toolpaths/{toolpath}/layers")
def layers(toolpath: str, service: TheService, _: Viewer) -> LayerColumns:
    """Its layers in columns, the first at 0; 409 until it has been read."""
    found, _outlines = service.toolpaths.layers(toolpath)
    return LayerColumns(**{field.name: _plain(found, field.name) for field in fields(Layers)})


@router.get("/toolpaths/{toolpath}/outline")
def outline(
    toolpath: str,
    service: TheService,
    _: Viewer,
    layer: Annotated[int, Query(ge=0, le=10**6, description="counted from 0")],
) -> Outline:
    """Where road lies in one of its layers; 409 until it has been read."""
    found, outlines = service.toolpaths.layers(toolpath)
    if layer >= len(found):
        raise Problem(HTTPStatus.NOT_FOUND, f"It has only {len(found)} layers.")
    cells = outlines.layer(layer)
    return Outline(
        layer=layer,
        height_mm=float(found.height_mm[layer]),
        cell_mm=outlines.cell_mm,
        x_mm=outlines.x_mm,
        y_mm=outlines.y_mm,
        rows=["".join("1" if cell else "0" for cell in row) for row in cells.tolist()],
    )


@router.delete("/toolpaths/{toolpath}")
def remove(toolpath: str, service: TheService, _: Remover) -> Done:
    """Forget a toolpath; 409 while a job follows it."""
    service.toolpaths.remove(toolpath)
    return Done()


@router.post("/jobs/{job}/toolpath")
def follow(job: str, told: Followed, service: TheService, _: Follower) -> Done:
    """The job follows this toolpath, or none; also days later."""
    service.job(job)
    service.toolpaths.follow(job, told.toolpath)
    return Done()


def _plain(found: Layers, name: str) -> list[Any]:
    column = getattr(found, name)
    if name == "piece":
        return list(column.tolist())
    rounded = np.round(column, DIGITS)
    return [value if value == value else None for value in rounded.tolist()]
