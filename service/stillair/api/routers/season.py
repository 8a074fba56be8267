"""The season of simulated jobs: whether it is there, brought in, and removed."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, BackgroundTasks
from pydantic import BaseModel

from stillair.access.roles import Principal, Role
from stillair.api.entry import TheService, Viewer, acting
from stillair.api.schemas import Done

router = APIRouter(prefix="/api/season", tags=["season"])

Filler = Annotated[Principal, acting("season of simulated jobs brought in", Role.OWNER)]
Remover = Annotated[Principal, acting("season of simulated jobs removed", Role.OWNER)]


class Season(BaseModel):
    """How many of its jobs there are, and whether it can be brought in here."""

    jobs: int
    offered: bool


@router.get("")
def season(service: TheService, _: Viewer) -> Season:
    """The season of simulated jobs that comes with the product."""
    found = service.season.now()
    return Season(jobs=found.jobs, offered=found.offered)


@router.post("", status_code=202)
def fill(service: TheService, _: Filler, afterwards: BackgroundTasks) -> Done:
    """Bring the season in: the service begins anew with it within seconds.

    409 unless it is the built-in simulated chamber and none of its jobs is over.
    """
    afterwards.add_task(service.season.wish())
    return Done()


@router.delete("")
def remove(service: TheService, _: Remover) -> Done:
    """Remove the season's jobs, and whatever was added to them since, for ever."""
    service.season.remove()
    return Done()
