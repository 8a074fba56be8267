"""Layers: what each met in the chamber, and what is said of them before they are laid."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from stillair.api.entry import TheService, Viewer
from stillair.runtime.layers import job_weather, look_before

router = APIRouter(prefix="/api", tags=["layers"])

Material = Annotated[str, Query(max_length=120, description="what is loaded, as in `PA12 CF`")]


@router.get("/jobs/{job}/weather")
async def weather(job: str, service: TheService, _: Viewer) -> dict[str, Any]:
    """The thermal history of each layer of a job, and the stretches that differ from the rest.

    Columns with one entry a layer, null where nothing can be said; `start_s` and `end_s`
    are seconds since the epoch. Layers are counted from 0, also in `stretches`, and end with
    the last one that was laid. 409 where the job follows no toolpath or has no material
    of the table.
    """
    return await job_weather(service, job)


@router.get("/toolpaths/{toolpath}/before")
async def before(
    toolpath: str,
    service: TheService,
    _: Viewer,
    chamber: Annotated[str | None, Query(max_length=120)] = None,
    material: Material = "",
) -> dict[str, Any]:
    """What commonly spoils such a job, each with its reason and what would help.

    Without `chamber`: in the first. As the chamber is now, and as if the job began now.
    """
    return await look_before(service, toolpath, chamber, material)
