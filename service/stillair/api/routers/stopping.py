"""Stopping the machine: saying no in time, stopping it at once, trying that, and resetting it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request

from stillair.access.roles import Principal, Role
from stillair.api.entry import TheService, acting, acting_person
from stillair.api.nearness import refuse_from_afar
from stillair.api.schemas import Done, MachineTried
from stillair.model import HoldStop, ResetStop, StopNow, StopTried

router = APIRouter(prefix="/api/chambers/{chamber}/stop", tags=["stopping the machine"])

Holder = Annotated[Principal, acting_person("machine not to be stopped", named=True)]
Stopper = Annotated[Principal, acting("machine stopped")]
Trier = Annotated[Principal, acting_person("stop of the machine tried", Role.OWNER)]
Judge = Annotated[Principal, acting_person("stop of the machine judged", Role.OWNER)]
Resetter = Annotated[Principal, acting_person("machine let run again")]


@router.post("/hold")
async def hold(chamber: str, service: TheService, person: Holder) -> Done:
    """Don't stop the machine for what stands now: said by a person who has signed in.

    409 where no countdown runs. What begins later counts anew.
    """
    answer = await service.command(
        service.chamber(chamber), lambda t_s: HoldStop(t_s=t_s, by=person.name)
    )
    return Done(stored=answer.stored)


@router.post("/now")
async def stop_now(chamber: str, service: TheService, person: Stopper) -> Done:
    """Stop the machine at once; harmless twice."""
    answer = await service.command(
        service.chamber(chamber), lambda t_s: StopNow(t_s=t_s, by=person.name)
    )
    return Done(stored=answer.stored)


@router.post("/try")
async def try_it(chamber: str, service: TheService, person: Trier) -> Done:
    """Stop the machine to see whether it really does; 409 while a job runs."""
    answer = await service.command(
        service.chamber(chamber), lambda t_s: StopNow(t_s=t_s, by=person.name, trial=True)
    )
    return Done(stored=answer.stored)


@router.post("/tried")
async def tried(chamber: str, told: MachineTried, service: TheService, person: Judge) -> Done:
    """Whether the machine stopped when that was tried; 409 where it isn't being tried."""
    answer = await service.command(
        service.chamber(chamber),
        lambda t_s: StopTried(t_s=t_s, by=person.name, worked=told.worked),
    )
    return Done(stored=answer.stored)


@router.post("/reset")
async def reset(chamber: str, request: Request, service: TheService, person: Resetter) -> Done:
    """Let the machine run again: asked by a person in the same network as the board.

    409 while anything stands for which it is stopped, and where a button at the machine does this.
    """
    key = service.chamber(chamber)
    refuse_from_afar(
        request, service.watched(key).settings, "Go to the machine, and answer in its own network."
    )
    answer = await service.command(key, lambda t_s: ResetStop(t_s=t_s, by=person.name))
    return Done(stored=answer.stored)
